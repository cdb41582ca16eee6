"""Changed files of a run folder against what a careful person would read in them."""

import time
from dataclasses import replace

import numpy as np
import pytest

from calib.intake.declaration import read_profile
from calib.run.complaints import Findings, InputError
from calib.run.rig_file import read_rig

from . import oracle_keys
from .conftest import RIG
from .oracle import REFUSE, SPELLINGS, kinds, rig_sd, spelt, wrong

KINDS = {kind.name: (kind, wrong) for kind in kinds()}
KEYED = {kind.name: (kind, oracle_keys.wrong) for kind in oracle_keys.kinds()}


def faults(kind, look, count, seed):
    """Every fault of `count` changed files."""
    rng = np.random.default_rng(seed)
    return [fault for _ in range(count) if (fault := look(kind, rng))]


#: Every slow run has other files. More of them at once: benchmarks/file_attacks.
OFTEN = pytest.mark.parametrize(("count", "seed"), [
    (1000, 11), pytest.param(30_000, int(time.time()), marks=pytest.mark.slow, id="often")])


@OFTEN
@pytest.mark.parametrize("name", [*KINDS, *KEYED])
def test_as_a_careful_person_reads_it(name, count, seed):
    """Files with one or two changed values: never another value, never a traceback."""
    found = faults(*(KINDS | KEYED)[name], count, seed)
    assert not found, f"seed {seed}, {len(found)}: " + "\n".join(found[:5])


@pytest.mark.parametrize(("spelling", "value"), SPELLINGS)
@pytest.mark.parametrize("key", ["house_pitch", "boom", "rotate"])
def test_numbers_of_a_rig_file(spelling, value, key):
    """Numbers as TOML knows them; everything else is asked back."""
    value = spelt(spelling, value, toml=True)
    assert rig_sd(spelling, key) == (REFUSE if value == REFUSE else pytest.approx(value))


def test_the_oracle_can_fail():
    """A reader that takes a number with an underscore, or drops a control, is found out."""
    kind, _ = KINDS["shots.csv"]
    honest = kind.read
    try:
        kind.read = lambda data: honest(data.replace(b"_0", b"").replace(b"\xc2\x85", b""))
        assert any("underscore" in f or "0x85" in f for f in faults(kind, wrong, 600, 3))
    finally:
        kind.read = honest


@pytest.mark.parametrize("lax", ["pole = true", 'factor = "0.9996"', "log.window = true"])
def test_a_profile_that_says_no_number(lax):
    """Found by the attack: `pole = true` took one metre off every height."""
    with pytest.raises(InputError, match="number"):
        read_profile(lax.encode(), "import.toml")


def test_the_other_oracle_can_fail():
    """A reader that drops a control character, or takes a key that it does not know."""
    kind, look = KEYED["runs.toml"]
    lax = replace(kind, read=lambda data: kind.read(data.replace(b"\\u0085", b"")))
    assert any("control" in f for f in faults(lax, look, 600, 3))


def test_a_flag_is_no_sign():
    """Found by the attack: true is 1 to Python, and was taken for a direction."""
    told = Findings()
    read_rig(RIG + "[readings.direction]\ncoupler = true\n", "rig.toml", told)
    assert [c.expected for c in told.complaints] == ["1 or -1"]
