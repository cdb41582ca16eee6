"""Set-ups of total stations in the adjustment: four unknowns each, shared by all their shots.

With P the instrument's position that shots were computed with, d = (east, north, up) and t the
set-up's corrections, R(t) the turn by t clockwise about the vertical, a point p of the site
shows as

    m = P + R(-t) (p - P - d).

So the shots of one set-up are correlated exactly as they are in the field. Sights to known points
and what was measured of the set-up beforehand are pseudo-observations of these corrections.
"""

from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.adjustment import Adjustment
from calib.adjust.mixed_model import adjust
from calib.adjust.observations import Observations, Prediction, Prior
from calib.run.records import SetUps

CORRECTIONS = ("east", "north", "up", "orientation")

CHANCE = 0.001
"""Of calling a sound set-up one whose sights do not agree."""


@dataclass(frozen=True)
class Seen:
    """Points as they show from their set-ups."""

    position: np.ndarray  #: Shape (n, 3), m.
    by_point: np.ndarray  #: Shape (n, 3, 3).
    #: Shape (n, 3, 4). By the corrections of the point's own set-up, m per m and m per rad.
    by_corrections: np.ndarray


def seen(point: np.ndarray, setup: np.ndarray, set_ups: SetUps, corrections: np.ndarray) -> Seen:
    """How points of the site show, given the corrections of the set-ups.

    Parameters
    ----------
    point : ndarray, shape (n, 3)
        m.
    setup : ndarray of int, shape (n,)
        -1: no set-up, the point shows as it is.
    corrections : ndarray, shape (n_setups, 4)
        m and rad.
    """
    without = np.zeros(4)
    own = np.vstack([corrections, without])[setup]
    origin = np.vstack([set_ups.position, without[:3]])[setup]
    arm = point - origin - own[:, :3]
    cosine, sine = np.cos(own[:, 3]), np.sin(own[:, 3])
    turn = np.zeros((len(point), 3, 3))
    turn[:, 0, 0] = turn[:, 1, 1] = cosine
    turn[:, 0, 1], turn[:, 1, 0], turn[:, 2, 2] = -sine, sine, 1.0
    turned = np.einsum("nij,nj->ni", turn, arm)
    by_corrections = np.zeros((len(point), 3, 4))
    by_corrections[:, :, :3] = -turn
    by_corrections[:, 0, 3], by_corrections[:, 1, 3] = -turned[:, 1], turned[:, 0]
    by_corrections[setup < 0] = 0.0
    return Seen(origin + turned, turn, by_corrections)


@dataclass(frozen=True)
class Known:
    """What is known of the set-ups as a function of all unknowns."""

    set_ups: SetUps
    columns: np.ndarray  #: Int, shape (n_setups, 4). Where the corrections are among the unknowns.
    #: Int, shape (m,). Columns of the corrections that were measured beforehand.
    measured: np.ndarray

    def __call__(self, unknowns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Measured corrections, then sights; and the gradient."""
        set_ups, m = self.set_ups, len(self.measured)
        sights = seen(set_ups.known, set_ups.sight_setup, set_ups, unknowns[self.columns])
        rates = np.zeros((m + sights.position.size, len(unknowns)))
        rates[np.arange(m), self.measured] = 1.0
        rows = m + np.arange(sights.position.size).reshape(-1, 3, 1)
        rates[rows, self.columns[set_ups.sight_setup][:, None]] = sights.by_corrections
        return np.concatenate([unknowns[self.measured], sights.position.reshape(-1)]), rates


def prior_of(set_ups: SetUps | None, columns: np.ndarray) -> Prior:
    """Sights and prior knowledge of the set-ups as pseudo-observations.

    Parameters
    ----------
    columns : ndarray of int, shape (n_setups, 4)
        Where the corrections are among the unknowns.
    """
    if set_ups is None:
        return Prior.none()
    measured = np.argwhere(np.isfinite(set_ups.sd))
    names = [f"{CORRECTIONS[j]} of set-up {set_ups.ids[i]}" for i, j in measured]
    names += [f"{axis} of {point} seen from set-up {set_ups.ids[s]}"
              for s, point in zip(set_ups.sight_setup, set_ups.sight_point, strict=True)
              for axis in CORRECTIONS[:3]]
    n_measured, n_sights = len(measured), 3 * len(set_ups.sight)
    covariance = np.zeros((n_measured + n_sights, n_measured + n_sights))
    covariance[:n_measured, :n_measured] = np.diag(set_ups.sd[tuple(measured.T)] ** 2)
    covariance[n_measured:, n_measured:] = _sight_covariance(set_ups)
    values = np.concatenate([np.zeros(n_measured), set_ups.sight.reshape(-1)])
    return Prior(tuple(names), values, covariance,
                 Known(set_ups, columns, columns[tuple(measured.T)]))


def alone(set_ups: SetUps, which: int) -> Adjustment:
    """One set-up by what is known of it and its own sights: as in a run that has no shots.

    Its unknowns are `CORRECTIONS`, m and rad; the sights come last among the prior residuals.

    Raises
    ------
    NotDetermined, NotConverged, ModelNotFinite
    """
    rows = np.flatnonzero(set_ups.sight_setup == which)
    one = replace(
        set_ups, ids=set_ups.ids[which:which + 1], position=set_ups.position[[which]],
        orientation=set_ups.orientation[[which]], sd=set_ups.sd[[which]],
        sight_setup=np.zeros(len(rows), int), sight_point=tuple(
            set_ups.sight_point[i] for i in rows),
        sight=set_ups.sight[rows], sight_covariance=set_ups.sight_covariance[rows],
        known=set_ups.known[rows], known_sd=set_ups.known_sd[rows])
    unknowns = np.zeros(len(CORRECTIONS))
    nothing = Prediction(np.zeros(0), np.zeros((0, len(unknowns))), np.zeros((0, 0)))
    return adjust(lambda *_: nothing, Observations.build([], [], []), unknowns,
                  prior=prior_of(one, np.arange(len(unknowns))[None]))


@dataclass(frozen=True)
class Both:
    """The functions of two priors, one below the other."""

    one: Prior
    other: Prior

    def __call__(self, unknowns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        parts = self.one.function(unknowns), self.other.function(unknowns)
        values, rates = zip(*parts, strict=True)
        return np.concatenate(values), np.concatenate(rates)


def joined(one: Prior, other: Prior) -> Prior:
    """Two priors, independent of each other, as one."""
    n, m = len(one.values), len(other.values)
    if not n or not m:
        return one if n else other
    covariance = np.zeros((n + m, n + m))
    covariance[:n, :n], covariance[n:, n:] = one.covariance, other.covariance
    return Prior((*one.names, *other.names), np.concatenate([one.values, other.values]),
                 covariance, Both(one, other))


def _sight_covariance(set_ups):
    """Pointing errors, and the known point's own error shared by all sights to it."""
    n = len(set_ups.sight)
    full = np.zeros((n, 3, n, 3))
    full[np.arange(n), :, np.arange(n), :] = set_ups.sight_covariance
    points = np.array(set_ups.sight_point)
    for i in range(n):
        for j in np.flatnonzero(points == points[i]):
            full[i, :, j, :] += np.diag(set_ups.known_sd[i] * set_ups.known_sd[j])
    return full.reshape(3 * n, 3 * n)
