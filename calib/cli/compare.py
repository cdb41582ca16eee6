"""``calib compare``: two set-ups, quantity by quantity and at the edge."""

from pathlib import Path

import typer

from calib.chain.rig import Rig
from calib.cli.onward import follow_on
from calib.cli.told import tell_found
from calib.console import talk
from calib.judge.common import shared_shots
from calib.report.pages.comparison import Side, comparison, comparison_sections
from calib.report.words.job import fingerprints_of, lines_of
from calib.report.words.status import not_to_enter
from calib.results import Result, load_result
from calib.run.complaints import Findings
from calib.run.tape import read_tape
from calib.run.text import file_text


def compare(first: Path, second: Path, out: Path | None, json: bool) -> None:
    """Say in what two set-ups differ."""
    results = [None if path.suffix.lower() == ".csv" else load_result(path)
               for path in (first, second)]
    rig = next((result.rig for result in results if result), None)
    document = comparison(_side(first, results[0], rig), _side(second, results[1], rig))
    named = [(name, result.document) for name, result in zip(("first", "second"), results,
                                                             strict=True) if result]
    tell_found("compare", document, comparison_sections(document), "Comparison", "",
               out, json, foot=fingerprints_of(named), job=lines_of(named))
    surveys = [result.survey for result in results if result]
    if len(surveys) == 2 and not shared_shots(*surveys):
        talk.tell("Whether the machine itself has changed between them: "
                  + talk.command("drift", first, second))
    last = results[1] or results[0]
    if last is not None:
        follow_on(last.document, second if results[1] is not None else first)
    if not document.passed:
        raise typer.Exit(talk.GATE_FAILED)


def _side(path: Path, result: Result | None, rig: Rig | None) -> Side:
    """A tape is read against the rig of the other side's result."""
    if result is None:
        return Side(str(path), tape=_tape(path, rig))
    return Side(str(path), survey=result.survey, warning=not_to_enter(result.document))


def _tape(path, rig):
    findings = Findings()
    text = findings.sound(file_text(path, str(path), "a tape.csv", findings))
    tape = findings.sound(read_tape(text, str(path), rig, findings))
    talk.tell_all(findings.notices)
    return tape
