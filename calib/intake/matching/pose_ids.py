"""Poses of shots and of a sheet that mean the same: P1, Pose 1, 01 and 1."""

import re
from collections import Counter
from collections.abc import Iterable

_NUMBERED = re.compile(r"(?P<word>[^\W\d_]*)[\s._#-]*0*(?P<number>\d+)")
_POSE = frozenset({"", "p", "pos", "pose"})
"""Words that say no more than that it is a pose."""


def spelt_as(poses: Iterable[str], there: Iterable[str]) -> dict[str, str]:
    """How a sheet writes the poses that it has in another spelling.

    Poses are one where the numbers are, if no other pose of either side has that number. One word
    beside those for a pose may stand before the numbers (Lage 1 and 1), two are two kinds.

    Examples
    --------
    >>> spelt_as(["1", "02", "3a"], ["P1", "P2", "3"])
    {'1': 'P1', '02': 'P2'}
    >>> spelt_as(["1", "A2"], ["B1", "B2"])
    {}
    """
    poses, there = list(dict.fromkeys(poses)), list(dict.fromkeys(there))
    sides = [[(pose, m["word"].casefold(), m["number"]) for pose in side
              if (m := _NUMBERED.fullmatch(pose.strip()))] for side in (poses, there)]
    if len({word for side in sides for _, word, _ in side} - _POSE) > 1:
        return {}
    once = [{number for number, n in Counter(number for *_, number in side).items() if n == 1}
            for side in sides]
    written = {number: pose for pose, _, number in sides[1] if number in once[1]}
    return {pose: written[number] for pose, _, number in sides[0]
            if number in once[0] and pose not in there and number in written}
