"""A run folder to a checked run, or its machine alone; or to every complaint at once."""

import hashlib
import stat
from pathlib import Path

from calib.chain.rig import Rig, template_names
from calib.run.blank import blank_files
from calib.run.complaints import Findings, InputError, quote
from calib.run.consistency import check_together
from calib.run.entries_file import read_entries
from calib.run.observed import read_poses, read_set_ups, read_shots
from calib.run.records import Run, Tape
from calib.run.rig_file import read_rig
from calib.run.tape import read_tape, with_known_places
from calib.run.text import decode, file_text
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


def read_machine(path: Path) -> tuple[Rig, Tape | None, tuple[str, ...]]:
    """Read a rig file, or the rig and the tape of a run folder; shots are not looked at.

    Parameters
    ----------
    path : Path
        A run folder, a rig file, or the name of a shipped rig, with the sds of a new run.

    Returns
    -------
    rig : Rig
        With sds for shots and every reading.
    tape : Tape or None
        None where no run folder was given; empty where the folder has no tape.
    notices : tuple of str

    Raises
    ------
    InputError
        With every complaint.
    """
    path, findings, in_run = Path(path), Findings(), Path(path).is_dir()
    name = RIG if in_run else str(path)
    rig = _rig(path, name, findings)
    if rig is not None:
        complain_of_missing_sds(rig, name, findings)
    tape = _tape(path, rig, findings) if in_run else None
    if in_run and _has_rows(path / SHOTS):
        findings.note(SHOTS, "what has been shot is not counted here (calib next does)")
    return findings.sound(rig), tape, tuple(str(notice) for notice in findings.notices)


def described(path: str) -> Rig:
    """The rig of a run folder, of a rig file, or a shipped one by its name; sds may be missing.

    Raises
    ------
    InputError
        With every complaint about it.
    """
    findings, place = Findings(), Path(path)
    return findings.sound(_rig(place, str(place / RIG if place.is_dir() else place), findings))


def _rig(path, name, findings):
    """The rig of a run folder or a rig file, or a shipped one as a new run folder has it."""
    if path.exists():
        text = file_text(path / RIG if path.is_dir() else path, name,
                         "a file that describes the rig", findings)
        return None if text is None else read_rig(text, name, findings)
    if name not in template_names():
        raise InputError.of(
            name, "nothing of that name",
            f"a run folder with {RIG}, a rig file, or one of {', '.join(template_names())}")
    findings.note(name, "a shipped rig, with the sds that a new run begins with")
    return read_rig(blank_files((), name)[RIG], name, findings)


def _tape(folder, rig, findings):
    file = folder / TAPE
    text = decode(file.read_bytes(), TAPE, findings) if file.is_file() else None
    # Nothing is shot yet: whatever will be, its place may be known.
    rig = None if rig is None else rig.when_shot(range(len(rig.targets)))
    tape = Tape.none() if text is None else read_tape(text, TAPE, rig, findings)
    return tape if rig is None else with_known_places(tape, rig)


def _has_rows(file):
    """Whether a table has more than comments and a header."""
    if not file.is_file():
        return False
    lines = file.read_bytes().splitlines()
    return sum(bool(line.strip()) and not line.lstrip().startswith(b"#") for line in lines) > 1


def complain_of_missing_sds(rig: Rig, name: str, findings: Findings) -> None:
    """Complain of every sd of shots and readings that a rig file leaves out."""
    for reading in rig.readings:
        if reading.sd is None:
            findings.complain(name, None, f"readings.sd.{reading.name}", "nothing",
                              "the sd of this reading, deg")
    if rig.shot_sd is None:
        findings.complain(name, None, "shots.sd", "nothing", "the sd of a shot, m")


def _list_folder(folder):
    """Names in the folder."""
    try:
        return sorted(entry.name for entry in folder.iterdir())
    except (OSError, ValueError) as error:
        found = "no such folder" if isinstance(error, FileNotFoundError) else "a file" if \
            isinstance(error, NotADirectoryError) else \
            f"a folder that cannot be opened ({_reason(error)})"
        raise InputError.of(folder, found, f"a run folder: {RIG}, {READINGS}, {SHOTS}, perhaps "
                            f"{TAPE} and {CHECK}") from None


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
