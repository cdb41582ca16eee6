"""Whether a solution can be the machine: ranges, starting values, and what else fits as well.

Good residuals do not make a machine: one with a negative edge width, or with boom and stick
exchanged, may fit the shots as well as the true one. What tells them apart is weighed on the scale
of chi2: the tape by its sds, a range as an absolute bar, and starting values as broad beliefs about
what nobody taped (`calib.judge.belief`).
"""

from dataclasses import dataclass

import numpy as np

from calib.adjust.threads import one_thread
from calib.calibration import Solution, starting_parameters
from calib.chain.rig import Rig
from calib.judge.belief import believed_sd, difference, disbelief
from calib.judge.choice import solve_as_chosen
from calib.judge.equivalent import AS_WELL, Equivalent, equivalents
from calib.run.records import Run
from calib.taped import taped_quantities

#: What a value out of its range counts, in chi2.
BARRED = 100.0

#: Further than so many of these sds from what the user stated, or sds of the tape, is odd.
FAR_FROM_STATED, FAR_FROM_TAPE = 8.0, 10.0

#: A taped value tells two machines apart if they differ in it by so many of its sds.
TOLD_AT = 6.0

#: So many starting values together tell two machines apart.
_TOGETHER = 3


@dataclass(frozen=True)
class Odd:
    """A solved value that is not where it should be, in m or rad."""

    parameter: str
    value: float
    sd: float  #: Of the value.
    expected: float | None = None  #: Where it should be; None where that is a range.
    in_sds: float | None = None  #: How far that is in sds of the tape.


@dataclass(frozen=True)
class Teller:
    """What tells two machines apart."""

    #: "tape", "sign", "range", "start" or "all". The taped value, the sign, the range or the
    #: starting value of `names`, the surest first; "all" of it together.
    kind: str
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class Weighed:
    """An equivalent machine and what tells it from the one at hand."""

    machine: Equivalent
    #: For the machine at hand, in chi2; negative where the other is more plausible.
    evidence: float
    told_by: Teller | None  #: None where nothing tells.
    would_tell: str | None  #: The parameter whose taped value would tell best.


@dataclass(frozen=True)
class Plausibility:
    """What was found."""

    rig: Rig  #: Of the machine at hand.
    out_of_range: tuple[Odd, ...]  #: Values outside the range of their parameter.
    #: Values far from what the user stated in the rig file, or from the tape.
    far_from_start: tuple[Odd, ...]
    equivalents: tuple[Weighed, ...]  #: Machines that the shots fit as well.
    #: The fewest parameters whose taped values tell all that nothing tells yet: usually one.
    would_tell: tuple[str, ...]
    #: The fewest whose taped values keep every relabelled machine out, told already or not.
    keep_out: tuple[str, ...]
    #: Angles that are whole turns away from where they started: the same machine.
    whole_turns: tuple[Odd, ...]

    @property
    def untold(self) -> tuple[Weighed, ...]:
        """Equivalent machines that nothing tells from this one, or that are more plausible."""
        return tuple(w for w in self.equivalents if w.told_by is None)

    @property
    def passed(self) -> bool:
        return not (self.out_of_range or self.far_from_start or self.untold)


@one_thread
def plausibility(solution: Solution) -> Plausibility:
    """Ask whether a solution can be the machine; solves nothing fully."""
    found = tuple(_weighed(solution, e) for e in equivalents(solution.run, solution.parameters))
    free = ~solution.rig.held
    untold = [w.machine for w in found if w.told_by is None]
    relabelled = [w.machine for w in found if w.machine.relabelling is not None]
    out_of_range, far_from_start, whole_turns = _odd_values(solution)
    return Plausibility(
        rig=solution.rig,
        out_of_range=out_of_range,
        far_from_start=far_from_start,
        equivalents=found,
        would_tell=_telling(untold, solution, free & np.isnan(solution.tape[0])),
        keep_out=_telling(relabelled, solution, free),
        whole_turns=whole_turns,
    )


def plausibility_as_chosen(run: Run, choice: str) -> Plausibility:
    """Of the solution without what a choice sets aside."""
    return plausibility(solve_as_chosen(run, choice).solution)


def _odd_values(solution):
    """Values out of their range, far from tape or stated start, and whole turns from their start.

    Three tuples of Odd.
    """
    rig, values, (taped, tape_sd) = solution.rig, solution.parameters, solution.tape
    expected = starting_parameters(solution.run)
    near = expected + difference(rig, values, expected)
    from_tape = np.abs(difference(rig, values, taped)) / tape_sd
    from_start = np.abs(difference(rig, values, rig.start)) / believed_sd(rig)
    out, far, turned = [], [], []
    for i, (p, sd) in enumerate(zip(rig.parameters, _sds(solution).tolist(), strict=True)):
        value = float(values[i])
        if not p.allows(value):
            out.append(Odd(p.name, value, sd))
        if not p.held and from_tape[i] > FAR_FROM_TAPE:
            far.append(Odd(p.name, value, sd, float(taped[i]), float(from_tape[i])))
        elif not p.held and np.isnan(taped[i]) and p.stated and from_start[i] > FAR_FROM_STATED:
            far.append(Odd(p.name, value, sd, float(p.start)))
        if p.unit == "deg" and abs(value - near[i]) > np.pi:
            turned.append(Odd(p.name, value, sd, float(near[i])))
    return tuple(out), tuple(far), tuple(turned)


def _sds(solution):
    return np.sqrt(np.diag(solution.covariance))


def _weighed(solution, machine):
    """The evidence for the machine at hand against another."""
    rig, own, other = solution.rig, machine.own, machine.parameters
    allowed = np.array([[p.allows(v) for v in pair]
                        for p, pair in zip(rig.parameters, zip(own, other, strict=True),
                                           strict=True)])
    barred = BARRED * (allowed[:, 0].astype(float) - allowed[:, 1])
    unlikely = 0.0 if machine.relabelling is None else machine.relabelling.unlikely
    evidence = (machine.excess + machine.tape_excess + barred.sum()
                + machine.start_excess.sum() + unlikely)
    told_by = _teller(solution, machine, barred) if evidence > AS_WELL else None
    not_taped = ~rig.held & np.isnan(solution.tape[0])
    would_tell = _telling([machine], solution, not_taped) if told_by is None else ()
    return Weighed(machine, float(evidence), told_by, next(iter(would_tell), None))


def _teller(solution, machine, barred):
    """What tells, the surest first: tape, range, starting values."""
    rig = solution.rig
    if machine.tape_excess > AS_WELL and (names := _contradicted(solution, machine)):
        return Teller("tape", tuple(names))
    if names := [rig.parameters[i].name for i in np.flatnonzero(barred > 0)]:
        by_sign = all(rig.parameters[i].least > 0 > machine.parameters[i]
                      for i in np.flatnonzero(barred > 0))
        return Teller("sign" if by_sign else "range", tuple(names))
    start = disbelief(solution.run, machine.without_tape) - disbelief(solution.run, machine.own)
    names = [rig.parameters[i].name for i in np.argsort(-start) if start[i] > AS_WELL / _TOGETHER]
    return Teller("start", tuple(names)) if names else Teller("all")


def _contradicted(solution, machine):
    """Taped quantities that the shots, read otherwise, contradict; most contradicted first."""
    rig, tape = solution.rig, solution.run.tape
    computed, _ = taped_quantities(rig, machine.without_tape, tape.quantities)
    off = ((computed - tape.value) / tape.sd) ** 2
    tells = (*machine.differs, *(d.name for d in rig.derived))
    return [tape.quantities[i] for i in np.argsort(-off)
            if off[i] > AS_WELL and tape.quantities[i] in tells]


def _telling(machines, solution, open_to_tape):
    """The fewest parameters, one after the other, whose taped values tell all that they can."""
    rig = solution.rig
    sd = np.array([np.inf if p.tape_sd is None else p.tape_sd for p in rig.parameters])
    sd = np.where(open_to_tape, np.hypot(sd, _sds(solution)), np.inf)
    # Against a tape the shots end in a compromise: what they say themselves is the difference.
    against = [m.without_tape if m.tape_excess > AS_WELL else m.parameters for m in machines]
    sizes = [np.abs(difference(rig, values, m.own)) / np.hypot(sd, m.sd)
             * np.isin(rig.parameter_names, m.differs)
             for m, values in zip(machines, against, strict=True)]
    # A length is sooner taped than an angle: an angle only where no length tells.
    lengths = np.array([p.unit == "m" for p in rig.parameters])
    sizes = [np.where(lengths, size, 0.0) if (size[lengths] > TOLD_AT).any() else size
             for size in sizes]
    chosen = []
    while sizes:
        told = np.array(sizes) > TOLD_AT
        if not told.any():
            break
        # Of those that tell the most, the one that tells by the most sds.
        best = max(range(len(sd)), key=lambda i: (told[:, i].sum(), min(
            size[i] for size in sizes if size[i] > TOLD_AT) if told[:, i].any() else 0.0))
        chosen.append(rig.parameters[best].name)
        sizes = [size for size in sizes if size[best] <= TOLD_AT]
    return tuple(chosen)
