"""Several runs in one adjustment, against one with every unknown explicit and against each run."""

from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import solve
from calib.together.adjusted import solve_together
from calib.together.joint import NotTogether, joint_of
from calib.together.scopes import Visit, usual_scopes
from tests.together.family import family
from tests.together.reference import reference


@pytest.fixture(scope="module")
def four(rig):
    """Two attachments, each on two days."""
    return family(rig, 3, poses=10)


@pytest.fixture(scope="module")
def together(four):
    return solve_together(*four[:2])


def test_equals_a_reference_with_every_unknown_explicit(rig, four, together):
    """Estimates to 0.001 sd, sds to a ten-thousandth."""
    runs, visits, _ = four
    keys = [{i: (name, visit.attachment if name.startswith("edge") else "")
             for i, name in enumerate(rig.parameter_names)} for visit in visits]
    values, sds = reference(rig, runs, keys)
    layout = together.joint.layout
    assert len(values) == sum(together.adjustment.free[: together.joint.n_machine])
    for (name, attachment), value in values.items():
        full = f"{name} of attachment {attachment}" if attachment else name
        column = layout.names.index(full)
        own, sd = together.adjustment.parameters[column], together.adjustment.sd[column]
        assert abs(own - value) < 0.001 * sd, full
        # The reference's curvature is that of the noisy residuals too: no more than this.
        assert sd == pytest.approx(sds[name, attachment], rel=5e-3), full


def test_each_run_with_the_others_is_the_whole(together):
    """What a run's own result says is what the adjustment of all says, covariances too."""
    for i in range(4):
        solution, columns = together.solution(i), together.joint.machine_columns(i)
        free = ~solution.rig.held
        sd = together.adjustment.sd[columns][free]
        off = (solution.parameters - together.parameters[columns])[free]
        assert np.abs(off / sd).max() < 1e-3
        scale = np.outer(sd, sd)
        np.testing.assert_allclose(
            solution.covariance[np.ix_(free, free)] / scale,
            together.covariance[np.ix_(columns[free], columns[free])] / scale, atol=1e-4)


def test_better_than_apart(four, together):
    """Every sd is smaller than that of any run alone; those of what all share by a third."""
    for i, run in enumerate(four[0]):
        alone, columns = solve(run), together.joint.machine_columns(i)
        free = ~alone.rig.held
        ratio = np.sqrt(np.diag(alone.covariance))[free] / together.adjustment.sd[columns][free]
        assert (ratio > 1.0).all()
        zeros = np.array([name.endswith("_zero") for name in alone.rig.parameter_names])[free]
        assert (ratio[zeros] > 1.5).all()


def test_near_the_truth(rig):
    """Shared parameters over fresh machines: errors have the sds that are stated."""
    pulls = []
    for seed in range(12):
        runs, visits, base = family(rig, 40 + seed, poses=10)
        found = solve_together(runs, visits)
        shared = [i for i, name in enumerate(rig.parameter_names)
                  if not rig.held[i] and not name.startswith("edge")]
        columns = found.joint.machine_columns(0)[shared]
        pulls.append((found.parameters[columns] - base[shared]) / found.adjustment.sd[columns])
    assert np.mean(np.square(pulls)) == pytest.approx(1.0, abs=0.35)


def test_stand_by_stand_is_all_at_once(rig, monkeypatch):
    """Many stands are eliminated; the solution stays."""
    runs, visits, _ = family(rig, 5, poses=12, stands=3)
    split = solve_together(runs, visits)
    assert split.joint.layout.split == "stand"
    monkeypatch.setattr("calib.layout._MANY", 10_000)
    dense = solve_together(runs, visits)
    assert dense.joint.layout.split is None
    free = dense.adjustment.free
    off = (split.adjustment.parameters - dense.adjustment.parameters)[free]
    assert np.abs(off / dense.adjustment.sd[free]).max() < 1e-5
    for one, other in zip(split.told, dense.told, strict=True):
        np.testing.assert_allclose(one.rows.T @ one.rows, other.rows.T @ other.rows, rtol=1e-6,
                                   atol=1e-6 * np.abs(other.rows).max() ** 2)


def test_what_was_taped_once_counts_once(four):
    """The same row of the tape in several runs is one reading; another value is another."""
    runs, visits, _ = four
    joint = joint_of(runs, visits)
    taped = [int(kept.sum()) for kept in joint.prior_kept]
    edges = sum(name.startswith("edge") for name in runs[0].tape.quantities)
    assert taped[0] == len(runs[0].tape.quantities)
    assert taped[1:] == [edges, edges, edges]
    again = [runs[0], replace(runs[1], tape=replace(
        runs[1].tape, value=runs[1].tape.value + 1e-3)), *runs[2:]]
    assert int(joint_of(again, visits).prior_kept[1].sum()) == len(runs[1].tape.quantities)


def test_scopes_remounts_and_names(rig, four):
    """Zeros are new from where their sensor was mounted anew; what is asked for by name is so."""
    runs, visits, _ = four
    visits = [*visits[:2], replace(visits[2], remounted=("coupler",)), visits[3]]
    joint = joint_of(runs, visits, {"tilt_zero": "day", "rotate_zero": "attachment"})
    names = joint.layout.names
    assert "coupler_zero of mounting of coupler since run0" in names
    assert "coupler_zero of mounting of coupler since run2" in names
    assert [n for n in names if n.startswith("tilt_zero")] == [
        f"tilt_zero of day day{k}" for k in range(4)]
    assert "rotate_zero of attachment digging" in names and "boom_length" in names
    assert usual_scopes(rig)["edge_skew"] == "attachment"
    assert usual_scopes(rig)["tilt_axis_drop"] == "shared"


@pytest.mark.parametrize(("change", "says"), [
    (lambda rig: replace(rig, parameters=tuple(
        replace(p, held=p.held or p.name == "boom_zero") for p in rig.parameters)),
     "boom_zero held"),
    (lambda rig: replace(rig, parameters=tuple(
        replace(p, start=0.02) if p.name == "tilt_axis_side" else p for p in rig.parameters)),
     "tilt_axis_side held at another value"),
    (lambda rig: replace(rig, readings=tuple(
        replace(r, direction=-1.0) if r.name == "boom" else r
        for r in rig.readings)),
     "another machine"),
], ids=["held in one", "held elsewhere", "a sensor that counts the other way"])
def test_runs_of_different_models_are_refused(four, change, says):
    """With the run named, before anything is solved."""
    runs, visits, _ = four
    other = replace(runs[2], rig=change(runs[2].rig))
    with pytest.raises(NotTogether, match=says) as caught:
        joint_of([*runs[:2], other, runs[3]], visits)
    assert caught.value.problems[0][0] == "run2"


def test_scopes_that_are_none_are_refused(four):
    """A parameter or a scope or a reading that there is not."""
    runs, visits, _ = four
    with pytest.raises(NotTogether, match=r"scopes\.boom_lenght.*scopes\.boom_zero.*weekly"):
        joint_of(runs, visits, {"boom_lenght": "day", "boom_zero": "weekly"})
    with pytest.raises(NotTogether, match="remounted boomer"):
        joint_of(runs, [Visit("run0", "a", "1", ("boomer",)), *visits[1:]])


