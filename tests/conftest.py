"""What many tests start from: the standard rig with the noise of a careful run."""

import pytest

import calib.cli.results
from calib.chain.rig import rig_from_dict

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
def undrawn(monkeypatch):
    """Results without report and plots: they take their time and have tests of their own."""
    monkeypatch.setattr(calib.cli.results, "drawn_files", lambda *_: {})
