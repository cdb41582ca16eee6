"""The layout of the unknowns, and stands eliminated one by one against all at once."""

from dataclasses import replace

import numpy as np
import pytest

from calib import layout as layouts
from calib.adjust.bordered import Bordered
from calib.adjust.mixed_model import adjust
from calib.adjust.spectrum import NotDetermined
from calib.calibration import problem_of, solve
from calib.layout import Layout, Part, Quantity, Scope
from calib.run.records import SetUps
from calib.simulate import simulate


@pytest.fixture
def layout():
    """Two of a rig, one of them held; three of a place, twice; one of a day."""
    place = tuple(Quantity(name, "m", "") for name in ("x", "y", "z"))
    return Layout((
        Scope("rig", (Quantity("length", "m", ""), Quantity("zero", "deg", "", held=True)), ("",)),
        Scope("place", place, ("A", "B"), splits_poses=True),
        Scope("day", (Quantity("scale", "m", ""),), ("Monday",)),
    ))


def test_names_units_and_columns(layout):
    """A scope is named in its unknowns, but that of the rig."""
    assert layout.names[:4] == ("length", "zero", "x of place A", "y of place A")
    assert layout.names[-1] == "scale of day Monday"
    assert layout.units[1] == "deg" and layout.units[2] == "m"
    np.testing.assert_array_equal(layout.columns("place"), [[2, 3, 4], [5, 6, 7]])
    np.testing.assert_array_equal(layout.columns("place", "B"), [5, 6, 7])
    np.testing.assert_array_equal(layout.of("day", 10.0 * np.arange(9)), [[80.0]])
    np.testing.assert_array_equal(layout.among_free(layout.columns("rig")), [0])
    np.testing.assert_array_equal(layout.among_free(layout.columns("day", "Monday")), [7])
    assert layout.named("z of place B").instance == "B"
    assert len(layout.free_names) == 8 and "zero" not in layout.free_names
    with pytest.raises(ValueError, match="no scope 'night'"):
        layout.columns("night")


def test_derivatives_go_to_their_columns(layout, monkeypatch):
    """Dense and by places the same; an instance of -1 has none."""
    rng = np.random.default_rng(1)
    parts = [Part("rig", np.zeros(4, int), rng.normal(size=(4, 3, 2))),
             Part("place", np.array([1, 0, 1, 1]), rng.normal(size=(4, 3, 3))),
             Part("day", np.array([0, -1, 0, -1]), rng.normal(size=(4, 3, 1)))]
    dense = layout.dense(parts)
    np.testing.assert_array_equal(dense[0, :, 5:8], parts[1].derivatives[0])
    np.testing.assert_array_equal(dense[1, :, 2:5], parts[1].derivatives[1])
    assert not dense[1, :, 5:].any() and dense[2, :, 8].all()
    assert layout.split is None
    monkeypatch.setattr(layouts, "_MANY", 6)
    again = Layout(layout.scopes)
    assert again.split == "place"
    np.testing.assert_array_equal(np.asarray(again.bordered(parts)), dense.reshape(12, 9))


def seen_from(run, set_ups):
    """The run with shots from set-ups, of which one sees the poses of several stands."""
    n = len(set_ups)
    sights = np.repeat(np.arange(n), 3)
    rng = np.random.default_rng(9)
    known = rng.normal(0, 30, (len(sights), 3))
    return replace(
        run, shots=replace(run.shots, setup=run.shots.pose * n // len(run.poses.ids)),
        set_ups=SetUps(
            ids=tuple(set_ups), position=rng.normal(0, 20, (n, 3)), orientation=np.zeros(n),
            sd=np.full((n, 4), np.nan), sight_setup=sights,
            sight_point=tuple(f"P{i % 4}" for i in range(len(sights))),
            sight=known + rng.normal(0, 0.003, known.shape),
            sight_covariance=np.tile(9e-6 * np.eye(3), (len(sights), 1, 1)), known=known,
            known_sd=np.full((len(sights), 3), 0.002)))


CASES = {
    "one stand": {"stands": 1},
    "three stands": {"stands": 3},
    "three stands, no tape": {"stands": 3, "taped": False, "held": 2},
    "three stands, two set-ups": {"stands": 3, "set_ups": "AB"},
    "three stands, a set-up each": {"stands": 3, "set_ups": "ABC"},
    "forty stands": {"stands": 40, "poses": 120},
}


def case(rig, stands, poses=30, taped=True, set_ups="", held=0):
    """A run; without tape the lengths that only it tells are held."""
    run, _ = simulate(rig, np.random.default_rng(stands), poses=poses, stands=stands, taped=taped)
    if held:
        tape, _ = simulate(rig, np.random.default_rng(stands), poses=poses, stands=stands)
        unseen = {name for name, status in zip(
            rig.parameter_names, solve(tape).status, strict=True) if status == "tape only"}
        rig = replace(rig, parameters=tuple(
            replace(p, held=p.held or p.name in unseen) for p in rig.parameters))
        run = replace(run, rig=rig)
    return seen_from(run, set_ups) if set_ups else run


def both(problem, monkeypatch, **more):
    """The adjustment all at once, and stand by stand."""
    monkeypatch.setattr(layouts, "_MANY", 0)
    split = replace(problem, layout=Layout(problem.layout.scopes))
    assert isinstance(split.model(problem.start, problem.run.poses.readings).by_parameters,
                      Bordered)
    return [
        adjust(model, problem.observations, problem.start, names=problem.names,
               prior=problem.prior, held=problem.held, **more)
        for model in (problem, split.model)
    ]


@pytest.mark.parametrize("name", list(CASES))
def test_stand_by_stand_is_all_at_once(rig, monkeypatch, name):
    """Estimates to 1e-9 m or rad and a millionth of their sd; sds and chi2 to 1e-9."""
    problem = problem_of(case(rig, **CASES[name]))
    dense, split = both(problem, monkeypatch)
    free = dense.free
    np.testing.assert_allclose(split.parameters, dense.parameters, rtol=1e-9, atol=1e-9)
    off = (split.parameters - dense.parameters)[free] / dense.sd[free]
    assert np.abs(off).max() < 1e-6
    np.testing.assert_allclose(split.sd[free], dense.sd[free], rtol=1e-9)
    scale = np.outer(dense.sd[free], dense.sd[free])
    np.testing.assert_allclose(split.covariance[np.ix_(free, free)] / scale,
                               dense.covariance[np.ix_(free, free)] / scale, atol=1e-9)
    assert split.chi2 == pytest.approx(dense.chi2, rel=1e-9)
    assert split.dof == dense.dof and split.iterations == dense.iterations
    one, other = dense.linearised.spectrum, split.linearised.spectrum
    np.testing.assert_allclose(other.singular, one.singular, rtol=1e-9)
    np.testing.assert_allclose(other.left @ other.left.T, one.left @ one.left.T, atol=1e-9)


def middle_only(rig, taped):
    """A run in which only a tape tells the width of the edge, and what else is named."""
    return simulate(rig, np.random.default_rng(3), poses=24, stands=3, targets=("edge_mid",),
                    taped=taped)[0]


def test_without_the_tape_the_same_is_seen(rig, monkeypatch):
    """What the shots alone tell: the same singular values and null directions."""
    problem = problem_of(middle_only(rig, taped=True))
    alone = [a.linearised.spectrum_without(problem.n_taped) for a in both(problem, monkeypatch)]
    np.testing.assert_allclose(alone[1].singular, alone[0].singular, atol=1e-12)
    told = [s.null_directions(problem.layout.free_names) for s in alone]
    assert len(told[0]) == len(told[1]) > 0
    for one, other in zip(*told, strict=True):
        assert one.names == other.names
        np.testing.assert_allclose(other.shares, one.shares, atol=1e-9)


def one_shot(rig):
    """A run of three stands with one shot from the second."""
    run = case(rig, stands=3)
    stand = np.array([run.poses.stand[p] for p in run.shots.pose])
    kept = stand != "S2"
    kept[np.flatnonzero(~kept)[0]] = True
    return replace(run, shots=run.shots.select(kept))


def not_determined(problem, monkeypatch):
    """What all at once, and stand by stand, say is not determined."""
    monkeypatch.setattr(layouts, "_MANY", 0)
    split = replace(problem, layout=Layout(problem.layout.scopes))
    told = []
    for model in (problem, split.model):
        with pytest.raises(NotDetermined) as caught:
            adjust(model, problem.observations, problem.start, names=problem.names,
                   prior=problem.prior, held=problem.held)
        told.append(caught.value)
    return told


def test_what_is_not_determined_is_named_the_same(rig, monkeypatch):
    """Rank deficiency of the whole: the same words."""
    one, other = not_determined(problem_of(middle_only(rig, taped=False)), monkeypatch)
    assert str(one) == str(other)


def test_a_stand_that_is_not_determined_is_named(rig, monkeypatch):
    """Its heading is, with whatever it lies askew of where the iteration ended."""
    for error in not_determined(problem_of(one_shot(rig)), monkeypatch):
        (direction,) = error.directions
        assert "heading of stand S2" in direction.names
        assert all(name.endswith("of stand S2") for name in direction.names)


def test_blocks_of_several_sets_are_refused(rig, monkeypatch):
    """Whitening would mix the rows of two stands."""
    monkeypatch.setattr(layouts, "_MANY", 0)
    problem = problem_of(case(rig, stands=3))

    def mixed(unknowns, readings):
        prediction = problem.model(unknowns, readings)
        sets = prediction.by_parameters.sets
        sets = replace(sets, of_row=np.roll(sets.of_row, 1))
        return replace(prediction, by_parameters=replace(prediction.by_parameters, sets=sets))

    with pytest.raises(ValueError, match="several sets"):
        adjust(mixed, problem.observations, problem.start, prior=problem.prior,
               held=problem.held)


def test_many_stands_are_split_of_themselves(rig):
    """The size decides, and the solution stays that of all at once."""
    assert problem_of(case(rig, stands=3)).layout.split is None
    run = case(rig, stands=8, poses=40)
    problem = problem_of(run)
    assert problem.layout.split == "stand"
    dense = adjust(problem, problem.observations, problem.start, names=problem.names,
                   prior=problem.prior, held=problem.held)
    np.testing.assert_allclose(solve(run).adjustment.parameters, dense.parameters, atol=1e-9)
