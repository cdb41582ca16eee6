"""Rank, covariance and the naming of what nothing fixes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction
from calib.adjust.spectrum import NotDetermined, Spectrum
from tests.adjust.priors import prior_on

NAMES = ("boom", "stick", "drop", "reach", "width")


def random_design(seed=0, rows=12, columns=5):
    """A matrix of full rank, its columns of ordinary size."""
    return np.random.default_rng(seed).normal(size=(rows, columns))


def solve(design, names=NAMES, **how):
    """Adjust y = design x, all observations 0 with sd 1."""
    design = np.asarray(design, float)
    n = len(design)
    return adjust(
        lambda x, _: Prediction(design @ x, design, np.zeros((n, 0))),
        Observations.build(np.zeros(n), range(n), np.ones((n, 1, 1))),
        np.zeros(design.shape[1]), names=names[: design.shape[1]], **how,
    )


def named(design, names=NAMES, **how):
    """The parameters in each direction that is refused, and the message."""
    with pytest.raises(NotDetermined) as refused:
        solve(design, names, **how)
    return [set(d.names) for d in refused.value.directions], str(refused.value)


scales = st.lists(st.floats(-6, 6), min_size=5, max_size=5).map(lambda p: 10.0 ** np.array(p))


@given(scale=scales, seed=st.integers(0, 100))
def test_covariance_whatever_the_units(scale, seed):
    """Columns from micrometres to megametres: full rank, and the inverse of the normal matrix."""
    design = random_design(seed)
    spectrum = Spectrum.of(design * scale)
    assert spectrum.rank == 5
    # The inverse in units of one, then carried into the others.
    expected = np.linalg.inv(design.T @ design) / np.outer(scale, scale)
    np.testing.assert_allclose(spectrum.covariance(), expected, rtol=1e-9)
    np.testing.assert_allclose(spectrum.condition, Spectrum.of(design).condition, rtol=1e-9)


@given(scale=scales, seed=st.integers(0, 100))
def test_deficiency_whatever_the_units(scale, seed):
    """An exact dependence is found, and named, with columns from 1e-6 to 1e6."""
    design = random_design(seed)
    design[:, 3] = 2 * design[:, 1]
    spectrum = Spectrum.of(design * scale)
    assert spectrum.rank == 4
    assert spectrum.condition == np.inf
    (direction,) = spectrum.null_directions(NAMES)
    assert set(direction.names) == {"stick", "reach"}


@pytest.mark.parametrize(
    ("gap", "deficient"),
    [(1e-6, False), (3e-9, False), (3e-10, True), (1e-13, True)],
)
def test_rank_tolerance_is_the_limit(gap, deficient):
    """Columns (1, 0) and (1, 2 gap) have singular values in the ratio gap: 1e-9 is zero."""
    design = np.array([[1.0, 1.0], [0.0, 2 * gap]])
    assert Spectrum.of(design).deficient is deficient


def test_decomposition_is_that_of_the_scaled_matrix():
    """left, singular, right and scale give the matrix back."""
    design = random_design(3) * [1e-3, 1, 1e3, 10, 1]
    s = Spectrum.of(design)
    np.testing.assert_allclose(s.left * s.singular @ s.right.T / s.scale, design, rtol=1e-9,
                               atol=1e-12)
    assert (np.diff(s.singular) <= 0).all()


def test_no_covariance_without_full_rank():
    """There is none to give."""
    with pytest.raises(ValueError, match="rank 1 of 2: no covariance"):
        Spectrum.of(np.ones((3, 2))).covariance()


def test_two_that_only_act_together():
    """Two parameters of which only the sum is seen."""
    design = random_design()
    design[:, 2] = design[:, 0]
    directions, message = named(design)
    assert directions == [{"boom", "drop"}]
    assert message in ("nothing fixes boom and drop together",
                       "nothing fixes drop and boom together")


def test_amounts_are_in_the_parameters_own_units():
    """More of one by 2 is less of the other by 1: what leaves every prediction unchanged."""
    design = random_design()
    design[:, 2] = 2 * design[:, 0]
    with pytest.raises(NotDetermined) as refused:
        solve(design)
    (direction,) = refused.value.directions
    amount = dict(zip(direction.names, direction.amounts, strict=True))
    assert amount["boom"] / amount["drop"] == pytest.approx(-2)
    assert direction.shares == pytest.approx([0.5, 0.5])
    change = np.array([amount.get(name, 0.0) for name in NAMES])
    np.testing.assert_allclose(design @ change, 0, atol=1e-12)


def test_three_that_only_act_together():
    """One combination of three: each pair of them would be fixed."""
    design = random_design()
    design[:, 4] = design[:, 0] - design[:, 3]
    directions, message = named(design)
    assert directions == [{"boom", "reach", "width"}]
    assert message.count("together") == 1
    assert "boom" in message and "reach" in message and "width" in message
    assert "stick" not in message and "drop" not in message


def test_three_of_which_only_the_sum_is_seen():
    """Two combinations among three parameters, each named as short as it can be."""
    design = random_design()
    design[:, 1] = design[:, 2] = design[:, 0]
    directions, message = named(design)
    assert len(directions) == 2
    assert all(len(d) == 2 for d in directions)
    assert set.union(*directions) == {"boom", "stick", "drop"}
    assert "; nor " in message


def test_two_separate_combinations():
    """Two pairs that have nothing to do with each other are not mixed."""
    design = random_design()
    design[:, 1] = -design[:, 0]
    design[:, 4] = 3 * design[:, 3]
    directions, message = named(design)
    assert sorted(map(sorted, directions)) == [["boom", "stick"], ["reach", "width"]]
    assert message.count("together") == 2 and "; nor " in message and "drop" not in message


def test_one_that_nothing_sees():
    """A column of zeros is named alone, without a division by zero."""
    design = random_design()
    design[:, 3] = 0.0
    assert named(design) == ([{"reach"}], "nothing fixes reach alone")


def test_fewer_rows_than_unknowns():
    """Three rows for five unknowns: two directions, before any iteration."""
    directions, _ = named(random_design(rows=3))
    assert len(directions) == 2
    assert set.union(*directions) <= set(NAMES)


def test_one_row_for_two_unknowns():
    """What the row fixes is not among what it does not: the null direction of (1, 3) is (3, -1)."""
    with pytest.raises(NotDetermined, match="nothing fixes boom and stick together") as refused:
        solve([[1.0, 3.0]])
    (direction,) = refused.value.directions
    assert direction.amounts == pytest.approx([1, -1 / 3]) or direction.amounts == pytest.approx(
        [-1, 1 / 3])


def test_no_observations_at_all():
    """Nothing fixes each of them alone."""
    directions, message = named(np.zeros((0, 2)))
    assert sorted(map(sorted, directions)) == [["boom"], ["stick"]]
    assert message.count("alone") == 2


def test_a_held_parameter_is_not_named():
    """Holding one of a pair settles the other."""
    design = random_design()
    design[:, 2] = design[:, 0]
    held = np.array([True, False, False, False, False])
    assert solve(design, held=held).sd[2] > 0


def test_a_prior_settles_a_combination():
    """A prior on one of a pair is enough, and only a prior that bears on the pair."""
    design = random_design()
    design[:, 2] = design[:, 0]
    settled = solve(design, prior=prior_on(["drop"], [2], [0.0], sd=[0.1]))
    assert settled.sd[2] == pytest.approx(0.1)
    directions, _ = named(design, prior=prior_on(["width"], [4], [0.0], sd=[0.1]))
    assert directions == [{"boom", "drop"}]


def test_a_weak_prior_is_not_mistaken_for_none():
    """A prior a million times weaker than the observations still determines: sd says so."""
    design = random_design()
    design[:, 2] = design[:, 0]
    solved = solve(design, prior=prior_on(["drop"], [2], [0.0], sd=[1e6]))
    assert solved.sd[2] == pytest.approx(1e6)


def test_numbered_where_there_are_no_names():
    """Unnamed parameters are x0, x1, ..."""
    design = np.ones((4, 2))
    observations = Observations.build(np.zeros(4), range(4), np.ones((4, 1, 1)))
    with pytest.raises(NotDetermined, match="nothing fixes x0 and x1 together"):
        adjust(lambda x, _: Prediction(design @ x, design, np.zeros((4, 0))), observations,
               [0.0, 0.0])


def test_condition_of_nothing_is_one():
    """A matrix without columns."""
    assert Spectrum.of(np.zeros((3, 0))).condition == 1.0
