"""Held-out poses: solve without some poses, predict their shots, look at the misses.

Left out by pose, never by shot: shots of one pose share the errors of its readings. M. Stone,
"Cross-validatory choice and assessment of statistical predictions", J. Royal Statistical Society
B 36 (1974) 111-147 (from memory).

The misses d of each part are tested together, each weighed by its covariance as predicted. What a
solution without part f misses by is, to first order, (I - H_f)^-1 e_f, with e the whitened
misclosures of the whole solution and H_f the part's block of the hat matrix; so the sum of
d' C^-1 d over the parts is a quadratic form in e, and its distribution is known although the parts
share most of their data (`calib.adjust.quadratic`).
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from calib.adjust.adjustment import Adjustment
from calib.adjust.mixed_model import NotConverged
from calib.adjust.quadratic import chance_above, form_of
from calib.adjust.spectrum import NotDetermined
from calib.adjust.threads import one_thread
from calib.calibration import Solution, solve
from calib.foretold import foretold
from calib.judge.shot_checks import Checked, check_shots
from calib.run.complaints import InputError
from calib.run.records import Run

#: Parts in which the poses are held out, at most: more solutions say little more.
MOST_FOLDS = 6

#: A held-out pose tells nothing if the predicted 3-D sd of a shot is beyond so many times that of
#: the usual shot in the whole solution, or beyond so much, m: the rest does not fix the machine
#: then, or a reading of the pose was set aside (limits ours, no source).
MOST_TIMES, MOST_RMS = 10.0, 0.1


@dataclass(frozen=True)
class HeldOut:
    """Misses of shots that took no part in the solution that predicted them."""

    #: The held-out shots that tell something, in the order of the folds; all if not judged.
    checked: Checked
    folds: int  #: Solutions made.
    #: Poses whose shots tell nothing: without them the rest, or the place of a target, is not
    #: determined, or they have a reading that was set aside.
    missing: tuple[str, ...]
    judged: bool  #: Whether at least half of the run's shots tell something.
    #: statistic, dof: Sum over the parts of the squared misses over their covariance, and how many
    #: coordinates: what the sum is expected to be.
    statistic: float
    dof: int
    #: To first order the statistic is this form in the whitened misclosures of the solution.
    form: sparse.csr_matrix
    #: That the misses of a run with the stated sds are as large; None if not judged.
    chance: float | None

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


@dataclass(frozen=True)
class _Part:
    """Poses left out, the misses of their shots, and which of these tell something."""

    rows: np.ndarray
    checked: Checked
    joint: np.ndarray
    tells: np.ndarray

    @property
    def statistic(self):
        told = np.repeat(self.tells, 3)
        if not told.any():
            return 0.0
        misses = self.checked.misses.ravel()[told]
        return float(misses @ np.linalg.solve(self.joint[np.ix_(told, told)], misses))


@one_thread
def hold_out(solution: Solution, most_folds: int = MOST_FOLDS) -> HeldOut | None:
    """Solve again without each part of the poses and predict it; None if no part can be left out.

    Parameters
    ----------
    most_folds : int
        The poses are dealt to at most so many parts, stand by stand in turn.
    """
    run = solution.run
    usual = float(np.median(_predicted_sds(check_shots(solution, run.shots))))
    parts, missing = [], []
    for poses in _folds(run, most_folds):
        left_out, needed = _left_out(run, poses)
        missing += [run.poses.ids[p] for p in needed]
        if not left_out.any():
            continue
        rest = replace(run, shots=run.shots.select(~left_out), check=None)
        try:
            parts.append(_part(solve(rest, solution), run, left_out, usual))
            missing += parts[-1].checked.left_out
        except (NotDetermined, NotConverged, InputError, ValueError):
            missing += [run.poses.ids[p] for p in poses if p not in needed]
    if not parts:
        return None
    every, tells = [p.checked for p in parts], np.concatenate([p.tells for p in parts])
    shots = every[0].shots.joined(*(checked.shots for checked in every[1:]))
    judged = bool(tells.sum() >= len(run.shots) / 2)
    missing += [run.poses.ids[p] for p in np.unique(shots.pose[~tells])]
    kept = tells if judged else np.ones(len(tells), bool)
    checked = Checked(shots.select(kept), np.concatenate([c.misses for c in every])[kept],
                      np.concatenate([c.covariances for c in every])[kept], every[0].tolerance)
    statistic = sum(p.statistic for p in parts)
    form = _form(solution.adjustment, parts)
    chance = chance_above(solution.adjustment, form, statistic) if judged else None
    return HeldOut(checked, len(parts), tuple(missing), judged, statistic, 3 * int(tells.sum()),
                   form, chance)


def _left_out(run, poses):
    """Mask over the shots that can be left out, and the poses that cannot.

    A pose is needed if without these poses no shot tells where one of its targets is.
    """
    left_out = np.isin(run.shots.pose, poses)
    rest = run.rig.when_shot(run.shots.target[~left_out].tolist())
    lost = left_out & (rest.unplaced & ~run.rig.unplaced)[run.shots.target]
    needed = np.unique(run.shots.pose[lost]).tolist()
    return left_out & ~np.isin(run.shots.pose, needed), needed


def _part(rest, run, left_out, usual):
    checked = check_shots(rest, run.shots.select(left_out))
    if not len(checked.shots):
        raise ValueError("nothing predicts what is left out")
    lost = np.isin([run.poses.ids[p] for p in run.shots.pose], checked.left_out)
    blurred = _predicted_sds(checked) > min(MOST_RMS, MOST_TIMES * usual)
    tells = ~np.isin(checked.shots.pose, checked.shots.pose[blurred])
    return _Part(np.flatnonzero(left_out & ~lost), checked, foretold(rest, checked.shots).joint,
                 tells)


def _form(adjustment: Adjustment, parts: list[_Part]) -> sparse.csr_matrix:
    """The sum of the parts' statistics as a form in the whitened misclosures."""
    left, size = adjustment.linearised.spectrum.left, len(adjustment.linearised.misclosure)
    every = []
    for part in parts:
        rows = (3 * part.rows[:, None] + np.arange(3)).ravel()
        told = np.repeat(part.tells, 3)
        covariance = np.linalg.inv(np.eye(len(rows)) - left[rows] @ left[rows].T)
        block = covariance[:, told] @ np.linalg.solve(
            covariance[np.ix_(told, told)], covariance[told])
        every.append((block, *np.broadcast_arrays(rows[:, None], rows)))
    values, rows, columns = (np.concatenate([part[i].ravel() for part in every]) for i in range(3))
    return form_of(values, rows, columns, size)


def _predicted_sds(checked: Checked) -> np.ndarray:
    """Of the 3-D misses, shape (n,), m."""
    return np.sqrt(np.einsum("nii->n", checked.covariances))


def _folds(run: Run, most: int) -> list[list[int]]:
    """Poses dealt in turn, those of one stand after the other."""
    poses = np.unique(run.shots.pose).tolist()
    stands = list(dict.fromkeys(run.poses.stand[p] for p in poses))
    poses.sort(key=lambda p: stands.index(run.poses.stand[p]))
    folds = min(most, len(poses))
    return [poses[k::folds] for k in range(folds)]
