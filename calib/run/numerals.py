"""A cell of a file to a number: the only place where text becomes one."""

import re
import unicodedata
from collections.abc import Sequence

_PLAIN = {
    mark: re.compile(rf"[+-]?(?:[0-9]+(?:{re.escape(mark)}[0-9]*)?|{re.escape(mark)}[0-9]+)"
                     r"(?:[eE][+-]?[0-9]+)?")
    for mark in (".", ",")
}
_MARK_NAME = {".": "decimal point", ",": "decimal comma"}
_DIGITS = r"[+-]?[0-9]{1,3}(?:X[0-9]{3})+"
_UNIT = re.compile(r"[+-]?[0-9.,]+ *(?:m|mm|cm|ft|in|deg|rad|gon|%|')", re.IGNORECASE)


_NOTHING = ("nan", "inf", "infinity", "na", "n/a", "null", "none")

#: From this size on measured numbers are written out.
_WRITTEN_OUT = 1e-3

class NotANumber(ValueError):
    """A cell that is no finite number.

    Attributes
    ----------
    expected : str
        What was expected, with the likely cause where there is one.
    """

    def __init__(self, expected: str):
        self.expected = expected
        super().__init__(expected)


def parse_number(cell: str, decimal: str = ".") -> float:
    """The finite number written in `cell`.

    Nothing is guessed: no thousands marks, no units, no other decimal mark than `decimal`.

    Parameters
    ----------
    cell : str
        Without spaces around it.
    decimal : {".", ","}

    Raises
    ------
    NotANumber
        With the likely cause in ``expected``.

    Examples
    --------
    >>> parse_number("-12.5"), parse_number("-12,5", ",")
    (-12.5, -12.5)
    """
    if _PLAIN[decimal].fullmatch(cell) is None:
        raise NotANumber(_likely(cell, decimal))
    value = float(cell.replace(",", ".") if decimal == "," else cell)
    if value in (float("inf"), float("-inf")):
        raise NotANumber("a number of a size a computer can hold")
    return value


def is_number(cell: str, decimal: str = ".") -> bool:
    """Whether `parse_number` would read `cell`, but for its size."""
    return _PLAIN[decimal].fullmatch(cell) is not None


def hides(cell: str) -> bool:
    """Whether a cell holds characters that no screen shows: control, format, line separators.

    Examples
    --------
    >>> hides("1.5\u0085"), hides("edge\u00a0left")
    (True, False)
    """
    return not cell.isprintable() and any(
        unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp") for c in cell)


def refuse_dropped(cell: str, decimal: str = ".") -> None:
    """Refuse a number that looks like what a spreadsheet makes of a measured one.

    5.01E+03 of 5006.0156: a power of ten with less than three decimals, but for what is very small.

    Raises
    ------
    NotANumber

    Examples
    --------
    >>> refuse_dropped("5.0060156e+03"), refuse_dropped("1e-05")
    (None, None)
    """
    mantissa, power, _ = cell.casefold().partition("e")
    if (power == "e" and len(mantissa.partition(decimal)[2]) < 3
            and abs(float(cell.replace(decimal, "."))) >= _WRITTEN_OUT):
        raise NotANumber("a number without a power of ten (has a spreadsheet dropped digits?)")


def decimal_marks_in(cell: str) -> str:
    """The decimal mark that makes `cell` a number: ".", "," or "" where it does not matter.

    Examples
    --------
    >>> decimal_marks_in("1.5"), decimal_marks_in("1,5"), decimal_marks_in("15")
    ('.', ',', '')
    """
    point, comma = is_number(cell, "."), is_number(cell, ",")
    return "" if point == comma else "." if point else ","


def without_decimals(cells: Sequence[str], decimal: str = ".") -> list[int]:
    """The one or two cells without decimals where all others, six or more, have three at least.

    Examples
    --------
    >>> without_decimals(["1.250", "17", "3.125", "2.500", "0.125", "2.001", "7.004"])
    [1]
    """
    filled = [(i, len(cell.partition(decimal)[2])) for i, cell in enumerate(cells) if cell]
    bare = [i for i, decimals in filled if decimals == 0]
    others = [decimals for _, decimals in filled if decimals]
    return bare if len(bare) <= 2 and len(others) >= 6 and min(others) >= 3 else []


def cut_off(cells: Sequence[str], decimal: str = ".") -> str | None:
    """What to expect of the last of some cells, with no line end behind it; None: nothing more.

    Examples
    --------
    >>> cut_off(["1.25", "0.125", "3.5", "17."])[:19]
    '1 decimals at least'
    >>> cut_off(["1.25", "0.125", "3.5", "17.5"])
    """
    decimals = [len(c.partition(decimal)[2]) if is_number(c, decimal) else -1 for c in cells]
    if len(decimals) < 2 or decimals[-1] >= min(decimals[:-1]):
        return None
    return (f"{min(decimals[:-1])} decimals at least, as in the other rows (the file has no line "
            "end there: was it cut off, or still being written? End it with one if it is whole)")


def says_nothing(cell: str) -> bool:
    """Whether a cell is a sign for no value, in a column of numbers or of ids.

    Examples
    --------
    >>> says_nothing("---"), says_nothing("#N/A"), says_nothing("A-3")
    (True, True, False)
    """
    return set(cell) <= set("*-?_") or cell.casefold().strip("+-#") in _NOTHING


def _likely(cell, decimal):
    """What to say of a cell that is no number; the first cause that fits."""
    other = "," if decimal == "." else "."
    bare = cell.casefold()
    mended = bare.translate(str.maketrans("oil", "011"))
    causes = (
        (not cell, "a number"),
        (bare.strip("+-#") in _NOTHING, "a finite number"),
        (set(cell) <= set("*-?_"), "a number (a sign for no value?)"),
        (cell.startswith("#"), "a number (an error or a narrow column of a spreadsheet?)"),
        ("°" in cell or "º" in cell, "a number in decimal degrees (without the degree sign)"),
        (re.fullmatch(r"[+-]?[0-9]+[:' ]+[0-9]+[:' ]+[0-9.,]+\"?", cell) is not None,
         "a number in decimal degrees (degrees, minutes, seconds?)"),
        (any(c in cell for c in "\u2212\u2013\u2014") and _mendable(cell, decimal),
         "a number (the minus sign is a dash: type a plain hyphen)"),
        (_thousands(cell, decimal), f"a number with a {_MARK_NAME[decimal]} and no thousands mark"),
        (hides(cell),
         "a number (a character inside that does not show)"),
        (is_number(cell, other), f"a number with a {_MARK_NAME[decimal]}"),
        (mended != bare and is_number(mended, decimal) and "o" in bare,
         "a number (letter O for zero?)"),
        (mended != bare and is_number(mended, decimal), "a number (letter l or I for one?)"),
        (_UNIT.fullmatch(cell) is not None, "a number (without its unit)"),
        (re.search(r"[0-9.,] +[0-9.,]", cell) is not None, "a number (a space inside?)"),
        (cell.count(decimal) > 1 and is_number(cell.replace(decimal, ""), decimal),
         f"a number with one {_MARK_NAME[decimal]}"),
    )
    return next((says for fits, says in causes if fits), "a number")


def _mendable(cell, decimal):
    return is_number(re.sub("[\u2212\u2013\u2014]", "-", cell), decimal)


def _thousands(cell, decimal):
    """Groups of three digits with a mark, space or apostrophe between, then maybe decimals."""
    for mark in {",", ".", "'", "\u2019", " ", "\u00a0", "\u202f"} - {decimal}:
        groups = _DIGITS.replace("X", re.escape(mark))
        if re.fullmatch(rf"{groups}{re.escape(decimal)}[0-9]*", cell):
            return True
        if mark not in ",." and re.fullmatch(groups, cell):
            return True
    both = "," in cell and "." in cell
    return both and re.fullmatch(r"[+-]?[0-9.,]+", cell) is not None
