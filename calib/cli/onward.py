"""What to type after a result, by what is to be done with it; or where there is none yet."""

from pathlib import Path

from calib.console import talk
from calib.document.record import Decision, ResultRecord
from calib.judge.set_aside import NONE
from calib.run.folder import ENTRIES, TAPE


def onward(document: ResultRecord, result: Path, entries: Path | None = None,
           run: Path | None = None) -> tuple[str | Path, ...]:
    """The words of the next command: its sheet, or what makes the result one to be entered.

    Parameters
    ----------
    document : ResultRecord
    result : Path
        Its result.json (that need not be there yet), or the folder that is in.
    entries : Path, optional
        A list, where it is not that of the run folder.
    run : Path, optional
        The run folder, where the result need not be in it.
    """
    folder = result if result.is_dir() else result.parent
    run = run or above(folder)
    if document.decision is Decision.ENTER:
        return "sheet", folder
    if not (run / "rig.toml").is_file():
        return "report", result
    if document.decision is Decision.NOT_YET:
        return "solve", run, *solved_with(document)
    if not document.verdict.passed:
        return "diagnose", run, *known_with(document)
    listed = document.entries
    if listed is not None and listed.complete:  # a check finds nothing lacking: it is to be changed
        return ("solve", run, *solved_with(document)) if entries is None else (
            "sheet", result, *listed_in(entries))
    return "entries", "check", entries or run / ENTRIES, run


def follow_on(document: ResultRecord, result: Path, entries: Path | None = None,
              run: Path | None = None) -> None:
    """Name the next command, and what is to be done before it is typed."""
    words = onward(document, result, entries, run)
    # Of the same files it would say the same again.
    if words[0] == "solve" and document.decision is Decision.NOT_YET and document.to_tape:
        talk.tell(f"Once {document.to_tape.name} is in {Path(words[1]) / TAPE}:")
    elif words[0] in ("solve", "sheet") and document.decision is not Decision.ENTER:
        talk.tell(f"Once {entries or Path(words[1]) / ENTRIES} is put right:")
    talk.follow(*words)


def above(folder: Path) -> Path:
    """The folder that one is in, relative where it is: what is printed stays as it was typed."""
    return folder / ".." if folder.name == ".." else folder.parent if folder.name else Path("..")


def begin() -> tuple[str, str]:
    """The words of the command that makes a first run folder, or goes on with it."""
    return "plan" if (Path("run") / "rig.toml").is_file() else "new", "run"


def solved_with(document: ResultRecord) -> tuple[str, ...]:
    """The options by which a result was made of its run: the next one is to be made so too."""
    choice = document.set_aside.choice
    return *known_with(document), *(() if choice == NONE else ("--set-aside", choice))


def listed_in(entries: Path | None) -> tuple[str | Path, ...]:
    """The option of a list that is not that of the run folder."""
    return () if entries is None else ("--entries", entries)


def known_with(document: ResultRecord) -> tuple[str, ...]:
    """The option of an earlier result that one was made with; nothing without one."""
    machine = document.machine
    return ("--machine", machine.source) if machine and machine.sha256 else ()
