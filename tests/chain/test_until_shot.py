"""Parameters that are estimated only where a shot depends on them."""

import numpy as np
import pytest

from calib.chain.rig import rig_from_dict, rig_from_template, template_names
from calib.chain.schema import RigError

WAITING = {"boom_foot_width", "stick_pin_side", "bucket_pin_side"}


def free(rig):
    return {p.name for p in rig.parameters if not p.held}


def shooting(rig, *names):
    return rig.when_shot([rig.target_names.index(name) for name in names])


@pytest.mark.parametrize("template", template_names())
def test_the_shipped_rigs_wait_for_the_pins(template):
    """Each pin frees its own parameter and no other; each is usually taped."""
    rig = rig_from_template(template)
    waiting = {p.name for p in rig.parameters if p.until_shot}
    assert waiting - {"boom_pin_side"} == WAITING
    assert all(p.held and p.tape_sd for p in rig.parameters if p.until_shot)
    assert shooting(rig, "edge_left", "edge_mid", "edge_right") is rig
    for target, name in (("boom_foot_left", "boom_foot_width"), ("stick_pin", "stick_pin_side"),
                         ("bucket_pin", "bucket_pin_side")):
        assert free(shooting(rig, "edge_left", target)) - free(rig) == {name}
        assert rig.unplaced[rig.target_names.index(target)]
        assert not shooting(rig, target).unplaced[rig.target_names.index(target)]


def test_what_is_no_longer_shot_is_held_again():
    rig = rig_from_template("tilt_rotator")
    pins = shooting(rig, "boom_foot_left", "stick_pin")
    assert free(pins) - free(rig) == {"boom_foot_width", "stick_pin_side"}
    assert free(shooting(pins, "stick_pin")) - free(rig) == {"stick_pin_side"}
    assert free(shooting(pins, "edge_left")) == free(rig)


def test_the_definition_tells_what_was_estimated():
    rig = shooting(rig_from_template("tilt_rotator"), "boom_foot_left", "edge_left")
    again = rig_from_dict(rig.definition)
    assert free(again) == free(rig)
    np.testing.assert_array_equal(again.start, rig.start)


@pytest.mark.parametrize(("change", "held"), [("hold", True), ("free", False)])
def test_the_user_has_the_last_word(change, held):
    """Held stays held although it is shot, free stays free although it is not."""
    rig = rig_from_dict({"template": "tilt_rotator", change: ["stick_pin_side"]})
    for one in (rig, shooting(rig, "edge_left"), shooting(rig, "stick_pin")):
        assert one.parameters[one.parameter_names.index("stick_pin_side")].held is held
        assert not one.unplaced[one.target_names.index("stick_pin")]


def test_how_targets_are_shot_and_how_long_it_takes():
    """All ways and usual minutes unless the file says otherwise."""
    rig = rig_from_dict({
        "template": "tilt_rotator",
        "targets": {"stick_pin": {"frame": "boom_end", "means": "mark on the pin", "motions": [
            {"translate": "y", "by": {"stick_pin_side": 1}}], "shot_by": ["reflectorless"]}},
        "effort": {"walk": 1.0, "targets": {"boom_foot_left": 2.5}}})
    by = {t.name: t.shot_by for t in rig.targets}
    minutes = {t.name: rig.effort.of_shot(t) for t in rig.targets}
    assert by["stick_pin"] == ("reflectorless",)
    assert by["bucket_pin"] == ("pole", "reflectorless", "prism")
    assert minutes["boom_foot_left"] == 2.5
    assert minutes["edge_left"] == 1.0 + rig.effort.point
    assert minutes["bucket_pin"] == rig.effort.point
    assert rig_from_dict(rig.definition).effort == rig.effort


@pytest.mark.parametrize(("change", "key", "found"), [
    ({"effort": {"walk": -1.0}}, "effort.walk", "-1.0"),
    ({"effort": {"targets": {"tooth": 1.0}}}, "effort.targets.tooth", "'tooth'"),
    ({"targets": {"x": {"frame": "house", "means": "x", "shot_by": ["drone"]}}},
     "targets.x.shot_by.0", "'drone'"),
])
def test_faults(change, key, found):
    with pytest.raises(RigError) as refused:
        rig_from_dict({"template": "tilt_rotator"} | change)
    assert [p[:2] for p in refused.value.problems] == [(key, found)]
