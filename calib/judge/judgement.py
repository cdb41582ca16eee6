"""What is asked of every solution, and the verdict."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, partial
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.adjust.reliability import Reliability, reliability
from calib.adjust.threads import one_thread
from calib.calibration import Solution
from calib.judge import gates
from calib.judge.correlation import Correlation, correlation
from calib.judge.equivalent import Equivalent
from calib.judge.external import External, external_reliability
from calib.judge.facts import AtEdge
from calib.judge.gates import Gate, Share
from calib.judge.goal import EdgeKnown, edge_known
from calib.judge.hold_out import HeldOut, hold_out
from calib.judge.identify import Identifiability, identifiability
from calib.judge.instead import instead as explains_as_well
from calib.judge.noise import Noise, noise
from calib.judge.plausible import Plausibility, plausibility
from calib.judge.scale import SurveyScale, survey_scale
from calib.judge.shot_checks import Checked, Offset, check_shots, common_offset, tolerance_for
from calib.judge.suspects import MOST_SHOTS, Suspects, find_suspects
from calib.judge.systematic import Systematic, systematic
from calib.judge.tape import TapeTest, tape_test
from calib.judge.trends import Trend, trends

if TYPE_CHECKING:
    import pandas as pd

#: Runs of more than `MOST_SHOTS` are not solved again many times, nor those with a variance factor
#: beyond this.
HOPELESS = 25.0


@dataclass(frozen=True)
class Judgement:
    """A judged solution.

    Attributes
    ----------
    trends : tuple of Trend
        Strongest first.
    noise_found, held_out_found, plausible_found, instead_found : callable
        ``noise_found()`` is what `noise` has: it may still be on its way from another process.
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
    shared : bool or None
        Whether the runs it was adjusted with share what was asked; None of a run by itself.
    """

    reliability: Reliability
    suspects: Suspects
    identifiability: Identifiability
    external: External
    trends: tuple[Trend, ...]
    noise_found: Callable[[], tuple[Noise, ...] | None]
    held_out_found: Callable[[], HeldOut | None]
    plausible_found: Callable[[], Plausibility]
    instead_found: Callable[[], AtEdge | None]
    check: Checked | None
    offset: Offset | None
    correlation: Correlation | None
    systematic: Systematic | None
    scale: SurveyScale | None
    taped: TapeTest
    edge: EdgeKnown
    out: tuple[Share, ...] = ()
    shared: bool | None = None

    def __repr__(self):
        failed = ", ".join(self.failed)
        return f"<Judgement: {f'failed: {failed}' if failed else 'passed'}>"

    def _repr_html_(self):
        rows = "".join(f"<tr><td>{'passed' if gate.passed else 'FAILED'}</td>"
                       f"<td>{escape(gate.name)}</td></tr>" for gate in self.gates)
        return f"<table>{rows}</table>"

    def frame(self, of: str) -> "pd.DataFrame":
        """A pandas DataFrame in m and deg; see `calib.judge.judgement_frames`.

        Parameters
        ----------
        of : str
            "gates", "suspects", "shots" and "readings" (how well each is checked), "check" (the
            check shots), "noise" or "trends".
        """
        from calib.frames import frame_of  # pandas takes half a second to come
        from calib.judge.judgement_frames import JUDGED

        return frame_of(self, of, JUDGED)

    @cached_property
    def noise(self) -> tuple[Noise, ...] | None:
        """Of the run without its suspects, unless most are readings of one sensor.

        None if not asked.
        """
        return self.noise_found()

    @cached_property
    def held_out(self) -> HeldOut | None:
        """Of the run without its suspects; None if no pose can be left out, or not asked."""
        return self.held_out_found()

    @cached_property
    def plausible(self) -> Plausibility:
        """Of the run as it is; no other machine is claimed that fits only for the suspects."""
        return _plausible(self.plausible_found(), self.suspects)

    @cached_property
    def instead(self) -> AtEdge | None:
        """What explains what was set aside, or the suspects, as well."""
        return self.instead_found()

    @cached_property
    def gates(self) -> tuple[Gate, ...]:
        """What is asked for, then the tests, which share one error rate."""
        return _gates(self.suspects.solution, self)

    @property
    def failed(self) -> tuple[str, ...]:
        """Names of the gates that failed."""
        return tuple(gate.name for gate in self.gates if not gate.passed)

    @property
    def passed(self) -> bool:
        return not self.failed


@one_thread
def judge(solution: Solution, tolerance: float | None = None,
          later: Callable[..., Callable] = partial,
          out: tuple[Share, ...] = (), instead: AtEdge | None = None,
          plausible_found: Callable[[], Plausibility] | None = None,
          shared: bool | None = None) -> Judgement:
    """Ask everything; of large runs only what does not take solving again many times.

    Parameters
    ----------
    tolerance : float, optional
        On the 3-D miss of a check shot, m; that of the rig if not given.
    later : callable, optional
        ``later(function, *arguments)`` returns what gives the result of a function, once: it may be
        called in a process beside this one, or only when it is asked for.
    out : tuple of Share
        What was set aside, by `calib.judge.gates.shares`.
    instead : AtEdge, optional
        What explains it as well, by `calib.judge.instead`.
    plausible_found : callable, optional
        Gives `plausibility` of the solution, where that is asked for already.
    shared : bool, optional
        Of runs adjusted in one go: whether they share what was asked.
    """
    run = solution.run
    plausible_found = plausible_found or later(plausibility, solution)
    suspects = find_suspects(solution)
    rest = suspects.without
    # Solving a run again that does not fit takes long and tells nothing that is not known.
    fits = (rest.adjustment.variance_factor or np.inf) < HOPELESS
    again = fits and len(run.shots) <= MOST_SHOTS
    held_out_found = later(hold_out, rest) if again else _already
    alike = suspects.beyond_chance and len(run.shots) <= MOST_SHOTS
    instead_found = (later(_instead, solution, suspects, instead) if alike
                     else partial(_already, instead))
    noise_found = later(_noise, suspects) if again else _already
    checks, told = reliability(solution.adjustment), identifiability(solution)
    edge = edge_known(solution, told.weak)
    check, offset = _checked(solution, edge, tolerance)
    return Judgement(
        reliability=checks,
        suspects=suspects,
        identifiability=told,
        external=external_reliability(solution, checks),
        trends=trends(rest),
        noise_found=noise_found,
        held_out_found=held_out_found,
        plausible_found=plausible_found,
        instead_found=instead_found,
        check=check,
        offset=offset,
        correlation=correlation(rest),
        systematic=systematic(rest) if again else None,
        scale=survey_scale(rest),
        taped=tape_test(run.rig, rest.parameters, rest.covariance, run.tape),
        edge=edge,
        out=out,
        shared=shared,
    )


def _already(found: Any = None) -> Any:
    return found


@one_thread
def _instead(solution, suspects, otherwise):
    return explains_as_well(solution, suspects.without, suspects.aside) or otherwise


def _plausible(found: Plausibility, suspects: Suspects) -> Plausibility:
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


def _checked(solution, edge, tolerance):
    """The check shots against their tolerance, and what they are off by in common."""
    if solution.run.check is None:
        return None, None
    check = check_shots(solution, solution.run.check,
                        tolerance_for(solution.rig, tolerance, edge.noise95)[0])
    if not len(check.shots):  # what is unknown in their poses is told by no other shot
        return None, None
    return check, common_offset(solution, check)


def _gates(solution, judgement) -> tuple[Gate, ...]:
    held, check = judgement.held_out, judgement.check
    tests = {gates.HELD_OUT: held if held is not None and held.judged else None,
             gates.CORRELATION: judgement.correlation, gates.SYSTEMATIC: judgement.systematic,
             gates.SURVEY_SCALE: judgement.scale, gates.OFFSET: judgement.offset}
    found = gates.shared([
        gates.Gate(gates.EDGE, judgement.edge.met),
        gates.Gate(gates.PLAUSIBILITY, judgement.plausible.passed),
        *([gates.Gate(gates.SHARING, judgement.shared)] if judgement.shared is not None else []),
        *([gates.left_gate(judgement.out)] if judgement.out else []),
        gates.global_gate(solution, judgement.correlation), gates.suspect_gate(judgement.suspects),
        *(gates.Question(name, test.chance) for name, test in tests.items() if test is not None),
        *([gates.Gate(gates.CHECK_SHOTS, check.passed)] if check is not None and len(check.shots)
          else [])])
    if judgement.instead is None:
        return found
    # What is left without the suspects may be free of the error that made them.
    return (*(g for g in found if g.name != gates.SYSTEMATIC), gates.Gate(gates.SYSTEMATIC, False))


@one_thread
def _noise(suspects):
    """Without the suspects, but with them where most are readings of one sensor.

    To set aside what is furthest out of a noisy sensor trims the very noise that is asked for.
    """
    found = suspects.beyond_chance
    of_sensor = Counter(s.reading for s in found if s.reading is not None)
    noisy = max(of_sensor.values(), default=0) >= max(2, len(found) / 2)
    return noise(suspects.solution if noisy else suspects.without)
