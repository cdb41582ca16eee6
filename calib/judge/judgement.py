"""What is asked of every solution, and the verdict."""

from dataclasses import dataclass

import numpy as np

from calib.adjust.critical import variance_factor_bounds
from calib.adjust.reliability import Reliability, reliability
from calib.calibration import Solution
from calib.judge.check import Checked, check_shots
from calib.judge.identify import Identifiability, Weak, identifiability
from calib.judge.suspects import Suspects, find_suspects


@dataclass(frozen=True)
class Gate:
    """A question with a yes or no that the verdict rests on."""

    name: str
    passed: bool
    says: str


@dataclass(frozen=True)
class Judgement:
    """A judged solution.

    Attributes
    ----------
    suspects : Suspects
    identifiability : Identifiability
    check : Checked or None
    gates : tuple of Gate
    """

    reliability: Reliability
    suspects: Suspects
    identifiability: Identifiability
    check: Checked | None
    gates: tuple[Gate, ...]

    @property
    def weak(self) -> tuple[Weak, ...]:
        """Combinations of unknowns that the shots say little about."""
        return self.identifiability.weak

    @property
    def suspect_shots(self) -> np.ndarray:
        """Mask, shape (n_shots,)."""
        return self.suspects.shot_mask

    @property
    def suspect_readings(self) -> np.ndarray:
        """Mask, shape (n_poses, n_readings)."""
        return self.suspects.reading_mask

    @property
    def passed(self) -> bool:
        return all(gate.passed for gate in self.gates)


def judge(solution: Solution) -> Judgement:
    """Ask everything that can be asked without solving again many times."""
    run, adjustment = solution.run, solution.adjustment
    suspects = find_suspects(solution)
    check = None if run.check is None else check_shots(solution, run.check)
    gates = [_global_gate(solution), _suspect_gate(suspects)]
    if check is not None:
        gates.append(_check_gate(check))
    return Judgement(
        reliability(adjustment), suspects, identifiability(solution), check, tuple(gates)
    )


def _global_gate(solution):
    adjustment = solution.adjustment
    if not adjustment.dof:
        return Gate("global test", False, "Nothing is left over to check the fit with.")
    factor = adjustment.variance_factor
    low, high = variance_factor_bounds(adjustment.dof)
    if low <= factor <= high:
        says = f"The shots, readings and tape fit each other within their stated sds " \
               f"(variance factor {factor:.2f})."
    elif factor > high:
        says = f"They fit each other {np.sqrt(factor):.1f} times worse than their stated sds: " \
               "something is wrong, or the sds are too small. calib diagnose looks for the reason."
    else:
        says = f"They fit each other {1 / np.sqrt(factor):.1f} times better than their stated " \
               "sds: the sds are too large, and so are those of the result."
    return Gate("global test", bool(low <= factor <= high), says)


def _suspect_gate(suspects):
    if not suspects.found:
        return Gate("suspects", True, "No shot, reading or pose is suspect.")
    chance = ", ".join(s.name for s in suspects.within_chance)
    chance = f"Flagged, but no further out than chance allows: {chance}." if chance else ""
    if not suspects.beyond_chance:
        return Gate("suspects", True, chance)
    names = ", ".join(s.name for s in suspects.beyond_chance)
    says = f"Suspect: {names}. {suspects.beyond_chance[0].says} {chance}"
    return Gate("suspects", False, says.rstrip())


def _check_gate(check):
    word = "within" if check.passed else "not within"
    return Gate(
        "check shots", check.passed,
        f"{len(check.shots)} check shots are predicted to {1000 * check.lengths.max():.0f} mm or "
        f"better, {word} {1000 * check.tolerance:.0f} mm.",
    )
