"""``calib new``: an empty run folder to fill in."""

from pathlib import Path
from typing import Annotated

import typer

from calib.chain.rig import template_names
from calib.cli import talk
from calib.report.words.cautions import CAUTIONS
from calib.run.blank import STANDARD


def new(
    folder: Annotated[Path, typer.Argument(help="The run folder to make; it must not exist yet.")],
    rig: Annotated[str, typer.Option(metavar="NAME", help="The shipped rig that the machine is "
                                     "like; calib rig list names them.")] = STANDARD,
) -> None:
    """Make a run folder to fill in: every file with its columns, comments and the cautions."""
    from calib.run.blank import blank_files
    from calib.run.complaints import Complaint, InputError, quote
    from calib.run.write import write_new_folder

    if rig not in template_names():
        raise InputError([Complaint("--rig", None, None, quote(rig),
                                    f"a shipped rig: one of {', '.join(template_names())}")])
    write_new_folder(folder, blank_files(CAUTIONS, rig))
    talk.tell("Before anyone goes to the machine:")
    talk.tell_all(f"- {caution}" for caution in CAUTIONS)
    talk.result(f"Fill in the files in {folder}, then: calib solve {folder}")
