"""What a second process does for `calib solve` and `calib next`; it loads only what is called."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.document.record import ResultRecord
    from calib.judge.plausible import Plausibility
    from calib.run.records import Run

#: The module that loads whatever draws.
DRAWS = "calib.cli.drawings"


def plausible(run: Run, choice: str) -> Plausibility:
    """Whether the solution of a run can be the machine: solved there too, which is soon done."""
    from calib.judge.choice import solve_as_chosen
    from calib.judge.plausible import plausibility

    return plausibility(solve_as_chosen(run, choice).solution)


def judged(run: Run, choice: str) -> ResultRecord:
    """What `calib solve` would say of a run."""
    from calib.judge.choice import solve_as_chosen
    from calib.judge.judgement import judge
    from calib.report.entered import with_entries
    from calib.report.record import verdict_document

    chosen = solve_as_chosen(run, choice)
    document = verdict_document(chosen, judge(chosen.solution, out=chosen.out,
                                              instead=chosen.instead))
    return document if run.entries is None else with_entries(document, run.entries)


def half(document: ResultRecord) -> dict[str, str]:
    """The second half of the pictures."""
    from calib.cli import drawings

    return drawings.half(document, 1)


def paper(document: ResultRecord, pictures: dict[str, str]) -> bytes:
    """The report as a PDF."""
    from calib.report.pages.report import report_paper

    return report_paper(document, pictures)
