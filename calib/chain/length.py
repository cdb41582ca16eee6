"""Lengths that a person writes with their unit, such as ``20 mm``.

The foot is the international foot, exactly 0.3048 m (from memory: NIST Special Publication 811).
"""

import re

_METRES = {"mm": (1, 1000), "cm": (1, 100), "m": (1, 1), "ft": (3048, 10000)}
_LENGTH = re.compile(r"\s*([0-9]+(?:\.[0-9]*)?|\.[0-9]+)\s*([A-Za-z]+)\s*")

#: What is said to who writes something else.
EXPECTED = 'a length above 0 with mm, cm, m or ft, such as "20 mm"'


def metres(text: str) -> float:
    """The length in m.

    Raises
    ------
    ValueError
        If `text` is no number above 0 with one of the units.

    Examples
    --------
    >>> metres("20 mm"), metres("2.5cm"), metres("0.1 ft")
    (0.02, 0.025, 0.03048)
    """
    match = _LENGTH.fullmatch(text)
    if not match or match[2].casefold() not in _METRES or float(match[1]) == 0:
        raise ValueError(EXPECTED)
    numerator, denominator = _METRES[match[2].casefold()]
    return float(match[1]) * numerator / denominator
