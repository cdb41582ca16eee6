"""What a stand that seems to have moved is really: a machine that moved, or a house that swung.

A run is solved with the later poses at a stand of their own; how the two placements differ tells
which it was. The difference counts as nothing within its sd and `SETTLES`.
"""

import numpy as np

from calib.chain.circle import wrapped
from calib.judge.facts import Swung
from calib.judge.fits import solved
from calib.judge.mistakes import Mistake
from calib.judge.pose_mistakes import NEW_STAND, own_stand
from calib.layout import STAND
from calib.run.records import Run

#: What a parked machine settles or a tilted swing axis lifts, 1 sd: m and rad.
SETTLES = np.array([0.01, 0.01, 0.015, 0.002])

#: Where the swing axis may lie behind the boom foot, m (negative: ahead of it).
AXIS_BEHIND = (-1.0, 3.0)

_LIMIT = 13.8  # chi-square of 2 at 0.001


def swing_of(run: Run, moved: Mistake) -> tuple[float, Mistake] | None:
    """Whether a move of the later poses can be a swing of the house on its tracks.

    Parameters
    ----------
    moved : Mistake
        Of the family "moved"; its poses are the later ones.

    Returns
    -------
    consistency : float
        Chi-square (2 dof) of the move being a swing.
    swung : Mistake
    """
    solution = solved(own_stand(run, moved.poses))
    if solution is None:
        return None
    old = run.poses.stand[moved.poses[0]]
    difference, covariance = _difference(solution, old)
    return _swung(run, moved, solution, old, difference, covariance)


def _swung(run, moved, solution, old, difference, covariance):
    """The foot on a circle about an axis on the house's centre line, at the same height."""
    turn = difference[3]
    if abs(turn) < np.radians(0.5):
        return None
    stands = solution.problem.stands
    heading = solution.stands[stands.index(old), 3] + turn / 2
    along = np.array([np.sin(heading), np.cos(heading)])
    across = np.array([np.cos(heading), -np.sin(heading)])
    behind = float(difference[:2] @ across / (2 * np.sin(turn / 2)))
    if not AXIS_BEHIND[0] < behind < AXIS_BEHIND[1]:
        return None
    rows = np.zeros((2, 4))
    rows[0, :2], rows[1, 2] = along, 1.0
    # Turning the heading by half its uncertainty turns `along` too.
    rows[0, 3] = -(difference[:2] @ across) / 2
    off = np.array([difference[:2] @ along, difference[2]])
    loose = covariance + np.diag(SETTLES**2)
    consistency = float(off @ np.linalg.solve(rows @ loose @ rows.T, off))
    if consistency > _LIMIT:
        return None
    before = max((p for p in np.unique(run.shots.pose)
                  if run.poses.stand[p] == old and p not in moved.poses), default=None)
    after = run.poses.ids[moved.poses[0]]
    return consistency, Mistake(
        "swung", Swung(run.poses.ids[before], after, old, float(-turn)), moved.apply, free=2,
        poses=moved.poses, mend=moved.mend)


def _difference(solution, old):
    """Placement of the new stand less that of the old, (4,), and its covariance."""
    stands, layout = solution.problem.stands, solution.problem.layout
    a, b = stands.index(old), stands.index(NEW_STAND)
    difference = solution.stands[b] - solution.stands[a]
    difference[3] = wrapped(difference[3])
    one, other = layout.columns(STAND)[[b, a]]
    c = solution.adjustment.covariance
    return difference, (c[np.ix_(one, one)] + c[np.ix_(other, other)]
                        - c[np.ix_(one, other)] - c[np.ix_(other, one)])
