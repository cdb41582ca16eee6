"""A run folder that grows, and a server for it."""

import numpy as np
import pytest

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
