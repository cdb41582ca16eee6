"""Units of length, and lengths that a person writes with their unit, such as ``20 mm``.

The foot is the international foot, exactly 0.3048 m, the inch a twelfth of it; the US survey foot
is 1200/3937 m (NIST Special Publication 811, appendix B, from memory).
"""

import re

#: Metres per unit as a fraction, so that 5702 mm becomes 5.702 m and not its neighbour.
FRACTIONS = {"mm": (1, 1000), "cm": (1, 100), "m": (1, 1), "ft": (3048, 10000),
             "in": (254, 10000), "ft-us": (1200, 3937)}

#: In metres.
FOOT, INCH, US_SURVEY_FOOT = (n / d for n, d in map(FRACTIONS.get, ("ft", "in", "ft-us")))

#: Units that may stand behind a number.
_WRITTEN = ("mm", "cm", "m", "ft")

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
    if not match or match[2].casefold() not in _WRITTEN or float(match[1]) == 0:
        raise ValueError(EXPECTED)
    numerator, denominator = FRACTIONS[match[2].casefold()]
    return float(match[1]) * numerator / denominator
