"""The poses of a display: as its readings tell them, or as shots at the same moment do.

Shots tell the readings of their poses, and where the machine stands if the result does not know
that stand: all poses of it together, by least squares. The errors of the machine as solved are
errors of the shots, alike in all poses; what the shots leave open of a reading is open within the
limits of its joint. The covariance of all readings is kept: an error of the stand turns every pose
alike.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from calib.adjust.whitening import whiteners_of
from calib.chain.rig import Rig
from calib.confirm.displayed import FittedStand, Posed
from calib.placements import level_placement
from calib.run.shown import Shown

#: Postures from which the search for one that fits the shots begins, the nearest of many.
_STARTS = 3

#: Headings from which the search for a stand begins where nothing tells one.
_HEADINGS = 8

#: Postures whose readings say where readings are.
_POSTURES = 200

#: A posture fits its shots if their squared misfit per coordinate is below this.
_FITS = 25.0

#: East, north, up, heading; and what they must be known to for anything to be told, 1 sd.
_PLACE = 4
_TOLD = np.array([0.05, 0.05, 0.05, np.radians(1.0)])


class NoPosture(Exception):
    """Shots that no posture of the machine explains, or that do not tell where it stands.
    """

    def __init__(self, pose: str, why: str):
        self.pose = pose
        super().__init__(why)


def from_readings(rig: Rig, shown: Shown) -> Posed:
    """The poses of a display with all its readings; their noise is that of the rig's sensors."""
    return Posed(shown.readings, np.diag(np.tile(sensor_variance(rig, shown), len(shown.poses))))


def sensor_variance(rig: Rig, shown: Shown) -> np.ndarray:
    """Of the readings as they were copied, shape (k,), rad2."""
    sd = np.array([r.sd or 0.0 for r in rig.readings])
    return sd**2 + shown.reading_step**2 / 12


def posed(rig: Rig, shown: Shown, solved: np.ndarray, covariance: np.ndarray,
          placements: Mapping[str, np.ndarray]) -> Posed:
    """The poses of a display, those without readings from their shots.

    Parameters
    ----------
    solved, covariance : ndarray, shapes (p,) and (p, p)
        m and rad.
    placements : mapping of str to ndarray, shape (4,)
        East, north, up, heading of the stands of the result, m and rad. Another stand is fitted.

    Raises
    ------
    NoPosture
    """
    found = from_readings(rig, shown)
    readings, errors, stands = found.readings.copy(), found.covariance.copy(), []
    k, groups = readings.shape[1], list(_groups(shown, placements))
    for poses, name, placement in groups:
        fit = _Shots.of(rig, shown, poses, solved, found)
        placed, told, spread = fit.fitted(covariance, placement)
        at = (k * np.array(poses)[:, None] + np.arange(k)).ravel()
        readings[poses], errors[np.ix_(at, at)] = told, spread[_PLACE:, _PLACE:]
        if placement is None:
            stands.append(FittedStand(name, placed, np.sqrt(np.diag(spread)[:_PLACE])))
            if (stands[-1].sd > _TOLD).any():
                raise NoPosture(shown.poses[poses[0]],
                                "shots that do not tell where the machine stands")
    return Posed(readings, errors, tuple(stands), bool(groups))


def _groups(shown, placements):
    """Poses that are told by their shots, with the stand's name and its place if that is known.

    One by one on a stand that is known; all of a new stand together, also those with readings.
    """
    shot = np.zeros(0, int) if shown.shot is None else np.unique(
        shown.pose[np.isfinite(shown.shot).all(axis=1)])
    without = np.flatnonzero(np.isnan(shown.readings).any(axis=1)).tolist()
    new: dict[str, None] = {}
    for p in without:
        name = shown.stand[p]
        placement = placements.get(name)
        if placement is None and not name and len(placements) == 1:
            placement = next(iter(placements.values()))
        if placement is None:
            new[name] = None
        else:
            yield [p], name, placement
    for name in new:
        yield [p for p in shot.tolist() if shown.stand[p] == name], name, None


@dataclass(frozen=True)
class _Shots:
    """Shots of some poses from one stand, and what is known of their readings beforehand."""

    rig: Rig
    solved: np.ndarray
    names: list[str]
    pose: np.ndarray
    target: np.ndarray
    at: np.ndarray
    displayed: np.ndarray
    sd: np.ndarray
    middle: np.ndarray
    spread: np.ndarray
    starts: np.ndarray

    @classmethod
    def of(cls, rig, shown, poses, solved, posed):
        """Of these poses of a display."""
        rows = np.flatnonzero(np.isin(shown.pose, poses) & np.isfinite(shown.shot).all(axis=1))
        starts, sd = _readings_within_limits(rig, solved), rig.shot_sd
        middle, spread = (np.tile(f(axis=0), (len(poses), 1)) for f in (starts.mean, starts.std))
        for i, p in enumerate(poses):
            if np.isfinite(posed.readings[p]).all():
                middle[i] = posed.readings[p]
                spread[i] = np.sqrt(sensor_variance(rig, shown)) + 1e-9
        return cls(rig, solved, [shown.poses[p] for p in poses],
                   np.searchsorted(poses, shown.pose[rows]), shown.target[rows], shown.shot[rows],
                   np.full((len(rows), 3), np.nan) if shown.on_site else shown.position[rows],
                   np.tile(np.full(3, 0.002) if sd is None else sd, len(rows)),
                   middle, spread, starts)

    def points(self, place, readings):
        """Where the machine as solved has the targets."""
        where = np.tile(place, (len(readings), 1))
        return self.rig.chain.posture(self.solved, where, readings).points(self.target, self.pose)

    def slopes(self, points):
        """Of the shot coordinates by the place and the readings of all poses, (3 n, 4 + P k)."""
        n, k = len(self.at), self.middle.shape[1]
        by_readings = np.zeros((n, 3, len(self.middle), k))
        by_readings[np.arange(n), :, self.pose] = points.by_readings
        return np.hstack([points.by_placement.reshape(3 * n, _PLACE),
                          by_readings.reshape(3 * n, -1)])

    def fitted(self, covariance, placement):
        """Place, readings (P, k), and the covariance of both; a known place has none."""
        placed, shape = placement is not None, self.middle.shape
        scale = np.diag(1 / self.sd)
        starts = [placement] if placed else self._places()
        guesses = [self._settled(np.concatenate([place, self._postures(place).ravel()]), scale,
                                 placed) for place in starts]
        best = min(guesses, key=lambda guess: guess[1])[0]
        points = self.points(best[:_PLACE], best[_PLACE:].reshape(shape))
        off = (self.at - points.position).ravel() / self.sd
        if not np.mean(off**2) < _FITS:
            worst = self.pose[int(np.argmax(np.nan_to_num(off, nan=np.inf)**2)) // 3]
            raise NoPosture(self.names[worst],
                            "shots that no posture of the machine as solved explains")
        moved = points.by_parameters.reshape(len(self.sd), -1)
        noise = np.diag(self.sd**2) + moved @ covariance @ moved.T
        scale = whiteners_of(noise)
        best, _ = self._settled(best, scale, placed)
        points = self.points(best[:_PLACE], best[_PLACE:].reshape(shape))
        slopes = scale @ self.slopes(points)
        free = np.ones(len(best), bool)
        free[:_PLACE] = not placed
        prior = np.concatenate([np.zeros(_PLACE), 1 / self.spread.ravel()**2])
        information = (slopes.T @ slopes + np.diag(prior))[np.ix_(free, free)]
        spread = np.zeros((len(best), len(best)))
        spread[np.ix_(free, free)] = np.linalg.inv(information)
        return best[:_PLACE], best[_PLACE:].reshape(shape), spread

    def _settled(self, start, scale, placed):
        """Least squares from a start, with the shots to unit covariance by `scale`.

        Returns place and readings, and the cost; a known place stays as it is.
        """
        middle, weight = self.middle.ravel(), 1 / self.spread.ravel()
        known = start[:_PLACE] if placed else start[:0]
        prior = np.hstack([np.zeros((len(middle), _PLACE)), np.diag(weight)])

        def at(free):
            whole = np.append(known, free)
            return whole, self.points(whole[:_PLACE], whole[_PLACE:].reshape(self.middle.shape))

        def misfit(free):
            whole, points = at(free)
            off = scale @ (self.at - points.position).ravel()
            return np.nan_to_num(np.append(off, (whole[_PLACE:] - middle) * weight), nan=1e6)

        def slope(free):
            _, points = at(free)
            slopes = np.vstack([-scale @ self.slopes(points), prior])
            return np.nan_to_num(slopes[:, len(known):])

        ended = least_squares(misfit, start[len(known):], slope, method="lm", max_nfev=100)
        return np.append(known, ended.x), ended.cost

    def _postures(self, place):
        """Readings of each pose with the machine at a place, (P, k): what fits best alone."""
        found = self.middle.copy()
        for i in range(len(found)):
            rows = self.pose == i
            alone = _Shots(self.rig, self.solved, [self.names[i]], np.zeros(rows.sum(), int),
                           self.target[rows], self.at[rows], self.displayed[rows],
                           np.tile(self.sd[:3], rows.sum()), self.middle[i:i + 1],
                           self.spread[i:i + 1], self.starts)
            starts = alone._near(place) if self.spread[i].max() > 0.1 else found[i:i + 1]
            scale = np.diag(1 / alone.sd)
            ended = [alone._settled(np.append(place, start), scale, True) for start in starts]
            found[i] = min(ended, key=lambda end: end[1])[0][_PLACE:]
        return found

    def _near(self, place):
        """The postures that fit the shots of a single pose best, as they are."""
        each = np.repeat(np.arange(len(self.starts)), len(self.target))
        at = self.rig.chain.posture(self.solved, place, self.starts, False).points(
            np.tile(self.target, len(self.starts)), each).position
        off = np.linalg.norm(at.reshape(len(self.starts), -1, 3) - self.at, axis=2).sum(axis=1)
        return self.starts[np.argsort(np.nan_to_num(off, nan=np.inf))[:_STARTS]]

    def _places(self):
        """Where the machine may stand: by readings, by what is displayed, or all round."""
        known = self.spread.max(axis=1) < 0.1
        house = self.points(np.array([0, 0, 0, np.pi / 2]), self.middle).position
        for at, rows in ((house, known[self.pose]),
                         (self.displayed, np.isfinite(self.displayed).all(axis=1))):
            if rows.sum() > 1:
                return [level_placement(at[rows], self.at[rows])]
        middle = self.at.mean(axis=0)
        reach = np.nanmedian(np.hypot(*house[:, :2].T))
        return [np.append(middle - [reach * np.sin(h), reach * np.cos(h), 0.0], h)
                for h in 2 * np.pi * np.arange(_HEADINGS) / _HEADINGS]


def _readings_within_limits(rig, solved):
    """Of postures at random within the limits of the joints, shape (n, k), rad."""
    low, high = (np.array([getattr(r, end) for r in rig.readings]) for end in ("low", "high"))
    joints = np.random.default_rng(0).uniform(low, high, (_POSTURES, len(low)))
    readings = rig.chain.readings_for(solved, joints)
    return readings[np.isfinite(readings).all(axis=1)]
