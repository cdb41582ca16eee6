"""Changed files of a run folder against what a careful person would read in them."""


import numpy as np
import pytest

from .oracle import REFUSE, SPELLINGS, kinds, rig_sd, spelt, wrong

KINDS = {kind.name: kind for kind in kinds()}


def faults(kind, count, seed):
    """Every fault of `count` changed files."""
    rng = np.random.default_rng(seed)
    return [fault for _ in range(count) if (fault := wrong(kind, rng))]


@pytest.mark.parametrize("name", KINDS)
def test_as_a_careful_person_reads_it(name):
    """1,000 files with one or two changed cells: never another value, never a traceback."""
    found = faults(KINDS[name], 1000, 11)
    assert not found, f"{len(found)}: " + "\n".join(found[:5])


@pytest.mark.slow
@pytest.mark.parametrize("name", KINDS)
def test_as_a_careful_person_reads_it_often(name):
    """The same with 8,000 others of each."""
    found = faults(KINDS[name], 8000, 12)
    assert not found, f"{len(found)}: " + "\n".join(found[:5])


@pytest.mark.parametrize(("spelling", "value"), SPELLINGS)
@pytest.mark.parametrize("key", ["house_pitch", "boom", "rotate"])
def test_numbers_of_a_rig_file(spelling, value, key):
    """Numbers as TOML knows them; everything else is asked back."""
    value = spelt(spelling, value, toml=True)
    assert rig_sd(spelling, key) == (REFUSE if value == REFUSE else pytest.approx(value))


def test_the_oracle_can_fail():
    """A reader that takes a number with an underscore, or drops a control, is found out."""
    kind = KINDS["shots.csv"]
    honest = kind.read
    try:
        kind.read = lambda data: honest(data.replace(b"_0", b"").replace(b"\xc2\x85", b""))
        assert any("underscore" in f or "0x85" in f for f in faults(kind, 600, 3))
    finally:
        kind.read = honest
