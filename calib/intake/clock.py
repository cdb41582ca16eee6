"""The offset between the log's clock and that of the instrument, from when the machine moved.

While a shot is taken the machine stands still; between two poses it moves. Slid along the log,
the shots fit only where none of them falls into a movement and every change of pose has one: the
correlation of the movements with the changes of pose is then perfect. The offsets that fit form an
interval. Its middle is the estimate and its half width a bound, not a standard deviation: the shots
say no more. The middle is unbiased if the crew waits about as long after a stop as before the next
start.
"""

from dataclasses import dataclass

import numpy as np

STEP = 0.02
"""Grid of offsets and of the movement, s."""


@dataclass(frozen=True)
class Movement:
    """When the machine moved.

    Attributes
    ----------
    start : float
        Seconds of the log's clock.
    moving : ndarray of bool, shape (n,)
        One value per `STEP`.
    """

    start: float
    moving: np.ndarray


@dataclass(frozen=True)
class ClockOffset:
    """Log clock = shot clock + offset.

    Attributes
    ----------
    offset : float
        s.
    bound : float
        The true offset lies within +- this, s, if no shot was taken while the machine moved.
    misfits : int
        Shots that fall into a movement even so.
    """

    offset: float
    bound: float
    misfits: int


class NoOffset(Exception):
    """The log and the shots do not tell; the message says why."""


def movement(seconds: np.ndarray, readings: np.ndarray) -> Movement:
    """When the machine moved, from a log.

    The speed is that of the fastest sensor over half a second, against what the same sensor shows
    while the machine stands (its lower quartile over the log).

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
    count = int((seconds[-1] - seconds[0]) / STEP) + 1
    grid = seconds[0] + STEP * np.arange(count)
    half = max(round(0.25 / STEP), 1)
    moving = np.zeros(count, bool)
    for column in np.unwrap(readings, axis=0, period=360.0).T:
        level = _smooth(np.interp(grid, seconds, column), half)
        change = np.abs(level[2 * half:] - level[:-2 * half])
        noise = np.quantile(change, 0.25)
        fast = change > max(8.0 * noise, 0.1)
        moving[half:-half] |= fast
    if not moving.any():
        raise NoOffset("the machine did not move in this log")
    return Movement(float(seconds[0]), moving)


def estimate(
    movement: Movement, shot_seconds: np.ndarray, pose: np.ndarray, largest: float = 900.0
) -> ClockOffset:
    """The offset at which the shots fit the movements.

    Parameters
    ----------
    movement : Movement
    shot_seconds : ndarray, shape (n,)
        On the shots' clock.
    pose : ndarray of int, shape (n,)
    largest : float
        Offsets up to +- this are tried, s.

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
    offsets = STEP * np.arange(-round(largest / STEP), round(largest / STEP) + 1)
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
            f"movements, within {largest:.0f} s: is a time zone wrong, or is it another day's log?")
    fits = np.flatnonzero(misfits == fewest)
    runs = np.split(fits, np.flatnonzero(np.diff(fits) > 1) + 1)
    if offsets[fits[-1]] - offsets[fits[0]] > 2.0 * max(len(run) for run in runs) * STEP + 2.0:
        raise NoOffset(
            "several offsets fit: "
            + ", ".join(f"{offsets[run].mean():+.1f} s" for run in runs[:5])
            + ("" if len(runs) <= 5 else " and more"))
    low, high = offsets[fits[0]], offsets[fits[-1]]
    return ClockOffset(float((low + high) / 2.0), float((high - low) / 2.0 + STEP), fewest)


def _smooth(values, half):
    """Running mean over half a window on each side; the ends repeat the first and last value."""
    padded = np.concatenate([np.full(half, values[0]), values, np.full(half, values[-1])])
    total = np.concatenate([[0.0], np.cumsum(padded - padded.mean())])
    width = 2 * half + 1
    return (total[width:] - total[:-width]) / width
