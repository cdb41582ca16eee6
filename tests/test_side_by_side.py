"""Problems side by side are predicted and started as each is by itself."""

from dataclasses import replace

import numpy as np
import pytest

from calib.calibration import _start, problem_of
from calib.judge.relabelling import relabellings
from calib.layout import RIG
from calib.side_by_side import SideBySide
from calib.simulate import simulate
from tests.test_layout import seen_from


@pytest.mark.parametrize("set_ups", [False, True], ids=["plain", "set-ups"])
def test_as_by_themselves(rig, set_ups):
    """With and without set-ups of the total station, a reading set aside, a problem twice."""
    run = simulate(rig, np.random.default_rng(5), poses=8, stands=2)[0]
    if set_ups:
        run = seen_from(run, "AB")
    sd = run.poses.sd.copy()
    sd[3, 1] = np.inf
    run = replace(run, poses=replace(run.poses, sd=sd))
    problem = problem_of(run)
    problems = [problem, *(problem.relabelled(r.apply(run)) for r in relabellings(run)[:4])]
    which, p = np.array([2, 0, 4, 2]), len(run.rig.parameters)
    parameters = run.rig.start + np.random.default_rng(3).normal(scale=0.01, size=(4, p))
    together = SideBySide(problems)
    starts = together.starts(which, parameters)
    readings = np.array([problems[number].run.poses.readings for number in which])
    found = together(which, starts, readings)
    for i, number in enumerate(which):
        own = problems[number]
        own = replace(own, start=_start(own.run, own.layout, own.stand_of_pose, parameters[i]))
        np.testing.assert_allclose(starts[i], own.start, rtol=0, atol=1e-12)
        np.testing.assert_array_equal(starts[i][problem.layout.columns(RIG)[0]], parameters[i])
        alone = own(own.start, readings[i])
        rows = slice(i * len(alone.values), (i + 1) * len(alone.values))
        for part in ("values", "by_parameters", "by_readings"):
            np.testing.assert_allclose(getattr(found, part)[rows], getattr(alone, part),
                                       rtol=0, atol=1e-11)
