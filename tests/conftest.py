"""What many tests start from: the standard rig, simulated runs, commands; nothing is drawn."""

import gc
import hashlib
import os
import shutil
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

# Two workers on two processors: further threads of theirs would only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
from typer.testing import CliRunner

from calib.chain.rig import rig_from_dict
from calib.cli import main
from calib.cli.app import application
from calib.operations import result_files

STANDARD = {
    "template": "tilt_rotator",
    "shots": {"sd": {"east": 0.002, "north": 0.002, "up": 0.002}},
    "readings": {
        "sd": {
            "house_pitch": 0.03, "house_roll": 0.03, "boom": 0.05, "stick": 0.05,
            "coupler": 0.05, "tilt": 0.06, "rotate": 0.10,
        }
    },
}


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """Tests and modules stay to the end: nobody looks for garbage among them, then or later."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


@pytest.fixture(scope="session")
def rig():
    """The standard rig with sds for shots and readings."""
    return rig_from_dict(STANDARD)


@pytest.fixture
def drawn():
    """For a test that looks at what a command in this process draws beside the numbers."""


@pytest.fixture(autouse=True)
def _undrawn(request, monkeypatch):
    """Results without report and plots, which take most of the time; see `drawn`."""
    if "drawn" not in request.fixturenames:
        monkeypatch.setattr(result_files, "drawn_files", lambda *_: iter([{}]))


@pytest.fixture
def calib_command(monkeypatch, capsys):
    """Runs one command in this process; gives exit status, stdout and stderr."""

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["calib", *map(str, arguments)])
        with pytest.raises(SystemExit) as left:
            main()
            raise SystemExit(0)
        out = capsys.readouterr()
        return left.value.code or 0, out.out, out.err

    return run


@pytest.fixture
def unspawned(monkeypatch):
    """From its call on a fleet solves in this process: others take a second to begin."""
    return lambda: monkeypatch.setattr("calib.cli.fleet._processes",
                                       lambda count: (lambda: ThreadPoolExecutor(1), 1))


@pytest.fixture(scope="session")
def made_once(tmp_path_factory):
    """``made_once(make, *words)``: the folder that `make` fills, made by one of the workers."""
    shared = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        shared = shared.parent

    def folder(make, *words):
        name = f"{make.__name__}-{hashlib.sha256(repr(words).encode()).hexdigest()[:16]}"
        if not (shared / name).exists():
            own = tmp_path_factory.mktemp(make.__name__) / "run"
            make(own, *words)
            try:
                own.rename(shared / name)
            except OSError:  # the other worker was first
                assert (shared / name).is_dir()
        return shared / name

    return folder


@pytest.fixture(scope="session")
def simulated(made_once):
    """``simulated(folder, *words)``: what ``calib simulate`` writes there, simulated but once."""

    def simulate(run: Path, *words):
        done = CliRunner().invoke(application(), ["simulate", str(run), *words])
        assert done.exit_code == 0, done.output

    return lambda folder, *words: shutil.copytree(
        made_once(simulate, *map(str, words)), folder)


@pytest.fixture(scope="session")
def solved(made_once, simulated):
    """``solved(folder, *words)``: such a run with its result, solved but once."""

    def solve(run: Path, *words):
        simulated(run, *words)
        CliRunner().invoke(application(), ["solve", str(run), "--no-report"])

    return lambda folder, *words: shutil.copytree(made_once(solve, *map(str, words)), folder)


@pytest.fixture(scope="module")
def browser():
    """One for the tests of a module."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        pytest.skip("no chromium")
    with pytest.importorskip("playwright.sync_api").sync_playwright() as play:
        one = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield one
        one.close()
