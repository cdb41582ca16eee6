"""The files of a results folder: first the numbers, then what is drawn of them."""

from collections.abc import Iterator

from calib.console import talk
from calib.document.record import ResultRecord
from calib.operations.second_process import call, later
from calib.report.record import result_tables
from calib.run.result_folder import ResultPlace, add_to_result, replace_result
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
        "result.json": talk.json_text(document),
        **{name: csv_text(records) for name, records in result_tables(document).items()},
        "report.html": _NO_REPORT,
    }


def drawn_files(document: ResultRecord) -> Iterator[dict[str, str | bytes]]:
    """Name to content of what is drawn: plots and page as soon as they are, then with the PDF.

    A process beside this one draws half of it, and makes the PDF while the page is written.
    """
    # At once: it loads nothing here.
    others = later(call, "calib.report.pages.report:half_drawn", document, 1)
    from calib.report.figures.plots import plot_files
    from calib.report.pages.report import half_drawn, report_page, report_paper

    plots = plot_files(document)
    pictures = half_drawn(document, 0) | others()
    paper = later(report_paper, document, pictures)
    page: dict[str, str | bytes] = {**plots, "report.html": report_page(document, pictures)}
    yield page
    yield {**page, "report.pdf": paper()}


def write_numbers(document: ResultRecord, place: ResultPlace, to_draw: bool = True) -> None:
    """Replace what is at a result's place by its numbers; drawings are told to follow, or not."""
    talk.tell_all(replace_result(place, number_files(document), DRAWN if to_draw else ()))


def draw(document: ResultRecord, place: ResultPlace) -> None:
    """Draw the plots and the report of a result, page before paper, and put them beside it.

    Raises
    ------
    InputError
        If they cannot be written.
    """
    drawn, numbers = drawn_files(document), number_files(document)
    with talk.working("Drawing the report, first as a page"):
        told = add_to_result(place, numbers, next(drawn, {}))
    talk.tell_all(told)
    if not told:
        with talk.working("The page is drawn. Setting it as a PDF"):
            for files in drawn:
                add_to_result(place, numbers, files)
