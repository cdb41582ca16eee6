"""Units of field files: what headings state and people declare, and their numbers in m, rad or deg.

A unit stands in brackets after a name, or is the last word of it: Northing (US ft), Boom [rad],
east_m. What is in brackets and is no unit we know is told, never taken for one.

1 ft-int = 0.3048 m and 1 ft-us = 1200/3937 m, both exact (NIST Special Publication 811, appendix B;
the US survey foot is deprecated since the end of 2022, Federal Register notice 2020-21902, but old
jobs still arrive in it). 400 gon are a full circle; 1 gon = 0.9 deg exactly.
"""

import math
import re
import unicodedata
from collections.abc import Mapping
from typing import Any

from calib.chain.length import FRACTIONS
from calib.run.complaints import Findings, quote
from calib.run.numerals import NotANumber

_LENGTHS = {
    "m": ("m", "metre", "metres", "meter", "meters"),
    "mm": ("mm", "millimetre", "millimetres", "millimeter", "millimeters"),
    "cm": ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
    "km": ("km", "kilometre", "kilometres", "kilometer", "kilometers"),
    "ft": ("ft", "foot", "feet", "lf"),
    "ft-int": ("ift", "int ft", "ft int", "intl ft", "international foot", "international feet",
               "foot international", "feet international", "ft intl"),
    "ft-us": ("us ft", "ft us", "usft", "ftus", "sft", "us foot", "us feet", "us survey foot",
              "us survey feet", "survey foot", "survey feet", "us survey ft", "survey ft",
              "ussurveyfoot", "ussft", "ft survey", "foot us", "feet us", "usfeet", "usfoot"),
    "in": ("in", "inch", "inches"),
    "yd": ("yd", "yds", "yard", "yards"),
}
_ANGLES = {
    "deg": ("deg", "degs", "degree", "degrees", "decimal degrees", "dec deg", "deg dec", "dd"),
    "dms": ("dms", "deg min sec", "dd mm ss", "ddd mm ss", "d m s", "ddmmss", "dddmmss"),
    "packed-dms": ("packed dms", "ddd mmss", "dd mmss", "d mmss"),
    "gon": ("gon", "grad", "grads", "gons", "grade", "grades"),
    "rad": ("rad", "rads", "radian", "radians"),
    "mrad": ("mrad", "milliradian", "milliradians"),
    "mgon": ("mgon", "milligon"),
    "arcsec": ("arcsec", "arc sec", "sec", "seconds"),
}
_MEANS = {word: unit for table in (_LENGTHS, _ANGLES)
          for unit, words in table.items() for word in words}
_SIGNS = {"'": "ft", "°": "deg", "º": "deg", '"': "in"}
_LETTERS = str.maketrans({"ø": "o", "æ": "ae", "đ": "d", "ł": "l"})
_BRACKETS = re.compile(r"[\[(]\s*([^\])]*?)\s*[\])]")

DEGREES = {"deg": 1.0, "gon": 0.9, "rad": 57.29577951308232, "mrad": 0.05729577951308232}
"""Degrees per unit that a column of readings can have."""


def plain(text: str) -> str:
    """Lower case words without accents, with single spaces for every other mark.

    Examples
    --------
    >>> plain("Höhe_(m)"), plain("Høyde")
    ('hohe m', 'hoyde')
    """
    bare = text.casefold()
    if not bare.isascii():
        bare = unicodedata.normalize("NFKD", bare.translate(_LETTERS))
        bare = "".join(c for c in bare if not unicodedata.combining(c))
    return " ".join(re.sub(r"[^0-9a-z]+", " ", bare).split())


def known_unit(text: str) -> str | None:
    """The unit that a word or sign means: one of ours, "ft" for either foot, or None.

    Examples
    --------
    >>> known_unit("US ft"), known_unit("°"), known_unit("m^2"), known_unit("local")
    ('ft-us', 'deg', 'm', None)
    """
    text = text.strip()
    if text in _SIGNS:
        return _SIGNS[text]
    word = plain(text.replace("\u00b2", "2").replace(".", " " if "mm" in text.casefold() else ""))
    return _MEANS.get(word) or _MEANS.get(re.sub(r"(?<=[a-z]) ?2$", "", word))


def without_unit(header: str) -> tuple[str, str | None]:
    """The words of a header (`plain`) and what stands in its brackets, if anything.

    Examples
    --------
    >>> without_unit("Northing (US ft)"), without_unit("Boom angle")
    (('northing', 'US ft'), ('boom angle', None))
    """
    said = _BRACKETS.search(header)
    return plain(_BRACKETS.sub("", header)), said[1] if said else None


def last_words(words: str) -> list[tuple[str, str]]:
    """Ways to part words into a name and a unit at the end, the longest unit first.

    Examples
    --------
    >>> last_words("east us ft")
    [('east', 'us ft'), ('east us', 'ft')]
    """
    parts = words.split()
    ways = [(" ".join(parts[:-n]), " ".join(parts[-n:])) for n in (3, 2, 1) if n < len(parts)]
    return [(name, unit) for name, unit in ways if unit in _MEANS]


def unit_stated(header: str) -> str | None:
    """What a header states as its unit, in brackets or as its last word; None if nothing."""
    words, said = without_unit(header)
    ways = last_words(words)
    return said if said is not None else ways[0][1] if ways else None


_UNIT_SAID = re.compile(
    r"\b(?:units?|einheit(?:en)?|unités?|unidad(?:es)?|unità|eenhe(?:id|den)|enhet(?:er)?)\b"
    r"(?!\s+in\b)(.*)", re.IGNORECASE)
_OF_COORDINATES = re.compile(r"\bcoordinate|koordinat|coordonn|coordenada|coordinat", re.IGNORECASE)


def unit_in_remark(line: str) -> str | None:
    """The unit of length that a line of words states after the word unit, or says in a word where
    it speaks of coordinates; None if none, or more than one.

    Examples
    --------
    >>> unit_in_remark("Linear units: US survey feet, grid"), unit_in_remark("Unit 7, crew of two")
    ('ft-us', None)
    >>> unit_in_remark("Coordinate system: local, metres")
    'm'
    """
    match = _UNIT_SAID.search(line)
    words = plain(match[1] if match else line).split()
    if match or not _OF_COORDINATES.search(line):
        words = words[:3] if match else []
        ways = [" ".join(words[:n]) for n in (3, 2, 1)]
        return next((_MEANS[way] for way in ways if _MEANS.get(way) in _LENGTHS), None)
    said, at = set(), 0
    while at < len(words):
        size = next((n for n in (3, 2, 1) if len(way := " ".join(words[at:at + n])) > 2
                     and _MEANS.get(way) in _LENGTHS), 0)
        said |= {_MEANS[" ".join(words[at:at + size])]} if size else set()
        at += size or 1
    return said.pop() if len(said) == 1 else None


def contradicts(said: str, declared: str) -> bool:
    """Whether a known unit (`known_unit`) cannot be the declared one.

    Examples
    --------
    >>> contradicts("ft", "ft-us"), contradicts("cm", "m"), contradicts("deg", "packed-dms")
    (False, True, False)
    """
    if said == "ft":
        return not declared.startswith("ft")
    if said == "deg":
        return declared not in ("deg", "dms", "packed-dms")
    if said == "dms":
        return declared not in ("dms", "packed-dms")
    return said != declared


METRES = {**{unit: FRACTIONS[unit] for unit in ("m", "mm")}, "ft-int": FRACTIONS["ft"],
          "ft-us": FRACTIONS["ft-us"]}
"""Metres per unit as a fraction, so that whole numbers of units stay as exact as they can be."""

NAMES = {"m": "metres", "mm": "millimetres", "ft-int": "international feet",
         "ft-us": "US survey feet"}

class UnitText(ValueError):
    """No unit, or one that can mean two; the message says what to write."""


def parse_unit(text: str) -> str:
    """One of `METRES` from what a person declared.

    Raises
    ------
    UnitText
        For an unknown unit, and for "ft": there are two feet.

    Examples
    --------
    >>> parse_unit("metre"), parse_unit("usft")
    ('m', 'ft-us')
    """
    unit = known_unit(text) if re.fullmatch(r"\s*(?:[A-Za-z][A-Za-z -]*|')\s*", text) else None
    if unit == "ft":
        raise UnitText(
            f'"{text}" can be the international foot (0.3048 m exactly: write ft-int) or the US '
            "survey foot (1200/3937 m: write ft-us). They differ by 2 parts in a million: 1.2 m "
            "on a coordinate of 2,000,000 ft"
        )
    if unit not in METRES:
        raise UnitText(f'"{text}" is no unit of length; write ' + ", ".join(METRES))
    return unit


def to_metres(value: Any, unit: str) -> Any:
    """`value` (number or ndarray) in `unit`, in metres.

    Examples
    --------
    >>> to_metres(10.0, "ft-int"), to_metres(3937.0, "ft-us"), to_metres(5702, "mm")
    (3.048, 1200.0, 5.702)
    """
    numerator, denominator = METRES[unit]
    return value * numerator / denominator


UNITS = ("deg", "dms", "packed-dms", "gon")
"""What a person can declare. `dms` has marks between the parts (123 45 06.7, 123-45-06.7,
123°45'06.7"); `packed-dms` is one number, DDD.MMSSs, as many data collectors export."""

_DMS = re.compile(
    r"""^\s*(?P<sign>[+-]?)\s*(?P<deg>\d{1,3})\s*[°d:\s-]\s*
        (?P<min>\d{1,2})\s*(?:['′’m:\s-]\s*
        (?:(?P<sec>\d{1,2}(?:\.\d*)?)\s*(?:"|''|″|”|s)?\s*)?)?$""",
    re.VERBOSE,
)
_PACKED = re.compile(r"^\s*(?P<sign>[+-]?)(?P<deg>\d{1,3})(?:\.(?P<rest>\d*))?\s*$")


class AngleText(ValueError):
    """Text that is no angle in the declared unit; the message says what was expected."""


def parse_dms(text: str) -> float:
    """Degrees, minutes and seconds with marks between them, in rad.

    Raises
    ------
    AngleText

    Examples
    --------
    >>> import math
    >>> round(math.degrees(parse_dms("123 45 36")), 6)
    123.76
    >>> round(math.degrees(parse_dms("0°00'36\\"")), 6)
    0.01
    """
    match = _DMS.match(text)
    if not match:
        if _PACKED.match(text):
            raise AngleText(
                "degrees, minutes and seconds with marks between them, such as 123 45 06.7; "
                "if this is DDD.MMSS in one number, declare packed-dms; if decimal, deg"
            )
        raise AngleText("degrees, minutes and seconds, such as 123 45 06.7")
    return _combine(match["sign"], match["deg"], match["min"], match["sec"] or "0")


def parse_packed_dms(text: str) -> float:
    """DDD.MMSSs in one number, in rad.

    Raises
    ------
    AngleText

    Examples
    --------
    >>> import math
    >>> round(math.degrees(parse_packed_dms("123.4536")), 6)
    123.76
    """
    match = _PACKED.match(text)
    if not match:
        raise AngleText("an angle as DDD.MMSS in one number, such as 123.4506")
    rest = (match["rest"] or "").ljust(4, "0")
    seconds = rest[2:4] + ("." + rest[4:] if rest[4:] else "")
    return _combine(match["sign"], match["deg"], rest[:2], seconds)


def _combine(sign, degrees, minutes, seconds):
    if int(minutes) >= 60 or float(seconds) >= 60.0:
        raise AngleText("minutes and seconds below 60")
    value = int(degrees) + int(minutes) / 60.0 + float(seconds) / 3600.0
    return math.radians(-value if sign == "-" else value)


STROKES = {unit: numerator / denominator for unit, (numerator, denominator) in FRACTIONS.items()}
"""Metres per unit that a column of strokes can have."""

#: From the least to the most that a stroke can be, m.
Span = tuple[float, float]


def reading_units(
    headers: dict[str, str], file: str, line: int, findings: Findings,
    strokes: Mapping[str, Span] = {},
) -> dict[str, str]:
    """Unit of each reading whose header states another than degrees, of a stroke than metres.

    Parameters
    ----------
    headers : dict of str to str
        By the names of the readings.
    strokes : mapping of str to (float, float)
        The readings that are strokes.
    """
    units = {}
    for name, header in headers.items():
        usual, known_ones = ("m", STROKES) if name in strokes else ("deg", DEGREES)
        said = unit_stated(header)
        known = None if said is None else known_unit(said)
        if said is None or known == usual:
            continue
        if known in known_ones:
            units[name] = known
            findings.note(file, f"{name} is in {known}, as its header {quote(header)} says: "
                          f"turned into {'metres' if usual == 'm' else 'degrees'}", line)
        else:
            findings.complain(
                file, line, name, f"the header {quote(header)}",
                f"{'a stroke in a length' if usual == 'm' else 'readings in an angle'}: "
                f"{', '.join(known_ones)} (leave the bracket out if they are {usual})")
    return units


def as_read(value: float, unit: str | None, stroke: Span | None) -> float:
    """A reading in deg, a stroke in m.

    Parameters
    ----------
    unit : str or None
        As the header says, if it does.
    stroke : (float, float) or None
        What it can be if it is one, m.

    Raises
    ------
    NotANumber
        For a stroke that cannot be, and for an angle beyond a full circle.

    Examples
    --------
    >>> as_read(812.0, "mm", (0.1, 1.5)), as_read(100.0, "gon", None)
    (0.812, 90.0)
    >>> as_read(361.0, None, None)
    Traceback (most recent call last):
    calib.run.numerals.NotANumber: an angle from -360 to 360 deg
    """
    if stroke is not None:
        least, most = stroke
        if least <= (metres := value * STROKES[unit or "m"]) <= most:
            return metres
        in_mm = unit is None and least <= value * STROKES["mm"] <= most
        raise NotANumber(f"a stroke from {least:.2f} to {most:.2f} m"
                         + (" (mm? then put [mm] behind the heading)" if in_mm else ""))
    degrees = value * DEGREES[unit or "deg"]
    if abs(degrees) > 360.0 * (1 + 1e-12):
        most = 360.0 / DEGREES[unit or "deg"]
        raise NotANumber(f"an angle from -{most:.6g} to {most:.6g} {unit or 'deg'}"
                         + (", the unit that the header says" if unit else ""))
    return degrees
