"""Many independent tasks on an executor: bounded in flight, and none lost with a worker."""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from contextlib import suppress
from itertools import islice
from typing import Any


class WorkerDied(Exception):
    """A task whose worker died with it, again when nothing else was running."""

    def __str__(self) -> str:
        return "the process that solved it died, twice"


def results(tasks: Iterable[Any], function: Callable[[Any], Any],
            new_executor: Callable[[], Executor], in_flight: int) -> Iterator[tuple[Any, Any]]:
    """Each task with what the function returned, or the exception, in the order of completion.

    When an executor breaks, as that of `concurrent.futures` does with the death of a process, a new
    one is made. Whatever was in flight then runs again, one after the other: the task that kills
    its worker again is given up, the others were only there at the time. Executors that bring
    their workers back by themselves never break.

    Parameters
    ----------
    tasks : iterable
        Taken from as there is room; may be as long as it likes.
    function : callable
        ``function(task)``; both go to other processes.
    new_executor : callable
        Makes an executor; it is shut down here.
    in_flight : int
        Tasks that are with the executor at a time.
    """
    waiting, executor = iter(tasks), new_executor()
    running: dict[Future, Any] = {}
    try:
        while True:
            for task in islice(waiting, in_flight - len(running)):
                running[_submitted(executor, function, task)] = task
            if not running:
                return
            done = wait(running, return_when=FIRST_COMPLETED).done
            if any(isinstance(f.exception(), BrokenExecutor) for f in done):
                done = set(running)  # the others break with it, or have just ended
            again = []
            for future in done:
                task, outcome = running.pop(future), _outcome(future)
                if isinstance(outcome, BrokenExecutor):
                    again.append(task)
                else:
                    yield task, outcome
            if again:
                _end(executor)
                yield from _one_by_one(again, function, new_executor)
                executor = new_executor()
    finally:
        _end(executor)


def _one_by_one(tasks, function, new_executor):
    """Outcomes of tasks of which one broke an executor: each alone, the guilty one given up."""
    executor = new_executor()
    try:
        for task in tasks:
            outcome = _outcome(_submitted(executor, function, task))
            if isinstance(outcome, BrokenExecutor):
                outcome = WorkerDied()
                _end(executor)
                executor = new_executor()
            yield task, outcome
    finally:
        _end(executor)


def _submitted(executor, function, task):
    """A future also where the executor has just broken."""
    try:
        return executor.submit(function, task)
    except BrokenExecutor as error:
        future: Future = Future()
        future.set_exception(error)
        return future


def _outcome(future):
    try:
        return future.result()
    except Exception as error:
        return error


def _end(executor):
    with suppress(Exception):
        executor.shutdown(wait=False, cancel_futures=True)
