"""Effects laid over every shipped rig: what fits, what they do, their derivatives, refusals."""

import numpy as np
import pytest

from calib.chain.effects import effects_of
from calib.chain.rig import rig_from_dict, rig_from_template, template_names
from calib.chain.schema import RigError
from tests.explore.planted import plants, with_plant

TEMPLATES = template_names()


def laid(template, *names, **more):
    return rig_from_dict({"template": template, "effects": list(names), **more})


def single(rig):
    """The effects that are not made of others."""
    return [e for e in effects_of(rig.definition).values() if e.members == (e.name,)]


@pytest.mark.parametrize("template", TEMPLATES)
def test_every_effect_fits_by_itself_and_all_at_once(template):
    """New parameters stand behind, are estimated, start at zero and say what they mean."""
    rig = rig_from_template(template)
    effects = effects_of(rig.definition)
    assert len(effects) > 15
    for name, effect in effects.items():
        own = laid(template, name)
        assert own.parameter_names[:len(rig.parameters)] == rig.parameter_names
        assert not effect.there and effects_of(own.definition)[name].there
        for parameter in own.parameters:
            if parameter.name in effect.parameters:
                assert not parameter.held and parameter.start == 0 and parameter.means
                assert np.isfinite(parameter.most)
            else:
                assert parameter in rig.parameters
    every = laid(template, *effects)
    assert set(every.parameter_names) == {
        *rig.parameter_names, *(p for e in effects.values() for p in e.parameters)}


@pytest.mark.parametrize("template", TEMPLATES)
def test_at_zero_nothing_changes(template, draw):
    """Places and derivatives are those of the rig without."""
    rig = rig_from_template(template)
    every = laid(template, *effects_of(rig.definition))
    case = draw(rig, 1)
    parameters = every.start.copy()
    parameters[:len(rig.parameters)] = case.parameters
    target, pose = case.every_target_in_every_pose()
    noted = np.ones((len(case.readings), len(rig.pose_columns)))
    one, other = (r.chain.posture(p, case.placement, case.readings, True, noted).points(
        target, pose) for r, p in ((rig, case.parameters), (every, parameters)))
    np.testing.assert_allclose(other.position, one.position, rtol=0, atol=1e-12)
    np.testing.assert_allclose(other.by_parameters[..., :len(rig.parameters)],
                               one.by_parameters, rtol=0, atol=1e-11)


@pytest.mark.parametrize("template", TEMPLATES)
def test_derivatives_and_inverse(template, draw, assert_derivatives):
    """Of all effects at once, away from zero: to 1e-7, readings and joints to 1e-12."""
    rig = laid(template, *effects_of(rig_from_template(template).definition))
    case = draw(rig, 3)
    assert_derivatives(case.chain, case.parameters, case.placement, case.readings,
                       *case.every_target_in_every_pose(), noted=case.noted)


@pytest.mark.parametrize("template", TEMPLATES)
def test_they_do_what_a_rig_file_of_ones_own_does(template, draw):
    """Every effect against the same written out by hand, all targets, all poses."""
    own = plants(template)
    names = {e.name for e in single(rig_from_template(template))}
    assert names == set(own)
    plain = rig_from_template(template)
    for name, plant in own.items():
        by_hand, effect = with_plant(template, plant), laid(template, name)
        case = draw(by_hand, 5)
        noted = np.linspace(-1, 1, 2 * len(case.readings)).reshape(-1, 2)
        target, pose = case.every_target_in_every_pose()
        places = [r.chain.posture(case.parameters, case.placement, case.readings, False,
                                  noted).points(target, pose).position
                  for r in (by_hand, effect)]
        np.testing.assert_allclose(places[1], places[0], rtol=0, atol=1e-12, err_msg=name)
        bare = plain.chain.posture(case.parameters[:len(plain.parameters)], case.placement,
                                   case.readings, False, noted).points(target, pose).position
        if plant.free is None:
            assert np.abs(places[1] - bare).max() > 1e-5, name


def test_what_fits_depends_on_the_rig():
    """Without tilt and rotation, no axes of theirs; a held word of the user's is kept."""
    plain = effects_of(rig_from_template("plain_bucket").definition)
    assert not {"tilt_axis_yaw", "rotate_harmonic", "attachment_axes"} & set(plain)
    assert "upper_boom_sag" in effects_of(
        rig_from_template("two_piece_boom_tilt_rotator").definition)
    held = rig_from_dict({"template": "tilt_rotator", "hold": ["tilt_axis_yaw"]})
    assert "tilt_axis_yaw" not in effects_of(held.definition)
    freed = rig_from_dict({"template": "tilt_rotator", "free": ["tilt_axis_yaw"]})
    assert effects_of(freed.definition)["tilt_axis_yaw"].there
    other = {"boom_sag": {"unit": "m", "start": 0.0, "held": True, "means": "something else"}}
    clash = rig_from_dict({"template": "tilt_rotator", "parameters": other, "motions": [
        {"translate": "z", "by": {"boom_sag": 1}, "after": "boom"}]})
    assert not {"boom_sag", "sags"} & set(effects_of(clash.definition))


def test_values_and_ranges_of_effects():
    """A rig file that lists an effect says of its parameters what it likes."""
    rig = laid("tilt_rotator", "boom_sag", values={"boom_sag": 0.4}, ranges={"boom_sag": [0, 1]})
    sag = rig.parameters[rig.parameter_names.index("boom_sag")]
    np.testing.assert_allclose(np.degrees([sag.start, sag.least, sag.most]), [0.4, 0, 1])
    kept = laid("tilt_rotator", "boom_sag", hold=["boom_sag"], values={"boom_sag": 0.4})
    assert kept.parameters[kept.parameter_names.index("boom_sag")].held


def test_an_effect_that_does_not_fit_is_refused():
    with pytest.raises(RigError) as refused:
        laid("plain_bucket", "boom_sag", "rotate_harmonic", "sagging")
    assert [p[:2] for p in refused.value.problems] == [
        ("effects.rotate_harmonic", "'rotate_harmonic'"), ("effects.sagging", "'sagging'")]
    assert "an effect that fits this rig: one of house_pitch_zero" in refused.value.problems[0][2]


def test_the_definition_makes_the_same_rig():
    rig = laid("tilt_rotator", "sags", "rotate_harmonic", "boom_twist", "stick_hysteresis")
    again = rig_from_dict(rig.definition)
    assert again.chain.motions == rig.chain.motions
    assert again.chain.sensors == rig.chain.sensors
    assert again.parameters == rig.parameters
