"""Shots whose coordinates equal those of an earlier one to the last digit, and ids that look alike.

Two measurements hardly ever agree in all three coordinates; a row copied under another id does,
and counts twice.
"""

from collections.abc import Sequence

import numpy as np

from calib.run.complaints import Findings, lines_in_words, quote

_MANY, _SHARE = 3, 0.1
"""So many copies, and so large a share of all shots, are no chance; fewer are told."""

_COARSE = 0.01
"""Where all coordinates are rounded to so much (m), a mark that does not move repeats itself."""


def tell_copies(
    position: np.ndarray, file: Sequence[str], line: Sequence[int], findings: Findings
) -> None:
    """Complain of many copies, say where there are few.

    Parameters
    ----------
    position : ndarray, shape (n, 3)
        As written, m; rows with NaN are left out.
    file, line : sequence
        Where each row stands.
    """
    copies = again(position)
    if not copies:
        return
    before, row = copies[0]
    lines = lines_in_words([line[i] for _, i in copies if file[i] == file[row]])
    other = f"{file[before]} line {line[before]} to the last digit"
    says = f"the coordinates of {other}" if len(copies) == 1 else (
        f"{len(copies)} shots with the coordinates of another, such as these of {other} ({lines})")
    sound = position[np.isfinite(position).all(axis=1)] / _COARSE
    coarse = np.abs(sound - np.round(sound)).max() < 1e-5
    if len(copies) >= max(_MANY, _SHARE * len(position)) and not coarse:
        findings.complain(file[row], line[row], None, says,
                          "each shot once: a copy counts twice")
    else:
        findings.note(file[row], f"{says}: a copy would count twice; a mark that "
                      "did not move may be shot so again", line[row])


def again(rows: np.ndarray) -> list[tuple[int, int]]:
    """Rows, shape (n, k), that equal an earlier one: the first such, and the row; none with NaN.

    Examples
    --------
    >>> again(np.array([[1.0, 2.0], [3.0, np.nan], [1.0, 2.0], [3.0, np.nan]]))
    [(0, 2)]
    """
    sound = np.flatnonzero(np.isfinite(rows).all(axis=1))
    _, first, of = np.unique(rows[sound], axis=0, return_index=True, return_inverse=True)
    before = first[of.reshape(-1)]  # some versions of numpy give it a second axis
    return [(int(sound[a]), int(sound[b])) for b, a in enumerate(before) if a != b]


def note_same_readings(
    readings: np.ndarray, poses: Sequence[str], file: str, line: Sequence[int], findings: Findings
) -> None:
    """Say which poses have all readings of another, shape (n, k), to the last digit."""
    if same := again(readings) if readings.size else []:
        before, row = same[0]
        findings.note(file, f"{len(same)} pose(s) with the readings of another to the last digit "
                      f"({lines_in_words([line[i] for _, i in same])}; pose {quote(poses[row])} is "
                      f"pose {quote(poses[before])} again): was a row copied?", line[row])


def complain_of_lookalikes(
    ids: Sequence[str], file: Sequence[str], line: Sequence[int], column: str, findings: Findings
) -> None:
    """Complain of ids that differ only in capitals or spaces; "" is none."""
    seen: dict[str, tuple[str, str, int]] = {}
    told = set()
    for name, where, number in zip(ids, file, line, strict=True):
        if not name:
            continue
        key = _key(name)
        other, at, other_line = seen.setdefault(key, (name, where, number))
        if other != name and name not in told:
            told.add(name)
            findings.complain(where, number, column,
                              f"{quote(name)} beside {quote(other)} ({at}"
                              + (f" line {other_line})" if other_line else ")"),
                              "one way of writing it: ids are compared letter by letter")


def alike(one: str, other: str) -> bool:
    """Whether two ids differ at most in capitals and spaces."""
    return _key(one) == _key(other)


def _key(name):
    return "".join(name.split()).casefold()
