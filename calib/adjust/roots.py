"""Where a function of one number is zero.

The library of optimisers takes longer to load than a run takes to solve and to judge.
"""

from collections.abc import Callable

import numpy as np


def root_between(function: Callable[[float], float], low: float, high: float, xtol: float,
                 rtol: float = 4.0 * np.finfo(float).eps) -> float:
    """Where a continuous function crosses zero between two places where its signs differ.

    R. P. Brent, *Algorithms for Minimization without Derivatives*, Prentice-Hall 1973, chapter 4
    (from memory); the steps are those of ``scipy.optimize.brentq``.

    Parameters
    ----------
    xtol, rtol : float
        To within which the root is found: ``xtol + rtol * abs(root)``.

    Raises
    ------
    ValueError
        If the signs do not differ.

    Examples
    --------
    >>> round(root_between(lambda x: x * x - 2.0, 0.0, 2.0, 1e-12), 9)
    1.414213562
    """
    before, now = low, high
    f_before, f_now = function(before), function(now)
    if f_before == 0.0 or f_now == 0.0:
        return before if f_before == 0.0 else now
    if f_before * f_now > 0:
        raise ValueError(f"no change of sign between {low} and {high}")
    other, f_other, last, step = before, f_before, now - before, now - before
    while True:
        if f_before != 0.0 and f_now * f_before < 0:  # the root is between these two
            other, f_other, last, step = before, f_before, now - before, now - before
        if abs(f_other) < abs(f_now):
            before, now, other = now, other, now
            f_before, f_now, f_other = f_now, f_other, f_now
        close, half = (xtol + rtol * abs(now)) / 2, (other - now) / 2
        if f_now == 0.0 or abs(half) < close:
            return now
        last, step = _step(before, now, other, (f_before, f_now, f_other), last, step, close, half)
        before, f_before = now, f_now
        now += step if abs(step) > close else np.copysign(close, half)
        f_now = function(now)


def _step(before: float, now: float, other: float, values: tuple[float, float, float], last: float,
          step: float, close: float, half: float) -> tuple[float, float]:
    """The step before the next, and the next: interpolated where that is shorter than halving."""
    f_before, f_now, f_other = values
    if abs(last) <= close or abs(f_now) >= abs(f_before):
        return half, half
    if before == other:
        tried = -f_now * (now - before) / (f_now - f_before)
    else:
        one = (f_before - f_now) / (before - now)
        two = (f_other - f_now) / (other - now)
        tried = -f_now * (f_other * two - f_before * one) / (two * one * (f_other - f_before))
    if 2 * abs(tried) < min(abs(last), 3 * abs(half) - close):
        return step, tried
    return half, half
