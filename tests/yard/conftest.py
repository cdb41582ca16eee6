"""A run folder that grows, and a server for it."""

import contextlib
import csv
import io
import json
import subprocess
import sys

import numpy as np
import pytest
from typer.testing import CliRunner

from calib.cli.app import application
from calib.plan.candidates import joints_at
from calib.run.blank import blank_files
from calib.run.export import run_files
from calib.run.write import write_whole
from calib.simulate import simulate


@pytest.fixture(scope="session")
def made(rig):
    """A whole run with known truth, 16 poses of one stand, without gross errors."""
    return simulate(rig, np.random.default_rng(31), poses=16, stands=1)


@pytest.fixture(scope="session")
def made_files(made):
    """The files that the run would have."""
    return run_files(made[0], blank_files(())["rig.toml"])


@pytest.fixture
def folder(tmp_path):
    """A blank run folder."""
    path = tmp_path / "run"
    write_whole(path, blank_files(()))
    return path


@pytest.fixture
def grown(tmp_path, made_files):
    """A run folder with everything shot."""
    path = tmp_path / "run"
    write_whole(path, made_files)
    return path


@pytest.fixture(scope="session")
def planned(rig, tmp_path_factory):
    """A blank run folder with a plan, and what its poses will show: readings and shots."""
    path = tmp_path_factory.mktemp("planned") / "run"
    write_whole(path, blank_files(()))
    CliRunner().invoke(application(), ["plan", str(path), "--minutes", "25", "--candidates",
                                       "1500"])
    plan = json.loads((path / "plan" / "plan.json").read_text())
    readings = np.radians([[pose["readings"][r] for r in rig.reading_names]
                           for pose in plan["poses"]])
    run, _ = simulate(rig, np.random.default_rng(7), poses=len(readings),
                      targets=plan["targets"], joints=joints_at(rig, rig.start, readings))
    values = rows_of(run_files(run, "")["readings.csv"])
    shots = rows_of(run_files(run, "")["shots.csv"])
    script = []
    for number, pose in enumerate(plan["poses"]):
        own = [s for s in shots if s["pose"] == run.poses.ids[number]
               and s["target"] in pose["shoot"]]
        script.append((pose, values[number], own))
    write_whole(path, {"tape.csv": run_files(run, "")["tape.csv"]})
    return path, script


def rows_of(text):
    """The rows of a CSV text."""
    return list(csv.DictReader(line for line in io.StringIO(text) if not line.startswith("#")))


@pytest.fixture
def served():
    """Starts servers: a context manager of an address and its process."""
    return served_page


@contextlib.contextmanager
def served_page(folder, *more):
    """An address and its process."""
    process = subprocess.Popen(
        [sys.executable, "-m", "calib", "yard", str(folder), "--no-browser", *more],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        yield process.stdout.readline().strip(), process
    finally:
        process.kill()
        process.wait()
