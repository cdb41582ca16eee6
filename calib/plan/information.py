"""What a pose tells: its shots' whitened design, with the errors of its readings."""

from dataclasses import dataclass

import numpy as np

from calib.calibration import HOUSE_PLACEMENT
from calib.chain.motion import PLACEMENT
from calib.chain.rig import Rig

#: Poses evaluated at once: keeps the memory for any number of candidates bounded.
_CHUNK = 2000


@dataclass(frozen=True)
class Noise:
    """Standard deviations that a plan counts on.

    Attributes
    ----------
    shot : ndarray, shape (3,)
        East, north, up, m.
    readings : ndarray, shape (n_readings,)
        rad.
    """

    shot: np.ndarray
    readings: np.ndarray

    @classmethod
    def of(cls, rig: Rig) -> "Noise":
        """The sds of a rig file.

        Raises
        ------
        ValueError
            Naming the sds that it does not state.
        """
        missing = [f"readings.sd.{r.name}" for r in rig.readings if r.sd is None]
        missing += ["shots.sd"] if rig.shot_sd is None else []
        if missing:
            raise ValueError(f"a plan needs these sds in the rig file: {', '.join(missing)}")
        return cls(rig.shot_sd, np.array([r.sd for r in rig.readings]))


def pose_rows(
    rig: Rig, parameters, joints, targets, noise: Noise, placement: np.ndarray = HOUSE_PLACEMENT
) -> np.ndarray:
    """Whitened design of each pose on its own.

    One pose tells ``rows' rows`` about the free parameters and the placement of its stand: the
    mixed model's A' (B Q B' + S)^-1 A.

    Parameters
    ----------
    parameters : ndarray, shape (n_parameters,)
    joints : ndarray, shape (n_poses, n_readings), rad
    targets : sequence of int
        Shot in every pose; index into the rig's targets.
    placement : ndarray, shape (4,)
        Of the stand. It matters only where what is known of that stand is added to these rows.

    Returns
    -------
    ndarray, shape (n_poses, 3 * n_targets, n_free + 4)
    """
    chunks = [
        _rows(rig, parameters, joints[i : i + _CHUNK], np.asarray(targets), noise, placement)
        for i in range(0, len(joints), _CHUNK)
    ]
    return np.concatenate(chunks) if chunks else np.zeros((0, 3 * len(targets), 0))


def _rows(rig, parameters, joints, targets, noise, placement):
    n, t = len(joints), len(targets)
    readings = rig.chain.readings_for(parameters, joints)
    posture = rig.chain.posture(parameters, np.tile(placement, (n, 1)), readings)
    points = posture.points(np.tile(targets, n), np.repeat(np.arange(n), t))
    design = np.concatenate([points.by_parameters[:, :, ~rig.held], points.by_placement], axis=2)
    by_readings = points.by_readings.reshape(n, 3 * t, -1)
    covariance = (by_readings * noise.readings**2) @ by_readings.transpose(0, 2, 1)
    covariance[:, np.arange(3 * t), np.arange(3 * t)] += np.tile(noise.shot**2, t)
    design = design.reshape(n, 3 * t, -1)
    return np.linalg.solve(np.linalg.cholesky(covariance), design)


def prior_information(rig: Rig, tape_sd: np.ndarray, stands: int) -> np.ndarray:
    """Information before the first shot, over the free parameters and four unknowns per stand.

    Parameters
    ----------
    tape_sd : ndarray, shape (n_parameters,)
        Of what is taped; NaN or inf for what is not.
    """
    with np.errstate(divide="ignore"):
        information = np.where(np.isfinite(tape_sd), 1.0 / tape_sd**2, 0.0)[~rig.held]
    # A stand is unknown, but not by more than a kilometre: this keeps an empty plan regular.
    return np.diag(np.concatenate([information, np.full(len(PLACEMENT) * stands, 1e-6)]))
