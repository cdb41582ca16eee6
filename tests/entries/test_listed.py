"""Values of a list of entries: against plane trigonometry, and their derivatives."""

import numpy as np
import pytest

from calib.chain.rig import rig_from_template
from calib.entries.listed import entry_list, entry_values, parameter_list
from calib.entries.schema import EntriesError, Entry

RIG = rig_from_template("tilt_rotator")

#: An invented machine, m and deg, set apart from zero everywhere.
MACHINE = {
    "boom_length": 5.713, "stick_length": 2.884, "tilt_axis_drop": 0.362,
    "rotation_axis_ahead": 0.094, "tilt_axis_side": 0.011, "rotation_axis_side": -0.007,
    "edge_reach": 0.571, "edge_drop": 1.083, "edge_width": 1.494, "edge_side": 0.018,
    "edge_skew": 0.8, "tilt_axis_yaw": 0.4, "rotation_axis_lean": -0.6, "boom_zero": 1.3,
    "stick_zero": -2.1, "coupler_zero": 4.4, "tilt_zero": 0.9, "rotate_zero": 178.2,
}


def machine(**changes):
    """Parameters in SI."""
    named = {**MACHINE, **changes}
    return np.array([np.radians(named.get(p.name, 0.0)) if p.unit == "deg"
                     else named.get(p.name, p.start) for p in RIG.parameters])


def one(**entry):
    """The value of a single entry of the machine, and the entry."""
    listed = entry_list({"entry": [{"name": "it", **entry}]}, RIG)
    return float(entry_values(listed, machine())[0][0])


def test_parameters_in_their_own_units_signs_and_zeros():
    """Sign, offset, and units by hand: an inch is 25.4 mm, a gon nine tenths of a degree."""
    assert one(unit="mm", **{"is": "boom_length"}) == pytest.approx(5713)
    assert one(unit="in", sign=-1, **{"is": "boom_length"}) == pytest.approx(-5713 / 25.4)
    assert one(unit="ft", **{"is": "boom_length"}) == pytest.approx(5.713 / 0.3048)
    assert one(unit="gon", plus=100, **{"is": "stick_zero"}) == pytest.approx(100 - 2.1 / 0.9)
    assert one(unit="deg", sum={"stick_zero": 1, "boom_zero": -1}) == pytest.approx(-3.4)
    assert one(unit="m", sum={"boom_length": 1, "stick_length": 0.5}) == pytest.approx(7.155)


def test_measures_by_plane_trigonometry():
    """Boom and stick at angles b and b + s: the law of cosines, and sums of projections."""
    boom, stick, b, s = 5.713, 2.884, np.radians(30), np.radians(-85)
    at = {"boom": 30, "stick": -85}
    points = {"from": "house", "to": "stick_end", "at": at}
    ahead = boom * np.cos(b) + stick * np.cos(b + s)
    above = boom * np.sin(b) + stick * np.sin(b + s)
    assert one(unit="m", measure="ahead", **points) == pytest.approx(ahead)
    assert one(unit="m", measure="above", **points) == pytest.approx(above)
    assert one(unit="m", measure="left", **points) == pytest.approx(0, abs=1e-12)
    across = np.sqrt(boom**2 + stick**2 - 2 * boom * stick * np.cos(np.pi - 85 / 180 * np.pi))
    assert one(unit="m", measure="distance", **points) == pytest.approx(across)
    corner = {**points, "corner": "boom_end"}
    assert one(unit="deg", measure="angle", **corner) == pytest.approx(95)
    assert one(unit="deg", measure="inclination", **points) == pytest.approx(
        np.degrees(np.arctan2(above, ahead)))


def test_measures_along_a_frame_do_not_depend_on_how_it_stands():
    """Along the rotator's own axes the edge is reach ahead, side left and drop below."""
    for at in ({}, {"boom": 20, "stick": -70, "coupler": 30, "tilt": 12, "rotate": 55}):
        along = {"from": "rotator", "to": "edge_mid", "axes": "rotator", "at": at}
        assert one(unit="m", measure="ahead", **along) == pytest.approx(0.571)
        assert one(unit="m", measure="left", **along) == pytest.approx(0.018)
        assert one(unit="m", measure="above", sign=-1, **along) == pytest.approx(1.083)
    assert one(unit="deg", measure="bearing", axes="rotator", at={"rotate": 40},
               **{"from": "rotator", "to": "edge_mid"}) == pytest.approx(
        np.degrees(np.arctan2(0.018, 0.571)))


def test_derivatives():
    """Against differences, for every measure, frames and levelled house, and sums."""
    at = {"boom": 30, "stick": -80, "coupler": 25, "tilt": 10, "rotate": 20}
    line = {"from": "stick_end", "to": "edge_left", "at": at}
    listed = entry_list({"entry": [
        *({"name": f"{what} {axes}", "unit": "mm", "measure": what, "axes": axes, **line}
          for what in ("distance", "ahead", "left", "above") for axes in ("coupler", "stick")),
        *({"name": what, "unit": "deg", "measure": what, **line}
          for what in ("bearing", "inclination")),
        {"name": "angle", "unit": "deg", "measure": "angle", "corner": "boom_end",
         "from": "house", "to": "edge_left", "at": at},
        {"name": "derived", "unit": "in", "is": "pin_to_edge"},
    ]}, RIG)
    x = machine()
    _, gradient = entry_values(listed, x)
    step = 1e-6
    by_difference = np.array([
        (entry_values(listed, x + step * e)[0] - entry_values(listed, x - step * e)[0])
        / (2 * step) for e in np.eye(len(x))]).T
    np.testing.assert_allclose(gradient, by_difference, rtol=1e-6, atol=2e-5)
    assert (np.abs(gradient).max(axis=1) > 1).all()


def test_rounding_to_steps():
    """Multiples of the step, with as many digits as it has; no minus before a zero."""
    entry = Entry(name="it", unit="mm", round=0.25, is_="boom_length")
    assert [entry.text(v) for v in (5702.13, -0.1, -0.13)] == ["5702.25", "0.00", "-0.25"]


def test_the_rigs_own_parameters_as_a_list():
    """In mm and deg, what moves the edge and nothing else."""
    listed = parameter_list(RIG)
    assert set(listed.names) == RIG.moving_edge
    values = dict(zip(listed.names, entry_values(listed, machine())[0], strict=True))
    assert values["boom_length"] == pytest.approx(5713)
    assert values["rotate_zero"] == pytest.approx(178.2)


@pytest.mark.parametrize(("entry", "key", "expected"), [
    ({"unit": "mm"}, "entry.0", 'one of "is", "sum" and "measure"'),
    ({"unit": "mm", "is": "boom_length", "sum": {"boom_length": 1}}, "entry.0", "one of"),
    ({"unit": "mm", "is": "boom_zero"}, "entry.0.unit", "a unit of an angle, as boom_zero is"),
    ({"unit": "mm", "is": "bom_length"}, "entry.0.is", "a parameter or derived quantity"),
    ({"unit": "deg", "measure": "ahead", "from": "house", "to": "edge_mid"}, "entry.0.unit",
     "the unit of a ahead"),
    ({"unit": "mm", "measure": "ahead", "from": "house", "to": "edge_mi"}, "entry.0.to",
     "a target, mark or frame"),
    ({"unit": "mm", "measure": "ahead", "from": "house", "to": "edge_mid", "axes": "edge_mid"},
     "entry.0.axes", "a frame"),
    ({"unit": "mm", "measure": "ahead", "from": "house", "to": "edge_mid", "at": {"bom": 3}},
     "entry.0.at.bom", "a joint"),
    ({"unit": "deg", "measure": "angle", "from": "house", "to": "edge_mid"}, "entry.0",
     'a "corner"'),
    ({"unit": "mm", "is": "boom_length", "sign": 2}, "entry.0.sign", "1 or -1"),
    ({"unit": "mm", "is": "boom_length", "round": 0}, "entry.0.round", "above 0"),
    ({"unit": "yard", "is": "boom_length"}, "entry.0.unit", "'mm'"),
])
def test_what_is_wrong_is_told_by_key(entry, key, expected):
    """Every kind of mistake in an entry has its key and what was expected."""
    with pytest.raises(EntriesError) as told:
        entry_list({"entry": [{"name": "it", **entry}]}, RIG)
    assert any(k == key and expected in e for k, _, e in told.value.problems), told.value.problems
