"""What a person may type in place of a value, each as a hypothesis.

A slip is a set of fields with other values in them than the list of entries gives. Slips come in
families that share their prior odds equally; within a family every member is as likely. Which
families there are is from reading what people do at keyboards and menus (common practice, no
source). Nothing here decides; see `calib.confirm.search`.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from calib.entries.listed import Entry, EntryList
from calib.entries.schema import ANGLES, LENGTHS, SIZE

SIGN, OLD, ZERO, START = ("the wrong sign", "the old value left in", "left at zero",
                          "left at the value it starts from")
EXCHANGED, WRONG, LEFT_OUT, TWICE = ("two digits exchanged", "one digit wrong",
                                     "a digit left out", "a digit typed twice")
POINT, UNIT, MINUTES = "a decimal place off", "in another unit", "minutes typed as decimals"
HALF, DOUBLE, FROM_ELSEWHERE = "half of it", "twice of it", "counted from another side"
CHANGE, BACKWARDS, SPREAD = ("the change typed, not the value", "the change made the wrong way",
                             "its sd typed")
BESIDE, ANOTHER = "the value of the field beside", "the value of another field"
SWAPPED, SWAPPED_FAR, ROW = ("exchanged with the field beside", "exchanged with another field",
                             "from here on a row off")
ALL_OLD, FROM_HERE_OLD = "old values left in many", "old values left in from here on"
BY_AMOUNT = "another value"


@dataclass(frozen=True)
class Slip:
    """Fields that hold something else than they should.

    Attributes
    ----------
    family : str
        One of the names above.
    typed : mapping of int to float
        Number of an entry to what is in its field, in its own unit.
    what : str
        What it is, in more detail than the family where there is more.
    odds : float
        Prior, of this slip alone.
    """

    family: str
    typed: Mapping[int, float]
    what: str
    odds: float = 1.0

    @property
    def fields(self) -> frozenset[int]:
        """The entries that it is about."""
        return frozenset(self.typed)


@dataclass(frozen=True)
class Sheet:
    """What somebody had before them: a list of entries with its values.

    Attributes
    ----------
    entries : EntryList
    right : ndarray, shape (n,)
        Rounded, as they should be typed.
    old, start, sd : ndarray, shape (n,)
        NaN where there is none.
    """

    entries: EntryList
    right: np.ndarray
    old: np.ndarray
    start: np.ndarray
    sd: np.ndarray


def slips(sheet: Sheet, share: float) -> list[Slip]:
    """Every slip of one field or one stroke, each value in a field once; `share` the odds of all.
    """
    found: dict[tuple, Slip] = {}
    members: Counter[str] = Counter()
    for slip in _all(sheet):
        if not _changes(slip, sheet):
            continue
        members[slip.family] += 1
        key = tuple(sorted((i, round(v / (0.5 * sheet.entries.steps[i])))
                           for i, v in slip.typed.items()))
        found.setdefault(key, slip)
    return [Slip(s.family, s.typed, s.what, share / len(members) / members[s.family])
            for s in found.values()]


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
        for family, what, value in of_digits(entry.text(sheet.right[i])):
            yield Slip(family, {i: value}, what)
    yield from _of_fields(sheet)


def _of_source(i: int, entry: Entry, sheet: Sheet) -> Iterator[Slip]:
    """Another number that the person had in mind."""
    right, old = sheet.right[i], sheet.old[i]
    yield Slip(SIGN, {i: -right}, SIGN)
    yield Slip(OLD, {i: old}, OLD)
    yield Slip(ZERO, {i: 0.0}, ZERO)
    yield Slip(START, {i: sheet.start[i]}, START)
    yield Slip(CHANGE, {i: right - old}, CHANGE)
    yield Slip(BACKWARDS, {i: 2 * old - right}, BACKWARDS)
    yield Slip(SPREAD, {i: sheet.sd[i]}, SPREAD)


def _of_size(i: int, entry: Entry, right: float) -> Iterator[Slip]:
    """The right value in another unit, or with its point elsewhere."""
    for places in (1, -1, 2, -2, 3, -3):
        way = "left" if places < 0 else "right"
        yield Slip(POINT, {i: right * 10.0**places},
                   f"the decimal point {abs(places)} place{'s' * (abs(places) > 1)} to the {way}")
    angle = entry.kind == "deg"
    for unit in ANGLES if angle else LENGTHS:
        if unit != entry.unit:
            yield Slip(UNIT, {i: right * entry.size / SIZE[unit]},
                       f"in {unit}, not in {entry.unit}")
            # Read off in the right unit, and changed to another all the same.
            yield Slip(UNIT, {i: right * SIZE[unit] / entry.size},
                       f"taken for {unit} and changed to {entry.unit}")
    yield Slip(HALF, {i: right / 2}, HALF)
    yield Slip(DOUBLE, {i: 2 * right}, DOUBLE)
    if angle:
        whole = np.trunc(right)
        yield Slip(MINUTES, {i: whole + 0.6 * (right - whole)}, MINUTES)
        quarter = np.pi / 2 / entry.size
        for value in (right + quarter, right - quarter, right + 2 * quarter, quarter - right,
                      2 * quarter - right, -quarter - right):
            yield Slip(FROM_ELSEWHERE, {i: value}, FROM_ELSEWHERE)


def of_digits(text: str) -> Iterator[tuple[str, str, float]]:
    """What a slip of a finger makes of a number: family, words, value."""
    places = [k for k, c in enumerate(text) if c.isdigit()]
    for a, b in pairwise(places):
        if text[a] != text[b]:
            swapped = list(text)
            swapped[a], swapped[b] = text[b], text[a]
            yield EXCHANGED, f"the digits {text[a]} and {text[b]} exchanged", _number(swapped)
    for k in places:
        yield LEFT_OUT, f"the digit {text[k]} left out", _number([*text[:k], *text[k + 1:]])
        yield TWICE, f"the digit {text[k]} typed twice", _number([*text[:k], text[k], *text[k:]])
    for k in places:
        for digit in "0123456789":
            if digit != text[k]:
                yield (WRONG, f"{digit} in place of {text[k]}",
                       _number([*text[:k], digit, *text[k + 1:]]))


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

    yield Slip(ALL_OLD, left(range(n)), "no new value entered: all the old ones are in")
    for kind, word in (("m", "lengths"), ("deg", "angles")):
        yield Slip(ALL_OLD, left(i for i, e in enumerate(entries) if e.kind == kind),
                   f"all {word} as they were before")
    for i in range(1, n - 1):
        yield Slip(FROM_HERE_OLD, left(range(i, n)),
                   f"from {entries[i].name} on the old values are in")


def _of_fields(sheet: Sheet) -> Iterator[Slip]:
    """The values of other fields, of the same kind: in another unit it would be seen at once."""
    right, entries = sheet.right, sheet.entries.entries
    alike = [(i, j) for i in range(len(right)) for j in range(len(right))
             if i != j and entries[i].kind == entries[j].kind]
    for near in (True, False):
        for i, j in alike:
            if (abs(i - j) == 1) is not near:
                continue
            yield Slip(BESIDE if near else ANOTHER, {i: right[j]},
                       f"the value of {entries[j].name}")
            if i < j:
                yield Slip(SWAPPED if near else SWAPPED_FAR, {i: right[j], j: right[i]},
                           f"exchanged with {entries[j].name}")
    for i in range(len(right)):
        last = i
        while last + 1 < len(right) and entries[last + 1].kind == entries[i].kind:
            last += 1
        for end in {last, len(right) - 1}:
            if end - i > 1:
                yield Slip(ROW, {k: right[k - 1] for k in range(i + 1, end + 1)},
                           f"from {entries[i + 1].name} on each field has the value of the one "
                           "before it")
                yield Slip(ROW, {k: right[k + 1] for k in range(i, end)},
                           f"from {entries[i].name} on each field has the value of the one behind "
                           "it")
