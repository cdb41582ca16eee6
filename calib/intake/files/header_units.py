"""Units that a header states: what they mean, and whether they can be the declared ones.

A unit stands in brackets after a name, or is the last word of it: Northing (US ft), Boom [rad],
east_m. What is in brackets and is no unit we know is told, never taken for one.
"""

import re
import unicodedata

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
