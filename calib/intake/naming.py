"""Point ids to stand, pose and target: by a pattern, or by a booking sheet."""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from calib.run.complaints import Findings, quote
from calib.run.numerals import says_nothing
from calib.run.table import ID, Column, nearest, read_table
from calib.run.text import decode

_FIELDS = {
    "stand": r"[^\s{}]+?",
    "pose": r"[^\s{}]+?",
    "target": r"[A-Za-z_][A-Za-z0-9_]*",
    "repeat": r"(?:[._-]?[A-Za-z]|[._-][0-9]{1,2})?",
}
_SUFFIX = re.compile(r"(?P<id>.*[0-9A-Za-z])(?:[._-]?[A-Za-z]|[._-][0-9]{1,2})")


class PatternText(ValueError):
    """A pattern that cannot be used; the message says why."""


@dataclass(frozen=True)
class Booked:
    """What one point is.

    Attributes
    ----------
    pose, target : str
    stand : str or None
        None where nobody said.
    repeat : str
        Mark of a re-shot, "" for the first.
    """

    pose: str
    target: str
    stand: str | None = None
    repeat: str = ""


class IdPattern:
    """Ids made of parts, such as ``{pose}-{target}``.

    Fields: ``{pose}`` and ``{target}``, and if wanted ``{stand}`` and ``{repeat}`` (a letter or a
    marked number after a re-shot, such as the a of 12-La). Everything else stands for itself.

    Parameters
    ----------
    pattern : str
    targets : mapping of str to str
        What the crew writes to our target; empty: targets are written in full.

    Raises
    ------
    PatternText

    Examples
    --------
    >>> ids = IdPattern("{pose}-{target}{repeat}", {"left": "edge_left", "right": "edge_right"})
    >>> ids.readings_of("12-lefta")
    [Booked(pose='12', target='edge_left', stand=None, repeat='a')]
    """

    def __init__(self, pattern: str, targets: Mapping[str, str]):
        self.pattern, self.targets = pattern, dict(targets)
        fields = re.findall(r"{([^{}]*)}", pattern)
        for name in fields:
            if name not in _FIELDS:
                raise PatternText(f"{{{name}}} is no part of an id; there are "
                                  + ", ".join(f"{{{f}}}" for f in _FIELDS))
            if fields.count(name) > 1:
                raise PatternText(f"{{{name}}} stands twice in {pattern!r}")
        for name in ("pose", "target"):
            if name not in fields:
                raise PatternText(f"{pattern!r} has no {{{name}}}; an example: "
                                  '"{pose}-{target}"')
        self._parts = re.split(r"({[^{}]*})", pattern)

    def readings_of(self, point: str) -> list[Booked]:
        """Ways in which an id fits the pattern; more than one is ambiguous, more than three are
        not told apart."""
        found = []
        for parts in self._fits(0, point, 0, {}):
            booked = Booked(
                parts["pose"], self.targets.get(parts["target"], parts["target"]),
                parts.get("stand"), parts.get("repeat", ""),
            )
            if booked not in found:
                found.append(booked)
            if len(found) > 3:
                break
        return found

    def _fits(self, index, text, at, known) -> Iterator[dict[str, str]]:
        """Every split of `text` from `at` on over the parts from `index` on.

        `known` holds where there is none, so that nothing is tried twice in vain.
        """
        if index == len(self._parts):
            if at == len(text):
                yield {}
            return
        if known.get((index, at)) is False:
            return
        part, some = self._parts[index], False
        if not part.startswith("{"):
            if text.startswith(part, at):
                for fit in self._fits(index + 1, text, at + len(part), known):
                    some = True
                    yield fit
        else:
            name = part[1:-1]
            for end in range(at, len(text) + 1):
                if known.get((index + 1, end)) is not False and self._is(name, text[at:end]):
                    for others in self._fits(index + 1, text, end, known):
                        some = True
                        yield {name: text[at:end], **others}
        known[index, at] = some

    def _is(self, name, text):
        if name == "target" and self.targets:
            return text in self.targets
        return re.fullmatch(_FIELDS[name], text) is not None


def book_by_pattern(
    points: tuple[str, ...],
    lines: tuple[int, ...],
    file: str,
    pattern: IdPattern,
    leave_others: bool,
    findings: Findings,
) -> dict[int, Booked]:
    """What each row is, by its id.

    Parameters
    ----------
    leave_others : bool
        Rows whose id does not fit are left out with a notice; else each is a complaint.

    Returns
    -------
    dict of int to Booked
        By row number.
    """
    booked, others = {}, []
    for row, (point, line) in enumerate(zip(points, lines, strict=True)):
        ways = pattern.readings_of(point) if len(point) <= 60 else []
        if len(ways) == 1:
            booked[row] = ways[0]
        elif len(ways) > 1:
            findings.complain(
                file, line, "point",
                f"{quote(point)}, which can be " + " or ".join(_in_words(w) for w in ways[:3]),
                "ids that fit the pattern in one way (a table of --target names helps)")
        elif leave_others:
            others.append(f"{point} (line {line})")
        else:
            hint = f"; targets: {', '.join(pattern.targets)}" if pattern.targets else ""
            findings.complain(file, line, "point", quote(point),
                              f"an id like {pattern.pattern}{hint} (--others leave-out leaves "
                              "such points out)")
    if others:
        findings.note(file, f"left out, the id does not fit {pattern.pattern}: "
                      + ", ".join(others[:12])
                      + (f" and {len(others) - 12} more" if len(others) > 12 else ""))
    return booked


def _in_words(booked):
    stand = f"stand {booked.stand}, " if booked.stand else ""
    repeat = f", repeat {booked.repeat}" if booked.repeat else ""
    return f"{stand}pose {booked.pose}, target {booked.target}{repeat}"


@dataclass(frozen=True)
class BookingSheet:
    """A hand-kept list of which point is what.

    Attributes
    ----------
    points : dict of str to Booked
    lines : dict of str to int
    """

    file: str
    points: dict[str, Booked]
    lines: dict[str, int]


def read_booking(
    data: bytes, file: str, targets: Mapping[str, str], findings: Findings
) -> BookingSheet | None:
    """Read a booking sheet: columns point, pose, target, perhaps stand.

    Returns
    -------
    BookingSheet or None
        None after a complaint about the file as a whole.
    """
    text = decode(data, file, findings)
    columns = [Column("point", ID), Column("pose", ID), Column("target", ID),
               Column("stand", ID, required=False)]
    table = None if text is None else read_table(text, file, columns, findings)
    if table is None:
        return None
    booked, lines = {}, {}
    stands = table.texts.get("stand", ("",) * len(table))
    rows = zip(table.texts.get("point", ()), table.texts.get("pose", ()),
               table.texts.get("target", ()), stands, table.lines.tolist(), strict=False)
    for point, pose, target, stand, line in rows:
        if pose and says_nothing(pose):
            findings.complain(file, line, "pose", quote(pose), "a pose (a sign for no value?)")
        if point in booked:
            findings.complain(file, line, "point", f"{quote(point)} again (first in line "
                              f"{lines[point]})", "each point once")
        elif point:
            booked[point] = Booked(pose, targets.get(target, target), stand or None)
            lines[point] = line
    return BookingSheet(file, booked, lines)


def book_by_sheet(
    points: tuple[str, ...],
    lines: tuple[int, ...],
    file: str,
    sheet: BookingSheet,
    findings: Findings,
) -> tuple[dict[int, Booked], set[str]]:
    """What each row is, by the sheet.

    A re-shot (12a after 12) counts as a repeat of the booked point if the sheet does not book it
    as a point of its own; each is told.

    Returns
    -------
    dict of int to Booked
        By row number.
    set of str
        The booked points that were found.
    """
    booked, found, others = {}, set(), []
    for row, (point, line) in enumerate(zip(points, lines, strict=True)):
        known = sheet.points.get(point)
        match = _SUFFIX.fullmatch(point)
        if known is not None:
            booked[row] = known
            found.add(point)
        elif match and match["id"] in sheet.points:
            first = sheet.points[match["id"]]
            booked[row] = Booked(first.pose, first.target, first.stand, point[len(match["id"]):])
            findings.note(file, f"{quote(point)} taken as a re-shot of {quote(match['id'])}", line)
        else:
            others.append(f"{point} (line {line})")
    if others:
        findings.note(file, f"left out, not in {sheet.file}: " + ", ".join(others[:12])
                      + (f" and {len(others) - 12} more" if len(others) > 12 else ""))
    return booked, found


def complain_of_unfound(sheet: BookingSheet, found: set[str], points: Iterable[str],
                        findings: Findings) -> None:
    """Complain of booked points that no file holds."""
    for point in sheet.points:
        if point not in found:
            findings.complain(sheet.file, sheet.lines[point], "point", quote(point),
                              f"a point of the imported files{nearest(point, points)}")
