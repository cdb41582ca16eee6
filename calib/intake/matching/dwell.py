"""Readings averaged over a dwell, and whether the machine stood still in it."""

from dataclasses import dataclass

import numpy as np

from calib.intake.files.log import LogRows
from calib.run.units import half_circle


@dataclass(frozen=True)
class Dwell:
    """The readings of one window of a log, in the log's own unit (deg)."""

    #: mean, scatter, drift: shape (k,). Mean, above -180 up to 180; standard deviation about a
    #: straight line; rise of that line over the dwell.
    mean: np.ndarray
    scatter: np.ndarray
    drift: np.ndarray
    count: int
    first_line: int
    last_line: int
    longest_gap: float  #: Longest time without a row inside the window, s, its ends included.

    def moving(self, still: float | np.ndarray) -> np.ndarray:
        """Which readings moved: they drifted or scattered by more than `still` (deg).

        A drift counts only where the scatter does not explain it (3.29 sd of the fitted rise,
        which is sqrt(12 / n) of the scatter for evenly spaced rows).
        """
        noise = 3.29 * self.scatter * np.sqrt(12.0 / max(self.count, 1))
        return (self.scatter > still) | (np.abs(self.drift) > np.maximum(still, noise))


LEAST_ROWS = 3
"""Fewer rows say nothing of scatter and drift."""


def dwell(rows: LogRows, window: np.ndarray) -> Dwell | None:
    """Average the rows of a window.

    Angles are taken the short way round from the first row, so that 359.9 and 0.1 average to 0.

    Parameters
    ----------
    rows : LogRows
        Readings in deg.
    window : ndarray, shape (2,)
        Start and end, s.

    Returns
    -------
    Dwell or None
        None for fewer than `LEAST_ROWS` rows.

    Examples
    --------
    >>> d = dwell(LogRows([1, 2, 3], [0.0, 1.0, 2.0], [[359.9], [0.1], [360.0]]), np.array([0, 2]))
    >>> d.mean.round(6).tolist(), d.count
    ([0.0], 3)
    """
    if len(rows.lines) < LEAST_ROWS:
        return None
    seconds, readings = np.array(rows.seconds), np.array(rows.readings)
    turned = np.mod(readings - readings[0] + 180.0, 360.0) - 180.0
    centred = seconds - seconds.mean()
    spread = centred @ centred
    slope = centred @ turned / spread if spread > 0 else np.zeros(turned.shape[1])
    residual = turned - turned.mean(axis=0) - centred[:, None] * slope
    scatter = np.sqrt((residual**2).sum(axis=0) / max(len(seconds) - 2, 1))
    gaps = np.diff(np.concatenate([[window[0]], seconds, [window[1]]]))
    return Dwell(
        mean=half_circle(readings[0] + turned.mean(axis=0)),
        scatter=scatter,
        drift=slope * (seconds[-1] - seconds[0]),
        count=len(seconds),
        first_line=rows.lines[0],
        last_line=rows.lines[-1],
        longest_gap=float(gaps.max()),
    )
