"""``calib diagnose``: which field mistake makes a run not fit."""

from pathlib import Path
from typing import Annotated

import typer

from calib.cli import talk
from calib.judge.explain import explain
from calib.report.diagnosis import diagnosis_document, diagnosis_text
from calib.run.folder import read_run


def diagnose(
    run: Annotated[Path, typer.Argument(help="The run folder.")],
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Say which mistake explains a run that does not fit; changes nothing."""
    data = read_run(run)
    talk.tell_all(data.notices)
    with talk.working("Trying what may have gone wrong"):
        document = diagnosis_document(explain(data))
    if json:
        talk.result_json(document)
    else:
        talk.result(diagnosis_text(document))
    if not document["fits"]:
        raise typer.Exit(talk.GATE_FAILED)
