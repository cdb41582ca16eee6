"""A field day: an invented run, its files in a folder, and the command to import them."""

import sys

import numpy as np
import pytest

from calib.chain.rig import rig_from_dict
from calib.cli import main
from calib.run.export import run_files
from calib.simulate import simulate
from tests.conftest import STANDARD
from tests.intake.field_files import RIG_TOML, job_lines


@pytest.fixture(scope="module")
def run():
    """An invented run of 12 poses in one stand."""
    return simulate(rig_from_dict(STANDARD), np.random.default_rng(6), poses=12)[0]


@pytest.fixture
def field(tmp_path, run, monkeypatch):
    """A folder as the field hands it over: job.txt in metres and readings on a sheet."""
    monkeypatch.chdir(tmp_path)
    files = run_files(run, RIG_TOML)
    (tmp_path / "sheet.csv").write_text(files["readings.csv"])
    (tmp_path / "tape.csv").write_text(files["tape.csv"])
    (tmp_path / "job.txt").write_text("Job: invented\n" + "".join(job_lines(run)) + "end\n")
    return tmp_path


@pytest.fixture
def calib(monkeypatch, capsys):
    """Runs `calib import`; gives exit status, stdout and stderr."""

    def command(*arguments):
        monkeypatch.setattr(sys, "argv", ["calib", "import", *map(str, arguments)])
        with pytest.raises(SystemExit) as left:
            main()
            raise SystemExit(0)
        out = capsys.readouterr()
        return left.value.code or 0, out.out, out.err

    return command
