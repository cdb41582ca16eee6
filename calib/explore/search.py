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
from calib.explore.rivals import fits, known_mistake, single_number
from calib.explore.tried import RUN_LEVEL, Round
from calib.judge.fits import solved
from calib.judge.judgement import HOPELESS
from calib.judge.set_aside import SetAside, without
from calib.judge.suspects import find_suspects
from calib.run.records import Run

#: Effects that are taken in one after another, and times that suspects are looked for again.
_MOST_FOUND, _MOST_ROUNDS = 4, 2

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
    if (whole.adjustment.variance_factor or 0.0) > HOPELESS:
        return Exploration(whole, whole, SetAside(), (), (), True, known_mistake(run), False)
    suspects = find_suspects(whole)
    aside, result = suspects.aside, _searched(suspects.without)
    if not result.found and aside.names:
        # Shots that show an effect best may be those that were set aside.
        other = _searched(whole)
        left = _out(run, other) if other.found else None
        if left is not None and len(left.names) < len(aside.names):
            result, aside = other, SetAside()
    for _ in range(_MOST_ROUNDS):
        left = _out(run, result) if result.found else None
        if left is None or left == aside or (base := solved(without(run, left))) is None:
            break
        aside, result = left, _searched(base)
    return _against_mistakes(run, replace(result, aside=aside))


def _out(run, result) -> SetAside | None:
    """What is out of line with the effects in the rig."""
    solution = solved(replace(run, rig=result.after.rig))
    return None if solution is None else find_suspects(solution).aside


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
    result = replace(result, fits=fits(result.after))
    rival = single_number(result.before)
    if rival is None and not result.fits:
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
