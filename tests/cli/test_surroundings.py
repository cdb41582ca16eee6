"""Signals, streams, environments and paths that a field laptop may have."""

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time

import pytest

from calib.cli import main
from calib.console import talk
from calib.console.interrupt import interrupts_told

CALIB = [sys.executable, "-m", "calib"]
pytestmark = pytest.mark.skipif(os.name != "posix", reason="POSIX signals and streams")


@pytest.fixture(scope="module")
def run(solved, tmp_path_factory):
    """A small simulated run, solved."""
    return solved(tmp_path_factory.mktemp("surroundings") / "run", "--poses", 12, "--seed", 4)


def called(*words, env=None, **options):
    return subprocess.run([*CALIB, *map(os.fspath, words)], capture_output=True, timeout=120,
                          env=None if env is None else {**env, "PYTHONPATH": os.getcwd()},
                          **options)


def content(folder):
    return {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize("words", ["importing", "Solving", "Drawing"])
def test_an_interrupt_is_one_line_and_130(run, tmp_path, words):
    """In any phase: no traceback, no process left; the result as it was, or the new numbers."""
    shutil.copytree(run, tmp_path / "run")
    run = tmp_path / "run"
    before = content(run)
    # Who started the tests may have had interrupts ignored: children inherit that.
    process = subprocess.Popen([*CALIB, "solve", str(run)], stdout=subprocess.PIPE,
                               stderr=subprocess.PIPE, text=True, start_new_session=True,
                               preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))
    if words == "importing":
        time.sleep(0.25)
    else:
        while words not in process.stderr.readline():
            pass
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert err.endswith(f"\nInterrupted. Nothing is half-written.\nNext: calib solve {run}\n")
    assert "Traceback" not in err
    with pytest.raises(ProcessLookupError):
        os.killpg(process.pid, 0)
    if words != "Drawing":
        assert out == "" and content(run) == before
        return
    assert "boom_length" in out
    assert not (run / "result" / "report.pdf").exists()
    assert "calib report" in (run / "result" / "report.html").read_text("utf-8")
    (run / "result" / "report.html").unlink()
    numbers = {name: data for name, data in before.items()
               if name.suffix in (".json", ".csv", ".toml") and name.name != "files.json"}
    after = content(run)
    assert numbers == {name: after[name] for name in numbers}


def test_handlers_are_as_before_after_a_command(monkeypatch):
    """A program that calls the commands keeps its own."""
    before = signal.getsignal(signal.SIGINT)
    monkeypatch.setattr(sys, "argv", ["calib", "--version"])
    with pytest.raises(SystemExit):
        main()
    assert signal.getsignal(signal.SIGINT) is before


def test_an_interrupt_after_the_end_comes_too_late():
    """Behind the last line nothing is left to stop: the status is the command's, and no word."""
    late = ("import atexit, os, signal, sys\n"
            "signal.signal(signal.SIGINT, signal.SIG_DFL)\n"
            "sys.argv = ['calib', '--version']\n"
            "atexit.register(os.kill, os.getpid(), signal.SIGINT)\n"
            "from calib.cli import command\ncommand()\n")
    done = subprocess.run([sys.executable, "-c", late], capture_output=True, timeout=60, text=True)
    assert (done.returncode, done.stderr) == (0, ""), done.stderr


def test_two_interrupts_are_one(monkeypatch):
    """A second one while the first is told is no traceback."""
    told = []

    class Stderr:
        def write(self, text):
            told.append(text)
            os.kill(os.getpid(), signal.SIGINT)

    before = signal.getsignal(signal.SIGINT)
    monkeypatch.setattr(sys, "stderr", Stderr())
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(SystemExit) as left, interrupts_told(talk.following):
            os.kill(os.getpid(), signal.SIGINT)
    finally:
        signal.signal(signal.SIGINT, before)
    assert left.value.code == 130 and len(told) == 1


@pytest.mark.parametrize("speak", [talk.tell, talk.result])
def test_an_interrupt_that_python_swallows_is_heard_at_the_next_word(capfd, speak):
    """What a signal raises while an object is given up is printed by Python, and lost."""
    class Given:
        def __del__(self):
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(0.01)

    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        with pytest.raises(SystemExit) as left, interrupts_told(talk.following):
            Given()
            speak("Solving")
    finally:
        signal.signal(signal.SIGINT, before)
        sys.unraisablehook = hook
    assert left.value.code == 130
    out, err = capfd.readouterr()
    assert out == "" and "\nInterrupted." in err


def test_output_that_nobody_reads_on(run):
    """``| head -1``: no fault, the status is the verdict's."""
    result = str(run / "result")
    process = subprocess.Popen([*CALIB, "compare", result, result], stdout=subprocess.PIPE,
                               stderr=subprocess.PIPE, text=True)
    process.stdout.close()
    err = process.stderr.read()
    assert process.wait(60) == 0
    assert "Traceback" not in err and "BrokenPipe" not in err


@pytest.mark.parametrize("closed", [pytest.param([1], marks=pytest.mark.slow), [0, 1, 2]])
def test_closed_streams(run, tmp_path, closed):
    """A service may have none of the three; no file of ours gets their number."""
    done = called("solve", run, "--no-report", "--out", tmp_path / "out",
                  preexec_fn=lambda: [os.close(n) for n in closed])
    assert done.returncode == 0 and b"Traceback" not in done.stderr
    written = (tmp_path / "out" / "result.json").read_bytes()
    assert json.loads(written) and written == (run / "result" / "result.json").read_bytes()


def test_an_output_without_our_letters(run):
    """Redirected on Windows, or LC_ALL=C: escapes instead of a traceback."""
    done = called("check", run / "result", env={"PYTHONIOENCODING": "ascii"})
    assert done.returncode == 0 and b"Traceback" not in done.stderr
    assert b"mm" in done.stdout


@pytest.mark.parametrize("env", [
    pytest.param({"MPLBACKEND": "module://matplotlib_inline.backend_inline", "LC_ALL": "C",
                  "TZ": "Mars/Olympus"}, marks=pytest.mark.slow),
    {"MPLBACKEND": "nonsense", "HOME": "/nonexistent", "XDG_CONFIG_HOME": "/dev/null",
     "TZ": "UTC-14"},
])
def test_odd_environments(run, env):
    """A notebook's variables, no home, no locale, no such time zone."""
    done = called("sheet", run / "result", env=env)
    assert done.returncode == 0, done.stderr
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize("name", [
    "with space", "100 %s %d", "größe Ж", b"not \xff utf-8", "a\nb", "-", "$(x)", "[red]x[/red]",
    "\x1b[31mred", "x" * 200,
])
def test_odd_names(run, tmp_path, calib_command, name):
    """Paths are only paths: nothing in them is a format, markup, an order to a terminal."""
    out = os.fsdecode(os.path.join(os.fsencode(tmp_path), os.fsencode(name)))
    shutil.copytree(run / "result", out)
    status, shown, err = calib_command("compare", run / "result", out, "--out", out)
    assert status == 0, err
    assert os.path.exists(os.path.join(out, "compare.html"))
    assert "\x1b" not in shown + err
    status, shown, err = calib_command("drift", run / "result", out)
    assert status == 3 and "\x1b" not in shown + err


@pytest.mark.parametrize("words", [
    ["solve", ""], ["solve", "run", "--out", ""], ["solve", "run", "--out="], ["sheet", ""],
])
def test_an_empty_argument_is_wrong_usage(tmp_path, monkeypatch, calib_command, words):
    """An unset variable of a script must not mean the current folder."""
    monkeypatch.chdir(tmp_path)
    status, _, err = calib_command(*words)
    assert status == 2 and "empty" in err
    assert not os.listdir(tmp_path)


def test_a_loop_of_links_is_a_complaint(run, tmp_path, calib_command):
    """Wherever a path is given."""
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    for words in (["solve", loop], ["solve", run, "--out", loop], ["sheet", loop],
                  ["sheet", run / "result", "--out", loop], ["diagnose", loop], ["demo", loop],
                  ["compare", loop, loop], ["new", loop], ["history", loop]):
        status, _, err = calib_command(*words)
        assert status == 3 and "Traceback" not in err, words


def test_a_pipe_is_not_waited_for(run, tmp_path, calib_command):
    """Nor is a device read for ever, wherever a file is given."""
    pipe, record = tmp_path / "result.json", tmp_path / "record"
    os.mkfifo(pipe)
    shutil.copytree(run / "result", record)
    (record / "history.csv").symlink_to(pipe)
    for words in (["sheet", pipe], ["drift", run / "result", tmp_path],
                  ["confirm", run / "result", pipe], ["together", pipe],
                  ["entries", "check", pipe, "tilt_rotator"], ["rig", "check", pipe],
                  ["import", pipe, "--into", tmp_path / "into", "--yes"], ["history", record],
                  ["solve", run, "--machine", tmp_path, "--out", tmp_path / "out"]):
        # Whoever reads it finds it empty, and does not wait.
        threading.Thread(target=lambda: pipe.open("wb").close(), daemon=True).start()
        status, _, err = calib_command(*words)
        assert status in (2, 3) and "no ordinary file" in err, (words, status, err)


def test_the_demo_goes_over_no_other_run(tmp_path, calib_command, monkeypatch):
    """Its own run is left as it is; another run is refused whole."""
    mine = tmp_path / "job" / "run"
    mine.mkdir(parents=True)
    (mine / "shots.csv").write_text("my shots")
    status, _, err = calib_command("demo", tmp_path / "job")
    assert status == 3 and "not the demo's" in err
    assert content(tmp_path) == {mine.relative_to(tmp_path) / "shots.csv": b"my shots"}


def test_a_run_is_never_taken_for_a_result_folder(run, simulated, tmp_path, calib_command):
    """--out with another run: nothing of it is lost."""
    other = simulated(tmp_path / "other", "--poses", 12, "--seed", 3)
    before = content(other)
    status, _, err = calib_command("solve", run, "--out", other)
    assert status == 3 and "no result" in err
    assert content(other) == before


def test_bytes_that_are_no_text(tmp_path, calib_command):
    """A rig file, a history and a tape of random bytes are complaints."""
    (tmp_path / "history.csv").write_bytes(b"\xff\xfe\xfd")
    for words in (["simulate", tmp_path / "new", "--rig", tmp_path / "history.csv"],
                  ["history", tmp_path], ["plan", tmp_path / "history.csv"]):
        status, _, err = calib_command(*words)
        assert status == 3 and "Traceback" not in err, err


@pytest.mark.skipif(not hasattr(os, "fork"), reason="POSIX limits")
def test_a_limit_on_files(run, tmp_path, calib_command):
    """As on a full disk: a complaint, and everything as it was."""
    import resource

    shutil.copytree(run / "result", tmp_path / "result")
    before, was = content(tmp_path), resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (5000, was[1]))
    try:
        status, _, err = calib_command("sheet", tmp_path / "result")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, was)
    assert status == 3 and "cannot be written" in err, err
    assert content(tmp_path) == before


def test_a_history_over_folders_of_odd_names(run, tmp_path, calib_command):
    """A line of the record is one line, whatever a folder is called, and is read again."""
    for name in (b"a\nb", b"not \xff utf-8", b"=1"):
        shutil.copytree(run / "result", os.fsdecode(os.fsencode(tmp_path) + b"/" + name))
    (tmp_path / "=1" / "result.json").write_text(
        (run / "result" / "result.json").read_text("utf-8") + "\n", "utf-8")
    for _ in range(2):
        status, _, err = calib_command("history", tmp_path)
        assert status == 0 and "Traceback" not in err, err
    assert (tmp_path / "history.csv").read_bytes().count(b"\n") == 3
    # A line of a result that is gone cannot be written again.
    cut = (tmp_path / "history.csv").read_bytes()[:-20]
    (tmp_path / "history.csv").write_bytes(cut)
    for folder in [path.parent for path in tmp_path.glob("*/result.json")]:
        shutil.rmtree(folder)
    assert "kept as damaged-history.csv" in calib_command("history", tmp_path)[2]
    assert (tmp_path / "damaged-history.csv").read_bytes() == cut


@pytest.mark.parametrize("columns", ["99999999", "9" * 5000, "80"])
def test_no_terminal_is_as_wide_as_a_variable_may_say(monkeypatch, columns):
    """What is not to be believed is not drawn for."""
    monkeypatch.setenv("COLUMNS", columns)
    talk.prepare()
    assert os.environ.get("COLUMNS") == (columns if columns == "80" else None)
