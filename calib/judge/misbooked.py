"""Shots that fit nowhere but where no shot was booked: the point was given another one's name."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.distributions import chi2_isf
from calib.calibration import Solution
from calib.foretold import foretold
from calib.judge.changed import with_shots
from calib.judge.shot_checks import squared
from calib.run.records import Run

#: A shot lies where its miss is within what 99 of 100 are.
_WITHIN = 0.01

#: A shot is out where a clean run has one as far out in so many of 1.
_OUT = 0.01

#: So much likelier than any other explanation, in natural logarithms (5: odds of 150 to 1; as
#: `calib.judge.explain` has it, half of a difference of scores that is very strong).
_LIKELIER = 5.0


@dataclass(frozen=True)
class Booked:
    """A shot of one target in one pose that was booked as another one."""

    shot: str
    pose: str  #: pose, target: As it is booked.
    target: str
    lies_pose: str  #: lies_pose, lies_target: Where it lies; one of them is as booked.
    lies_target: str
    miss: float  #: Its distance from there, m.


def booked_elsewhere(clean: Solution, run: Run, shots: Sequence[int], misses: np.ndarray
                     ) -> dict[str, Booked]:
    """Which of some shots lie on another target of their pose, or on theirs in another pose.

    Only where no shot was booked, and only where that explains the shot better than a blunder
    does, whose end is as likely anywhere within the sphere of its size, and better than any other
    place.

    Parameters
    ----------
    clean : Solution
        Without these shots.
    run : Run
        With them: `shots` are its rows.
    misses : ndarray, shape (n, 3)
        Of each from where it is booked, m.

    Returns
    -------
    dict of str to Booked
        By the id of the shot.
    """
    which, pose, target = _free_places(clean, run, shots)
    if not len(which):
        return {}
    rows = np.asarray(shots)[which]
    told = foretold(clean, replace(run.shots.select(rows), pose=pose, target=target))
    misses_there = run.shots.position[rows] - told.position
    chi2 = _chi2(misses_there, told)
    there = -0.5 * (chi2 + np.linalg.slogdet(2 * np.pi * told.covariances)[1])
    there[~told.predictable] = -np.inf
    count = np.bincount(which, minlength=len(shots))
    anywhere = -np.log(4 / 3 * np.pi * np.linalg.norm(misses, axis=1) ** 3)
    found = {}
    for k, i in enumerate(shots):
        mine = np.flatnonzero(which == k)
        if not len(mine):
            continue
        best = mine[np.argmax(there[mine])]
        others = max((*(there[j] for j in mine if j != best), anywhere[k] + np.log(count[k])))
        if chi2[best] <= chi2_isf(_WITHIN, 3) and there[best] - others > _LIKELIER:
            found[run.shots.ids[i]] = Booked(
                run.shots.ids[i], run.poses.ids[run.shots.pose[i]],
                run.rig.target_names[run.shots.target[i]], run.poses.ids[pose[best]],
                run.rig.target_names[target[best]], float(np.linalg.norm(misses_there[best])))
    taken = Counter((b.lies_pose, b.lies_target) for b in found.values())
    return {name: b for name, b in found.items() if taken[b.lies_pose, b.lies_target] == 1}


def misbooked(clean: Solution, run: Run) -> dict[str, Booked]:
    """`booked_elsewhere` of all shots of a run that `clean` goes without and that do not fit it."""
    left = np.flatnonzero(~np.isin(run.shots.ids, clean.run.shots.ids)
                          & (clean.problem.stand_of_pose[run.shots.pose] >= 0))
    if not len(left):
        return {}
    told = foretold(clean, run.shots.select(left))
    misses = run.shots.position[left] - told.position
    off = told.predictable & (_chi2(misses, told) > chi2_isf(_OUT / len(left), 3))
    return booked_elsewhere(clean, run, left[off].tolist(), misses[off])


def _chi2(misses, told):
    """Of each miss, shape (n,); nothing where a shot is not predictable."""
    covariance = np.where(told.predictable[:, None, None], told.covariances, np.eye(3))
    return squared(misses, covariance)


def _free_places(clean, run, shots):
    """Index into `shots`, pose and target, each shape (n,), of where no shot was booked."""
    free = np.ones((len(run.poses.ids), len(run.rig.targets)), bool)
    free[run.shots.pose, run.shots.target] = False
    free[clean.problem.stand_of_pose < 0] = False
    at, on = run.shots.pose[list(shots)], run.shots.target[list(shots)]
    of_pose, target = np.nonzero(free[at])
    of_target, pose = np.nonzero(free[:, on].T)
    return (np.append(of_pose, of_target), np.append(at[of_pose], pose),
            np.append(target, on[of_target]))


def rebooked(run: Run, booked: Sequence[Booked]) -> Run:
    """The run with shots booked where they lie."""
    pose, target = run.shots.pose.copy(), run.shots.target.copy()
    for one in booked:
        i = run.shots.ids.index(one.shot)
        pose[i] = run.poses.ids.index(one.lies_pose)
        target[i] = run.rig.target_names.index(one.lies_target)
    return with_shots(run, pose=pose, target=target)
