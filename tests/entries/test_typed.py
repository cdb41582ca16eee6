"""From typed values back to a machine, what rounding costs, and what a list determines."""

import tomllib
from importlib import resources

import numpy as np
import pytest

from calib.edge import envelope_edge
from calib.entries.determined import determined
from calib.entries.listed import entry_list, entry_values, parameter_list
from calib.entries.typed import entered, rounded
from tests.entries.test_listed import RIG, machine

EXAMPLE = tomllib.loads(
    (resources.files("calib.entries") / "example.toml").read_text("utf-8"))


def without(*names):
    """The example without some of its entries."""
    kept = [e for e in EXAMPLE["entry"] if e["name"] not in names]
    assert len(kept) == len(EXAMPLE["entry"]) - len(names)
    return entry_list({**EXAMPLE, "entry": kept}, RIG)


def found(listed, parameters=None):
    x = machine(tilt_axis_side=0, tilt_axis_yaw=0, rotation_axis_lean=0) \
        if parameters is None else parameters
    edge = envelope_edge(RIG, x).by_parameters
    return determined(RIG, listed, x, edge.reshape(-1, 3, len(x)))


@pytest.mark.parametrize("listed", [entry_list(EXAMPLE, RIG), parameter_list(RIG)],
                         ids=["example", "own"])
def test_values_back_to_the_machine(listed):
    """Typed without rounding, from far away: the machine again, but for what has no entry."""
    known = dict.fromkeys(listed.known, 0.0)
    x = machine(**known)
    values, _ = entry_values(listed, x)
    start = RIG.start.copy()
    start[RIG.parameter_names.index("rotate_zero")] = np.radians(150)
    back = entered(RIG, listed, values, start)
    moving = np.array([p.name in RIG.moving_edge for p in RIG.parameters])
    assert back.agrees
    np.testing.assert_allclose(back.parameters[moving], x[moving], atol=1e-9)


def test_rounding_moves_the_edge_by_no_more_than_told():
    """Every single rounding at its worst, moved for real over the envelope."""
    listed = entry_list(EXAMPLE, RIG)
    x = machine(tilt_axis_side=0, tilt_axis_yaw=0, rotation_axis_lean=0)
    nodes, told = envelope_edge(RIG, x), found(listed).rounding
    values, _ = entry_values(listed, x)
    for i, step in enumerate(listed.steps):
        typed = values.copy()
        typed[i] += step / 2
        moved = nodes.error(entered(RIG, listed, typed, x).parameters)
        worst = np.linalg.norm(moved, axis=2).max()
        assert worst == pytest.approx(told[i], rel=0.02, abs=1e-7), listed.names[i]
    machine_ = entered(RIG, listed, rounded(listed, values), x).parameters
    assert np.linalg.norm(nodes.error(machine_), axis=2).max() <= told.sum()


def test_the_example_determines_the_machine():
    """All that the edge depends on, and what the system takes for granted."""
    said = found(entry_list(EXAMPLE, RIG))
    assert said.complete and said.rank == said.needed == 15
    assert {name for name, _ in said.taken} == {
        "tilt_axis_side", "tilt_axis_yaw", "rotation_axis_lean", "house_pitch_zero",
        "house_roll_zero"}


@pytest.mark.parametrize(("name", "left_out"), [
    ("Dipper, pin to pin", {"stick_length"}),
    ("Edge, slant", {"edge_skew"}),
    ("Turning sensor, at straight ahead", {"rotate_zero"}),
    ("Boom sensor, mounted at", {"boom_zero", "stick_zero"}),
    ("Coupler pin to tilt shaft, down", {"tilt_axis_drop"}),
])
def test_what_is_left_out_is_named(name, left_out):
    """An entry less: one thing open, and these are its parameters, that do move the edge."""
    said = found(without(name))
    assert not said.complete and said.rank == 14
    (open_,) = said.open
    assert set(open_.direction.names) == left_out and open_.moves > 1e-4


def test_what_an_entry_hardly_depends_on_does_not_move_for_it():
    """A distance to the edge of which the sideways part is small: it is told by the others."""
    listed = entry_list({"entry": [
        {"name": "C to edge", "unit": "mm", "is": "pin_to_edge"}]}, RIG)
    x = machine(edge_side=-0.005, tilt_axis_side=0, tilt_axis_yaw=0, rotation_axis_lean=0)
    said = found(listed, x)
    assert said.rounding[0] < 1e-3 and all(o.moves < 0.02 for o in said.open)
    assert [o.direction.names for o in said.open if "edge_side" in o.direction.names] == [
        ("edge_side",)]
    values, _ = entry_values(listed, x)
    back = entered(RIG, listed, values + 0.5, x)
    assert back.agrees and np.abs(back.parameters - x).max() < 1e-3


def test_a_sum_that_tells_two_lengths_only_together():
    """Drop of the tilt axis and of the edge in one number: told together, not apart."""
    entry = [e for e in EXAMPLE["entry"] if "down" not in e["name"]]
    entry.append({"name": "down in all", "unit": "mm",
                  "sum": {"tilt_axis_drop": 1, "edge_drop": 1}})
    said = found(entry_list({**EXAMPLE, "entry": entry}, RIG))
    (open_,) = said.open
    assert set(open_.direction.names) == {"tilt_axis_drop", "edge_drop"}


def test_what_is_asked_twice_is_told():
    """One value more than the machine has: it follows from others, and those are named."""
    more = {**EXAMPLE, "entry": [*EXAMPLE["entry"], {
        "name": "Pin to pin, both", "unit": "mm", "sum": {"boom_length": 1, "stick_length": 1}}]}
    said = found(entry_list(more, RIG))
    assert said.complete
    (tied,) = said.tied
    assert set(tied) == {"Pin to pin, both", "Main boom, pin to pin", "Dipper, pin to pin"}


def test_values_that_no_machine_has():
    """Twice asked, and typed so that the two disagree."""
    more = entry_list({"entry": [{"name": "one", "unit": "mm", "is": "boom_length"},
                                 {"name": "two", "unit": "mm", "is": "boom_length"}]}, RIG)
    assert entered(RIG, more, np.array([5700.0, 5701.0]), RIG.start).agrees
    assert not entered(RIG, more, np.array([5700.0, 5720.0]), RIG.start).agrees
