"""A run solved and judged as a document: verdict and parameters first, then the rest."""

from collections.abc import Callable

from calib.console import talk
from calib.document.record import ResultRecord
from calib.judge.choice import Chosen, solve_as_chosen
from calib.judge.judgement import Judgement, judge
from calib.judge.plausible import Plausibility
from calib.judge.set_aside import NONE
from calib.operations.second_process import SecondProcess, later, load
from calib.report.blocks import Section
from calib.report.bootstrapped import bootstrap_blocks, with_bootstrap
from calib.report.entered import with_entries
from calib.report.pages.summary import fit_and_shots, verdict_and_parameters
from calib.report.press.terminal import plain
from calib.report.record import verdict_document, with_noise
from calib.resampled import resolve_many
from calib.run.records import Run

#: The module that loads whatever draws.
_DRAWS = "calib.report.pages.report"


def judged(run: Run, set_aside: str = NONE, tolerance: float | None = None,
           plausible_found: Callable[[], Plausibility] | None = None
           ) -> tuple[Chosen, Judgement, ResultRecord]:
    """A run solved and judged, and its document before it is known how noisy its values are."""
    chosen = solve_as_chosen(run, set_aside)
    judgement = judge(chosen.solution, tolerance, later, chosen.out, chosen.instead,
                      plausible_found)
    document = verdict_document(chosen, judgement)
    return chosen, judgement, (document if run.entries is None else
                               with_entries(document, run.entries))


def judged_document(run: Run, set_aside: str) -> ResultRecord:
    """What is said of a run before it is known how noisy its values are."""
    return judged(run, set_aside)[2]


def with_rest(chosen: Chosen, judgement: Judgement, document: ResultRecord,
              bootstrap: tuple[int, int] | None, show: Callable[[str], None] | None, to_draw: bool
              ) -> ResultRecord:
    """The whole document; as `calib.operations.solved.solved`."""
    if show is not None:
        show(verdict_and_parameters(document))
    if SecondProcess.running and to_draw:
        later(load, _DRAWS)
        load(_DRAWS)
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
