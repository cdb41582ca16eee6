"""A run solved, judged and told, and the files of its results folder: numbers, then drawings."""

from collections.abc import Callable, Iterator
from pathlib import Path

import typer

from calib.cli import elsewhere
from calib.cli.drawing_process import Beside, later, load
from calib.console import talk
from calib.document.record import ResultRecord
from calib.judge.choice import Chosen, solve_as_chosen
from calib.judge.judgement import Judgement, judge
from calib.judge.plausible import Plausibility
from calib.judge.set_aside import NONE, UnknownName
from calib.report.blocks import Section
from calib.report.bootstrapped import bootstrap_blocks, with_bootstrap
from calib.report.entered import with_entries
from calib.report.pages.summary import fit_and_shots, verdict_and_parameters
from calib.report.press.terminal import plain
from calib.report.record import result_tables, verdict_document, with_noise
from calib.resampled import resolve_many
from calib.run.complaints import InputError
from calib.run.records import Run
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


def judged(run: Run, set_aside: str = NONE, tolerance: float | None = None,
           plausible_found: Callable[[], Plausibility] | None = None
           ) -> tuple[Chosen, Judgement, ResultRecord]:
    """A run solved and judged, and its document before it is known how noisy its values are."""
    try:
        chosen = solve_as_chosen(run, set_aside)
    except UnknownName as error:
        raise typer.BadParameter(str(error), param_hint="--set-aside") from None
    judgement = judge(chosen.solution, tolerance, later, chosen.out, chosen.instead,
                      plausible_found)
    document = verdict_document(chosen, judgement)
    return chosen, judgement, (document if run.entries is None else
                               with_entries(document, run.entries))


def with_rest(chosen: Chosen, judgement: Judgement, document: ResultRecord,
              bootstrap: tuple[int, int] | None, show: Callable[[str], None] | None, to_draw: bool
              ) -> ResultRecord:
    """The whole document; as `calib.cli.solve.solved`."""
    if show is not None:
        show(verdict_and_parameters(document))
    if Beside.running and to_draw:
        later(load, elsewhere.DRAWS)
        load(elsewhere.DRAWS)
    document = with_noise(document, judgement)
    if bootstrap is None:
        return document
    count, seed = bootstrap
    with talk.progress(f"Solving {count} times over", count) as done:
        resolved = resolve_many(chosen.solution, count, seed=seed, progress=done)
    return with_bootstrap(document, chosen.solution, resolved, seed)


def rest(document: ResultRecord) -> str:
    """What `with_rest` has not shown: fit and shots, and the bootstrap."""
    return fit_and_shots(document) + ("" if document.bootstrap is None else plain([
        Section("bootstrap", "Bootstrap", bootstrap_blocks(document))]))


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


def write_numbers(document: ResultRecord, place: ResultPlace, to_draw: bool = True) -> None:
    """Replace what is at a result's place by its numbers; drawings are told to follow, or not."""
    talk.tell_all(replace_result(place, number_files(document), DRAWN if to_draw else ()))


def draw(document: ResultRecord, place: ResultPlace, out: Path) -> None:
    """Draw the plots and the report of a result, page before paper, and put them beside it."""
    drawn, numbers = drawn_files(document), number_files(document)
    try:
        with talk.working("Drawing the report, first as a page"):
            told = add_to_result(place, numbers, next(drawn, {}))
        talk.tell_all(told)
        if not told:
            with talk.working("The page is drawn. Setting it as a PDF"):
                for files in drawn:
                    add_to_result(place, numbers, files)
    except InputError as error:
        talk.tell_all(error.complaints)
        talk.tell("The numbers are written, the report is not. To draw it again: "
                  + talk.command("report", out))
        raise typer.Exit(talk.INPUT) from None
    talk.tell(f"The report is in {out}")
