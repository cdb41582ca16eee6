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
    from calib.cli import results

    return results.judged(run, choice)[2]


def half(document: ResultRecord) -> dict[str, str]:
    """The second half of the pictures."""
    from calib.cli import drawings

    return drawings.half(document, 1)


def paper(document: ResultRecord, pictures: dict[str, str]) -> bytes:
    """The report as a PDF."""
    from calib.report.pages.report import report_paper

    return report_paper(document, pictures)
