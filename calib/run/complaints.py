"""What is wrong with a file, and what was tolerated, in words a person can act on."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Self, TypeVar

T = TypeVar("T")

_LONGEST = 40


@dataclass(frozen=True)
class Complaint:
    """One fault of an input file.

    Examples
    --------
    >>> print(Complaint("shots.csv", 14, "north", quote("1O.2"), "a number"))
    shots.csv line 14, column north: found "1O.2", expected a number
    """

    file: str  #: Name relative to the run folder, as a person would type it.
    line: int | None  #: Counted from 1, comments and blank lines included. None: the whole file.
    column: str | None  #: Name of the column or key; for a syntax error the character's position.
    #: found, expected: `found` is shown as it is: wrap text taken from the file in `quote`.
    found: str
    expected: str

    def __str__(self) -> str:
        return _printable(self.at([self.line or 0]))

    def at(self, lines: Sequence[int]) -> str:
        """The complaint of several lines."""
        return (f"{_place(self.file, lines, self.column)}: found {self.found}, "
                f"expected {self.expected}")


@dataclass(frozen=True)
class Notice:
    """Something tolerated, or assumed, that the person should know of."""

    file: str
    line: int | None
    says: str

    def __str__(self) -> str:
        return _printable(self.at([self.line or 0]))

    def at(self, lines: Sequence[int]) -> str:
        """The notice of several lines."""
        return f"{_place(self.file, lines, None)}: {self.says}"


_ALIKE = 3
"""Of complaints that differ only in what was found this many are told in full."""


def told_once(items: Iterable[Complaint | Notice]) -> list[str]:
    """Complaints or notices in words; those that differ only in the line are one, with all lines.

    Of complaints of one column that differ also in what was found the first are told, and how many
    there are.

    Examples
    --------
    >>> found = [Complaint("a.csv", n, "target", '"X"', "a target") for n in (2, 3, 9)]
    >>> told_once(found)
    ['a.csv lines 2, 3 and 9, column target: found "X", expected a target']
    >>> told_once(Complaint("a.csv", n, "up", f'"{n}m"', "a number") for n in range(2, 50))[-1]
    'a.csv, column up: 45 more of this kind (lines 5, 6, 7, 8, 9 and 40 more), expected a number'
    >>> told_once(Complaint("a.csv", None, "pose", f'"{n}"', "a row") for n in range(6))[-1]
    'a.csv, column pose: 3 more of this kind, expected a row'
    """
    same: dict[Complaint | Notice, list[int]] = {}
    for item in items:
        same.setdefault(replace(item, line=None), []).append(item.line or 0)
    kinds: dict[object, list[tuple[Complaint | Notice, list[int]]]] = {}
    for item, lines in same.items():
        kind = replace(item, found="") if isinstance(item, Complaint) else item
        kinds.setdefault(kind, []).append((item, lines))
    out = []
    for group in kinds.values():
        first = group if len(group) <= _ALIKE + 1 else group[:_ALIKE]
        out += [_printable(item.at(lines)) for item, lines in first]
        rest = [line for _, lines in group[len(first):] for line in lines]
        if rest and isinstance(item := group[0][0], Complaint):
            place, lines = _place(item.file, [], item.column), sorted(filter(None, rest))
            where = f" ({lines_in_words(lines)})" if lines else ""
            out.append(_printable(f"{place}: {len(rest)} more of this kind{where}, expected "
                                  f"{item.expected}"))
    return out


class InputError(Exception):
    """The input is at fault. Nothing was read, nothing was written.

    Attributes
    ----------
    complaints : tuple of Complaint
        Every fault found; at least one.
    """

    def __init__(self, complaints: Sequence[Complaint]):
        self.complaints: tuple[Complaint, ...] = tuple(complaints)
        super().__init__("\n".join(str(c) for c in self.complaints))

    @classmethod
    def of(cls, file: object, found: str, expected: str, *, line: int | None = None,
           column: str | None = None) -> Self:
        """Of one fault; see `Complaint`."""
        return cls([Complaint(str(file), line, column, found, expected)])


@dataclass
class Findings:
    """Complaints and notices gathered while several files are read."""

    complaints: list[Complaint] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)

    def complain(
        self, file: str, line: int | None, column: str | None, found: str, expected: str
    ) -> None:
        """Add a complaint; reading goes on, so that all come at once."""
        self.complaints.append(Complaint(file, line, column, found, expected))

    def note(self, file: str, says: str, line: int | None = None) -> None:
        """Add a notice."""
        self.notices.append(Notice(file, line, says))

    def sound(self, read: T | None) -> T:
        """What was read, now that all is; None is only for what a complaint is about.

        Raises
        ------
        InputError
            If there is any complaint.
        """
        self.stop_if_at_fault()
        assert read is not None
        return read

    def stop_if_at_fault(self) -> None:
        """Raise InputError if there is any complaint, file by file from top to bottom."""
        if self.complaints:
            files = list(dict.fromkeys(c.file for c in self.complaints))
            raise InputError(
                sorted(self.complaints, key=lambda c: (files.index(c.file), c.line or 0))
            )


def quote(text: str) -> str:
    """`text` from a file, fit for a message: in quotes, on one line, not too long.

    Examples
    --------
    >>> print(quote("1O.2"), quote(""), quote("a\\tb"))
    "1O.2" nothing "a\\tb"
    """
    if not text:
        return "nothing"
    if len(text) > _LONGEST:
        text = text[: _LONGEST - 3] + "..."
    return f'"{_printable(text)}"'


def _printable(text):
    """One line of text that cannot disturb a terminal, whatever a file held."""
    return text if text.isprintable() else "".join(
        c if c.isprintable() else repr(c)[1:-1] for c in text
    )


def lines_in_words(lines: list[int], most: int = 5) -> str:
    """Line numbers as people write them.

    Examples
    --------
    >>> lines_in_words([4]), lines_in_words([4, 7]), lines_in_words([1, 2, 3, 4, 5, 6, 7])
    ('line 4', 'lines 4 and 7', 'lines 1, 2, 3, 4, 5 and 2 more')
    """
    if len(lines) == 1:
        return f"line {lines[0]}"
    shown = [str(line) for line in lines[:most]]
    last = f"{len(lines) - most} more" if len(lines) > most else shown.pop()
    return f"lines {', '.join(shown)} and {last}"


def _place(file, lines, column):
    """Where it is; line 0 is the whole file."""
    lines = [line for line in dict.fromkeys(lines) if line]
    place = f"{file} {lines_in_words(lines)}" if lines else file
    if column is None:
        return place
    # TOML and JSON have keys; only a syntax error is at a column, and that is a number.
    word = "key" if file.endswith((".toml", ".json")) and not column.isdecimal() else "column"
    return f"{place}, {word} {column}"


class UnknownName(Exception):
    """A name to set aside that the run does not have, or that means two things."""
