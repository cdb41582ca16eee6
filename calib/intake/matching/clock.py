"""The offset between the log's clock and that of the instrument, from when the machine moved.

From the shots alone: while a shot is taken the machine stands still, between two poses it moves.
Slid along the log, the shots fit only where none of them falls into a movement and every change of
pose has one: the correlation of the movements with the changes of pose is then perfect. The offsets
that fit form an interval. Its middle is the estimate and its half width a bound, not a standard
deviation: the shots say no more. The middle is unbiased if the crew waits about as long after a
stop as before the next start.

From a track: where the instrument followed a target while the machine moved, the speed of the track
is correlated with the speed of the sensors. That fixes the offset to a few hundredths of a second.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from calib.adjust.distributions import t_isf

_LARGEST = 900.0
"""Offsets up to this either way are tried, s."""

STEP = 0.02
"""Grid of offsets and of the movement, s."""


_SWAY = 0.3
"""Degrees in half a second that a machine may still sway after a stop without counting as moving:
else every stop would seem later than it was, and the estimate with it."""


@dataclass(frozen=True)
class Movement:
    """When the machine moved."""

    start: float  #: Seconds of the log's clock.
    moving: np.ndarray  #: Bool, shape (n,). One value per `STEP`.


@dataclass(frozen=True)
class ClockOffset:
    """Log clock = shot clock + offset."""

    offset: float  #: s.
    #: The true offset lies within +- this, s: for certain if no shot was taken while the machine
    #: moved; from a track, with 95 %.
    bound: float
    misfits: int = 0  #: Shots that fall into a movement even so.


class NoOffset(Exception):
    """The log and the shots do not tell; the message says why."""


def movement(seconds: np.ndarray, readings: np.ndarray) -> Movement:
    """When the machine moved, from a log.

    The speed is that of the fastest sensor over half a second, against what the same sensor shows
    while the machine stands (its lower quartile over the log), and against the sway after a stop.

    Parameters
    ----------
    seconds : ndarray, shape (n,)
    readings : ndarray, shape (n, k)
        deg.

    Raises
    ------
    NoOffset
        If nothing moved.
    """
    grid, inside, changes = _changes(seconds, np.unwrap(readings, axis=0, period=360.0))
    moving = np.zeros(len(grid), bool)
    for change in changes:
        moving[inside] |= change > max(8.0 * np.quantile(change, 0.25), _SWAY)
    if not moving.any():
        raise NoOffset("the machine did not move in this log")
    return Movement(float(seconds[0]), moving)


def estimate(movement: Movement, shot_seconds: np.ndarray, pose: np.ndarray) -> ClockOffset:
    """The offset at which the shots fit the movements.

    Parameters
    ----------
    shot_seconds : ndarray, shape (n,)
        On the shots' clock.
    pose : ndarray of int, shape (n,)

    Raises
    ------
    NoOffset
        If no offset fits, or several apart from each other fit as well.
    """
    order = np.argsort(shot_seconds, kind="stable")
    seconds, pose = np.asarray(shot_seconds, float)[order], np.asarray(pose)[order]
    changes = np.flatnonzero(pose[1:] != pose[:-1])
    if len(changes) < 5:
        raise NoOffset(f"only {len(changes)} changes of pose between the shots; 5 are needed")
    offsets = STEP * np.arange(-round(_LARGEST / STEP), round(_LARGEST / STEP) + 1)
    total = np.concatenate([[0], np.cumsum(movement.moving)])

    def moved_before(when):
        at = np.round((when - movement.start) / STEP).astype(int)
        return total[np.clip(at, 0, len(total) - 1)], (at >= 0) & (at < len(total) - 1)

    misfits = np.zeros(len(offsets), int)
    before = None
    for i, second in enumerate(seconds):
        here, inside = moved_before(second + offsets)
        after, _ = moved_before(second + offsets + STEP)
        misfits += (after > here) | ~inside
        if before is not None and pose[i] != pose[i - 1]:
            misfits += here == before
        before = after
    fewest = int(misfits.min())
    if fewest > 0.1 * len(seconds):
        raise NoOffset(
            f"at best {fewest} of {len(seconds)} shots or changes of pose do not fit the "
            f"movements, within {_LARGEST:.0f} s: is a time zone wrong, or is it another day's "
            "log?")
    fits = np.flatnonzero(misfits == fewest)
    runs = np.split(fits, np.flatnonzero(np.diff(fits) > 1) + 1)
    if offsets[fits[-1]] - offsets[fits[0]] > 2.0 * max(len(run) for run in runs) * STEP + 2.0:
        raise NoOffset(
            "several offsets fit: "
            + ", ".join(f"{offsets[run].mean():+.1f} s" for run in runs[:5])
            + ("" if len(runs) <= 5 else " and more"))
    low, high = offsets[fits[0]], offsets[fits[-1]]
    return ClockOffset(float((low + high) / 2.0), float((high - low) / 2.0 + STEP), fewest)


def estimate_from_track(
    log_seconds: np.ndarray,
    readings: np.ndarray,
    track_seconds: np.ndarray,
    track: np.ndarray,
) -> ClockOffset:
    """The offset at which the speed of a tracked target follows that of the sensors.

    The track is cut into parts of equal movement; each is correlated with the log by itself, and
    the scatter of their offsets gives the bound (Student's t).

    Parameters
    ----------
    log_seconds : ndarray, shape (n,)
    readings : ndarray, shape (n, k)
        deg.
    track_seconds : ndarray, shape (m,)
        On the shots' clock.
    track : ndarray, shape (m, 3)
        m.

    Raises
    ------
    NoOffset
        If either did not move, or their movements are not alike.
    """
    if len(track_seconds) < 20:
        raise NoOffset(f"the track has only {len(track_seconds)} points; 20 are needed")
    log_grid, log_speed = _speed(log_seconds, np.unwrap(readings, axis=0, period=360.0))
    grid, speed = _speed(track_seconds, track)
    whole, likeness = _best_lag(log_grid[0], log_speed, grid[0], speed, 0.0, _LARGEST)
    if likeness < 0.5:
        raise NoOffset(
            f"the track and the log move too differently (correlation {likeness:.2f}) at any "
            f"offset within {_LARGEST:.0f} s")
    share = np.cumsum(speed) / speed.sum()
    cuts = np.searchsorted(share, np.linspace(0, 1, _PARTS + 1)[1:-1])
    parts = np.split(np.arange(len(grid)), cuts)
    lags = np.array([
        _best_lag(log_grid[0], log_speed, grid[part[0]], speed[part], whole, 2.0)[0]
        for part in parts if len(part) > 50])
    if len(lags) < 3:
        raise NoOffset("the track is too short")
    sd = lags.std(ddof=1) / np.sqrt(len(lags))
    bound = float(t_isf(0.025, len(lags) - 1) * sd)
    return ClockOffset(whole, max(bound, STEP))


_PARTS = 6


def _changes(seconds, values):
    """Times on a grid of `STEP`, those of them with a quarter of a second on both sides, and how
    much each column changes there within that half second."""
    grid = seconds[0] + STEP * np.arange(int((seconds[-1] - seconds[0]) / STEP) + 1)
    half = round(0.25 / STEP)
    levels = (uniform_filter1d(np.interp(grid, seconds, column), 2 * half + 1, mode="nearest")
              for column in values.T)
    return grid, slice(half, -half), [np.abs(level[2 * half:] - level[:-2 * half])
                                      for level in levels]


def _speed(seconds, values):
    """Times on a grid of `STEP` and the speed there: that of the fastest column, compressed so that
    a quick movement does not outweigh the others."""
    grid, inside, changes = _changes(seconds, values)
    fastest = np.zeros(len(grid))
    fastest[inside] = np.max(changes, axis=0)
    middle = np.quantile(fastest, 0.9)
    if middle <= 0:
        raise NoOffset("nothing moved")
    return grid, fastest / (fastest + 0.2 * middle)


def _best_lag(log_start, log_speed, start, speed, around, largest):
    """Offset of the best correlation within `largest` of `around`, s, and that correlation."""
    from scipy.signal import correlate, correlation_lags  # slow to load, seldom wanted

    wave, ones = speed - speed.mean(), np.ones(len(speed))
    total, squares = correlate(log_speed, ones), correlate(log_speed**2, ones)
    spread = np.sqrt(np.maximum(squares - total**2 / len(speed), 1e-12) * (wave @ wave))
    likeness = correlate(log_speed, wave) / spread
    offset = log_start + STEP * correlation_lags(len(log_speed), len(speed)) - start
    likeness[(np.abs(offset - around) > largest) | (spread < 1e-3 * spread.max())] = -1.0
    best = int(np.argmax(likeness))
    before, here, after = likeness[best - 1], likeness[best], likeness[(best + 1) % len(likeness)]
    bend = before - 2 * here + after
    shift = 0.5 * (before - after) / bend if bend < 0 and min(before, after) > -1 else 0.0
    return float(offset[best] + STEP * np.clip(shift, -0.5, 0.5)), float(here)
