"""``calib sheet``: one page of values to enter, to be signed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.cli import talk
from calib.cli.onward import follow_on
from calib.report.pages.sheet_units import Angle, Length

if TYPE_CHECKING:
    from calib.document.record import ResultRecord
    from calib.results import Result


def sheet(
    result: Annotated[Path, typer.Argument(help="result.json, or the folder it is in.")],
    out: Annotated[
        Path | None, typer.Option("--out", help="Where the sheet goes; beside the result if not "
                                  "given.")
    ] = None,
    entries: Annotated[
        Path | None, typer.Option("--entries", metavar="FILE", help="What the machine's own system "
                                  "asks for (calib entries example); that of the run folder, kept "
                                  "in the result, if not given.")
    ] = None,
    length: Annotated[Length, typer.Option(help="Unit of lengths.")] = Length.MM,
    angle: Annotated[Angle, typer.Option(help="Unit of angles.")] = Angle.DEG,
    length_digits: Annotated[
        int | None, typer.Option(min=0, max=6, help="Decimals of lengths (of inches for ft-in).")
    ] = None,
    angle_digits: Annotated[
        int | None, typer.Option(min=0, max=6, help="Decimals of angles (of seconds for dms).")
    ] = None,
) -> None:
    """Write the set-up sheet, sheet.html and sheet.pdf: values, signs, checks by tape, cautions."""
    from calib.report.pages.sheet import sheet_files
    from calib.report.words.status import left_out, not_to_enter
    from calib.results import load_result
    from calib.run.write import write_whole

    read = load_result(result)
    document = read.document if entries is None else with_list(read, entries)
    if entries is None:
        talk.tell_all(changed_list(read))
    files = sheet_files(document, length.value, angle.value, length_digits, angle_digits)
    folder = out or read.path.parent
    write_whole(folder, files)
    talk.tell_cautions()
    for name in files:
        talk.result(str(folder / name))
    warning = not_to_enter(document)
    talk.tell_all(filter(None, (left_out(document), warning)))
    if document.entries is not None and not warning:
        from calib.cli.confirm import provable
        from calib.report.words.slip import proof_says

        with talk.working("Looking how many poses of the display prove it"):
            found = provable(read, document)
        talk.tell(proof_says(found))
    if warning:
        follow_on(document, result, entries)
        raise typer.Exit(talk.GATE_FAILED)
    talk.follow("confirm", result, *(() if entries is None else ("--entries", entries)))


def with_list(read: Result, file: Path) -> ResultRecord:
    """The document with the list of another file."""
    from calib.report.entered import with_entries
    from calib.run.entries_file import read_entries_file

    return with_entries(read.document, read_entries_file(file, read.rig))


def changed_list(read: Result) -> list[str]:
    """A notice where the list of the run folder is no longer the one kept in the result."""
    from calib.run.complaints import InputError
    from calib.run.entries_file import read_entries_file
    from calib.run.folder import ENTRIES

    file = read.path.absolute().parent.parent / ENTRIES
    if not file.is_file() or not (file.parent / "rig.toml").is_file():
        return []
    kept = read.document.entries
    try:
        same = kept is not None and read_entries_file(file, read.rig).definition == kept.definition
    except InputError:
        same = False
    return [] if same else [
        f"{file} is not what this result keeps of it: name it with --entries, or solve again."]
