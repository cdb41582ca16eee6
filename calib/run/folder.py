"""A run folder to a checked run, or to every complaint at once."""

import hashlib
import stat
from pathlib import Path

from calib.chain.rig import Rig
from calib.run.complaints import Findings, InputError, quote
from calib.run.consistency import check_together
from calib.run.entries_file import read_entries
from calib.run.observed import read_poses, read_shots
from calib.run.records import Run, Tape
from calib.run.rig_file import read_rig
from calib.run.setups import read_set_ups
from calib.run.tape import read_tape, with_known_places
from calib.run.text import decode
from calib.run.write import finish_writing

RIG, READINGS, SHOTS, TAPE, CHECK = (
    "rig.toml", "readings.csv", "shots.csv", "tape.csv", "check.csv",
)
SETUPS, BACKSIGHTS, ENTRIES = "setups.csv", "backsights.csv", "entries.toml"
_NEEDED = {
    RIG: "a file that describes the rig",
    READINGS: "a file with one row per pose",
    SHOTS: "a file with one row per shot",
}
_LARGEST = 50_000_000


def read_run(folder: Path, check: Path | None = None, unfinished: bool = False) -> Run:
    """Read and check a whole run folder.

    Parameters
    ----------
    folder : Path
        With rig.toml, readings.csv and shots.csv, perhaps tape.csv, check.csv, setups.csv,
        backsights.csv and entries.toml.
    check : Path, optional
        A file of check shots to read in place of check.csv.
    unfinished : bool
        The run goes on: fewer observations than unknowns are no fault yet.

    Raises
    ------
    InputError
        With every complaint about every file.
    """
    folder = Path(folder)
    finish_writing(folder)
    findings = Findings()
    present = _list_folder(folder)
    content = {name: _bytes_of(folder, name, present, findings)
               for name in (RIG, READINGS, SHOTS, TAPE, CHECK, SETUPS, BACKSIGHTS, ENTRIES)}
    if check is not None:
        content[CHECK] = _bytes_of(check.parent, check.name, [check.name], findings)
    text = {name: None if data is None else decode(data, name, findings)
            for name, data in content.items()}

    def read(name, reader, *known, **options):
        return None if text[name] is None else reader(text[name], name, *known, findings, **options)

    rig = read(RIG, read_rig)
    poses = read(READINGS, read_poses, rig)
    set_ups = read(SETUPS, lambda setups, file, findings: read_set_ups(
        setups, file, text[BACKSIGHTS], BACKSIGHTS, findings))
    shots = read(SHOTS, read_shots, rig, poses, set_ups, needed=True)
    if rig is not None and shots is not None:
        rig = rig.when_shot(shots.target.tolist())
    checking = read(CHECK, read_shots, rig, poses, set_ups, needed=False)
    tape = read(TAPE, read_tape, rig) or Tape.none()
    entries = read(ENTRIES, read_entries, rig)
    if rig is not None:
        tape = with_known_places(tape, rig)
    if poses is not None and shots is not None:
        check_together(rig, poses, shots, checking, tape, findings, unfinished)
    findings.stop_if_at_fault()
    files = {name: hashlib.sha256(data).hexdigest()
             for name, data in content.items() if data is not None}
    return Run(folder, rig, poses, shots, checking, tape, files,
               tuple(str(notice) for notice in findings.notices), set_ups, entries=entries)


def rig_from_text(text: str, file: str = RIG) -> Rig:
    """The rig that the text of a rig file describes.

    Raises
    ------
    InputError
        With every complaint about it.
    """
    findings = Findings()
    return findings.sound(read_rig(text, file, findings))


def _list_folder(folder):
    """Names in the folder."""
    expected = f"a run folder: {RIG}, {READINGS}, {SHOTS}, perhaps {TAPE} and {CHECK}"
    try:
        return sorted(entry.name for entry in folder.iterdir())
    except FileNotFoundError:
        found = "no such folder"
    except NotADirectoryError:
        found = "a file"
    except (OSError, ValueError) as error:
        found = f"a folder that cannot be opened ({_reason(error)})"
    raise InputError.of(folder, found, expected)


def _bytes_of(folder, name, present, findings):
    """The content of a file; None if it is not there (a complaint if it is needed)."""
    if name not in present:
        other = next((p for p in present if p.casefold() == name
                      or p.casefold() == f"{name}.txt"), None)
        if name in _NEEDED:
            hint = f" (but {quote(other)})" if other else ""
            findings.complain(name, None, None, f"no such file{hint}", _NEEDED[name])
        elif other:
            findings.note(other, f"not read: the name would have to be {name}")
        return None
    path = folder / name
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            found = "a folder" if stat.S_ISDIR(status.st_mode) else "no ordinary file"
        elif status.st_size > _LARGEST:
            found = f"{status.st_size / 1e6:,.0f} MB"
        else:
            return path.read_bytes()
        findings.complain(name, None, None, found,
                          f"a text file of at most {_LARGEST / 1e6:,.0f} MB")
    except OSError as error:
        findings.complain(name, None, None, f"a file that cannot be read ({_reason(error)})",
                          "a file that you may read")
    return None


def _reason(error):
    return (getattr(error, "strerror", None) or str(error)).lower()
