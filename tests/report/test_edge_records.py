"""Edge maps of the record against an independent walk of the machine."""

import numpy as np
import pytest

from calib.edge import envelope_edge
from calib.report.evidence import setup_error_record
from calib.simulate import drawn_parameters


def _turn(axis, angle):
    c, s = np.cos(angle), np.sin(angle)
    turned = np.eye(3)
    i, j = {"x": (1, 2), "y": (2, 0), "z": (0, 1)}[axis]
    turned[i, i], turned[i, j], turned[j, i], turned[j, j] = c, -s, s, c
    return turned


def placed(p, readings, f):
    """A point of the edge, f of the width left of its middle, written out by hand, m.

    The house level and not turned; the inclinometers give the attitude of their members.
    """
    boom = readings["boom"] + p["boom_zero"]
    stick = readings["stick"] + p["stick_zero"]
    coupler = readings["coupler"] + p["coupler_zero"]
    point = np.array([np.cos(boom), 0, np.sin(boom)]) * p["boom_length"]
    point = point + np.array([np.cos(stick), 0, np.sin(stick)]) * p["stick_length"]
    frame = _turn("y", -coupler)
    point = point + frame @ [p["rotation_axis_ahead"], p["tilt_axis_side"], -p["tilt_axis_drop"]]
    frame = frame @ _turn("z", p["tilt_axis_yaw"])
    up = frame.T @ [0, 0, 1]
    tilt = np.arcsin(np.sin(readings["tilt"] + p["tilt_zero"]) / np.hypot(up[1], up[2]))
    frame = frame @ _turn("x", tilt - np.arctan2(up[1], up[2]))
    point = point + frame @ [0, p["rotation_axis_side"], 0]
    frame = frame @ _turn("y", p["rotation_axis_lean"])
    frame = frame @ _turn("z", readings["rotate"] + p["rotate_zero"])
    wide = f * p["edge_width"]
    return point + frame @ [
        p["edge_reach"], p["edge_side"] + wide * np.cos(p["edge_skew"]),
        -p["edge_drop"] + wide * np.sin(p["edge_skew"])]


def test_error_map_agrees_with_direct_simulation(rig):
    """The map of a wrong set-up is that of a machine walked by hand, to 0.1 mm at every node."""
    rng = np.random.default_rng(9)
    truth = drawn_parameters(rig, rng)
    taped = truth + np.array([0.0 if p.held else p.tape_sd for p in rig.parameters]) * rng.normal(
        0, 1, len(truth))
    nodes = envelope_edge(rig, truth)
    record = setup_error_record(nodes, np.zeros((len(truth), len(truth))), taped)
    flat = np.array(record.error).ravel()
    true, wrong = (dict(zip(rig.parameter_names, p, strict=True)) for p in (truth, taped))
    for node, readings in enumerate(nodes.readings):
        named = dict(zip(rig.reading_names, readings, strict=True))
        direct = max(
            np.linalg.norm(placed(wrong, named, f) - placed(true, named, f))
            for f in (0.5, 0.0, -0.5))
        assert flat[node] == pytest.approx(direct, abs=1e-4)
    assert record.summary.worst == pytest.approx(flat.max())
    assert flat.max() > 0.005
    assert sum(s.share for s in record.shares) == pytest.approx(1, abs=1e-9)
