"""The range a parameter may lie in: shipped ones hold any machine, a user may state another."""

import numpy as np
import pytest

from calib.chain.rig import rig_from_dict, rig_from_template, template_names
from calib.chain.schema import RigError

#: Machines of about 1.5 t and of about 50 t (sizes: common practice, no source).
SMALL = {
    "boom_length": 1.75, "upper_boom_length": 0.9, "stick_length": 0.95, "tilt_axis_drop": 0.11,
    "rotation_axis_ahead": 0.03, "edge_drop": 0.40, "edge_width": 0.25, "swing_axis_behind": 0.10,
    "boom_foot_width": 0.18,
}
LARGE = {
    "boom_length": 9.0, "upper_boom_length": 4.5, "stick_length": 5.0, "tilt_axis_drop": 0.75,
    "rotation_axis_ahead": 0.30, "edge_drop": 2.2, "edge_width": 2.6, "swing_axis_behind": 0.6,
    "boom_foot_width": 1.5,
}


@pytest.mark.parametrize("template", template_names())
def test_every_parameter_of_a_shipped_rig_has_a_range_around_its_start(template):
    for parameter in rig_from_template(template).parameters:
        assert np.isfinite([parameter.least, parameter.most]).all(), parameter.name
        assert parameter.least < parameter.start < parameter.most, parameter.name


@pytest.mark.parametrize("template", template_names())
@pytest.mark.parametrize("machine", [SMALL, LARGE])
def test_small_and_large_machines_are_within_the_shipped_ranges(template, machine):
    rig = rig_from_template(template)
    for parameter in rig.parameters:
        value = machine.get(parameter.name)
        if value is not None:
            assert parameter.allows(value), (parameter.name, value)


@pytest.mark.parametrize("template", template_names())
def test_millimetres_and_mirrored_lengths_are_not(template):
    rig = rig_from_template(template)
    lengths = [p for p in rig.parameters if p.unit == "m" and abs(p.start) > 0.05]
    positive = {p.name for p in lengths if not p.allows(-p.start)}
    assert {"boom_length", "stick_length", "edge_width"} <= positive
    for parameter in lengths:
        assert not parameter.allows(1000 * parameter.start), parameter.name


def test_a_zero_may_be_whole_turns_off_and_a_skew_may_not_be_half_a_turn():
    rig = rig_from_template("tilt_rotator")
    zero, skew = (rig.parameters[rig.parameter_names.index(n)] for n in ("rotate_zero",
                                                                         "edge_skew"))
    assert zero.allows(np.radians(350.0)) and zero.allows(np.radians(-719.0))
    assert skew.allows(np.radians(359.0)) and skew.allows(np.radians(30.0))
    assert not skew.allows(np.radians(180.0)) and not skew.allows(np.radians(31.0))


def test_a_user_states_another_range_and_it_survives_the_definition():
    rig = rig_from_dict({"template": "tilt_rotator", "ranges": {"edge_width": [1.0, 2.0]}})
    again = rig_from_dict(rig.definition)
    for each in (rig, again):
        width = each.parameters[each.parameter_names.index("edge_width")]
        assert (width.least, width.most) == (1.0, 2.0)


def test_a_range_of_something_else_is_a_complaint():
    with pytest.raises(RigError, match=r"ranges\.edge_wide: found 'edge_wide', expected a param"):
        rig_from_dict({"template": "tilt_rotator", "ranges": {"edge_wide": [1.0, 2.0]}})
