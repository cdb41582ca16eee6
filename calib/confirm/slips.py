"""What a person may type in place of a value, each as a hypothesis.

A slip is a set of fields with other values in them than the list of entries gives. Slips come in
families that share their prior odds equally; within a family every member is as likely. Which
families there are is from reading what people do at keyboards and menus (common practice, no
source). Nothing here decides; see `calib.confirm.slip_search`.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from itertools import pairwise

import numpy as np

from calib.entries.listed import EntryList
from calib.entries.schema import ANGLES, LENGTHS, SIZE, Entry


class Family(Enum):
    """What goes wrong in one way; how is for `Slip.way` and `Slip.of` to say."""

    SIGN, OLD, ZERO, START, CHANGE, BACKWARDS, SPREAD = range(7)  # another number in mind
    EXCHANGED, WRONG, LEFT_OUT, TWICE = range(7, 11)  # digits
    POINT, UNIT, MINUTES, HALF, DOUBLE, FROM_ELSEWHERE = range(11, 17)  # another size
    BESIDE, ANOTHER, SWAPPED, SWAPPED_FAR, ROW = range(17, 22)  # values of other fields
    ALL_OLD, FROM_HERE_OLD = range(22, 24)
    BY_AMOUNT = 24


class Way(Enum):
    """Two or three ways of one family."""

    LEFT, RIGHT, READ, CONVERTED, ALL, KIND, BEFORE, BEHIND = range(8)


@dataclass(frozen=True)
class Slip:
    """Fields that hold something else than they should."""

    family: Family
    typed: Mapping[int, float]  #: Number of an entry to what is in its field, in its own unit.
    #: What it is about: digits, places, units (there, and as asked), a kind or a name of entries.
    of: tuple[str | int, ...] = ()
    way: Way | None = None  #: Where the family has several.
    odds: float = 1.0  #: Prior, of this slip alone.

    @property
    def fields(self) -> frozenset[int]:
        """The entries that it is about."""
        return frozenset(self.typed)


@dataclass(frozen=True)
class Sheet:
    """What somebody had before them: a list of entries with its values."""

    entries: EntryList
    right: np.ndarray  #: Shape (n,). Rounded, as they should be typed.
    #: old, start, sd: shape (n,). NaN where there is none.
    old: np.ndarray
    start: np.ndarray
    sd: np.ndarray


def slips(sheet: Sheet, share: float) -> list[Slip]:
    """Every slip of a field or a stroke, each value in a field once; `share` the odds of all."""
    found: dict[tuple, Slip] = {}
    members: Counter[Family] = Counter()
    for slip in _all(sheet):
        if not _changes(slip, sheet):
            continue
        members[slip.family] += 1
        key = tuple(sorted((i, round(v / (0.5 * sheet.entries.steps[i])))
                           for i, v in slip.typed.items()))
        found.setdefault(key, slip)
    return [replace(s, odds=share / len(members) / members[s.family]) for s in found.values()]


def _changes(slip, sheet):
    """Something else than what is right is in every field, beyond rounding, and it is a number."""
    return bool(slip.typed) and all(
        np.isfinite(value) and abs(value - sheet.right[i]) > 0.75 * sheet.entries.steps[i]
        for i, value in slip.typed.items())


def _all(sheet: Sheet) -> Iterator[Slip]:
    """The families with few members first: where two give the same value the first is kept."""
    for i, entry in enumerate(sheet.entries.entries):
        yield from _of_source(i, entry, sheet)
    yield from _of_many(sheet)
    for i, entry in enumerate(sheet.entries.entries):
        yield from _of_size(i, entry, sheet.right[i])
    for i, entry in enumerate(sheet.entries.entries):
        for family, digits, value in _of_digits(entry.text(sheet.right[i])):
            yield Slip(family, {i: value}, digits)
    yield from _of_fields(sheet)


def _of_source(i: int, entry: Entry, sheet: Sheet) -> Iterator[Slip]:
    """Another number that the person had in mind."""
    right, old = sheet.right[i], sheet.old[i]
    yield Slip(Family.SIGN, {i: -right})
    yield Slip(Family.OLD, {i: old})
    yield Slip(Family.ZERO, {i: 0.0})
    yield Slip(Family.START, {i: sheet.start[i]})
    yield Slip(Family.CHANGE, {i: right - old})
    yield Slip(Family.BACKWARDS, {i: 2 * old - right})
    yield Slip(Family.SPREAD, {i: sheet.sd[i]})


def _of_size(i: int, entry: Entry, right: float) -> Iterator[Slip]:
    """The right value in another unit, or with its point elsewhere."""
    for places in (1, -1, 2, -2, 3, -3):
        yield Slip(Family.POINT, {i: right * 10.0**places}, (abs(places),),
                   Way.LEFT if places < 0 else Way.RIGHT)
    angle = entry.kind == "deg"
    for unit in ANGLES if angle else LENGTHS:
        if unit != entry.unit:
            yield Slip(Family.UNIT, {i: right * entry.size / SIZE[unit]}, (unit, entry.unit),
                       Way.READ)
            # Read off in the right unit, and changed to another all the same.
            yield Slip(Family.UNIT, {i: right * SIZE[unit] / entry.size}, (unit, entry.unit),
                       Way.CONVERTED)
    yield Slip(Family.HALF, {i: right / 2})
    yield Slip(Family.DOUBLE, {i: 2 * right})
    if angle:
        whole = np.trunc(right)
        yield Slip(Family.MINUTES, {i: whole + 0.6 * (right - whole)})
        quarter = np.pi / 2 / entry.size
        for value in (right + quarter, right - quarter, right + 2 * quarter, quarter - right,
                      2 * quarter - right, -quarter - right):
            yield Slip(Family.FROM_ELSEWHERE, {i: value})


def _of_digits(text: str) -> Iterator[tuple[Family, tuple[str, ...], float]]:
    """What a slip of a finger makes of a number: family, digits, value."""
    places = [k for k, c in enumerate(text) if c.isdigit()]
    for a, b in pairwise(places):
        if text[a] != text[b]:
            swapped = list(text)
            swapped[a], swapped[b] = text[b], text[a]
            yield Family.EXCHANGED, (text[a], text[b]), _number(swapped)
    for k in places:
        yield Family.LEFT_OUT, (text[k],), _number([*text[:k], *text[k + 1:]])
        yield Family.TWICE, (text[k],), _number([*text[:k], text[k], *text[k:]])
    for k in places:
        for digit in "0123456789":
            if digit != text[k]:
                yield Family.WRONG, (digit, text[k]), _number([*text[:k], digit, *text[k + 1:]])


def _number(characters):
    text = "".join(characters)
    return float(text) if any(c.isdigit() for c in text) else np.nan


def _of_many(sheet: Sheet) -> Iterator[Slip]:
    """Several fields at once: old values left in."""
    n, old, entries = len(sheet.right), sheet.old, sheet.entries.entries

    def left(rows):
        rows = [i for i in rows if np.isfinite(old[i])
                and abs(old[i] - sheet.right[i]) > 0.75 * entries[i].step]
        return {i: old[i] for i in rows} if len(rows) > 1 else {}

    yield Slip(Family.ALL_OLD, left(range(n)), way=Way.ALL)
    for kind in ("m", "deg"):
        yield Slip(Family.ALL_OLD, left(i for i, e in enumerate(entries) if e.kind == kind),
                   (kind,), Way.KIND)
    for i in range(1, n - 1):
        yield Slip(Family.FROM_HERE_OLD, left(range(i, n)), (entries[i].name,))


def _of_fields(sheet: Sheet) -> Iterator[Slip]:
    """The values of other fields, of the same kind: in another unit it would be seen at once."""
    right, entries = sheet.right, sheet.entries.entries
    alike = [(i, j) for i in range(len(right)) for j in range(len(right))
             if i != j and entries[i].kind == entries[j].kind]
    for near in (True, False):
        for i, j in alike:
            if (abs(i - j) == 1) is not near:
                continue
            of = (entries[j].name,)
            yield Slip(Family.BESIDE if near else Family.ANOTHER, {i: right[j]}, of)
            if i < j:
                yield Slip(Family.SWAPPED if near else Family.SWAPPED_FAR,
                           {i: right[j], j: right[i]}, of)
    for i in range(len(right)):
        last = i
        while last + 1 < len(right) and entries[last + 1].kind == entries[i].kind:
            last += 1
        for end in {last, len(right) - 1}:
            if end - i > 1:
                yield Slip(Family.ROW, {k: right[k - 1] for k in range(i + 1, end + 1)},
                           (entries[i + 1].name,), Way.BEFORE)
                yield Slip(Family.ROW, {k: right[k + 1] for k in range(i, end)},
                           (entries[i].name,), Way.BEHIND)
