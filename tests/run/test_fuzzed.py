"""Readers given what coverage-guided attacks gathered (benchmarks/fuzz_readers.py)."""

import base64
from pathlib import Path

import pytest

from calib.intake.files.times import TimeFormat, TimeText
from tests.run.fuzzed import READERS, SEEDS

CORPUS = Path(__file__).parent / "corpus"


@pytest.mark.parametrize("name", READERS)
def test_corpus(name):
    """Each input that once reached new code, and the seeds: what must hold does."""
    kept = (CORPUS / f"{name}.txt").read_bytes().split()
    assert len(kept) >= 5
    for data in [*map(base64.b64decode, kept), *(s.encode() for s in SEEDS[name])]:
        READERS[name](data)


@pytest.mark.parametrize("zone", ["+82:00", "+15:00", "-14:60", "+0275"])
def test_no_clock_is_that_far_off(zone):
    """Found by an attack: a time with an offset of 82 hours was taken, and was 82 hours off."""
    with pytest.raises(TimeText):
        TimeFormat().parse(f"2031-05-04T09:30:00{zone}")
