"""Sizes of effects: their 95 % intervals hold the true size in about 95 % of runs.

`benchmarks/effects_cover.py` does the same with hundreds of runs each.
"""

import importlib.util
from pathlib import Path

import pytest

FILE = Path(__file__).parents[2] / "benchmarks" / "effects_cover.py"
spec = importlib.util.spec_from_file_location("effects_cover", FILE)
campaign = importlib.util.module_from_spec(spec)
spec.loader.exec_module(campaign)


@pytest.mark.parametrize("name", campaign.EFFECTS)
def test_cover(name):
    """15 runs: 10 intervals or fewer have a chance of 1 in 1600, an rms beyond 1.6 of 1 in 1200."""
    count, of, rms = campaign.covered(name, 15, 40)
    assert count >= 0.7 * of
    assert 0.5 < rms < 1.6
