"""Looking for the effects that a run asks for, one after another.

First every effect that the run can tell is tested at the solution as it is, all by one
linearisation (`calib.adjust.score`); then the run is solved with those that look like something.
An effect is asked for when what solving with it takes off chi2 is more than chance over all effects
that were tried, and Schwarz's criterion agrees (BIC = chi2 + k ln n; G. Schwarz, Annals of
Statistics 6 (1978) 461-464; beside it AIC = chi2 + 2 k, H. Akaike, IEEE Transactions on Automatic
Control 19 (1974) 716-723; both from memory). Others that do about as well are told with it: the
shots cannot tell them apart. The best is laid over the rig and the rest is tried again.
"""

from dataclasses import replace

import numpy as np

from calib.calibration import Solution, solve
from calib.explore.found import Exploration, Found, Tested, Verdict
from calib.explore.rivals import known_mistake, single_number
from calib.explore.tried import ALIKE, RUN_LEVEL, Round
from calib.judge.fits import passes, solved
from calib.judge.judgement import HOPELESS
from calib.judge.set_aside import SetAside, without
from calib.judge.suspects import find_suspects, set_aside_of
from calib.run.records import Run

#: Effects that are taken in one after another, and times that suspects are looked for again.
_MOST_FOUND, _MOST_ROUNDS = 4, 2

#: More than this share of the shots is no longer a matter of single values.
_MOST_SINGLE = 1 / 6

#: What a field mistake may explain.
_DOUBTFUL = (Verdict.ASKED, Verdict.ALIKE, Verdict.EXPLAINED)


def explore(run: Run) -> Exploration:
    """Look for the effects that a run asks for; changes nothing.

    What is beyond chance out of line is set aside first, and looked at again with the effects in
    the rig: it may only have been out for want of them.

    Raises
    ------
    InputError, NotDetermined, NotConverged
        As `calib.calibration.solve`.
    """
    whole = solve(run)
    out = _out_of_line(whole)
    rest = _solved_without(run, out) or whole
    if (rest.adjustment.variance_factor or 0.0) > HOPELESS or _too_many(run, out):
        return _mistaken(run, whole)
    result = _searched(rest)
    if rest is not whole:
        # What is out may be the tape that an effect is told by, or show it best.
        kept = _without_tape(out)
        base = _solved_without(run, kept) or whole
        other = _searched(base)
        room = ALIKE if not result.found else 0.0
        if other.found and _cost(other) < _cost(result) + room:
            instead = tuple(name for name in out.names if name not in kept.names)
            result, out = replace(other, instead=instead), kept
    result = _settled(run, result, out)
    return _mistaken(run, whole) if _too_many(run, result.aside) else _against_mistakes(run, result)


def _mistaken(run, whole) -> Exploration:
    """A run too far from fitting to ask which effect it lacks."""
    return Exploration(whole, whole, SetAside(), (), (), True, known_mistake(run), False)


def _too_many(run, aside) -> bool:
    """Whether so many values are out that it is no matter of single ones."""
    return len(aside.names) > max(2, _MOST_SINGLE * len(run.shots))


def _without_tape(aside) -> SetAside:
    """The same without taped values; nothing if there are none."""
    if not aside.tape:
        return SetAside()
    names = tuple(name for name in aside.names if not name.startswith("tape:"))
    return replace(aside, tape=frozenset(), names=names)


def _out_of_line(solution) -> SetAside:
    """What is out by more than chance; what only looks so one by one stays."""
    return set_aside_of(find_suspects(solution).beyond_chance)


def _solved_without(run, aside) -> Solution | None:
    return solved(without(run, aside)) if aside.names else None


def _settled(run, result, aside) -> Exploration:
    """The same, what is out of line looked at again with the effects in the rig."""
    result = replace(result, aside=aside)
    for _ in range(_MOST_ROUNDS):
        with_all = solved(replace(run, rig=result.after.rig)) if result.found else None
        if with_all is None or (left := _out_of_line(with_all)) == result.aside:
            break
        base = solved(without(run, left)) if left.names else solve(run)
        if base is None:
            break
        result = replace(_searched(base), aside=left, instead=result.instead)
    return result


def _cost(result) -> float:
    """Schwarz's criterion, what is set aside counted as unknowns; but for a constant."""
    after = result.after.adjustment
    return after.chi2 - after.dof * np.log(3 * len(result.before.run.shots))


def _searched(base: Solution) -> Exploration:
    """One effect after another laid over the rig."""
    first = looked = Round.of(base)
    found: list[Found] = []
    current = base
    while looked.best is not None and len(found) < _MOST_FOUND:
        found.append(Found(looked.best, looked.alike))
        current = looked.solutions[looked.best.effect.name]
        looked = Round.of(current)
    return Exploration(base, current, SetAside(), _with_verdicts(first.tested, found),
                       tuple(found), first.stated, None, True)


def _with_verdicts(tested, found) -> tuple[Tested, ...]:
    """The rows of the first round with what came of them."""
    groups = [tuple(t.effect.name for t in (f.tested, *f.alike)) for f in found]
    asked = tuple(group[0] for group in groups)
    inside = {m: f.tested.effect.name for f in found for m in f.tested.effect.members}
    rows = []
    for row in tested:
        name = row.effect.name
        group = next((g for g in groups if name in g), None)
        if row.verdict is not Verdict.NOTHING:
            pass
        elif group is not None:
            row = replace(row, verdict=Verdict.ALIKE if len(group) > 1 else Verdict.ASKED,
                          others=tuple(n for n in group if n != name))
        elif name in inside:
            row = replace(row, verdict=Verdict.ASKED, others=(inside[name],))
        elif found and row.chance < RUN_LEVEL:
            row = replace(row, verdict=Verdict.EXPLAINED, others=asked)
        rows.append(row)
    return tuple(rows)


def _against_mistakes(run, result: Exploration) -> Exploration:
    """The same, without what a field mistake explains better."""
    fit = result.after.adjustment
    result = replace(result, fits=passes(fit.chi2, fit.dof))
    rival = single_number(result.before)
    if rival is None and result.found and not result.fits:
        rival = known_mistake(without(run, result.aside))
    if rival is None or (_worth(result) > rival.worth and result.fits
                         and single_number(result.after) is None):
        return result
    return replace(result, rival=rival, found=(), after=result.before, tested=tuple(
        replace(t, verdict=Verdict.MISTAKE) if t.verdict in _DOUBTFUL else t
        for t in result.tested))


def _worth(result) -> float:
    """What the effects take off chi2, less what their numbers and their choice cost."""
    before, after = result.before.adjustment, result.after.adjustment
    numbers, coordinates = before.dof - after.dof, 3 * len(result.before.run.shots)
    return (before.chi2 - after.chi2 - numbers * np.log(coordinates)
            - 2 * len(result.found) * np.log(max(1, len(result.tested))))
