"""Do the errors of shots that follow one another go together?

The errors of a rover wander: two shots a minute apart share most of them. Such shots fit each
other better than their sds promise, because the place of the stand takes up what they share, and
the result is worse than it says. Tested is

    q = sum over shots and the next of  (M^-1 w)_i' D_i D_j (M^-1 w)_j

with w the misclosures, M their covariance and D the sds of the shots: the first change of the
likelihood with a first-order autocorrelation of the shots' errors, east, north and up each for
itself. It is taken over the sum of squares, as J. Durbin and G. S. Watson do ("Testing for serial
correlation in least squares regression", Biometrika 37 (1950) 409-428, from memory), so that sds
which are all wrong by one factor do not matter. What the shots of a pose share by its readings,
and what the parameters take up, is in the distribution of the ratio (`calib.adjust.quadratic`).
"""

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from calib.adjust.quadratic import chance_of_ratio, cumulants, form_of, whitener
from calib.calibration import Solution
from calib.run.records import Run

#: Fewer pairs of shots than this tell nothing.
LEAST_PAIRS = 8


@dataclass(frozen=True)
class Correlation:
    """The test of the shots' errors against those before."""

    chance: float  #: That a run with independent errors shows as much.
    #: Estimated correlation of a shot's error with the next one's: the amount at which q would be
    #: expected as it is, from -1 to 1.
    coefficient: float
    pairs: int  #: Shots that follow another at the same stand and set-up.
    timed: bool  #: Ordered by the time of the shots; else pose by pose.


def correlation(solution: Solution) -> Correlation | None:
    """Test the shots of a solution; None where too few follow one another."""
    adjustment = solution.adjustment
    order, timed = order_of_shots(solution.run)
    pairs = _pairs(solution.run, order)
    if len(pairs) < LEAST_PAIRS or adjustment.dof < 1:
        return None
    g = whitener(adjustment)
    form = g @ _coupled(solution.run, pairs, len(adjustment.linearised.misclosure)) @ g.T
    return Correlation(chance_of_ratio(adjustment, form), _coefficient(adjustment, form),
                       len(pairs), timed)


def order_of_shots(run: Run) -> tuple[np.ndarray, bool]:
    """The shots in the order in which they were taken, and whether times tell it.

    A shot without a time of its own has that of its pose; without any they go pose by pose.
    """
    by_pose = np.argsort(run.shots.pose, kind="stable")
    poses = run.poses.time
    written = [own or poses[pose] for own, pose in zip(run.shots.time, run.shots.pose, strict=True)]
    if None in written:
        return by_pose, False
    times = [datetime.fromisoformat(time) for time in written]
    if len({time.tzinfo is None for time in times}) > 1 or len(set(times)) == 1:
        return by_pose, False
    return np.array(sorted(range(len(times)), key=times.__getitem__)), True


def _pairs(run, order):
    """Each shot with the next of its stand and set-up, shape (m, 2)."""
    setup = np.full(len(order), -1) if run.shots.setup is None else run.shots.setup
    last: dict[tuple[int, int], int] = {}
    pairs = []
    for shot in order.tolist():
        where = run.poses.stand[run.shots.pose[shot]], int(setup[shot])
        if where in last:
            pairs.append((last[where], shot))
        last[where] = shot
    return np.array(pairs, int).reshape(-1, 2)


def _coupled(run, pairs, size):
    """Covariance of the shots' errors per unit of correlation, without its diagonal."""
    sd = np.sqrt(np.einsum("nii->ni", run.shots.covariance)).ravel()
    first, second = (3 * pairs[..., None] + np.arange(3)).transpose(1, 0, 2).reshape(2, -1)
    half = form_of(sd[first] * sd[second], first, second, size)
    return half + half.T


def _coefficient(adjustment, form):
    w = adjustment.linearised.misclosure
    first, second, _ = cumulants(form, adjustment.linearised.spectrum.left)
    excess = float(w @ (form @ w)) / adjustment.variance_factor - first
    return float(np.clip(excess / second, -1.0, 1.0))
