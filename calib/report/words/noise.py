"""What is said of how noisy the values are."""

import numpy as np

from calib.judge.noise import HORIZONTAL, VERTICAL, Noise
from calib.report.spoken import spoken

#: Less than this share of the stated noise is called none.
_NO_NOISE = 0.05

#: A group of more kinds than this is not listed.
_MOST_LISTED = 4


def noise_says(noise: Noise) -> str:
    """The sentence of one kind of value, or of a group."""
    if noise.kinds:
        return _group(noise)
    what = _sentence(_what(noise.name))
    if not np.isfinite(noise.times):
        return f"{what}: too little redundancy to say."
    interval = f"(95 %: {noise.low95:.2g} to {noise.high95:.2g} times)"
    are = _are(noise.name)
    if not noise.differs:
        if noise.low95 <= 1.0 <= noise.high95:
            return f"{what} {are} as noisy as stated {interval}."
        return f"{what} {are} {noise.times:.2g} times as noisy as stated {interval}, which " \
               "chance does to one kind among several."
    if noise.times > 1:
        return f"{what} {are} {noise.times:.1f} times noisier than stated {interval}."
    if noise.times < _NO_NOISE:
        return f"{what} {'show' if are == 'are' else 'shows'} next to no noise {interval}."
    return f"{what} {are} {1 / noise.times:.1f} times less noisy than stated {interval}."


def _group(noise):
    than = "noisier" if noise.noisier else "less noisy"
    if len(noise.kinds) > _MOST_LISTED:
        return f"Some values are {than} than stated: the run cannot tell which kind."
    what = _sentence(" or ".join(_what(kind) for kind in noise.kinds))
    why = "the run cannot tell which" if noise.kinds[1:] else "no other kind alone explains it"
    return f"{what} {_are(noise.kinds[-1])} {than} than stated, or several kinds are: {why}."


def _what(name):
    return name if name in (HORIZONTAL, VERTICAL) else f"the reading {spoken(name)}"


def _are(name):
    return "are" if name in (HORIZONTAL, VERTICAL) else "is"


def _sentence(text):
    return text[0].upper() + text[1:]
