"""``calib sheet``: one page of values to enter, to be signed."""

from pathlib import Path

import typer

from calib.cli.onward import follow_on, listed_in
from calib.console import talk
from calib.operations.proved import provable, with_list
from calib.report.pages.sheet import sheet_files
from calib.report.words.slip import proof_says
from calib.report.words.status import left_out, not_to_enter
from calib.results import load_result
from calib.run.write import write_whole


def sheet(result: Path, out: Path | None, entries: Path | None, length: str, angle: str,
          length_digits: int | None, angle_digits: int | None) -> None:
    """Write the sheet of a result."""
    read = load_result(result)
    document = with_list(read, entries)
    files = sheet_files(document, length, angle, length_digits, angle_digits)
    folder = out or read.path.parent
    write_whole(folder, files)
    talk.tell_cautions()
    for name in files:
        talk.result(str(folder / name))
    warning = not_to_enter(document)
    talk.tell_all(filter(None, (left_out(document), warning)))
    if document.entries is not None and not warning:
        talk.tell(proof_says(provable(read, document)))
    if warning:
        follow_on(document, result, entries)
        raise typer.Exit(talk.GATE_FAILED)
    talk.follow("confirm", result, *listed_in(entries))
