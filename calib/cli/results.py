"""The files of a results folder, from the document of result.json: numbers, then drawings."""

from __future__ import annotations

from collections.abc import Iterator

from calib.cli import elsewhere
from calib.cli.drawing_process import Beside, now
from calib.cli.talk import json_text
from calib.document.record import ResultRecord
from calib.report.record import result_tables
from calib.run.write import csv_text

#: The page that stands where the report comes; it tells whoever opens the folder what is missing.
_NO_REPORT = """\
<!doctype html>
<html lang="en">
<meta charset="utf-8">
<title>No report yet</title>
<p>The numbers of this result are complete: result.json and the tables beside it. Its report has
not been drawn, or is being drawn just now.</p>
<p>To draw it: <code>calib report</code> and the path of this folder.</p>
</html>
"""


#: What is drawn after the numbers are written, with a report in place of `_NO_REPORT`.
DRAWN = ("report.html", "report.pdf", "residuals-by-shot.png", "solved-against-tape.png",
         "standardised-residuals.png")


def number_files(document: ResultRecord) -> dict[str, str | bytes]:
    """Name to content: result.json, the tables, and a page that says that no report is drawn."""
    return {
        "result.json": json_text(document),
        **{name: csv_text(records) for name, records in result_tables(document).items()},
        "report.html": _NO_REPORT,
    }


def drawn_files(document: ResultRecord, beside: Beside | None = None
                ) -> Iterator[dict[str, str | bytes]]:
    """Name to content of what is drawn: plots and page as soon as they are, then with the PDF.

    A process `beside` this one draws half of it, and makes the PDF while the page is written.
    """
    later = beside.later if beside else now
    others = later(elsewhere.half, document)  # at once: it loads nothing here
    from calib.cli.drawings import half
    from calib.report.figures.plots import plot_files
    from calib.report.pages.report import report_page

    plots = plot_files(document)
    pictures = half(document, 0) | others()
    paper = later(elsewhere.paper, document, pictures)
    page: dict[str, str | bytes] = {**plots, "report.html": report_page(document, pictures)}
    yield page
    yield {**page, "report.pdf": paper()}
