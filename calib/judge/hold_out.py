"""Held-out poses: solve without some poses, predict their shots, look at the misses.

Left out by pose, never by shot: shots of one pose share the errors of its readings. M. Stone,
"Cross-validatory choice and assessment of statistical predictions", J. Royal Statistical Society
B 36 (1974) 111-147 (from memory).
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from calib.adjust.mixed_model import NotConverged
from calib.adjust.spectrum import NotDetermined
from calib.calibration import Solution, solve
from calib.judge.check import Checked, check_shots
from calib.run.complaints import InputError
from calib.run.records import Run, Shots

#: Folds at most: more solutions say little more.
MOST_FOLDS = 12

#: The gate fails a run whose misses are as it says with this probability or less.
LEVEL = 0.001

#: A held-out shot tells nothing if its predicted 3-D sd is beyond so many times that of the usual
#: shot in the whole solution, or beyond so much, m: the rest does not fix the machine then, or a
#: reading of its pose was set aside (limits ours, no source).
MOST_TIMES, MOST_RMS = 10.0, 0.1

#: What is said then.
NOT_JUDGED = "Held-out poses cannot be judged: without them the rest does not fix the machine."


@dataclass(frozen=True)
class HeldOut:
    """Misses of shots that took no part in the solution that predicted them.

    Attributes
    ----------
    checked : Checked
        The held-out shots that tell something, in the order of the folds; all if not judged.
    folds : int
        Solutions made.
    missing : tuple of str
        Poses whose shots tell nothing: without them the rest is not determined, or they have a
        reading that was set aside.
    judged : bool
        Whether at least half of the run's shots tell something.
    """

    checked: Checked
    folds: int
    missing: tuple[str, ...]
    judged: bool

    @property
    def standardised(self) -> np.ndarray:
        """Misses over their predicted sds, shape (n, 3); sd 1 if everything is as stated."""
        sd = np.sqrt(np.einsum("nii->ni", self.checked.covariances))
        return self.checked.misses / sd

    @property
    def rms_3d(self) -> float:
        """Root mean square of the 3-D misses, m."""
        return float(np.sqrt(np.mean(self.checked.lengths**2)))

    @property
    def predicted_rms_3d(self) -> float:
        """What it should be, m."""
        return float(np.sqrt(np.mean(_predicted_sds(self.checked) ** 2)))

    @property
    def passed(self) -> bool | None:
        """Whether the misses are no larger than predicted; None if that cannot be judged.

        The mean square of the standardised misses against chi-square with as many degrees of
        freedom as there are held-out coordinates, halved: coordinates of a pose share its
        readings, so that there are fewer independent ones (the half is common practice of ours,
        no source).
        """
        if not self.judged:
            return None
        count = self.standardised.size
        dof = max(1, count // 2)
        return bool(np.mean(self.standardised**2) * dof < chi2.isf(LEVEL, dof))


def hold_out(solution: Solution, most_folds: int = MOST_FOLDS) -> HeldOut | None:
    """Solve again without each part of the poses and predict it; None if no part can be left out.

    Parameters
    ----------
    solution : Solution
    most_folds : int
        The poses are dealt to at most so many parts, stand by stand in turn.
    """
    run = solution.run
    parts, made, missing = [], 0, []
    for poses in _folds(run, most_folds):
        left_out = np.isin(run.shots.pose, poses)
        rest = replace(run, shots=run.shots.select(~left_out), check=None)
        try:
            parts.append(check_shots(solve(rest, solution), run.shots.select(left_out)))
            missing += parts[-1].left_out
            made += 1
        except (NotDetermined, NotConverged, InputError, ValueError):
            missing += [run.poses.ids[p] for p in poses]
    if not parts:
        return None
    checked = _joined(parts)
    usual = float(np.median(_predicted_sds(check_shots(solution, run.shots))))
    tells = _predicted_sds(checked) <= min(MOST_RMS, MOST_TIMES * usual)
    judged = bool(tells.sum() >= len(run.shots) / 2)
    missing += [run.poses.ids[p] for p in np.unique(checked.shots.pose[~tells])]
    if judged:
        checked = Checked(checked.shots.select(tells), checked.misses[tells],
                          checked.covariances[tells], checked.tolerance)
    return HeldOut(checked, made, tuple(missing), judged)


def _predicted_sds(checked: Checked) -> np.ndarray:
    """Of the 3-D misses, shape (n,), m."""
    return np.sqrt(np.einsum("nii->n", checked.covariances))


def _folds(run: Run, most: int) -> list[list[int]]:
    """Poses dealt in turn, those of one stand after the other."""
    poses = [int(p) for p in np.unique(run.shots.pose)]
    stands = list(dict.fromkeys(run.poses.stand[p] for p in poses))
    poses.sort(key=lambda p: stands.index(run.poses.stand[p]))
    folds = min(most, len(poses))
    return [poses[k::folds] for k in range(folds)]


def _joined(parts: list[Checked]) -> Checked:
    shots = [p.shots for p in parts]

    def lined_up(name):
        return tuple(x for s in shots for x in getattr(s, name))

    def stacked(name):
        return np.concatenate([getattr(s, name) for s in shots])

    setup = None if shots[0].setup is None else stacked("setup")
    together = Shots(lined_up("ids"), stacked("pose"), stacked("target"), stacked("position"),
                     stacked("covariance"), lined_up("time"), lined_up("line"), setup)
    return Checked(together, np.concatenate([p.misses for p in parts]),
                   np.concatenate([p.covariances for p in parts]), parts[0].tolerance)
