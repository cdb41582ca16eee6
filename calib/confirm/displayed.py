"""Displayed positions against a machine: prediction, noise, whitened misfit."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.adjust.whitening import whiteners_of
from calib.calibration import HOUSE_PLACEMENT
from calib.chain.posture import Points
from calib.chain.rig import Rig
from calib.entries.listed import EntryList, entry_values, values_alone
from calib.entries.typed import asked, by_entries, entered, widths
from calib.placements import level_placement
from calib.run.shown import Shown

#: A uniform error of a whole step has this sd, in steps.
_UNIFORM = 1 / np.sqrt(12)

#: Share of the variances that computing them may be off by.
_ROUND_OFF = 1e-10

#: Singular values below this share of the largest count as zero.
_RANK = 1e-9

#: Steps of the quick way from typed values to a machine, and how near it must come, in steps of
#: typing.
_CHORDS, _NEAR = 4, 0.02

#: So many machines are placed at once.
_AT_ONCE = 256


@dataclass(frozen=True)
class Posed:
    """The poses of a display: readings and the covariance of their errors."""

    readings: np.ndarray  #: Shape (n_poses, k), rad.
    covariance: np.ndarray  #: Shape (n_poses * k, n_poses * k). Of all of them, pose by pose, rad2.
    fitted: tuple["FittedStand", ...] = ()  #: Stands that the result does not know.
    of_shots: bool = False  #: Some readings follow from shots, by the machine as solved.


@dataclass(frozen=True)
class FittedStand:
    """A stand that shots of the display tell; east, north, up, heading and their sds, m and rad."""

    name: str
    place: np.ndarray
    sd: np.ndarray


@dataclass(frozen=True)
class Whitening:
    """Differences to unit covariance."""

    matrix: np.ndarray  #: Shape (m, m).
    size: float  #: Logarithm of the determinant of the covariance.


@dataclass(frozen=True)
class Comparison:
    """What a display shows against what it would show with given values typed."""

    rig: Rig
    entries: EntryList
    right: np.ndarray  #: Shape (n_entries,). As they should be typed.
    solved: np.ndarray  #: Shape (p,). The machine of the result, m or rad.
    shown: Shown
    posed: Posed

    @cached_property
    def base(self) -> np.ndarray:
        """The machine with everything typed right, shape (p,)."""
        return entered(self.rig, self.entries, self.right, self.solved).parameters

    @cached_property
    def _right(self):
        """The values of `base`: those that are right, as far as a machine has them all."""
        return values_alone(self.entries, self.base[None])[0]

    @cached_property
    def by_entry(self) -> np.ndarray:
        """Change of the machine per unit of an entry, shape (p, n_entries)."""
        free = asked(self.rig, self.entries)
        _, gradient = entry_values(self.entries, self.base)
        change = np.zeros((len(free), len(self.right)))
        change[free] = by_entries(gradient[:, free] / self.entries.steps[:, None],
                                  widths(self.rig)[free]) / self.entries.steps
        return change

    @cached_property
    def left_open(self) -> np.ndarray:
        """Root of the covariance of what the list leaves out and the edge hangs on, shape (p, d).

        The system holds something there that nobody typed: next to nothing is known of it.
        """
        moving = np.array([p.name in self.rig.moving_edge for p in self.rig.parameters])
        free = asked(self.rig, self.entries) & moving
        wide = widths(self.rig)
        _, gradient = entry_values(self.entries, self.base)
        typed = gradient[:, free] * wide[free] / self.entries.steps[:, None]
        _, singular, right = np.linalg.svd(typed)
        rank = int((singular > _RANK * singular.max(initial=0.0)).sum())
        out = np.zeros((len(wide), int(free.sum()) - rank))
        out[free] = wide[free, None] * right[rank:].T
        return out

    def machines(self, typed: np.ndarray) -> np.ndarray:
        """The machines with these values typed, (n, n_entries): (n, p), NaN where there is none."""
        at = self.base + self.entries.short_way(typed - self._right) @ self.by_entry.T
        far = np.arange(len(typed))
        for _ in range(_CHORDS):
            off = self.entries.short_way(typed[far] - values_alone(self.entries, at[far]))
            near = np.abs(off / self.entries.steps).max(axis=1) < _NEAR
            far = far[~near]
            if not far.size:
                break
            at[far] += off[~near] @ self.by_entry.T
        for i in far:
            slow = entered(self.rig, self.entries, typed[i], self.base)
            at[i] = slow.parameters if slow.agrees else np.nan
        return at

    def positions(self, parameters: np.ndarray, jacobian: bool = False) -> Points:
        """Where a machine has the shown targets, forward, left, up of the boom foot.

        Of several machines, (n, p), one after the other.
        """
        shown, readings = self.shown, self.posed.readings
        many = len(np.atleast_2d(parameters))
        posture = self.rig.chain.posture(parameters, HOUSE_PLACEMENT, np.tile(readings, (many, 1)),
                                         jacobian)
        first = len(readings) * np.arange(many)[:, None]
        return posture.points(np.tile(shown.target, many), (first + shown.pose).ravel())

    @cached_property
    def mask(self) -> np.ndarray:
        """Which coordinates are shown, shape (n, 3)."""
        return np.isfinite(self.shown.position)

    def covariance(self, parameters: np.ndarray) -> np.ndarray:
        """Of the shown coordinates of a machine, m2: noise of readings, rounding, typing."""
        points = self.positions(parameters, jacobian=True)
        n, (n_poses, k) = len(self.shown.pose), self.posed.readings.shape
        moved = np.zeros((n, 3, n_poses, k))
        moved[np.arange(n), :, self.shown.pose] = points.by_readings
        whole = moved.reshape(3 * n, n_poses * k)
        full = whole @ self.posed.covariance @ whole.T
        full += np.diag(np.tile((self.shown.step * _UNIFORM) ** 2, n))
        typing = (points.by_parameters @ self.by_entry * self.entries.steps * _UNIFORM)
        typing = typing.reshape(3 * n, -1)
        full += typing @ typing.T
        if self.left_open.shape[1]:
            free = (points.by_parameters @ self.left_open).reshape(3 * n, -1)
            full += free @ free.T
        shown = self.mask.ravel()
        return full[np.ix_(shown, shown)]

    @cached_property
    def whitening(self) -> "Whitening":
        """With everything typed right."""
        return self.whitening_at(self.base)

    def whitening_at(self, parameters: np.ndarray) -> "Whitening":
        """To unit covariance; on a site without what its position and heading can take up.

        A machine that is larger, or turned, makes another error of the same noise of its readings.
        """
        covariance = self.covariance(parameters)
        covariance += _ROUND_OFF * np.diag(covariance).mean() * np.eye(len(covariance))
        white = whiteners_of(covariance)
        size = -2 * float(np.log(np.diag(white)).sum())
        if not self.shown.on_site:
            return Whitening(white, size)
        nuisance = white @ self._placements(parameters)
        left, singular, _ = np.linalg.svd(nuisance, full_matrices=False)
        left = left[:, singular > 1e-9 * singular[0]]
        return Whitening(white - left @ (left.T @ white), size)

    @property
    def dof(self) -> int:
        """Shown coordinates less what places the machine."""
        if not self.shown.on_site:
            return int(self.mask.sum())
        return int(np.linalg.matrix_rank(self.whitening.matrix, tol=1e-6))

    def of_typed(self, typed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The machines with these values typed, (n, n_entries), and their misfits."""
        parts = [(machines, self.misfits(machines)) for machines in map(
            self.machines, np.array_split(typed, 1 + len(typed) // _AT_ONCE))]
        machines, misfits = zip(*parts, strict=True)
        return np.concatenate(machines), np.concatenate(misfits)

    def misfits(self, parameters: np.ndarray, whitening: "Whitening | None" = None) -> np.ndarray:
        """Whitened differences of machines, (n, p): (n, m), NaN where one places nothing.

        With the noise of the machine with everything typed right, unless `whitening` is given.
        """
        at = self.positions(parameters).position.reshape(len(parameters), -1, 3)
        shown = np.array([self.aligned(one) for one in at]).reshape(at.shape)
        misfits = (shown - at)[:, self.mask] @ (whitening or self.whitening).matrix.T
        misfits[~np.isfinite(at).all(axis=(1, 2))] = np.nan
        return misfits

    def aligned(self, at: np.ndarray) -> np.ndarray:
        """What is shown, on a site turned and shifted stand by stand to lie upon `at`."""
        shown = self.shown.position
        if not self.shown.on_site:
            return shown
        out = np.array(shown)
        for rows in self._by_stand():
            flat = self.mask[rows, :2].all(axis=1)
            if flat.sum() > 1:
                out[rows, :2] = _turned_upon(shown[rows], at[rows], flat)
            elif flat.any():
                out[rows, :2] += (at[rows, :2] - shown[rows, :2])[flat].mean(axis=0)
            out[rows, 2] += np.nanmean(at[rows, 2] - shown[rows, 2]) \
                if self.mask[rows, 2].any() else 0.0
        return out

    def _by_stand(self):
        stands = np.array(self.shown.stand)[self.shown.pose]
        return [np.flatnonzero(stands == name) for name in dict.fromkeys(stands.tolist())]

    def _placements(self, parameters):
        """Derivatives of the shown coordinates by east, north, up and heading of each stand."""
        at, columns = self.positions(parameters).position, []
        for rows in self._by_stand():
            for k in range(4):
                column = np.zeros_like(at)
                if k < 3:
                    column[rows, k] = 1.0
                else:
                    column[rows, 0], column[rows, 1] = -at[rows, 1], at[rows, 0]
                columns.append(column[self.mask])
        return np.array(columns).T

    def differences(self, parameters: np.ndarray) -> np.ndarray:
        """Shown less predicted, shape (n, 3), m; NaN where not shown."""
        at = self.positions(parameters).position
        return self.aligned(at) - at


def _turned_upon(shown, at, rows):
    """Points turned about the vertical and shifted by least squares of `rows` of the plane."""
    place = level_placement(shown[rows], at[rows])
    angle = np.pi / 2 - place[3]
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return shown[:, :2] @ turn + place[:2]
