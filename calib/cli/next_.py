"""``calib next``: is it enough, and what to shoot next."""

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import typer

from calib.adjust.distributions import TIMES_SD, chi2_isf
from calib.adjust.mixed_model import NotConverged
from calib.adjust.spectrum import NotDetermined
from calib.calibration import Problem, problem_of
from calib.cli import task_options
from calib.cli.onward import onward, solved_with
from calib.console import talk
from calib.document.further import NextRecord
from calib.document.record import ResultRecord
from calib.judge.choice import Chosen, solve_as_chosen
from calib.judge.goal import GOAL
from calib.judge.set_aside import NONE, SUSPECTS, SetAside, UnknownName, named, without
from calib.operations.known_machine import run_with_machine
from calib.operations.second_process import call, later
from calib.plan.further import further_poses, task_so_far
from calib.plan.sight import Site
from calib.report.next_words import next_document, next_summary
from calib.report.words.requirement import hides_more
from calib.report.words.status import not_to_enter
from calib.results import load_result
from calib.run.complaints import InputError
from calib.run.folder import READINGS, SHOTS, read_run
from calib.run.records import Run

#: Seconds from look to look at files that are watched.
_EVERY = 1.0

#: A run that fits shows a chi-square beyond this limit once in a thousand times.
_LEVEL = 0.001


def next_(run: Path, goal: str | None, watch: bool, json: bool, instrument: str,
          foot_height: float, nearest: float, highest: float, **asked: Any) -> None:
    """Say what to shoot next, perhaps whenever something was shot; `asked` is of `_advice`."""
    if watch and json:
        raise typer.BadParameter("--watch goes on and on; --json prints one document")
    # What is wrong of these is told before any file is read.
    look = partial(_advice, run, task_options.length(goal),
                   task_options.site(instrument, foot_height, nearest, highest), **asked)
    told = _watched(run, look) if watch else look()
    if told is None:  # watched, and stopped before there was anything to say
        return
    if json:
        talk.result(talk.json_text(told))
    elif not watch:
        _say(told)
    if not told.met:
        raise typer.Exit(talk.GATE_FAILED)


def _say(document):
    """The advice to stdout, the cautions beside it."""
    talk.result(next_summary(document))
    talk.tell_cautions()


def _watched(folder: Path, look: Callable[[], NextRecord]) -> NextRecord | None:
    """Advice after every change of the files, until it is enough or the user stops; the last."""
    seen, told = None, None
    with suppress(KeyboardInterrupt):
        while told is None or not told.enough:
            now = _state(folder)
            if now == seen:
                time.sleep(_EVERY)
                continue
            seen = now
            try:
                told = look()
                _say(told)
                talk.tell("Watching the files; stop with Ctrl-C ...")
            except InputError as error:
                talk.tell_all(error.complaints)
                talk.tell("Waiting for the files to change; stop with Ctrl-C ...")
    return told


def _state(folder):
    """What changes when a file of the folder does."""
    found = []
    for path in sorted(folder.glob("[!.]*")):
        with suppress(OSError):  # another program may be writing there
            status = path.stat()
            found.append((path.name, status.st_mtime_ns, status.st_size))
    return found


def _advice(folder: Path, goal: float | None, site: Site, *, poses: int, stand: str | None,
            set_aside: str | None, machine: Path | None, targets: str | None, candidates: int,
            seed: int) -> NextRecord:
    """Of a run as far as it goes; `set_aside` of None is as in the result that the run keeps.

    The command after it is named.
    """
    run = _read(folder, machine)
    goal = run.rig.edge_goal if goal is None else goal
    run = replace(run, rig=replace(run.rig, edge_goal=goal))  # what is asked for is judged
    kept = _kept(folder)
    choice = set_aside or (NONE if kept is None else kept.set_aside.choice)
    if choice != (set_aside or NONE):
        talk.tell(f"As in the result of this run, set aside: {choice} (--set-aside none takes "
                  "everything).")
    judged_found = later(call, "calib.operations.judged:judged_document", run, choice)
    chosen, problem, unknowns, aside, unsolved = _so_far(run, choice)
    within = goal or GOAL
    if chosen is not None and (doubt := _doubt(chosen.solution.adjustment)):
        talk.tell(doubt)
    if stand is not None and stand not in problem.stands:
        raise typer.BadParameter(f"stand {stand!r} has no shots yet; these have: "
                                 f"{', '.join(problem.stands)}", param_hint="--stand")
    task = task_so_far(problem, unknowns, task_options.named_targets(run.rig, targets), site,
                       candidates, seed)
    prepared = task_options.prepared(task, folder)
    with talk.working("Looking for the best next poses"):
        further = further_poses(prepared, problem, unknowns, poses, stand,
                                within / TIMES_SD)
    judged = None
    if chosen is not None and further.met(within / TIMES_SD):
        with talk.working("Judging the run as calib solve does"):
            judged = judged_found()
    document = next_document(further, task, problem, unsolved, aside.names,
                             within, goal is not None,
                             None if judged is None else not_to_enter(judged) or None,
                             None if judged is None else
                             "".join(map(str, hides_more(judged.goal))) or None)
    talk.follow(*_words_after(document, judged, kept, run, machine, chosen))
    return document


def _words_after(document, judged, kept, run, machine, chosen):
    """The command after the advice."""
    folder = run.folder
    if judged is not None:
        same = kept is not None and judged.fingerprint == kept.fingerprint != ""
        return (onward(judged, folder / "result" / "result.json") if same or not document.met else
                ("solve", folder, *solved_with(judged), *_beside(kept, chosen, folder)))
    known = () if machine is None else ("--machine", machine)
    if document.enough and kept is not None and kept.run.files == dict(run.files):
        talk.tell("What bounds the edge is told by a plan of it:")
        return "plan", folder, *known
    aside = () if chosen is None or chosen.choice == NONE else ("--set-aside", chosen.choice)
    return ("solve", folder, *known, *aside, *_beside(kept, chosen, folder)) \
        if document.enough else ("next", folder, *known, *aside, "--watch")


def _beside(kept, chosen, folder):
    """The option that keeps the result of the run where other values were set aside for it."""
    same = kept is None or chosen is None or chosen.choice in (NONE, kept.set_aside.choice)
    return () if same else ("--out", folder / "result-without")


def _read(folder, machine):
    """A run that goes on, with what an earlier result says of its machine."""
    try:
        run = read_run(folder, unfinished=True)
    except InputError as error:
        if {c.file for c in error.complaints} <= {SHOTS, READINGS}:
            talk.tell("Nothing shot yet? The first poses come from calib plan.")
            talk.follow("plan", folder)
        raise
    if machine is not None:
        run = run_with_machine(run, machine)
    talk.tell_all(run.notices)
    return run


def _kept(folder: Path) -> ResultRecord | None:
    """The result in a run folder; None if there is none that can be read."""
    with suppress(InputError, OSError):
        return load_result(folder / "result").document
    return None


def _so_far(run: Run, choice: str
            ) -> tuple[Chosen | None, Problem, np.ndarray, SetAside, str | None]:
    """Solve the run without what is set aside; if that cannot be, take it as it is known.

    The solution or None, its problem and unknowns, what is set aside, and why it is not solved.
    """
    try:
        chosen = solve_as_chosen(run, choice)
    except UnknownName as error:
        raise typer.BadParameter(str(error), param_hint="--set-aside") from None
    except (NotDetermined, NotConverged) as error:
        # Who is suspect can only be told once there is a solution.
        aside = SetAside() if choice in (NONE, SUSPECTS) else named(run, choice.split(","))
        problem = problem_of(without(run, aside))
        return None, problem, problem.start, aside, _unsolved(error)
    solution = chosen.solution
    return chosen, solution.problem, solution.adjustment.parameters, chosen.aside, None


def _unsolved(error):
    """Why there is no solution, short: early in a run dozens of unknowns hang together."""
    directions = error.directions if isinstance(error, NotDetermined) else ()
    if len(directions) > 2:
        return f"nothing fixes {len(directions)} combinations of its unknowns"
    return str(error)


def _doubt(adjustment):
    """A sentence where the run does not fit, as a plan built on a mistake is worth nothing."""
    if adjustment.dof < 1 or adjustment.chi2 <= chi2_isf(_LEVEL, adjustment.dof):
        return None
    return (f"The run does not fit (variance factor {adjustment.variance_factor:.1f}): look at the "
            "suspects with calib solve, or at calib diagnose, and go on with --set-aside.")
