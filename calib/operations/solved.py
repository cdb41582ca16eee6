"""A run folder read, solved and judged, in as little time as the libraries take to load."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from calib.console import talk
from calib.operations.second_process import SecondProcess, call
from calib.run.folder import read_run
from calib.run.records import Run
from calib.run.result_folder import ResultPlace, result_place

if TYPE_CHECKING:
    from calib.document.record import ResultRecord


def solved(run_folder: Path, out: Path, set_aside: str = "none", tolerance: float | None = None,
           machine: Path | None = None, bootstrap: tuple[int, int] | None = None,
           show: Callable[[str], None] | None = None, to_draw: bool = False
           ) -> tuple[ResultRecord, ResultPlace]:
    """Read, solve, judge; the document of result.json, and where it is to be written.

    `bootstrap` is a number of replicates and a seed. `show` is given verdict and parameters as soon
    as they are known, before the rest is; what is needed `to_draw` is loaded while that is found.

    Raises
    ------
    InputError, UnknownName
        For what the files, or `set_aside`, say.
    """
    place = result_place(out, run_folder)
    run = read_run(run_folder, unfinished=machine is not None)
    if machine is not None:
        from calib.operations.known_machine import run_with_machine  # much, and seldom needed

        run = run_with_machine(run, machine)
    talk.tell_all(run.notices)
    with talk.working(_size(run)):
        second = SecondProcess.running
        plausible_found = None if second is None else second.later(
            call, "calib.judge.plausible:plausibility_as_chosen", run, set_aside)
        # Only now: the other process has the run while this one loads what solves and judges it.
        from calib.operations.judged import judged, with_rest

        chosen, judgement, document = judged(run, set_aside, tolerance, plausible_found)
    return with_rest(chosen, judgement, document, bootstrap, show, to_draw), place


def _size(run: Run) -> str:
    poses, check = len(set(run.shots.pose.tolist())), 0 if run.check is None else len(run.check)
    beside = f", and {check} check shots" if check else ""
    return f"Solving {len(run.shots)} shots in {poses} poses{beside}"
