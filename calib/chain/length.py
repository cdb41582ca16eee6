"""Units of length, and lengths that a person writes with their unit, such as ``20 mm``.

The foot is the international foot, exactly 0.3048 m, the inch a twelfth of it; the US survey foot
is 1200/3937 m (NIST Special Publication 811, appendix B, from memory).
"""

import re
from collections.abc import Callable

#: Metres per unit as a fraction, so that 5702 mm becomes 5.702 m and not its neighbour.
FRACTIONS = {"mm": (1, 1000), "cm": (1, 100), "m": (1, 1), "ft": (3048, 10000),
             "in": (254, 10000), "ft-us": (1200, 3937)}

#: In metres.
FOOT, INCH, US_SURVEY_FOOT = (
    numerator / denominator
    for numerator, denominator in (FRACTIONS["ft"], FRACTIONS["in"], FRACTIONS["ft-us"]))

#: Units that may stand behind a number.
_WRITTEN = ("mm", "cm", "m", "ft")

_LENGTH = re.compile(r"\s*([0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)\s*([A-Za-z]*)\s*")

#: Three digits behind a comma may be decimals, or the last of some thousands.
_THOUSANDS = re.compile(r"[1-9][0-9]{0,2},[0-9]{3}")

#: What is said to who writes something else.
EXPECTED = 'a length above 0 with mm, cm, m or ft, such as "20 mm"'


def metres(text: str) -> float:
    """The length in m.

    Raises
    ------
    ValueError
        If `text` is no number above 0 with one of the units, or may mean two.

    Examples
    --------
    >>> metres("20 mm"), metres("2,5cm"), metres("0.1 ft")
    (0.02, 0.025, 0.03048)
    """
    if not text.strip()[-1:].isalpha():
        raise ValueError(EXPECTED)
    return written_length(text)[1]


def written_length(text: str, allows: Callable[[float], bool] = lambda _: True
                   ) -> tuple[str, float]:
    """The one length that a person can mean: written without doubt, and in m.

    A comma is a decimal comma; before three digits it may stand for thousands too. A number without
    a unit is in m, cm or mm.

    Parameters
    ----------
    allows : callable
        Whether a length, m, can be.

    Raises
    ------
    ValueError
        If it can be none, or several; with what to type.

    Examples
    --------
    >>> written_length("2,64 m"), written_length("264", lambda length: 0.5 < length < 12)
    (('2.64 m', 2.64), ('264 cm', 2.64))
    """
    match = _LENGTH.fullmatch(text)
    if not match or match[2].casefold() not in ("", *_WRITTEN):
        raise ValueError(EXPECTED)
    numbers = [match[1].replace(",", ".")]
    if _THOUSANDS.fullmatch(match[1]):
        numbers.append(match[1].replace(",", ""))
    meant = {}
    for number in numbers:
        for unit in [match[2].casefold()] if match[2] else ["m", "cm", "mm"]:
            numerator, denominator = FRACTIONS[unit]
            meant[f"{number} {unit}"] = float(number) * numerator / denominator
    can = {says: length for says, length in meant.items() if length > 0 and allows(length)}
    if len(set(can.values())) != 1:
        raise ValueError(f"{' or '.join(can)}? Type one of them" if can else EXPECTED)
    return next(iter(can.items()))
