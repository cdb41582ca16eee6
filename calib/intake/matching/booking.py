"""Which point is what: by the file's own columns, by a booking sheet, or by the pattern of ids."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from calib.intake.choices import Alternative, Choice, what_is
from calib.intake.declaration import Declaration
from calib.intake.files.cells import Labelled
from calib.intake.files.columns import SKIP, read_named
from calib.intake.files.ids import LONGEST, Booked, IdPattern, names_of
from calib.run.complaints import Findings, quote
from calib.run.numerals import says_nothing
from calib.run.table import ID, Column, nearest

_SUFFIX = re.compile(r"(?P<id>.*[0-9A-Za-z])(?:[._-]?[A-Za-z]|[._-][0-9]{1,2})")

_MOST_WORDS = 12
"""More words than this are no targets."""


def book_by_pattern(
    points: Sequence[str],
    lines: Sequence[int],
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
    booked, others, no_target = {}, [], []
    for row, (point, line) in enumerate(zip(points, lines, strict=True)):
        ways = pattern.readings_of(point) if len(point) <= LONGEST else []
        if len(ways) == 1 and ways[0].target == SKIP:
            no_target.append(f"{point} (line {line})")
        elif len(ways) == 1:
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
    for why, left in ((f"the id does not fit {pattern.pattern}", others),
                      ("declared to be no target", no_target)):
        _note_left_out(file, why, left, findings)
    return booked


def _note_left_out(file, why, left, findings):
    if left:
        more = f" and {len(left) - 12} more" if len(left) > 12 else ""
        findings.note(file, f"left out, {why}: {', '.join(left[:12])}{more}")


def _in_words(booked):
    stand = f"stand {booked.stand}, " if booked.stand else ""
    repeat = f", repeat {booked.repeat}" if booked.repeat else ""
    return f"{stand}pose {booked.pose}, target {booked.target}{repeat}"


@dataclass(frozen=True)
class BookingSheet:
    """A hand-kept list of which point is what."""

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
    columns = [Column("point", ID), Column("pose", ID), Column("target", ID),
               Column("stand", ID, required=False)]
    table = read_named(data, file, columns, findings)
    if table is None:
        return None
    booked: dict[str, Booked] = {}
    lines: dict[str, int] = {}
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
    points: Sequence[str],
    lines: Sequence[int],
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
    _note_left_out(file, f"not in {sheet.file}", others, findings)
    return booked, found


def complain_of_unfound(sheet: BookingSheet, found: set[str], points: Iterable[str],
                        findings: Findings) -> None:
    """Complain of booked points that no file holds."""
    for point in sheet.points:
        if point not in found:
            findings.complain(sheet.file, sheet.lines[point], "point", quote(point),
                              f"a point of the imported files{nearest(point, points)}")


@dataclass
class Booking:
    """How ids become poses and targets; remembers which booked points were found."""

    declared: Declaration
    sheet: BookingSheet | None

    def __post_init__(self):
        self.found: set[str] = set()
        self.seen: list[str] = []
        self.unfit: list[str] = []  # names that no pattern fits, where that is refused

    def book(self, found: Labelled, rows: Sequence[int], findings: Findings) -> dict[int, Booked]:
        """By row: the file's own columns first, then the sheet, then the pattern."""
        ids = [found.ids[row] for row in rows]
        self.seen += ids
        if any(found.pose[row] for row in rows) and any(found.target[row] for row in rows):
            return self._by_columns(found, rows, findings)
        lines = [found.lines[row][0] for row in rows]
        if self.sheet is not None:
            booked, there = book_by_sheet(ids, lines, found.file, self.sheet, findings)
            self.found |= there
        elif self.declared.ids is not None:
            pattern = IdPattern(self.declared.ids, self.declared.targets)
            names = names_of(ids, [found.description[row] for row in rows])
            leave = self.declared.others == "leave-out"
            booked = book_by_pattern(names[self.declared.ids_in], lines, found.file, pattern,
                                     leave, findings)
            self.unfit += [name for row, name in enumerate(names[self.declared.ids_in])
                           if not leave and row not in booked and not pattern.only(name)]
        else:
            booked = {}
            findings.complain(
                found.file, lines[0], "point", quote(ids[0]),
                'how ids name pose and target: --ids "{pose}-{target}" (--ids-in description if it '
                "is there that they are named), or --booking SHEET with columns point, pose, "
                "target")
        return {rows[i]: what for i, what in booked.items()}

    def unfit_choices(self, targets: Sequence[str]) -> list[Choice]:
        """What words mean that stand where others name a target, or what becomes of names without.
        """
        reader = IdPattern(self.declared.ids or "", {})
        words = dict.fromkeys(way and way.target for way in map(reader.only, self.unfit))
        return [left_over(self.unfit)] if None in words or len(words) > _MOST_WORDS else [
            what_is(str(word), [SKIP, *targets], "no --target says so") for word in words]

    def _by_columns(self, found, rows, findings):
        booked = {}
        for row in rows:
            pose, target = found.pose[row], found.target[row]
            if pose and target:
                booked[row] = Booked(pose, self.declared.targets.get(target, target))
            else:
                missing = "target" if pose else "pose"
                findings.complain(found.file, found.lines[row][0], missing, "nothing",
                                  f"a {missing}")
        return booked


def left_over(others: Sequence[str]) -> Choice:
    """What becomes of points that do not fit."""
    return Choice(
        "what becomes of " + ("1 point that does" if len(others) == 1 else
                              f"{len(others)} points that do") + " not fit",
        (Alternative("leave out", {"others": "leave-out"}, "--others leave-out"),), False,
        ", ".join(quote(name) for name in others[:5]) + (" ..." if len(others) > 5 else "")
        + ": bench marks perhaps, or shots whose name was mistyped")
