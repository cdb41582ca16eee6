"""What is known before the first shot: the rig, its sds and the tape."""

from pathlib import Path

from calib.chain.rig import Rig, template_names
from calib.run.blank import blank_files
from calib.run.complaints import Findings, InputError
from calib.run.records import Tape
from calib.run.rig_file import read_rig
from calib.run.tape import read_tape, with_known_places
from calib.run.text import decode, file_text

RIG, TAPE, SHOTS = "rig.toml", "tape.csv", "shots.csv"


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
