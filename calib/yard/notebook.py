"""The run folder as the yard page writes it: a row at a time, whole and at once.

Every change says what it takes the row to be. Where somebody else changed the same row meanwhile
(a second page, an editor) it is refused, and nothing of either is lost; other rows are theirs.
"""

import json
import threading
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from itertools import chain, count
from pathlib import Path

from pydantic import ConfigDict, TypeAdapter

from calib.chain.rig import Rig
from calib.run import rows
from calib.run.complaints import Complaint, Findings, InputError, quote
from calib.run.consistency import check_together
from calib.run.folder import BACKSIGHTS, READINGS, RIG, SETUPS, SHOTS, rig_from_text
from calib.run.observed import read_poses, read_set_ups, read_shots
from calib.run.records import Tape
from calib.run.rig_file import AXES
from calib.run.text import decode, ordinary, parse_json
from calib.run.write import finish_writing, free_path, keep_damaged, write_whole

#: What the page keeps beside the files of the run: nothing that a solution needs.
NOTES = "yard.json"

_SHOTS = rows.Kind(SHOTS, ("shot", "pose", "target", *AXES), "shot", AXES)


class Changed(Exception):
    """The row is not what the page took it for; `now` is what it is (None: there is none)."""

    def __init__(self, now: dict[str, str] | None):
        super().__init__("somebody changed this row meanwhile")
        self.now = now


@dataclass(frozen=True)
class Notes:
    """What is remembered of a day."""

    # What another version noted would be lost when this one writes.
    __pydantic_config__ = ConfigDict(extra="forbid")

    started: str | None = None  #: When the first reading or shot was noted, ISO 8601.
    skipped: tuple[str, ...] = ()  #: Poses of the plan that are not to be shot.
    set_aside: tuple[str, ...] = ()  #: As `calib.judge.set_aside.named` takes them.
    accepted: tuple[str, ...] = ()  #: Shots that do not fit and are kept all the same.
    #: Rows as they stood in shots.csv, and points of a collector that are no shots of the run.
    taken_out: tuple[dict[str, str], ...] = ()

    def without(self, row: dict[str, str]) -> "Notes":
        """As they are once a shot is taken out: nothing is said of it but that."""
        return replace(self, taken_out=(*self.taken_out, row),
                       set_aside=tuple(n for n in self.set_aside if n != row["shot"]),
                       accepted=tuple(n for n in self.accepted if n != row["shot"]))


_NOTES = TypeAdapter(Notes)


@dataclass
class Notebook:
    """A run folder that is written row by row; safe from several threads."""

    folder: Path
    _lock: threading.RLock = field(default_factory=threading.RLock, repr=False)

    def rig(self) -> Rig:
        """The rig, also while the run has no shots yet.

        Raises
        ------
        InputError
        """
        return rig_from_text(self._text(RIG))

    def notes(self) -> Notes:
        """What is remembered; nothing if the file is not there or `damaged`."""
        return self._noted()[0]

    def damaged(self) -> tuple[str, ...]:
        """What there is to say of notes that cannot be read: the file, and those kept of before."""
        found, whole = self._noted()[1], "what this page noted, put right or deleted"
        later = free_path(self.folder / f"damaged-{NOTES}").name
        now = () if found is None else (Complaint(
            NOTES, None, None, found, f"{whole} (with the next change it becomes {later})"),)
        before = sorted(path.name for path in self.folder.glob(f"damaged-{Path(NOTES).stem}*"))
        return tuple(map(str, (*now, *(Complaint(
            name, None, None, f"a former {NOTES} that could not be read: what it set aside, kept, "
            "skipped or took out is not known here", f"{whole}") for name in before))))

    def _noted(self):
        """What is remembered, and what was found in its place (None: nothing else)."""
        try:
            notes = _NOTES.validate_python(parse_json(ordinary(self.folder / NOTES).read_bytes()))
            if all("shot" in row for row in notes.taken_out):
                return notes, None
        except FileNotFoundError:
            return Notes(), None
        except OSError as error:
            return Notes(), f"no file that can be read ({(error.strerror or str(error)).lower()})"
        except ValueError:
            pass
        return Notes(), "a damaged file"

    def note(self, change: Callable[[Notes], Notes]) -> Notes:
        """Remember something else: `change` is given what is remembered by now."""
        with self._lock:
            notes = change(self.notes())
            self._write({NOTES: _text_of(notes)})
        return notes

    def mark(self, list_name: str, names: Sequence[str], on: bool) -> None:
        """Put names on one of the lists of `Notes`, or take them off; the others stay."""
        def marked(notes):
            rest = tuple(n for n in getattr(notes, list_name) if n not in names)
            return replace(notes, **{list_name: (*rest, *dict.fromkeys(names)) if on else rest})
        self.note(marked)

    def poses(self) -> tuple[dict[str, str], ...]:
        """The rows of readings.csv as they are written, in their order; none if none is read."""
        text, findings = self._text(READINGS, ""), Findings()
        rig = self.rig()
        if not text.strip() or read_poses(text, READINGS, rig, findings) is None:
            return ()
        return tuple(rows.all_rows(text, _poses(rig)))

    def shots(self) -> list[dict[str, str]]:
        """Every row of shots.csv as it is written."""
        return rows.all_rows(self._text(SHOTS, ""), _SHOTS)

    def row(self, file: str, name: str) -> dict[str, str] | None:
        """The row of a pose in readings.csv, or of a shot in shots.csv, as it is written."""
        kind = _poses(self.rig()) if file == READINGS else _SHOTS
        return rows.row_of(self._text(file, ""), kind, name)

    def put_readings(self, pose: str, cells: Mapping[str, str] | None,
                     was: Mapping[str, str] | None) -> None:
        """Write the row of a pose (stand, readings, pose columns), or take it out (None).

        Parameters
        ----------
        was : mapping or None
            What it is taken to be; None: that there is none.

        Raises
        ------
        Changed
        InputError
            If the row cannot be written, or would not be read back, or shots are of it.
        """
        with self._lock:
            if cells is None and (of_it := [s["shot"] for s in self.shots() if s["pose"] == pose]):
                raise InputError.of(READINGS, f"{len(of_it)} shots of pose {quote(pose)}",
                                    "a pose without shots, to be taken out (take them out first)",
                                    column="pose")
            self._write({READINGS: self._put(_poses(self.rig()), pose, cells, was)})

    def add_shots(self, shots: Sequence[Mapping[str, str]], instead: Sequence[str] = ()) -> None:
        """Add rows to shots.csv: shot, pose, target, east, north, up, perhaps sds and a set-up.

        Parameters
        ----------
        instead : sequence of str
            Shots that are taken out in the same moment.

        Raises
        ------
        InputError
        """
        with self._lock:
            text, notes = self._text(SHOTS, ""), self.notes()
            for name in instead:
                text, notes = self._without(text, notes, name)
            for shot in shots:
                if same := rows.row_of(text, _SHOTS, shot["shot"]):
                    raise InputError.of(SHOTS, f"{quote(shot['shot'])} again "
                                        f"(there is one of pose {same.get('pose', '')})",
                                        "each shot id once", column="shot")
                if copied := _copied(text, shot):
                    raise InputError.of(SHOTS,
                                        f"the coordinates of shot {quote(copied)} to the last "
                                        "digit", "each shot once: a copy counts twice")
                text = rows.added(text, replace(_SHOTS, numeric=_numeric(shot)), [shot])
            self._refuse_unreadable(SHOTS, text)
            self._write({SHOTS: text} | ({NOTES: _text_of(notes)} if instead else {}))

    def put_shot(self, shot: str, cells: Mapping[str, str] | None,
                 was: Mapping[str, str] | None) -> None:
        """Change the row of a shot, or take it out (`cells` None); what it was is remembered.

        Raises
        ------
        Changed
        InputError
        """
        with self._lock:
            row = self.row(SHOTS, shot)
            text = self._put(_SHOTS, shot, cells, was)
            notes = self.notes()
            if row is not None and (cells is None or not all(
                    _alike(row[axis], cells.get(axis, row[axis])) for axis in AXES)):
                notes = notes.without(row)
            self._write({SHOTS: text, NOTES: _text_of(notes)})

    def bring_back(self, shot: str) -> None:
        """Put a shot that was taken out into shots.csv again; a point is looked at anew.

        Raises
        ------
        InputError
            If it cannot be put there, or none of that name was taken out.
        """
        with self._lock:
            notes = self.notes()
            row = next((r for r in reversed(notes.taken_out) if r["shot"] == shot), None)
            if row is None:
                raise InputError.of(NOTES, quote(shot), "a shot taken out")
            if row.get("pose"):
                self.add_shots([row])
            self.note(lambda now: replace(now, taken_out=tuple(
                r for r in now.taken_out if r != row)))

    def _without(self, text, notes, name):
        """Text and notes without a shot."""
        row = rows.row_of(text, _SHOTS, name)
        if row is None:
            raise Changed(None)
        return rows.changed(text, _SHOTS, name, None), notes.without(row)

    def _put(self, kind, name, cells, was):
        """The text of a file with another row, if the row is what it was taken to be."""
        text = self._text(kind.file, "")
        now = rows.row_of(text, kind, name)
        same = now == was if was is None or now is None else all(
            _alike(now.get(column, ""), cell) for column, cell in was.items())
        if not same or now is cells is None:
            raise Changed(now)
        if now is None:
            text = rows.added(text, kind, [{kind.key: name, **cells}])
        else:
            text = rows.changed(text, kind, name, cells)
        self._refuse_unreadable(kind.file, text)
        return text

    def _refuse_unreadable(self, file, text):
        """Refuse what the readers of a run folder would complain of and did not before."""
        rig, poses = self.rig(), None
        readings = text if file == READINGS else self._text(READINGS, "")
        if file == SHOTS and readings.strip():
            poses = read_poses(readings, READINGS, rig, Findings())

        def complaints(text):
            findings = Findings()
            if not text.strip():
                return []
            if file == READINGS:
                read_poses(text, file, rig, findings)
                return findings.complaints
            shots = read_shots(text, file, rig, poses, self._set_ups(), findings, needed=False)
            if poses is not None and shots is not None:
                check_together(rig, poses, shots, None, Tape.none(), findings, True)
            return findings.complaints

        known = {str(complaint) for complaint in complaints(self._text(file, ""))}
        new = [c for c in complaints(text) if str(c) not in known]
        if new:
            raise InputError(tuple(new))

    def _set_ups(self):
        setups = self._text(SETUPS, "")
        if not setups.strip():
            return None
        sights = self._text(BACKSIGHTS, "")
        return read_set_ups(setups, SETUPS, sights or None, BACKSIGHTS, Findings())

    def _text(self, name: str, missing: str | None = None) -> str:
        finish_writing(self.folder)
        try:
            data = ordinary(self.folder / name).read_bytes()
        except FileNotFoundError:
            if missing is not None:
                return missing
            raise InputError.of(name, "no such file", "a run folder (see: calib new)") from None
        findings = Findings()
        text = decode(data, name, findings) if data.strip() else ""
        findings.stop_if_at_fault()
        return text or ""

    def _write(self, files):
        with self._lock:
            if NOTES in files and self._noted()[1] is not None:
                keep_damaged(self.folder / NOTES)
            write_whole(self.folder, files)


def free_name(name: str, taken: Container[str]) -> str:
    """A name, with a number where it is taken."""
    return next(free for free in chain([name], (f"{name}-{k}" for k in count(2)))
                if free not in taken)


def _poses(rig):
    return rows.Kind(READINGS, ("pose", "stand", *rig.reading_names), "pose", rig.reading_names)


def _copied(text, shot):
    """The shot that has the same coordinates; None if there is none."""
    return next((row["shot"] for row in rows.all_rows(text, _SHOTS)
                 if all(_alike(row.get(axis, ""), shot[axis]) for axis in AXES)), None)


def _text_of(notes):
    return json.dumps(asdict(notes), indent=1, ensure_ascii=False) + "\n"


def _numeric(shot):
    return [name for name in shot if name in AXES or name.startswith(("sd_", "cov_"))]


def _alike(one, other):
    """The same cell, also if a number is written otherwise."""
    try:
        return float(one) == float(other)
    except ValueError:
        return one == other
