"""What a second process does for `calib solve` and `calib next`; it loads only what is called."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.document.record import ResultRecord
    from calib.judge.plausible import Plausibility
    from calib.run.records import Run

#: The modules that load whatever draws.
DRAWS = ("calib.report.figures.drawings", "calib.report.pages.contents")


def plausible(run: Run, choice: str) -> Plausibility:
    """Whether the solution of a run can be the machine: solved there too, which is soon done."""
    from calib.judge.choice import solve_as_chosen
    from calib.judge.plausible import plausibility

    return plausibility(solve_as_chosen(run, choice).solution)


def judged(run: Run, choice: str) -> ResultRecord:
    """What `calib solve` would say of a run."""
    from calib.cli import results

    return results.judged(run, choice)[2]


def half(document: ResultRecord, which: int) -> dict[str, str]:
    """Every second picture, SVG by name; from the first one (0) or from the second (1)."""
    from calib.report.figures.drawings import drawings
    from calib.report.pages.contents import contents

    return drawings(document, contents(document), slice(which, None, 2))


def paper(document: ResultRecord, pictures: dict[str, str]) -> bytes:
    """The report as a PDF."""
    from calib.report.pages.report import report_paper

    return report_paper(document, pictures)
