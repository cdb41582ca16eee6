"""Incomplete gamma and beta functions of single numbers, and their inverses.

Chances rest on these two. `scipy.special` has them too, but takes longer to load than a run takes
to solve; the tests compare both. Both tails are computed as such, so that small ones keep their
digits.

Formulas: NIST *Digital Library of Mathematical Functions*, 8.11.4 and 8.9.2 (incomplete gamma
function: series, continued fraction), 5.11.1 (Stirling's series), 8.17.22 (continued fraction of
the incomplete beta function), each fraction by W. J. Lentz, Applied Optics 15 (1976) 668-671. A
gamma or beta number has a log-concave density on the scale of its logarithm or logit, and then so
have both its tails: Newton's steps on the logarithm of a tail cannot go astray. From memory.
"""

from collections.abc import Callable, Iterator
from itertools import count
from math import exp, inf, lgamma, log, log1p, pi, sqrt
from typing import TypeVar

import numpy as np

N = TypeVar("N", float, np.ndarray)

_EPS, _TINY = 2.0**-53, 1e-300

#: From here on Stirling's series has all digits.
LARGE = 20.0

#: Newton's steps: how many at most, and the last one's size.
_MOST_STEPS, _SETTLED = 200, 1e-15


def gamma_tails(a: float, x: float) -> tuple[float, float]:
    """Probability that a gamma number of shape `a` > 0 is below `x`, and above.

    >>> below, above = gamma_tails(1.0, 2.0)
    >>> round(above / exp(-2.0), 12)
    1.0
    """
    if not 0.0 < x < inf:
        return (0.0, 1.0) if x <= 0.0 else (1.0, 0.0)
    log_density, ratio, lower = _gamma(a, log(x))
    tail = min(exp(log_density) * ratio, 1.0)
    return (tail, 1.0 - tail) if lower else (1.0 - tail, tail)


def gamma_quantile(a: float, below: float, above: float) -> float:
    """What a gamma number of shape `a` is below, and above, with two probabilities that add to 1.

    >>> round(gamma_quantile(1.0, 0.95, 0.05), 6) == round(-log(0.05), 6)
    True
    """
    if below <= 0.0 or above <= 0.0:
        return 0.0 if below <= 0.0 else inf
    lower, wanted = below < above, log(min(below, above))
    # From where surely less is below, or above: the first term of the series; B. Laurent and
    # P. Massart, Annals of Statistics 28 (2000) 1302-1338, lemma 1 (from memory).
    off = sqrt(-2.0 * a * wanted)
    if lower:
        start = max((wanted + lgamma(a + 1.0)) / a, log(a - off) if off < a else -inf)
    else:
        start = log(a + off - wanted)
    return exp(_newton(lambda u: _gamma(a, u), lower, wanted, start))


def beta_below(a: float, b: float, logit: float) -> float:
    """Probability that a beta number of shapes `a`, `b` > 0 has a logit below a given one.

    >>> round(beta_below(1.0, 1.0, 0.0), 12)
    0.5
    """
    if abs(logit) == inf:
        return 0.0 if logit < 0.0 else 1.0
    log_density, ratio, lower = _beta(a, b, logit)
    tail = min(exp(log_density) * ratio, 1.0)
    return tail if lower else 1.0 - tail


def beta_quantile(a: float, b: float, below: float) -> float:
    """The logit that a beta number of shapes `a`, `b` is below with probability `below`."""
    if not 0.0 < below < 1.0:
        return -inf if below <= 0.0 else inf
    if below > 0.5:
        return -beta_quantile(b, a, 1.0 - below)
    return _newton(lambda u: _beta(a, b, u), True, log(below), log(a / b))


def digamma(x: float) -> float:
    """Derivative of the logarithm of the gamma function, `x` > 0 (DLMF 5.5.2, 5.11.2).

    >>> round(digamma(1.0), 12)  # less Euler's constant
    -0.577215664902
    """
    if x < LARGE:
        return digamma(x + 1.0) - 1.0 / x
    y = 1.0 / (x * x)
    return log(x) - 0.5 / x - y * (1 / 12 - y * (1 / 120 - y * (1 / 252 - y * (1 / 240 - y / 132))))


def _gamma(a: float, u: float) -> tuple[float, float, bool]:
    """Logarithm of the density over the logarithm u of x, the tail over it, and which: the lower?

    The tail that is computed is the one on the near side of the mode.
    """
    x = exp(u)
    if a < LARGE:
        log_density = a * u - x - lgamma(a)
    else:
        log_density = 0.5 * log(a / (2.0 * pi)) - a * _bend((x - a) / a, u - log(a)) - stirling(a)
    if x >= a + 1.0:
        steps = ((-n * (n - a), x + 2.0 * n + 1.0 - a) for n in count(1))
        return log_density, 1.0 / _fraction(x + 1.0 - a, steps), False
    term = total = 1.0 / a
    n = 0
    while term > total * _EPS:
        n += 1
        term *= x / (a + n)
        total += term
    return log_density, total, True


def _beta(a: float, b: float, u: float) -> tuple[float, float, bool]:
    """The same of a beta number over the logit u of x: density x**a * (1 - x)**b / B(a, b)."""
    if u > log((a + 1.0) / (b + 1.0)):
        log_density, ratio, lower = _beta(b, a, -u)
        return log_density, ratio, not lower
    log_x, log_y = -_log1pexp(-u), -_log1pexp(u)
    x, y, n = exp(log_x), exp(log_y), a + b
    if min(a, b) < LARGE:
        log_density = a * log_x + b * log_y + _log_ratio(max(a, b), min(a, b)) - lgamma(min(a, b))
    else:
        bend = a * _bend((x * b - y * a) / a, log_x + log(n / a)) + b * _bend(
            (y * a - x * b) / b, log_y + log(n / b))
        log_density = (0.5 * log(a * b / (2.0 * pi * n)) - bend + stirling(n) - stirling(a)
                       - stirling(b))

    def steps() -> Iterator[tuple[float, float]]:
        for m in count(1):
            c = a + 2.0 * m
            yield -(a + m - 1.0) * (n + m - 1.0) * x / ((c - 2.0) * (c - 1.0)), 1.0
            yield m * (b - m) * x / ((c - 1.0) * c), 1.0

    return log_density, 1.0 / (a * _fraction(1.0, steps())), True


def _log1pexp(u: float) -> float:
    return u + log1p(exp(-u)) if u > 0.0 else log1p(exp(u))


def _log_ratio(a: float, b: float) -> float:
    """Logarithm of Gamma(a + b) / Gamma(a), a not the smaller one."""
    if a < LARGE:
        return lgamma(a + b) - lgamma(a)
    n = a + b
    return (a - 0.5) * log1p(b / a) + b * log(n) - b + stirling(n) - stirling(a)


def _bend(off: float, logarithm: float) -> float:
    """off - log(1 + off), without cancellation where `off` is small; from both elsewhere."""
    if abs(off) > 0.1:
        return off - logarithm
    total, power = 0.0, -off
    for n in range(2, 20):
        power *= -off
        total += power / n
    return total


def stirling(a: N) -> N:
    """What Stirling's formula for the logarithm of the gamma function of `a` >= `LARGE` lacks."""
    y = 1.0 / (a * a)
    lacks: N = (1 / 12 - y * (1 / 360 - y * (1 / 1260 - y * (1 / 1680 - y / 1188)))) / a
    return lacks


def _fraction(first: float, steps: Iterator[tuple[float, float]]) -> float:
    """A continued fraction first + n1 / (d1 + n2 / (d2 + ...)) from its pairs (n, d)."""
    value = c = first or _TINY
    d = 0.0
    for numerator, denominator in steps:
        d = 1.0 / ((denominator + numerator * d) or _TINY)
        c = (denominator + numerator / c) or _TINY
        value *= c * d
        if abs(c * d - 1.0) <= _EPS:
            break
    return value


def _newton(at: Callable[[float], tuple[float, float, bool]], lower: bool, wanted: float,
            u: float) -> float:
    """Where the logarithm of the lower, or upper, tail is as wanted."""
    for _ in range(_MOST_STEPS):
        log_density, ratio, own = at(u)
        if own is lower:
            value, slope = log_density + log(ratio), 1.0 / ratio
        else:
            tail = max(1.0 - exp(log_density) * ratio, _TINY)
            value, slope = log(tail), exp(log_density) / tail
        step = (value - wanted) / (slope if lower else -slope)
        u -= step
        if abs(step) <= _SETTLED * max(abs(u), 1.0):
            break
    return u
