"""Drawing in two processes: the same files, and none of it where there is nobody to help."""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

#: A process of its own, as a command is: nothing is loaded before it starts another.
SCRIPT = """
import os
os.getloadavg = lambda: (9.0 if "busy" in vars(__builtins__) else 0.0, 0.0, 0.0)
from calib.operations.second_process import SecondProcess

class Broken:
    def __reduce__(self):
        return {breaks}, ()

beside = SecondProcess.start()
print("none" if beside is None else "one")
if beside is not None:
    one, other = beside.later(sorted, [3, 1, 2]), beside.later(len, {argument})
    print(one(), other())
"""

IDLE = "import os; os.getloadavg = lambda: (0.0, 0.0, 0.0); "

two = pytest.mark.skipif(
    sys.platform != "linux" or len(os.sched_getaffinity(0)) < 2, reason="one processor")


def ran(argument="'four'", breaks="None", before=""):
    code = before + SCRIPT.format(argument=argument, breaks=breaks)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                          timeout=60)
    assert not done.stderr
    return done.stdout.split("\n")[:-1]


@two
def test_what_they_return_comes_back_in_order():
    assert ran() == ["one", "[1, 2, 3] 4"]


@two
def test_libraries_without_threads_may_be_there():
    """It has what is loaded by then."""
    assert ran(before="import os; os.environ['OPENBLAS_NUM_THREADS'] = '1'; import numpy") == [
        "one", "[1, 2, 3] 4"]


@two
@pytest.mark.parametrize("breaks", ["len", "exit", "os.abort"])
def test_a_fault_there_is_made_good_here(breaks):
    """Whatever ends it: what is asked breaks the process that unpacks it."""
    assert ran("[Broken()]", breaks) == ["one", "[1, 2, 3] 1"]


@pytest.mark.parametrize("before", [
    "import os; os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})",
    "import os; os.environ |= {'OPENBLAS_NUM_THREADS': '2', 'OMP_NUM_THREADS': '2'}; import numpy",
    "import os, builtins; builtins.busy = True",
    'import threading as t, time; t.Thread(target=time.sleep, args=(5,), daemon=True).start()'])
@pytest.mark.skipif(sys.platform != "linux", reason="no processor can be taken away here")
def test_none_where_there_is_none_to_have(before):
    """One processor, or a busy machine, or a process in which threads may run."""
    assert ran(before=before) == ["none"]


@two
def test_it_ends_with_the_first():
    """Nothing asked: the first process ends, and so does the other."""
    code = (IDLE + "import calib.operations.second_process as b, sys; x = b.SecondProcess.start(); "
            "print(x.pid, flush=True)")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    state = Path(f"/proc/{int(done.stdout)}/stat")
    until = time.monotonic() + 30
    while time.monotonic() < until and state.exists() and " Z " not in state.read_text():
        time.sleep(0.05)
    assert not state.exists() or " Z " in state.read_text()


@pytest.mark.slow
def test_both_draw_the_same(tmp_path):
    """The demo solved with and without a second process: the same bytes, whatever process it is."""
    made = []
    for name in ("alone", "two"):
        alone = "os.sched_setaffinity(0, {min(os.sched_getaffinity(0))}); " * (name == "alone")
        words = ["calib", "demo", str(tmp_path / name)]
        code = (IDLE + f"import sys; {alone}sys.argv = {words!r}; "
                "from calib.cli import command; command()")
        subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, timeout=300)
        made.append(tmp_path / name / "result")
    one, other = (json.loads((folder / "files.json").read_text())["files"] for folder in made)
    assert one == other
    assert set(one) == {
        "result.json", "parameters.csv", "shots.csv", "readings.csv", "report.html", "report.pdf",
        "residuals-by-shot.png", "solved-against-tape.png", "standardised-residuals.png"}
    assert all((made[0] / name).stat().st_size for name in one)
