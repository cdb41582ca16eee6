"""What is asked of every solution, and the verdict."""

from dataclasses import dataclass

import numpy as np

from calib.adjust.critical import variance_factor_bounds
from calib.adjust.reliability import Reliability, reliability
from calib.adjust.variance_components import NoComponents
from calib.calibration import Solution
from calib.judge.check import Checked, check_shots
from calib.judge.external import External, external_reliability
from calib.judge.hold_out import HeldOut, hold_out
from calib.judge.identify import Identifiability, Weak, identifiability
from calib.judge.noise import Noise, noise
from calib.judge.plausible import Plausibility, plausibility
from calib.judge.suspects import MOST_SHOTS, Suspects, find_suspects
from calib.judge.trends import Trend, trends

#: Runs of more than `MOST_SHOTS` are not solved again many times, nor those with a variance factor
#: beyond this.
HOPELESS = 25.0

#: Suspects that the verdict names.
_NAMED = 8

#: Parts in which the poses are held out.
FOLDS = 6


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
    external : External
    trends : tuple of Trend
        Strongest first.
    noise : tuple of Noise or None
        Of the run without its suspects; None if the kinds cannot be separated, or not asked.
    held_out : HeldOut or None
        Likewise without suspects; None if no pose can be left out, or not asked.
    check : Checked or None
    plausible : Plausibility
    gates : tuple of Gate
    """

    reliability: Reliability
    suspects: Suspects
    identifiability: Identifiability
    external: External
    trends: tuple[Trend, ...]
    noise: tuple[Noise, ...] | None
    held_out: HeldOut | None
    check: Checked | None
    plausible: Plausibility
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
    """Ask everything; of large runs only what does not take solving again many times."""
    run = solution.run
    suspects = find_suspects(solution)
    checks = reliability(solution.adjustment)
    check = None if run.check is None else check_shots(solution, run.check)
    rest = suspects.without
    # Solving a run again that does not fit takes long and tells nothing that is not known.
    fits = (rest.adjustment.variance_factor or np.inf) < HOPELESS
    again = fits and len(run.shots) <= MOST_SHOTS
    held_out = hold_out(rest, FOLDS) if again else None
    gates = [_global_gate(solution), _suspect_gate(suspects)]
    if held_out is not None and held_out.judged:
        gates.append(_held_out_gate(held_out))
    if check is not None:
        gates.append(_check_gate(check))
    plausible = plausibility(solution)
    gates.append(Gate("plausibility", plausible.passed, plausible.says))
    return Judgement(
        reliability=checks,
        suspects=suspects,
        identifiability=identifiability(solution),
        external=external_reliability(solution, checks),
        trends=trends(rest),
        noise=_noise(rest) if again else None,
        held_out=held_out,
        check=check,
        plausible=plausible,
        gates=tuple(gates),
    )


def _noise(solution):
    try:
        return noise(solution)
    except NoComponents:
        return None


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
        says = f"Shots, readings and tape fit each other {np.sqrt(factor):.1f} times worse than " \
               "their stated sds: something is wrong, or the sds are too small. calib diagnose " \
               "looks for the reason."
    else:
        says = f"Shots, readings and tape fit each other {1 / np.sqrt(factor):.1f} times better " \
               "than their stated sds: the sds are too large, and so are those of the result."
    return Gate("global test", bool(low <= factor <= high), says)


def _suspect_gate(suspects):
    if not suspects.found:
        return Gate("suspects", True, "No shot, reading or pose is suspect.")
    chance = ", ".join(s.name for s in suspects.within_chance)
    chance = f"Flagged, but no further out than chance allows: {chance}." if chance else ""
    if not suspects.beyond_chance:
        return Gate("suspects", True, chance)
    beyond = suspects.beyond_chance
    names = ", ".join(s.name for s in beyond[:_NAMED])
    if len(beyond) > _NAMED:
        names += f" and {len(beyond) - _NAMED} more; so many look like a mistake about the whole " \
                 "run"
    return Gate("suspects", False, f"Suspect: {names}. {beyond[0].says} {chance}".rstrip())


def _held_out_gate(held):
    size = f"{1000 * held.rms_3d:.1f} mm (rms 3-D) where their sds promise " \
           f"{1000 * held.predicted_rms_3d:.1f} mm"
    if held.passed:
        return Gate("held-out poses", True, f"Poses that were left out are predicted to {size}.")
    # The test weighs each miss by its own sd: it may fail where the rms over all shots does not.
    why = ("the sds promise too much" if held.rms_3d > held.predicted_rms_3d
           else "some are missed by far more than their own sds")
    return Gate("held-out poses", False, f"Poses that were left out are missed by {size}: {why}.")


def _check_gate(check):
    word = "within" if check.passed else "not within"
    return Gate(
        "check shots", check.passed,
        f"{len(check.shots)} check shots are predicted to {1000 * check.lengths.max():.0f} mm or "
        f"better, {word} {1000 * check.tolerance:.0f} mm.",
    )
