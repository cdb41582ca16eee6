"""Machines and postures that the tests of the chain draw, and numerical derivatives to compare."""

import numpy as np
import pytest

#: Placement at which site coordinates are levelled house coordinates: forward, left, up.
AHEAD = np.array([0.0, 0.0, 0.0, np.pi / 2])


class Draw:
    """A rig with every parameter off its template's value, and poses all over its limits."""

    def __init__(self, rig, seed, poses=6):
        rng = np.random.default_rng(seed)
        self.rig, self.chain = rig, rig.chain
        spread = np.array([0.1 if p.unit == "m" else 0.05 for p in rig.parameters])
        self.parameters = rig.start + rng.normal(size=len(spread)) * spread
        low = np.array([r.low for r in rig.readings])
        high = np.array([r.high for r in rig.readings])
        joints = rng.uniform(low, high, (40 * poses, len(low)))
        choices = [sorted(c.words.values()) for c in rig.pose_columns]
        noted = np.array([rng.choice(values, len(joints)) for values in choices]).T \
            .reshape(len(joints), -1)
        readings = self.chain.readings_for(self.parameters, joints, noted)
        level = np.tile(AHEAD, (len(joints), 1))
        posture = self.chain.posture(self.parameters, level, readings, False, noted)
        told = np.abs(posture.joints - joints).max(1) < 1e-9
        good = np.flatnonzero(told & (np.abs(posture.gain) < 2.5).all(1))[:poses]
        assert len(good) == poses
        self.joints, self.readings, self.noted = joints[good], readings[good], noted[good]
        self.placement = np.column_stack([rng.uniform(-20, 20, (poses, 3)),
                                          rng.uniform(-np.pi, 3 * np.pi, poses)])

    def every_target_in_every_pose(self):
        """Indices of target and pose, one row per pair."""
        targets, poses = np.meshgrid(range(len(self.chain.targets)), range(len(self.readings)))
        return targets.ravel(), poses.ravel()


@pytest.fixture(scope="session")
def draw():
    """``draw(rig, seed)``: see `Draw`."""
    return Draw


@pytest.fixture(scope="session")
def numeric_derivatives():
    """Five-point central differences of all points by parameters, placement and readings.

    The step is 1e-4 of the argument, at least that of a metre or radian: well
    above rounding, while the fourth-order formula is exact to 1e-12. A derivative that is wrong
    only for tiny arguments still shows, as the difference spans them.
    """
    def derivatives(chain, parameters, placement, readings, target, pose, noted=None):
        arrays = [np.array(a, float) for a in (parameters, placement, readings)]
        blocks = []
        for array in arrays:
            for column in range(array.shape[-1]):
                size = 1e-4 * max(1.0, np.abs(array[..., column]).max())
                undisturbed = array[..., column].copy()
                total = 0.0
                for factor, weight in ((-2, 1), (-1, -8), (1, 8), (2, -1)):
                    array[..., column] = undisturbed + factor * size
                    posture = chain.posture(*arrays, False, noted)
                    total = total + weight * posture.points(target, pose).position
                array[..., column] = undisturbed
                blocks.append(total / (12 * size))
        return np.stack(blocks, axis=2)

    return derivatives


@pytest.fixture(scope="session")
def assert_derivatives(numeric_derivatives):
    """Compare analytic with numerical derivatives to 1e-7; a failure lists the worst."""
    def check(chain, parameters, placement, readings, target, pose, noted=None):
        points = chain.posture(parameters, placement, readings, noted=noted).points(target, pose)
        analytic = np.concatenate(
            [points.by_parameters, points.by_placement, points.by_readings], axis=2)
        numeric = numeric_derivatives(chain, parameters, placement, readings, target, pose, noted)
        names = [*chain.parameters, "east", "north", "up", "heading",
                 *(f"{s.name} (reading)" for s in chain.sensors)]
        assert analytic.shape == (len(target), 3, len(names))
        error = np.abs(analytic - numeric) - 1e-7 * np.maximum(np.abs(numeric), 1e-2)
        worst = np.argsort(-error, axis=None)[:8]
        table = [
            f"{chain.targets[target[row]].name} pose {pose[row]} {'enu'[axis]} by {names[column]}: "
            f"{analytic[row, axis, column]:.12g}, numerically {numeric[row, axis, column]:.12g}"
            for row, axis, column in zip(*np.unravel_index(worst, error.shape), strict=True)
            if error[row, axis, column] > 0
        ]
        assert not table, "\n".join(table)

    return check
