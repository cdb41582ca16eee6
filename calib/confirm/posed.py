"""The poses of a display: as its readings tell them, or as shots at the same moment do."""

from collections.abc import Mapping

import numpy as np
from scipy.optimize import least_squares

from calib.chain.rig import Rig
from calib.confirm.compared import Posed
from calib.run.shown import Shown

#: Postures from which the search for one that fits the shots begins.
_STARTS = 24

#: Postures whose readings say where readings are.
_POSTURES = 200

#: A posture fits its shots if their squared misfit per coordinate is below this.
_FITS = 25.0


class NoPosture(Exception):
    """Shots that no posture of the machine explains, or that belong to no known stand.

    Attributes
    ----------
    pose : str
    """

    def __init__(self, pose: str, why: str):
        self.pose = pose
        super().__init__(why)


def from_readings(rig: Rig, shown: Shown) -> Posed:
    """The poses of a display with all its readings; their noise is that of the rig's sensors."""
    variance = sensor_variance(rig, shown)
    return Posed(shown.readings, np.tile(np.diag(variance), (len(shown.poses), 1, 1)))


def sensor_variance(rig: Rig, shown: Shown) -> np.ndarray:
    """Of the readings as they were copied, shape (k,), rad2."""
    sd = np.array([r.sd or 0.0 for r in rig.readings])
    return sd**2 + shown.reading_step**2 / 12


def posed(rig: Rig, shown: Shown, solved: np.ndarray, covariance: np.ndarray,
          placements: Mapping[str, np.ndarray]) -> Posed:
    """The poses of a display, those without readings from their shots.

    The machine as solved, at a stand that the result knows, is put into the posture that fits the
    shots and the limits of its joints best; what the shots leave open of it stays open.

    Parameters
    ----------
    solved, covariance : ndarray, shapes (p,) and (p, p)
        m and rad.
    placements : mapping of str to ndarray, shape (4,)
        East, north, up, heading of the stands of the result, m and rad.

    Raises
    ------
    NoPosture
    """
    found = from_readings(rig, shown)
    readings, errors = found.readings.copy(), found.covariance.copy()
    for p in np.flatnonzero(np.isnan(readings).any(axis=1)).tolist():
        name = shown.poses[p]
        placement = placements.get(shown.stand[p])
        if placement is None and not shown.stand[p] and len(placements) == 1:
            placement = next(iter(placements.values()))
        if placement is None:
            raise NoPosture(name, "no stand of the result: " + ", ".join(placements))
        readings[p], errors[p] = _from_shots(rig, shown, p, solved, covariance, placement)
    return Posed(readings, errors)


def _from_shots(rig, shown, p, solved, covariance, placement):
    """Readings of a pose and their covariance."""
    rows = np.flatnonzero((shown.pose == p) & np.isfinite(shown.shot).all(axis=1))
    target, at, where = shown.target[rows], shown.shot[rows], placement[None]
    zeros = np.zeros(len(rows), int)
    sd = np.tile(np.full(3, 0.002) if rig.shot_sd is None else rig.shot_sd, len(rows))
    starts = _readings_within_limits(rig, solved)
    middle, spread = starts.mean(axis=0), starts.std(axis=0)

    def points(readings):
        return rig.chain.posture(solved, where, readings[None]).points(target, zeros)

    def misfit(readings):
        off = (at - points(readings).position).ravel() / sd
        return np.nan_to_num(np.append(off, (readings - middle) / spread), nan=1e6)

    def slope(readings):
        by_readings = points(readings).by_readings.reshape(len(sd), -1)
        return np.nan_to_num(np.vstack([-by_readings / sd[:, None], np.diag(1 / spread)]))

    best = None
    for start in starts[:_STARTS]:
        ended = least_squares(misfit, start, slope, method="lm", max_nfev=100)
        best = ended if best is None or ended.cost < best.cost else best
    if best is None or np.mean(misfit(best.x)[: len(sd)] ** 2) > _FITS:
        raise NoPosture(shown.poses[p], "shots that no posture of the machine as solved explains")
    found = points(best.x)
    by_parameters = found.by_parameters.reshape(len(sd), -1)
    noise = np.diag(sd**2) + by_parameters @ covariance @ by_parameters.T
    by_readings = found.by_readings.reshape(len(sd), -1)
    information = by_readings.T @ np.linalg.solve(noise, by_readings) + np.diag(1 / spread**2)
    return best.x, np.linalg.inv(information)


def _readings_within_limits(rig, solved):
    """Of postures at random within the limits of the joints, shape (n, k), rad."""
    low, high = (np.array([getattr(r, end) for r in rig.readings]) for end in ("low", "high"))
    joints = np.random.default_rng(0).uniform(low, high, (_POSTURES, len(low)))
    readings = rig.chain.readings_for(solved, joints)
    return readings[np.isfinite(readings).all(axis=1)]
