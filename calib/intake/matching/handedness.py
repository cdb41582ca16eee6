"""Whether shots fit the machine only mirrored: east and north exchanged, or seen from below."""

from dataclasses import replace

import numpy as np

from calib.intake.matching.field_shots import FieldShot
from calib.intake.matching.foreseen import Foreseen

_CLEARLY = 0.5
"""Mirrored the misfit must be less than this share of the other, and the other more than `_LEAST`
m: lengths that are not solved yet spoil both alike."""
_LEAST = 0.3


def misfits(seen: Foreseen, stand: np.ndarray) -> tuple[float, float]:
    """Horizontal misfit of shots to what is foreseen, as they are and mirrored, m (rms).

    On each stand the points foreseen are turned, shifted and scaled (nobody may have told the size
    of the machine) so that the squares are least: as complex numbers, centred, the best multiple
    of z leaves |w|^2 - |conj(z) w|^2 / |z|^2 of w, each summed.

    Parameters
    ----------
    stand : ndarray, shape (n_poses,)
        Of each pose.
    """
    squares, count = np.zeros(2), 0
    for name in np.unique(stand):
        rows = np.flatnonzero((stand[seen.pose] == name) & seen.known[seen.pose])
        if len(rows) < 3:
            continue
        z, w = (p[rows, 0] + 1j * p[rows, 1] for p in (seen.house, seen.shot))
        z, w = z - z.mean(), w - w.mean()
        along = np.abs([np.sum(z.conj() * w), np.sum(z * w)]) ** 2
        squares += np.sum(np.abs(w) ** 2) - along / np.sum(np.abs(z) ** 2)
        count += len(rows)
    if not count:
        return 0.0, 0.0
    straight, mirrored = np.sqrt(np.maximum(squares, 0.0) / count)
    return float(straight), float(mirrored)


def fit_mirrored(straight: float, mirrored: float) -> bool:
    """Whether misfits say that shots are mirrored."""
    return straight > _LEAST and mirrored < _CLEARLY * straight


def exchanged(shot: FieldShot) -> FieldShot:
    """A shot with east for north and north for east."""
    other = [1, 0, 2]
    return replace(
        shot, position=shot.position[other], covariance=shot.covariance[np.ix_(other, other)],
        sources=tuple(replace(s, conversion=s.conversion + "; east and north exchanged")
                      for s in shot.sources))
