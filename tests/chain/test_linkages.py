"""Linkages: loops that close, the way back, derivatives, branches, and where they end."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from calib.chain.linkages import LINKAGES
from calib.chain.rig import rig_from_dict
from calib.chain.schema import RigError
from calib.chain.sensors import BLIND_GAIN

FOUR_BAR, TRIANGLE = LINKAGES["four_bar"], LINKAGES["triangle"]

#: Of a bucket, m and rad; the boom cylinder of a machine of 20 t. Both invented.
BUCKET = {"ground": 0.42, "input": 0.62, "floating": 0.60, "output": 0.44,
          "ground_angle": 3.0, "output_angle": 0.05, "branch": -1.0}
BOOM = {"near": 0.75, "far": 2.3, "near_angle": -0.35, "far_angle": 0.25, "branch": 1.0}

lengths = st.floats(0.2, 1.0)
angles = st.floats(-np.pi, np.pi)
branches = st.sampled_from([-1.0, 1.0])


def four_bars():
    """Any links at any angles, wherever they can be assembled."""
    return st.builds(
        lambda ground, arm, floating, output, a, b, branch: {
            "ground": ground, "input": arm, "floating": floating, "output": output,
            "ground_angle": a, "output_angle": b, "branch": branch},
        lengths, lengths, lengths, lengths, angles, angles, branches)


def assembled(told, inputs):
    """Joint angle, if the linkage is well within its travel; else the example is not looked at."""
    felt = FOUR_BAR.joint(np.atleast_1d(told), inputs)
    assume(abs(felt.by_angle[0]) < BLIND_GAIN)
    return felt.angle[0]


@given(inputs=four_bars(), told=angles)
def test_the_loop_closes(inputs, told):
    """Ground, input, floating and output link meet to 1e-12, in the branch that is asked for."""
    q = assembled(told, inputs)

    def along(length, angle):
        return length * np.array([np.cos(angle), np.sin(angle)])

    end = along(inputs["ground"], inputs["ground_angle"]) + along(inputs["input"], told)
    out = along(inputs["output"], q + inputs["output_angle"])
    assert np.linalg.norm(end - out) == pytest.approx(inputs["floating"], abs=1e-12)
    turned_on = end[0] * out[1] - end[1] * out[0]
    assert np.sign(turned_on) == inputs["branch"]


@given(inputs=four_bars(), told=angles)
def test_the_way_back(inputs, told):
    """From the joint to the angle of the input link and again to the joint."""
    q = assembled(told, inputs)
    # Nor folded so that both ends of the input link are those of the output link.
    folded = inputs["output"] * np.exp(1j * (q + inputs["output_angle"])) \
        - inputs["ground"] * np.exp(1j * inputs["ground_angle"])
    assume(abs(folded) > 0.01)
    back = FOUR_BAR.told(np.atleast_1d(q), inputs)
    again = FOUR_BAR.joint(back, inputs).angle[0]
    assert np.angle(np.exp(1j * (again - q))) == pytest.approx(0.0, abs=1e-9)


def numeric(linkage, told, inputs, name=None, h=1e-5):
    """Derivative by what is told, or by an input: five-point central differences."""
    total = 0.0
    for factor, weight in ((-2, 1), (-1, -8), (1, 8), (2, -1)):
        if name is None:
            q = linkage.joint(told + factor * h, inputs).angle
        else:
            q = linkage.joint(told, inputs | {name: inputs[name] + factor * h}).angle
        total = total + weight * q
    return total / (12 * h)


@pytest.mark.parametrize(("linkage", "inputs", "told"), [
    (FOUR_BAR, BUCKET, np.radians(np.linspace(15, 135, 25))),
    (FOUR_BAR, BUCKET | {"branch": 1.0}, np.radians(np.linspace(15, 135, 25))),
    (TRIANGLE, BOOM, np.linspace(1.65, 2.7, 20)),
    (TRIANGLE, BOOM | {"branch": -1.0}, np.linspace(1.65, 2.7, 20)),
])
def test_derivatives(linkage, inputs, told):
    """By what is told and by every length and angle, to 1e-7."""
    felt = linkage.joint(told, inputs)
    assert (np.abs(felt.by_angle) < BLIND_GAIN).all()
    np.testing.assert_allclose(felt.by_angle, numeric(linkage, told, inputs), rtol=1e-7, atol=1e-8)
    assert set(felt.by_inputs) == {*linkage.lengths, *linkage.angles}
    for name, derivative in felt.by_inputs.items():
        np.testing.assert_allclose(np.broadcast_to(derivative, told.shape),
                                   numeric(linkage, told, inputs, name), rtol=1e-7, atol=1e-8)


@given(near=lengths, far=lengths, between=st.floats(0.2, 2.9), branch=branches)
def test_a_cylinder(near, far, between, branch):
    """Its length is that between the two pins, and leads back to the joint."""
    inputs = {"near": near, "far": far, "near_angle": 0.3, "far_angle": -0.2, "branch": branch}
    q = np.atleast_1d(branch * between + 0.5)
    long = TRIANGLE.told(q, inputs)
    pins = [length * np.exp(1j * angle) for length, angle in
            ((near, 0.3), (far, q[0] - 0.2))]
    assert long[0] == pytest.approx(abs(pins[0] - pins[1]), abs=1e-12)
    q_again = TRIANGLE.joint(long, inputs).angle[0]
    assert np.angle(np.exp(1j * (q_again - q[0]))) == pytest.approx(0.0, abs=1e-9)


@given(inputs=four_bars(), told=st.floats(-10, 10))
def test_never_a_nan(inputs, told):
    """Whatever cannot be assembled gives numbers, and a gain that says so."""
    for linkage, own in ((FOUR_BAR, inputs), (TRIANGLE, {
            "near": inputs["ground"], "far": inputs["output"], "near_angle": 0.0, "far_angle": 0.0,
            "branch": inputs["branch"]})):
        felt = linkage.joint(np.atleast_1d(told), own)
        back = linkage.told(np.atleast_1d(told), own)
        assert all(np.isfinite(part).all()
                   for part in (felt.angle, felt.by_angle, back, *felt.by_inputs.values()))


def test_where_it_cannot_be_assembled_it_is_blind():
    """The input link turned away from the joint: the floating link does not reach."""
    gain = FOUR_BAR.joint(np.radians([20.0, 100.0, 160.0, 179.0]), BUCKET | {"output": 0.40}
                          ).by_angle
    assert (np.abs(gain) > BLIND_GAIN).tolist() == [False, False, True, True]
    too_long = TRIANGLE.joint(np.array([3.2, 1.4, 2.0]), BOOM).by_angle * BOOM["near"]
    assert (np.abs(too_long) > BLIND_GAIN).tolist() == [True, True, False]


def length(means="x"):
    return {"unit": "m", "start": 0.5, "least": 0.1, "most": 3, "means": means}


def linked(**sensor):
    """A coupler whose sensor sits on a link."""
    names = ("ground", "input", "floating", "output")
    return {
        "template": "tilt_rotator",
        "parameters": {f"link_{n}": length() for n in names},
        "sensors": {"coupler": {"through": "four_bar", "branch": -1,
                                "uses": {n: f"link_{n}" for n in names}} | sensor},
    }


@pytest.mark.parametrize(("sensor", "key", "found", "expected"), [
    ({"branch": None}, "branch", "None", "1 or -1, where the sensor works through a linkage"),
    ({"through": "triangle"}, "through", "'triangle'", "triangle for the kind stroke"),
    ({"kind": "stroke", "zero": "link_input"}, "through", "'four_bar'",
     "triangle for the kind stroke"),
    ({"uses": {"ground": "link_ground"}}, "uses.input", "nothing", "a parameter, m"),
    ({"uses": {n: "boom_zero" for n in ("ground", "input", "floating", "output")}},
     "uses.ground", "'boom_zero'", "a parameter in m"),
    ({"uses": linked()["sensors"]["coupler"]["uses"] | {"twist": "boom_zer"}},
     "uses.twist.boom_zer", "'boom_zer'", "a parameter: one of"),
    ({"uses": linked()["sensors"]["coupler"]["uses"] | {"near": "link_input"}},
     "uses.near", "'near'", "what such a sensor uses: one of twist, lean, ground_angle"),
    ({"zero": "link_input"}, "zero", "'link_input'", "a parameter in deg"),
])
def test_faults(sensor, key, found, expected):
    """What a rig file says of a linkage that is none."""
    with pytest.raises(RigError) as refused:
        rig_from_dict(linked(**sensor))
    told = {k: (f, e) for k, f, e in refused.value.problems}
    assert told[f"sensors.coupler.{key}"][0] == found
    assert expected in told[f"sensors.coupler.{key}"][1]


def stroke():
    """A boom that a cylinder with a stroke sensor lifts."""
    return {
        "template": "tilt_rotator",
        "parameters": {
            "boom_closed": {"unit": "m", "start": 1.65, "means": "length of the cylinder, closed"},
            "boom_near": length() | {"start": 0.75}, "boom_far": length() | {"start": 2.3},
            "boom_lift": {"unit": "deg", "start": -34.0, "means": "x"},
        },
        "sensors": {"boom": {"kind": "stroke", "zero": "boom_closed", "through": "triangle",
                             "branch": 1, "uses": {"near": "boom_near", "far": "boom_far",
                                                   "near_angle": "boom_lift"}}},
        "limits": {"boom": [-15, 55]},
    }


@pytest.mark.parametrize("data", [
    linked(), linked(kind="joint"), stroke(),
    linked(uses=linked()["sensors"]["coupler"]["uses"] | {"twist": "edge_skew"})])
@pytest.mark.parametrize("seed", [0, 1])
def test_in_a_chain(data, seed, draw, assert_derivatives):
    """Derivatives of points by everything to 1e-7; joints to readings and back."""
    if "link_input" in data["parameters"]:
        data = data | {"limits": {"coupler": [-20, 100]}, "values": {
            f"link_{n}": BUCKET[n] for n in ("ground", "input", "floating", "output")}}
    case = draw(rig_from_dict(data), seed)
    assert_derivatives(case.chain, case.parameters, case.placement, case.readings,
                       *case.every_target_in_every_pose())
    again = case.chain.posture(case.parameters, case.placement, case.readings, False).joints
    np.testing.assert_allclose(again, case.joints, rtol=0, atol=1e-10)
