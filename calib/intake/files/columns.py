"""The columns a field file can have: our names, what other people call them, and `--order`."""

from dataclasses import dataclass
from functools import lru_cache

from calib.intake.files.header_units import last_words, without_unit

SKIP = "-"
"""In an order: a column that is not wanted."""

LETTERS = {"P": "point", "N": "north", "E": "east", "Z": "up", "D": "description"}
"""The trade's letters for point files (PNEZD and the like)."""


@dataclass(frozen=True)
class Column:
    """One kind of column.

    Attributes
    ----------
    kind : {"text", "length", "angle", "degrees", "covariance", "time"}
        What a cell holds; "angle" is in the declared angle unit, "degrees" always in degrees.
    headers : tuple of str
        What a header may call it, in lower case, with single spaces for every other mark.
    """

    kind: str
    headers: tuple[str, ...]


COLUMNS = {
    "point": Column("text", ("point", "point id", "pointid", "point no", "point number",
                             "point name", "pt", "pt id", "pt no", "id", "name", "nr", "no",
                             "number")),
    "north": Column("length", ("north", "northing", "n")),
    "east": Column("length", ("east", "easting", "e")),
    "up": Column("length", ("up", "z", "elevation", "elev", "height", "h", "level")),
    "latitude": Column("degrees", ("latitude", "lat")),
    "longitude": Column("degrees", ("longitude", "lon", "long", "lng")),
    "ellipsoidal_height": Column("length", ("ellipsoidal height", "ellipsoid height",
                                            "ell height", "ellipsoidal h")),
    "description": Column("text", ("description", "desc", "code", "feature", "note", "notes",
                                   "remark", "remarks", "comment", "comments")),
    "time": Column("time", ("time", "timestamp", "time stamp", "date time", "datetime",
                            "date and time", "utc")),
    "sd_east": Column("length", ("sd east", "std east", "sigma east", "east sd", "sd e")),
    "sd_north": Column("length", ("sd north", "std north", "sigma north", "north sd", "sd n")),
    "sd_up": Column("length", ("sd up", "std up", "sigma up", "up sd", "sd height", "sd z",
                               "vrms", "v rms", "rms vertical", "vertical precision")),
    "sd_horizontal": Column("length", ("sd horizontal", "sd horizontal per axis")),
    "rms_horizontal": Column("length", ("rms horizontal", "hrms", "h rms",
                                        "horizontal precision")),
    "cov_east_east": Column("covariance", ("cov east east", "var east", "cov ee")),
    "cov_north_north": Column("covariance", ("cov north north", "var north", "cov nn")),
    "cov_up_up": Column("covariance", ("cov up up", "var up", "cov uu")),
    "cov_east_north": Column("covariance", ("cov east north", "cov en", "cov north east")),
    "cov_east_up": Column("covariance", ("cov east up", "cov eu")),
    "cov_north_up": Column("covariance", ("cov north up", "cov nu")),
    "pose": Column("text", ("pose", "pose id")),
    "target": Column("text", ("target",)),
    "setup": Column("text", ("setup", "set up", "station", "setup id", "station id")),
    "face": Column("text", ("face",)),
    "direction": Column("angle", ("direction", "horizontal direction", "horizontal circle",
                                  "hz", "horizontal angle", "ha", "hz angle")),
    "zenith": Column("angle", ("zenith", "zenith angle", "za", "v", "vertical circle")),
    "distance": Column("length", ("distance", "slope distance", "sd", "sdist", "slope dist")),
    "target_height": Column("length", ("target height", "prism height", "pole height", "pole",
                                       "rod height", "antenna height", "th")),
}

_BY_HEADER = {
    header: name for name, column in COLUMNS.items()
    for header in (name.replace("_", " "), *column.headers)
}


class OrderText(ValueError):
    """An order that cannot be understood; the message says why."""


def parse_order(text: str) -> tuple[str, ...]:
    """Column names of an order as declared.

    Either the trade's letters (PNEZD) or our own names with commas between; ``-`` for a column
    that is not wanted.

    Raises
    ------
    OrderText

    Examples
    --------
    >>> parse_order("PENZD")
    ('point', 'east', 'north', 'up', 'description')
    >>> parse_order("point, -, east, north, up")
    ('point', '-', 'east', 'north', 'up')
    """
    text = text.strip()
    if "," in text:
        names = tuple(name.strip().casefold() for name in text.split(","))
        unknown = [name for name in names if name not in COLUMNS and name != SKIP]
        if unknown:
            raise OrderText(f"no column is called {unknown[0]!r}; there are "
                            + ", ".join(COLUMNS) + " and - for one to skip")
    else:
        unknown = [c for c in text.upper() if c not in LETTERS and c != SKIP]
        if unknown or not text:
            raise OrderText(f"{text!r} is no order; use the letters P (point), N, E, Z (height), "
                            "D (description), as in PNEZD, or names with commas between")
        names = tuple(LETTERS.get(c, SKIP) for c in text.upper())
    twice = [name for name in names if name != SKIP and names.count(name) > 1]
    if twice:
        raise OrderText(f"{twice[0]} stands twice in the order")
    return names


@lru_cache(maxsize=4096)
def header_name(cell: str) -> tuple[str | None, str | None]:
    """Our name for a header cell, and the unit it states (in brackets, or as its last word); None
    for each if none.

    Examples
    --------
    >>> header_name("Northing (m)"), header_name("POINT_ID"), header_name("x")
    (('north', 'm'), ('point', None), (None, None))
    >>> header_name("elev_ft")
    ('up', 'ft')
    """
    words, said = without_unit(cell)
    if words in _BY_HEADER:
        return _BY_HEADER[words], said
    for name, unit in last_words(words):
        if name in _BY_HEADER:
            return _BY_HEADER[name], unit if said is None else said
    return None, said
