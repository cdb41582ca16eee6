"""What shots of a rig can tell apart at all: full rank as shipped, duplicates named."""

import numpy as np
import pytest

from calib.chain.rig import rig_from_dict, rig_from_template, template_names
from calib.judge.structure import structure

TWIN = {
    "template": "tilt_rotator",
    "motions": [{"translate": "x", "by": {"stick_extension": 1}, "after": "stick_end"}],
    "parameters": {"stick_extension": {"unit": "m", "start": 0.0, "means": "along the stick"}},
}


def found(data, seed=0):
    return structure(rig_from_dict(data), np.random.default_rng(seed))


@pytest.mark.parametrize("template", template_names())
@pytest.mark.parametrize("seed", [0, 1])
def test_shipped_rigs_are_determined(template, seed):
    """By shots of the edge, and with everything shot; whatever the poses.

    The lengths of a linkage are told so badly that they are taped as well.
    """
    rig = rig_from_template(template)
    seen = structure(rig, np.random.default_rng(seed))
    assert not seen.by_edge and not seen.by_all \
        and seen.condition < (5000 if "linkage" in template else 1000)
    assert seen.n_edge == int((~rig.held).sum())
    assert seen.n_all == seen.n_edge + sum(p.until_shot for p in rig.parameters)


def test_why_parameters_are_held():
    """The middle of the machine is not to be seen at the edge; its foot pin shows it."""
    held = {name: (by_edge, by_all) for name, by_edge, by_all in found(
        {"template": "tilt_rotator"}).held}
    by_edge, by_all = held["tilt_axis_side"]
    assert set(by_edge.names) == {"tilt_axis_side", "east of the stand", "north of the stand"}
    assert by_all is None
    assert held["tilt_axis_yaw"] == (None, None)
    swing = {name: by_all for name, _, by_all in found(
        {"template": "swing_boom_tilt_rotator"}).held}
    assert set(swing["swing_zero"].names) == {"swing_zero", "heading of the stand"}


def test_a_length_beside_one_that_does_the_same():
    """Behind the stick's end, along the stick: told by the pin between them, not by the edge."""
    seen = found(TWIN)
    (direction,) = seen.by_edge
    assert set(direction.names) == {"stick_length", "stick_extension"}
    assert not seen.by_all


def test_a_second_zero_of_one_joint():
    data = {"template": "tilt_rotator",
            "motions": [{"rotate": "z", "by": {"turn": 1}, "before": "rotator"}],
            "parameters": {"turn": {"unit": "deg", "start": 0.0, "means": "x"}}}
    seen = found(data)
    for directions in (seen.by_edge, seen.by_all):
        assert [set(d.names) for d in directions] == [{"turn", "rotate_zero"}]
    assert seen.condition == np.inf


def test_limits_that_leave_nothing():
    """A tilt sensor whose axis stands upright sees nothing in any pose."""
    with pytest.raises(ValueError, match="limits leave next to no poses"):
        found({"template": "tilt_rotator", "limits": {
            "boom": [0, 0.1], "stick": [-0.1, 0], "coupler": [89.9, 90.1]}})
