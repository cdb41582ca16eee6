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


@pytest.mark.slow
@pytest.mark.parametrize("name", campaign.EFFECTS)
def test_cover(name):
    """40 runs: 32 intervals or fewer have a chance of 1 in 1,400, such an rms 1 in 10,000."""
    count, of, rms = campaign.covered(name, 40, 40)
    assert count >= 0.82 * of
    assert 0.6 < rms < 1.45
