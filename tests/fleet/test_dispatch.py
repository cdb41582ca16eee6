"""Tasks on executors that lose workers: nothing lost, nothing twice, the guilty one named."""

import os
import signal
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from functools import partial
from multiprocessing import get_context

import pytest

from calib.fleet.dispatch import WorkerDied, results


def doubled(task):
    if task == "bad":
        raise ValueError("a bad one")
    return 2 * task


def killing(task, folder, always):
    """Kill the worker at task 5: always, or the first time only."""
    mark = os.path.join(folder, "killed")
    if task == 5 and (always or not os.path.exists(mark)):
        open(mark, "w").close()
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.01)
    return task


def two():
    return ProcessPoolExecutor(2, mp_context=get_context("spawn"))


def test_every_task_has_its_outcome():
    """A fault of one is its outcome, and no more tasks are taken than fit in flight."""
    taken = []

    def tasks():
        for task in (1, 2, "bad", 4, 5, 6):
            taken.append(task)
            yield task

    found = {}
    for task, outcome in results(tasks(), doubled, lambda: ThreadPoolExecutor(1), 2):
        found[task] = outcome
        assert len(taken) <= len(found) + 2
    assert isinstance(found.pop("bad"), ValueError)
    assert found == {1: 2, 2: 4, 4: 8, 5: 10, 6: 12}


@pytest.mark.parametrize("always", [False, True])
def test_a_killed_process_loses_nothing(tmp_path, always):
    """One that dies once is done again; one that always kills its worker is given up, alone."""
    work = partial(killing, folder=str(tmp_path), always=always)
    found = list(results(range(20), work, two, 6))
    assert sorted(task for task, _ in found) == list(range(20))
    outcomes = dict(found)
    if always:
        assert isinstance(outcomes.pop(5), WorkerDied)
    assert all(task == outcome for task, outcome in outcomes.items())
