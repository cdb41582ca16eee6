"""Faults from a source that knows no hypothesis: named, or said to be unknown; never misnamed.

The campaign over many seeds is `benchmarks/diagnose_campaign.py`.
"""

import numpy as np
import pytest

from calib.judge.explain import explain
from calib.judge.fits import solved
from calib.judge.mend import figures, mended
from calib.report.pages.diagnosis import diagnosis_document, diagnosis_text
from calib.report.words.mistake import mistake_says
from tests.judge import faults

#: Told as "the shots are in feet", as single values, or not at all, before causes were tested
#: against the run that they leave; those like one of the first are looked at with the campaigns.
ONCE_MISNAMED = (
    faults.columns, faults.two_signs, faults.tape_ten, faults.other_bucket, faults.gain,
    faults.radians,
    *(pytest.param(fault, marks=pytest.mark.slow) for fault in (
        faults.settled, faults.gon, faults.scale_5_in_1000, faults.rows_from_12,
        faults.corners_3, faults.corners_8, faults.corners_16, faults.corners_from_12,
        faults.rows_last_4, faults.column_late, faults.pole_20mm, faults.zero_jump)),
)


def diagnosed(kinds, seed):
    """The outcome of a diagnosis, and what was found."""
    run, patterns = faults.planted(kinds, seed)
    found = explain(run)
    return faults.outcome(diagnosis_document(found), patterns), found, run


@pytest.mark.parametrize("fault", ONCE_MISNAMED, ids=lambda f: f.__name__)
def test_a_fault_is_named_and_mended(fault):
    """Named first, or beside what these shots cannot tell it from; the edit leaves a good run."""
    outcome, found, run = diagnosed((fault,), 77)
    assert outcome in ("first", "rival")
    after = solved(mended(run, found.claimed.mistake))
    assert after.adjustment.variance_factor < 1.5


@pytest.mark.slow
@pytest.mark.parametrize("fault", (faults.hysteresis, faults.wavy, faults.noisy),
                         ids=lambda f: f.__name__)
def test_a_fault_without_a_name_is_not_given_one(fault):
    """No cause: what is told is a part at most, and that the tool does not know."""
    outcome, found, _ = diagnosed((fault,), 78)
    assert outcome in ("unknown", "part")
    assert "something this tool does not know" in diagnosis_document(found).says


@pytest.mark.slow
@pytest.mark.parametrize("pair", (faults.PAIRS[0], faults.PAIRS[2], faults.PAIRS[7]),
                         ids=lambda p: "+".join(f.__name__ for f in p))
def test_two_faults_are_both_named(pair):
    """Both named in one sentence, whichever hides the other."""
    outcome, found, run = diagnosed(pair, 79)
    assert outcome in ("first", "rival")
    assert len(found.claimed.mistake.parts) == 2
    assert solved(found.claimed.mistake.apply(run)).adjustment.variance_factor < 1.5


def test_a_fault_below_the_global_test_is_found(rig):
    """Tracks that settle 1 cm: the run passes the global test, a test of one number does not."""
    for seed in range(60, 80):
        run, _ = faults.planted((faults.settled,), seed)
        found = explain(run)
        if found.as_it_is.passes:
            break
    assert found.as_it_is.passes
    assert not found.fits
    assert found.systematic
    assert found.claimed.mistake.family == "settled"


def test_a_set_aside_is_no_cure_for_a_jump():
    """The boom's zero jumps 1 deg: the jump is named, not the readings after it."""
    run, _ = faults.field_run(np.random.default_rng(5))
    readings = run.poses.readings.copy()
    readings[14:, run.rig.reading_names.index("boom")] += np.radians(1.0)
    found = explain(faults.replace(run, poses=faults.replace(run.poses, readings=readings)))
    assert found.single_values is None
    assert "zero of the reading boom shifted by" in mistake_says(found.claimed.mistake.fact)
    before, after = figures(run), figures(mended(run, found.claimed.mistake))
    assert after.edge_sd < 1.5 * before.edge_sd


@pytest.mark.slow
def test_clean_runs_are_told_no_cause():
    """40 clean runs: none is told a cause, and nearly all that they fit."""
    found = [diagnosed((faults.nothing,), 900 + i)[0] for i in range(40)]
    assert set(found) <= {"clean", "unknown"}
    assert found.count("unknown") <= 6


@pytest.mark.parametrize("fault", (faults.nothing, faults.sign), ids=lambda f: f.__name__)
def test_what_no_shot_shows_is_always_told(fault):
    """Prism constant, stickers, the survey's scale: each with what would show it."""
    text = diagnosis_text(diagnosis_document(diagnosed((fault,), 80)[1]))
    for word in ("prism constant", "sticker", "scale of the whole survey", "shows it"):
        assert word in text
