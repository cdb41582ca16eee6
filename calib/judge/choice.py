"""The user's choice of what to set aside, and what the choice does."""

from dataclasses import dataclass

import numpy as np

from calib.calibration import Solution, solve
from calib.judge.facts import AtEdge
from calib.judge.fits import solved
from calib.judge.gates import Share, shares
from calib.judge.instead import instead
from calib.judge.set_aside import NONE, SUSPECTS, SetAside, named, without
from calib.judge.shot_checks import Checked, check_shots
from calib.judge.suspects import Suspect, find_suspects
from calib.run.records import Run


@dataclass(frozen=True)
class Chosen:
    """A solution made as the user chose."""

    choice: str  #: "none", "suspects" or the names, comma separated.
    aside: SetAside
    because: tuple[Suspect, ...]  #: Why, where the names are suspects.
    solution: Solution  #: Without what was set aside.
    #: With everything; None if that has no solution, or if nothing was set aside.
    whole: Solution | None
    predicted: Checked | None  #: The shots set aside, predicted from the solution.
    out: tuple[Share, ...] = ()  #: How much of each kind of value was set aside.
    instead: AtEdge | None = None  #: What explains it as well and gives another machine.


def solve_as_chosen(run: Run, choice: str = NONE) -> Chosen:
    """Solve a run without what the user wants set aside.

    Parameters
    ----------
    choice : str
        "none", "suspects", or names as in `calib.judge.set_aside.named`, comma separated.

    Raises
    ------
    UnknownName
        If the run has no such shot, pose or reading.
    InputError, NotDetermined, NotConverged
        As `calib.calibration.solve`.
    """
    if choice == NONE:
        return Chosen(choice, SetAside(), (), solve(run), None, None)
    because: tuple[Suspect, ...] = ()
    whole: Solution | None = None
    if choice == SUSPECTS:
        suspects = find_suspects(solve(run))
        aside, solution = suspects.aside, suspects.without
        if aside.names:
            whole, because = suspects.solution, suspects.beyond_chance
    else:
        aside = named(run, choice.split(","))
        solution, whole = solve(without(run, aside)), solved(run)
    return Chosen(choice, aside, because, solution, whole, _predicted(run, aside, solution),
                  shares(solution.run, aside),
                  None if whole is None else instead(whole, solution, aside))


def _predicted(run, aside, solution):
    """Misses of the shots set aside; those at a stand that is lost with them are left out."""
    mask = np.isin(np.arange(len(run.shots)), list(aside.shots))
    mask &= solution.problem.stand_of_pose[run.shots.pose] >= 0
    return check_shots(solution, run.shots.select(mask)) if mask.any() else None
