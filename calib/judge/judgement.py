"""What is asked of every solution, and the verdict."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, partial
from html import escape
from typing import Any

import numpy as np

from calib.adjust.reliability import Reliability, reliability
from calib.adjust.threads import one_thread
from calib.calibration import Solution
from calib.judge import gates
from calib.judge.check import Checked, Offset, check_shots, common_offset, tolerance_for
from calib.judge.correlation import Correlation, correlation
from calib.judge.equivalent import Equivalent
from calib.judge.external import External, external_reliability
from calib.judge.gates import Gate, Share
from calib.judge.goal import EdgeKnown, edge_known
from calib.judge.hold_out import HeldOut, hold_out
from calib.judge.identify import Identifiability, Weak, identifiability
from calib.judge.instead import Instead
from calib.judge.noise import Noise, noise
from calib.judge.plausible import Plausibility, plausibility
from calib.judge.scale import SurveyScale, survey_scale
from calib.judge.suspects import MOST_SHOTS, Suspects, find_suspects
from calib.judge.systematic import Systematic, systematic
from calib.judge.tape import TapeTest, tape_test
from calib.judge.trends import Trend, trends

#: Runs of more than `MOST_SHOTS` are not solved again many times, nor those with a variance factor
#: beyond this.
HOPELESS = 25.0

#: Parts in which the poses are held out.
FOLDS = 6


@dataclass(frozen=True)
class Judgement:
    """A judged solution.

    Attributes
    ----------
    trends : tuple of Trend
        Strongest first.
    noise_found : callable
        ``noise_found()`` is what `noise` has: it may still be on its way from another process.
    held_out : HeldOut or None
        Likewise without suspects; None if no pose can be left out, or not asked.
    offset : Offset or None
        Of the check shots.
    correlation : Correlation or None
        Of the run without its suspects; None if too few shots follow one another.
    systematic : Systematic or None
        Likewise; None if the shots tell nothing of the kind, or not asked.
    scale : SurveyScale or None
        Likewise; None if nothing tells the scale of the shots.
    taped : TapeTest
        Of the run without its suspects.
    out : tuple of Share
        What was set aside.
    instead : Instead or None
        What explains that as well.
    """

    reliability: Reliability
    suspects: Suspects
    identifiability: Identifiability
    external: External
    trends: tuple[Trend, ...]
    noise_found: Callable[[], tuple[Noise, ...] | None]
    held_out: HeldOut | None
    check: Checked | None
    offset: Offset | None
    correlation: Correlation | None
    systematic: Systematic | None
    scale: SurveyScale | None
    taped: TapeTest
    edge: EdgeKnown
    plausible: Plausibility
    gates: tuple[Gate, ...]
    out: tuple[Share, ...] = ()
    instead: Instead | None = None

    def __repr__(self):
        failed = ", ".join(gate.name for gate in self.gates if not gate.passed)
        return f"<Judgement: {f'failed: {failed}' if failed else 'passed'}>"

    def _repr_html_(self):
        rows = "".join(f"<tr><td>{'passed' if gate.passed else 'FAILED'}</td>"
                       f"<td>{escape(gate.name)}</td></tr>" for gate in self.gates)
        return f"<table>{rows}</table>"

    @cached_property
    def noise(self) -> tuple[Noise, ...] | None:
        """Of the run without its suspects, unless most are readings of one sensor.

        None if not asked.
        """
        return self.noise_found()

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


def now(function: Callable, *arguments: Any) -> Callable[[], Any]:
    """Call a function at once, and return what gives its result."""
    return partial(_kept, function(*arguments))


@one_thread
def judge(solution: Solution, tolerance: float | None = None,
          later: Callable[..., Callable] = now,
          out: tuple[Share, ...] = (), instead: Instead | None = None) -> Judgement:
    """Ask everything; of large runs only what does not take solving again many times.

    Parameters
    ----------
    tolerance : float, optional
        On the 3-D miss of a check shot, m; that of the rig if not given.
    later : callable, optional
        ``later(function, *arguments)`` has a function called and returns what gives its result,
        once: in a process beside this one, if there is one.
    out : tuple of Share
        What was set aside, by `calib.judge.gates.shares`.
    instead : Instead, optional
        What explains it as well, by `calib.judge.instead`.
    """
    run = solution.run
    suspects = find_suspects(solution)
    rest = suspects.without
    # Solving a run again that does not fit takes long and tells nothing that is not known.
    fits = (rest.adjustment.variance_factor or np.inf) < HOPELESS
    again = fits and len(run.shots) <= MOST_SHOTS
    noise_found = later(_noise, suspects) if again else partial(_kept, None)
    checks, told = reliability(solution.adjustment), identifiability(solution)
    check, offset = _checked(solution, rest, tolerance)
    judgement = Judgement(
        reliability=checks,
        suspects=suspects,
        identifiability=told,
        external=external_reliability(solution, checks),
        trends=trends(rest),
        noise_found=noise_found,
        held_out=hold_out(rest, FOLDS) if again else None,
        check=check,
        offset=offset,
        correlation=correlation(rest),
        systematic=systematic(rest) if again else None,
        scale=survey_scale(rest),
        taped=tape_test(run.rig, rest.parameters, rest.covariance, run.tape),
        edge=edge_known(solution, told.weak),
        plausible=_plausible(solution, suspects),
        gates=(),
        out=out,
        instead=instead,
    )
    return replace(judgement, gates=_gates(solution, judgement))


def _kept(value):
    return value


def _plausible(solution: Solution, suspects: Suspects) -> Plausibility:
    """Of the run as it is; no other machine is claimed that fits only because of the suspects."""
    found = plausibility(solution)
    if not found.untold or not suspects.beyond_chance:
        return found
    still = plausibility(suspects.without)
    same = {_reading_of(weighed.machine) for weighed in still.untold}
    kept = tuple(w for w in found.equivalents
                 if w.told_by is not None or _reading_of(w.machine) in same)
    return replace(found, equivalents=kept, would_tell=still.would_tell)


def _reading_of(machine: Equivalent) -> tuple[object, ...]:
    """How another machine reads the files, or describes the same machine."""
    way = machine.relabelling
    return machine.differs if way is None else (way.what, *way.names)


def _checked(solution, rest, tolerance):
    """The check shots against their tolerance, and what they are off by in common.

    In common against the run without its suspects: these may move all predictions alike.
    """
    if solution.run.check is None:
        return None, None
    check = check_shots(solution, solution.run.check,
                        tolerance_for(solution.rig, tolerance)[0])
    if not len(check.shots):  # what is unknown in their poses is told by no other shot
        return None, None
    told = check_shots(rest, solution.run.check)
    return check, common_offset(rest, told) if len(told.shots) else None


def _gates(solution, judgement) -> tuple[Gate, ...]:
    """What is asked for, then the tests, which share one error rate."""
    held = judgement.held_out
    asked = [
        gates.global_gate(solution),
        gates.suspect_gate(judgement.suspects),
        None if held is None or not held.judged else gates.Question(gates.HELD_OUT, held.chance),
        None if judgement.correlation is None
        else gates.Question(gates.CORRELATION, judgement.correlation.chance),
        None if judgement.systematic is None
        else gates.Question(gates.SYSTEMATIC, judgement.systematic.chance),
        None if judgement.scale is None else gates.Question(
            gates.SURVEY_SCALE, judgement.scale.chance),
        None if judgement.offset is None
        else gates.Question(gates.OFFSET, judgement.offset.chance),
        None if judgement.check is None or not len(judgement.check.shots)
        else gates.Gate(gates.CHECK_SHOTS, judgement.check.passed),
    ]
    questions = [q for q in asked if isinstance(q, gates.Question)]
    answered = iter(gates.shared(questions))
    return (gates.Gate(gates.EDGE, judgement.edge.met),
            gates.Gate(gates.PLAUSIBILITY, judgement.plausible.passed),
            *((gates.left_gate(judgement.out, judgement.instead),)
              if judgement.out or judgement.instead else ()),
            *(next(answered) if isinstance(q, gates.Question) else q
              for q in asked if q is not None))


def _noise(suspects):
    """Without the suspects, but with them where most are readings of one sensor.

    To set aside what is furthest out of a noisy sensor trims the very noise that is asked for.
    """
    found = suspects.beyond_chance
    of_sensor = Counter(s.reading for s in found if s.reading is not None)
    noisy = max(of_sensor.values(), default=0) >= max(2, len(found) / 2)
    return noise(suspects.solution if noisy else suspects.without)
