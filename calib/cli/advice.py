"""What ``calib next`` looks at and says."""

import time
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import typer

from calib.adjust.distributions import chi2_isf
from calib.adjust.mixed_model import NotConverged
from calib.adjust.spectrum import NotDetermined
from calib.calibration import Problem, problem_of
from calib.cli import elsewhere, planned, talk
from calib.cli.drawing_process import Beside, now
from calib.cli.onward import onward, solved_with
from calib.document.further import NextRecord
from calib.document.record import ResultRecord
from calib.judge.choice import Chosen, solve_as_chosen
from calib.judge.goal import GOAL, TIMES_SD
from calib.judge.set_aside import NONE, SUSPECTS, SetAside, UnknownName, named, without
from calib.plan.candidates import NoPose
from calib.plan.further import further_poses, task_so_far
from calib.plan.sight import Site
from calib.plan.task import prepare
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


@dataclass(frozen=True)
class Asked:
    """What the user wants to know about a run."""

    poses: int
    goal: str | None
    stand: str | None
    set_aside: str | None  #: None: as in the result that the run folder keeps.
    machine: Path | None
    targets: str | None
    site: Site
    candidates: int
    seed: int


@dataclass(frozen=True)
class _SoFar:
    """A run as far as it goes: solved, or not yet."""

    problem: Problem
    unknowns: np.ndarray
    aside: SetAside
    unsolved: str | None
    chosen: Chosen | None  #: None where it is not solved.


@dataclass(frozen=True)
class Advice:
    """What is said of a run, and the words of the command after it."""

    document: NextRecord
    onward: tuple[str | Path, ...]


def say(document: NextRecord) -> None:
    """The advice to stdout, the cautions beside it."""
    talk.result(next_summary(document))
    talk.tell_cautions()


def watched(folder: Path, asked: Asked) -> Advice | None:
    """Advice after every change of the files, until it is enough or the user stops; the last."""
    seen, told = None, None
    with suppress(KeyboardInterrupt):
        while told is None or not told.document.enough:
            now = _state(folder)
            if now == seen:
                time.sleep(_EVERY)
                continue
            seen = now
            try:
                told = advice(folder, asked)
                say(told.document)
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


def advice(folder: Path, asked: Asked) -> Advice:
    """Of a run as far as it goes."""
    try:
        run = read_run(folder, unfinished=True)
    except InputError as error:
        if {c.file for c in error.complaints} <= {SHOTS, READINGS}:
            talk.tell("Nothing shot yet? The first poses come from calib plan.")
            talk.follow("plan", folder)
        raise
    if asked.machine is not None:
        run = planned.run_with_machine(run, asked.machine)
    talk.tell_all(run.notices)
    goal = planned.asked_goal(asked.goal, run.rig)
    run = replace(run, rig=replace(run.rig, edge_goal=goal))  # what is asked for is judged
    kept = _kept(folder)
    choice = asked.set_aside or (NONE if kept is None else kept.set_aside.choice)
    if choice != (asked.set_aside or NONE):
        talk.tell(f"As in the result of this run, set aside: {choice} (--set-aside none takes "
                  "everything).")
    later = now if Beside.running is None else Beside.running.later
    judged_found = later(elsewhere.judged, run, choice)
    so_far = _so_far(run, choice)
    if so_far.chosen is not None and (doubt := _doubt(so_far.chosen.solution.adjustment)):
        talk.tell(doubt)
    problem = so_far.problem
    if asked.stand is not None and asked.stand not in problem.stands:
        raise typer.BadParameter(f"stand {asked.stand!r} has no shots yet; these have: "
                                 f"{', '.join(problem.stands)}", param_hint="--stand")
    task = task_so_far(problem, so_far.unknowns, planned.named_targets(run.rig, asked.targets),
                       asked.site, asked.candidates, asked.seed)
    try:
        with talk.working("Looking for the best next poses"):
            further = further_poses(prepare(task), problem, so_far.unknowns, asked.poses,
                                    asked.stand, (goal or GOAL) / TIMES_SD)
    except NoPose as error:
        raise planned.no_pose(error, str(folder)) from None
    judged = None
    if so_far.chosen is not None and further.met((goal or GOAL) / TIMES_SD):
        with talk.working("Judging the run as calib solve does"):
            judged = judged_found()
    document = next_document(further, task, problem, so_far.unsolved, so_far.aside.names,
                             goal or GOAL, goal is not None,
                             None if judged is None else not_to_enter(judged) or None,
                             None if judged is None else
                             "".join(map(str, hides_more(judged.goal))) or None)
    if judged is not None:
        same = kept is not None and judged.fingerprint == kept.fingerprint != ""
        if same or not document.met:
            return Advice(document, onward(judged, folder / "result" / "result.json"))
        return Advice(document, ("solve", folder, *solved_with(judged)))
    options: tuple[str | Path, ...] = () if asked.machine is None else ("--machine", asked.machine)
    if so_far.chosen is not None and so_far.chosen.choice != NONE:
        options = *options, "--set-aside", so_far.chosen.choice
    if document.enough and kept is not None and kept.run.files == dict(run.files):
        talk.tell("What bounds the edge is told by a plan of it:")
        return Advice(document, ("plan", folder, *options[:2 * (asked.machine is not None)]))
    return Advice(document, ("solve", folder, *options) if document.enough else
                  ("next", folder, *options, "--watch"))


def _kept(folder: Path) -> ResultRecord | None:
    """The result in a run folder; None if there is none that can be read."""
    with suppress(InputError, OSError):
        return load_result(folder / "result").document
    return None


def _so_far(run: Run, choice: str) -> _SoFar:
    """Solve the run without what is set aside; if that cannot be, take it as it is known."""
    try:
        chosen = solve_as_chosen(run, choice)
    except UnknownName as error:
        raise typer.BadParameter(str(error), param_hint="--set-aside") from None
    except (NotDetermined, NotConverged) as error:
        # Who is suspect can only be told once there is a solution.
        aside = SetAside() if choice in (NONE, SUSPECTS) else named(run, choice.split(","))
        problem = problem_of(without(run, aside))
        return _SoFar(problem, problem.start, aside, _unsolved(error), None)
    solution = chosen.solution
    return _SoFar(solution.problem, solution.adjustment.parameters, chosen.aside, None, chosen)


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
