"""What many tests start from: the standard rig, simulated runs, commands; nothing is drawn."""

import shutil
import sys

import pytest
from typer.testing import CliRunner

import calib.cli.results
from calib.chain.rig import rig_from_dict
from calib.cli import main
from calib.cli.app import application

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
        monkeypatch.setattr(calib.cli.results, "drawn_files", lambda *_: iter([{}]))


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


@pytest.fixture(scope="session")
def simulated(tmp_path_factory):
    """``simulated(folder, *words)``: what ``calib simulate`` writes there, simulated but once."""
    made = {}

    def write(folder, *words):
        words = tuple(map(str, words))
        if words not in made:
            run = tmp_path_factory.mktemp("simulated") / "run"
            done = CliRunner().invoke(application(), ["simulate", str(run), *words])
            assert done.exit_code == 0, done.output
            made[words] = run
        return shutil.copytree(made[words], folder)

    return write


@pytest.fixture(scope="session")
def solved(simulated, tmp_path_factory):
    """``solved(folder, *words)``: such a run with its result, solved but once."""
    made = {}

    def write(folder, *words):
        if words not in made:
            made[words] = simulated(tmp_path_factory.mktemp("solved") / "run", *words)
            CliRunner().invoke(application(), ["solve", str(made[words]), "--no-report"])
        return shutil.copytree(made[words], folder)

    return write
