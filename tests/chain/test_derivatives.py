"""Closed-form derivatives against central differences, tiny and ordinary angles alike."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.chain.calibrated import Sensor
from calib.chain.chain import Chain, Target
from calib.chain.motion import Motion
from calib.chain.rig import rig_from_template


@pytest.fixture(scope="module")
def standard():
    """The shipped tilt rotator."""
    return rig_from_template("tilt_rotator")


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("direct", [False, True], ids=["sensors", "joint angles"])
def test_everywhere(standard, draw, assert_derivatives, seed, direct):
    """By every parameter, the placement and every reading, for every target."""
    case = draw(standard, seed)
    chain = case.chain.with_direct_joints if direct else case.chain
    given = case.joints if direct else case.readings
    assert_derivatives(chain, case.parameters, case.placement, given,
                       *case.every_target_in_every_pose())


@pytest.mark.parametrize("power", range(-9, -3))
@pytest.mark.parametrize("sign", [-1, 1])
def test_tiny_angles(standard, draw, assert_derivatives, power, sign):
    """Every angle of the machine between 1e-9 and 1e-4 rad, house, zeros and joints."""
    case = draw(standard, 1)
    tiny = sign * 10.0**power * np.random.default_rng(0).uniform(1, 9, 40)
    angular = np.array([p.unit == "deg" for p in standard.parameters])
    parameters = np.where(angular, tiny[: len(angular)], case.parameters)
    readings = np.tile(tiny[-case.readings.shape[1]:], (len(case.readings), 1))
    readings[1::2] += case.readings[1::2]  # half the poses are ordinary but for the tiny zeros
    placement = case.placement.copy()
    placement[:, 3] = tiny[0]
    assert_derivatives(case.chain, parameters, placement, readings,
                       *case.every_target_in_every_pose())


def test_all_angles_exactly_zero(standard, assert_derivatives):
    """The machine stretched out level, heading north."""
    n = len(standard.readings)
    assert_derivatives(standard.chain, standard.start, np.zeros((1, 4)), np.zeros((1, n)),
                       np.arange(len(standard.targets)), np.zeros(len(standard.targets), int))


def test_near_the_blind_zone(standard, draw, assert_derivatives):
    """A tilt axis 70 degrees up: the tilt sensor's gain is 3, and so are its derivatives."""
    case = draw(standard, 3)
    readings = np.radians([[2.0, -1, 30, -40, 70, 8, 20], [-2.0, 1, 30, -40, -70, -5, 200]])
    posture = case.chain.posture(case.parameters, case.placement[:2], readings)
    tilt = standard.reading_names.index("tilt")
    assert (posture.gain[:, tilt] > 2.5).all() and not posture.blind.any()
    every = np.arange(len(standard.targets))
    assert_derivatives(case.chain, case.parameters, case.placement[:2], readings,
                       np.tile(every, 2), np.repeat([0, 1], len(every)))


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_any_chain(assert_derivatives, data):
    """Chains nobody would build: any axes, shared and scaled parameters, any sensor."""
    count = data.draw(st.integers(1, 10), "motions")
    kinds = data.draw(st.lists(st.sampled_from(["joint", "in_boom_plane", "across", None]),
                               min_size=count, max_size=count), "kinds")
    rng = np.random.default_rng(data.draw(st.integers(0, 10_000), "seed"))
    names, sensors, motions = ("p", "q", "r"), [], []
    axis_of = {"in_boom_plane": 1, "across": 0}
    for i, kind in enumerate(kinds):
        by = {n: float(rng.normal()) for n in (*names, "heading", "up") if rng.random() < 0.4}
        if kind is None:
            motions.append(Motion(bool(rng.integers(2)), int(rng.integers(3)),
                                  float(rng.normal() / 3), by))
        else:
            axis = axis_of.get(kind, int(rng.integers(3)))
            # In the boom plane "more inclined" is a turn about -y.
            sense = -1.0 if kind == "in_boom_plane" else 1.0
            motions.append(Motion(True, axis, 0.1, by, f"s{i}", sense))
            zero = str(rng.choice(names)) if rng.random() < 0.5 else None
            sensors.append(Sensor(f"s{i}", kind, float(rng.choice([-1, 1])), zero))
    motions.append(Motion(False, 0, 1.0, frame="end"))
    branch = (Motion(False, 1, 0.5, {"q": 0.5}), Motion(True, 2, 0.2, {"p": 1.0}),
              Motion(False, 0, 1.0, {"r": -2.0}))
    chain = Chain(motions, names, sensors, [Target("t", "end", branch, "")])
    parameters, readings = rng.normal(size=3) / 3, rng.uniform(-0.4, 0.4, (3, len(sensors)))
    placement = rng.normal(size=(3, 4)) / 3
    posture = chain.posture(parameters, placement, readings)
    # Differences over steps of 1e-3 need sensors that see well.
    if (np.abs(posture.gain) < 1.5).all() and _up_is_seen(chain, posture):
        assert_derivatives(chain, parameters, placement, readings, np.zeros(3, int), np.arange(3))


def _up_is_seen(chain, posture):
    """Whether every inclinometer's plane is within 60 degrees of the vertical."""
    for k, motion in enumerate(chain.motions):
        kinds = {s.name: s.kind for s in chain.sensors}
        if kinds.get(motion.joint) in ("in_boom_plane", "across"):
            if (np.abs(posture.axes[:, k, 2]) > 0.87).any():
                return False
    return True


def test_a_wrong_derivative_is_listed(standard, draw, assert_derivatives, monkeypatch):
    """The comparison itself can fail, and says where."""
    case = draw(standard, 0)
    wrong = case.chain.sweep.still.copy()
    wrong[:, standard.parameter_names.index("boom_length")] *= 1 + 1e-6
    monkeypatch.setitem(vars(case.chain), "sweep", case.chain.sweep._replace(still=wrong))
    with pytest.raises(AssertionError, match=r"edge_left pose 0 . by boom_length: "):
        assert_derivatives(case.chain, case.parameters, case.placement, case.readings, [4], [0])
