"""What a solution is worth: suspects, weak directions, mistakes, and whether it passes."""

from typing import TYPE_CHECKING

from calib.names import later

if TYPE_CHECKING:
    from calib.judge.choice import solve_as_chosen
    from calib.judge.drift import drift as find_drift
    from calib.judge.explain import explain as diagnose
    from calib.judge.judgement import Judgement, judge
    from calib.judge.shot_checks import check_shots
    from calib.judge.suspects import find_suspects

_HOMES = {
    "Judgement": "calib.judge.judgement",
    "check_shots": "calib.judge.shot_checks",
    "diagnose": "calib.judge.explain:explain",
    "find_drift": "calib.judge.drift:drift",
    "find_suspects": "calib.judge.suspects",
    "judge": "calib.judge.judgement",
    "solve_as_chosen": "calib.judge.choice",
}

__all__ = ["Judgement", "check_shots", "diagnose", "find_drift", "find_suspects", "judge",
           "solve_as_chosen"]

__getattr__, __dir__ = later(__name__, _HOMES)
