"""The columns a field file can have: our names, what other people call them, and `--order`."""

from functools import lru_cache

from calib.intake.files.header_units import last_words, without_unit
from calib.intake.files.headings import HEADINGS

SKIP = "-"
"""In an order: a column that is not wanted."""

LETTERS = {"P": "point", "N": "north", "E": "east", "Z": "up", "D": "description"}
"""The trade's letters for point files (PNEZD and the like)."""


_KINDS = {
    "text": "point description pose target setup face",
    "length": "north east up ellipsoidal_height sd_east sd_north sd_up sd_horizontal "
              "rms_horizontal distance target_height",
    "angle": "direction zenith",
    "degrees": "latitude longitude",
    "covariance": "cov_east_east cov_north_north cov_up_up cov_east_north cov_east_up cov_north_up",
    "time": "date time",
}
KIND = {name: kind for kind, names in _KINDS.items() for name in names.split()}
"""What a cell of each column holds; "angle" is in the declared angle unit, "degrees" always in
degrees."""

_BY_HEADER = {
    header: name for name, headers in HEADINGS.items()
    for header in (name.replace("_", " "), *headers.split("|"))
}


class OrderText(ValueError):
    """An order that cannot be understood; the message says why."""


def parse_order(text: str) -> tuple[str, ...]:
    """Column names of an order as declared.

    Either the trade's letters (PNEZD) or names with commas between, ours or any that a header may
    have; ``-`` for a column that is not wanted.

    Raises
    ------
    OrderText

    Examples
    --------
    >>> parse_order("PENZD")
    ('point', 'east', 'north', 'up', 'description')
    >>> parse_order("point, -, easting, northing, height")
    ('point', '-', 'east', 'north', 'up')
    """
    text = text.strip()
    if "," in text:
        words = [word.strip() for word in text.split(",")]
        names = tuple(SKIP if word == SKIP else header_name(word)[0] or "" for word in words)
        if "" in names:
            raise OrderText(f"no column is called {words[names.index('')]!r}; there are "
                            + ", ".join(KIND) + " and - for one to skip")
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
