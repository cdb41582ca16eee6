"""Field mistakes, planted and named; nothing claimed where nothing is wrong."""

from dataclasses import is_dataclass, replace
from typing import get_args, get_origin, get_type_hints

import numpy as np
import pytest

from calib.judge import facts
from calib.judge.column_mistakes import UNITS, changes_of, in_poses, mistake_in, plausible
from calib.judge.explain import explain
from calib.judge.hypotheses import Search
from calib.judge.mistakes import tape_factors
from calib.report.pages.diagnosis import diagnosis_document, diagnosis_text
from calib.report.words.mistake import mistake_says, told
from calib.simulate import simulate
from tests.judge import planted


@pytest.mark.slow
@pytest.mark.parametrize("mistake", planted.MISTAKES, ids=lambda m: m.__name__)
def test_a_planted_mistake_is_named_first(rig, mistake):
    """A run with one mistake: its family, and the pose, reading or value it is about."""
    run, family, words = planted.plant(mistake, rig, 31)
    claimed = explain(run).claimed
    assert claimed is not None
    assert claimed.mistake.family == family
    assert words in mistake_says(claimed.mistake.fact)


@pytest.mark.slow
def test_the_named_edit_mends_the_run(rig):
    """Applying the edit of the named mistake gives a run that fits."""
    run, _, _ = planted.plant(planted.sign, rig, 33)
    claimed = explain(run).claimed
    assert explain(claimed.mistake.apply(run)).fits


@pytest.mark.slow
def test_nothing_is_claimed_of_clean_runs(rig):
    """30 clean runs of one and two stands: no mistake claimed."""
    for seed in range(30):
        found = explain(planted.simulated(rig, np.random.default_rng(500 + seed), 1 + seed % 2))
        assert found.claimed is None


def _in_metres_and_feet(rig, seed):
    """Runs without tape: one with sds that are too small, one written in feet."""
    run = planted.simulated(rig, np.random.default_rng(seed))
    run = replace(run, tape=run.tape.select(np.zeros(len(run.tape.quantities), bool)))
    return (planted.shots(run, covariance=run.shots.covariance / 2.7**2),
            planted.shots(run, position=run.shots.position / 0.3048))


def test_misfits_that_shrink_with_the_unit_are_no_reason_for_feet(rig):
    for run, tried in zip(_in_metres_and_feet(rig, 4107), (0, 2), strict=True):
        feet = [mistake_in(run, change, np.ones(len(run.poses.ids), bool))
                for change in changes_of(run) if isinstance(change.fact, facts.ShotsInFeet)]
        assert len(Search(run)._try_all(feet)) == tried


@pytest.mark.slow
@pytest.mark.parametrize("seed", [4107, 4108])
def test_sds_too_small_are_no_feet(rig, seed):
    too_small, in_feet = _in_metres_and_feet(rig, seed)
    claimed = explain(too_small).claimed
    assert claimed is None or claimed.mistake.family != UNITS
    claimed = explain(in_feet).claimed
    assert claimed is not None and claimed.mistake.family == UNITS


@pytest.mark.slow
def test_gross_errors_are_no_field_mistake(rig):
    """Two bad shots: single values are named, not a mistake about the run."""
    run = planted.simulated(rig, np.random.default_rng(3))
    position = run.shots.position.copy()
    position[[5, 30]] += [[0.1, 0, 0.05], [0, -0.12, 0.0]]
    found = explain(planted.shots(run, position=position))
    assert found.claimed is None
    assert found.ranked[0].mistake.family == "single values"
    names = {s.name for s in found.suspects.beyond_chance}
    assert names == {run.shots.ids[5], run.shots.ids[30]}


def test_mixed_single_values_are_the_headline(rig):
    """A reading a quarter turn off, one a few degrees, a bad shot: without them the run fits."""
    run = planted.simulated(rig, np.random.default_rng(3))
    position, readings = run.shots.position.copy(), run.poses.readings.copy()
    position[5] += [0.1, 0, 0.05]
    readings[8, 6] += np.radians(90.4)
    readings[12, 3] += np.radians(4)
    found = explain(planted.readings(planted.shots(run, position=position), readings))
    text = diagnosis_text(diagnosis_document(found))
    assert text.startswith("Single values are wrong: ")
    headline = text.split("\n")[0]
    assert all(name in headline for name in
               (f"{run.poses.ids[8]}/rotate", f"{run.poses.ids[12]}/stick", run.shots.ids[5]))
    assert "; without them the run fits (" in headline
    assert "No mistake" not in text
    assert "About 90 deg" in text


def test_what_geometry_cannot_tell_apart_is_named_together(rig):
    """The two feet differ by 2 mm per km: both are named."""
    run, *_ = planted.plant(planted.international_feet, rig, 34)
    found = explain(run)
    names = " ".join(mistake_says(r.mistake.fact) for r in (found.claimed, *found.rivals))
    assert "international feet" in names and "US survey feet" in names


def test_a_pole_height_on_a_whole_stand_changes_nothing(rig):
    """All shots of a stand too high: the stand comes out higher, and the run fits."""
    run = planted.simulated(rig, np.random.default_rng(4))
    position = run.shots.position + np.array([0, 0, 1.5])
    assert explain(planted.shots(run, position=position)).fits


def test_a_swing_is_named_with_what_would_look_the_same(rig):
    """A swung house: the angle, and that a machine tracked to that place looks alike."""
    run, *_ = planted.plant(planted.swung, rig, 35)
    says = mistake_says(explain(run).claimed.mistake.fact)
    assert says.startswith("The house swung by ")
    assert "would look the same" in says


def test_the_diagnosis_reads_as_advice(rig):
    """Sentence, evidence, edit, what cannot be seen, cautions; nothing in capitals or codes."""
    run, *_ = planted.plant(planted.axes, rig, 36)
    text = diagnosis_text(diagnosis_document(explain(run)))
    assert text.startswith("North and east are swapped in all shots.\n\nEvidence: ")
    assert "Edit: Swap the columns east and north of shots.csv." in text
    assert "The run was not changed." in text
    assert "Before anyone goes back to the machine:" in text


def test_a_clean_run_is_told_to_fit(rig):
    """The text of a clean run says so and sends nobody anywhere."""
    found = explain(planted.simulated(rig, np.random.default_rng(6)))
    text = diagnosis_text(diagnosis_document(found))
    assert text.startswith("The run fits: ")
    assert "Before anyone" not in text


def _everywhere(run):
    """Every change of all poses, as mistakes."""
    every = np.ones(len(run.poses.ids), bool)
    return [m for c in changes_of(run) if (m := mistake_in(run, c, every)) is not None]


def test_edits_are_edits_of_files(rig):
    """Every mistake says which file to edit, and its own effect is undone by doing it twice."""
    run = planted.simulated(rig, np.random.default_rng(7))
    for mistake in [*_everywhere(run), *tape_factors(run, 0)]:
        assert any(file in told(mistake.fact).edit for file in
                   ("shots.csv", "readings.csv", "rig.toml", "tape.csv"))
        if mistake.family in ("axes", "heights", "sign", "two signs", "corners",
                              "exchanged columns"):
            twice = mistake.apply(mistake.apply(run))
            np.testing.assert_allclose(twice.shots.position, run.shots.position)
            np.testing.assert_allclose(twice.poses.readings, run.poses.readings)
            assert np.array_equal(twice.shots.target, run.shots.target)


def test_readings_no_sensor_shows_are_not_proposed(rig):
    """A tilt inclination beyond 90 deg, or a house pitched by 180 deg, explains nothing."""
    run = planted.simulated(rig, np.random.default_rng(8))
    tilt = run.rig.reading_names.index("tilt")
    assert plausible(run, tilt).all()
    beyond = run.poses.readings.copy()
    beyond[0, tilt] = np.radians(100)
    assert not plausible(planted.readings(run, beyond), tilt)[0]
    zeros = [mistake_says(m.fact) for m in _everywhere(run) if m.family == "zero"]
    assert not any("house_pitch" in says and "180" in says for says in zeros)


def test_a_change_in_some_poses_leaves_the_others(rig):
    """Rows shifted from the sixth pose on: those before keep theirs, the last pose is given up."""
    run = planted.simulated(rig, np.random.default_rng(9))
    change = next(c for c in changes_of(run) if c.family == "shift" and c.lost == -1)
    poses = np.arange(24) >= 5
    changed = in_poses(run, change, poses)
    np.testing.assert_array_equal(changed.poses.readings[:5], run.poses.readings[:5])
    np.testing.assert_array_equal(changed.poses.readings[5:-1], run.poses.readings[6:])
    assert changed.shots.pose.max() == 22


def test_a_relabelled_machine_that_fits_as_well_is_named(rig):
    """Corners exchanged in all poses and nothing taped: both readings of the run, and the tape."""
    clean, _ = simulate(rig, np.random.default_rng(12), taped=False)
    found = explain(planted._other(clean, True))
    document = diagnosis_document(found)
    says = document.says
    assert "edge left and edge right exchanged in all poses" in says
    assert "Exchange edge_left and edge_right in the column target of shots.csv" in says
    assert "Tape the edge width (edge_width in tape.csv) to tell." in says
    assert document.fits_as_well
    assert "no mistake to look for" not in says


def test_a_machine_that_its_signs_rule_out_is_no_rival_of_a_clean_run(rig):
    """Nothing taped: a negative edge width fits these shots as well, and no machine has one."""
    clean, _ = simulate(rig, np.random.default_rng(12), taped=False)
    document = diagnosis_document(explain(clean))
    assert document.fits_as_well == []
    assert "no mistake to look for" in document.says


def _made(kind):
    """Some value of a type; of a fact with values that it may have."""
    abstract = {facts.Fact: facts.Gain, facts.ChangeFact: facts.AxesSwapped}
    kind = abstract.get(kind, kind)
    if is_dataclass(kind):
        known = {"factor": 10.0, "unit": "gon", "quarters": 2}
        return kind(**{name: known.get(name, _made(of))
                       for name, of in get_type_hints(kind).items()})
    parts = [of for of in get_args(kind) if of is not ...]
    if get_origin(kind) is tuple:
        return tuple(map(_made, parts))
    return _made(parts[0]) if parts else kind(1)


def test_every_fact_has_its_words():
    """What went wrong and what to edit: of whatever may be found, and of every change."""
    everywhere = facts.Where()
    kinds, changes = facts.Fact.__subclasses__(), facts.ChangeFact.__subclasses__()
    assert len(kinds) > 8 and len(changes) > 8
    for fact in (*map(_made, kinds), *(facts.InPoses(_made(c), everywhere) for c in changes)):
        said = told(fact)
        assert said.says.endswith((".", "?")) and said.edit.endswith("."), fact
