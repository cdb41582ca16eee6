"""What two results have in common, and how far that correlates them.

A result is a linear function of what took part: its own shots, its tape, what was known of the
machine. So two of them are correlated by what took part in both: a row of tape; the one in the
other, as what was known of the machine; or an earlier result in both. With C1 and C2 their
covariances and R' R the information of a result x1 that the second took as known, the second is
C2 R' R x1 + what does not depend on it, and

    cov(x1, x2) = C1 R' R C2,         cov(x2 - x1) = C1 - C2  of what was known so,

as of any two stages of a sequential adjustment (G. J. Bierman, *Factorization Methods for Discrete
Sequential Estimation*, Academic Press 1977, from memory; J. A. Hausman, Econometrica 46 (1978)
1251-1271, from memory, has it for any efficient estimate).
"""

from collections.abc import Sequence

import numpy as np

from calib.chain.circle import differences
from calib.judge.survey import Survey, same_rows
from calib.machine import machine_of
from calib.run.records import Tape
from calib.taped import taped_quantities

#: A variance of a difference below this share of that of the first value is none: solutions are
#: iterated to a thousandth of an sd.
_NOTHING_NEW = 1e-4


def shared_shots(first: Survey, second: Survey) -> int:
    """How many shots both come from: none if they are of two field days."""
    if first.identity != "" and first.identity == second.identity:
        return max(len(first.shots), 1)
    return len(set(first.shots) & set(second.shots))


def difference(first: Survey, second: Survey, names: Sequence[str]) -> np.ndarray:
    """Second less first, shape (n,), m or rad, angles the short way round."""
    return differences(second.parameters[second.index(names)],
                       first.parameters[first.index(names)], first.units(names))


def difference_covariance(first: Survey, second: Survey, names: Sequence[str]
                          ) -> np.ndarray | None:
    """Covariance of the difference of estimates, shape (n, n); None where it cannot be known.

    A parameter about which the second tells nothing that the first did not has zeros.
    """
    across = _across(first, second)
    if across is None:
        return None
    a, b = first.index(names), second.index(names)
    across = across[np.ix_(a, b)]
    before = first.covariance[np.ix_(a, a)]
    covariance = before + second.covariance[np.ix_(b, b)] - across - across.T
    told = np.diag(covariance) > _NOTHING_NEW * np.diag(before)
    return covariance * np.outer(told, told)


def correlation_known(first: Survey, second: Survey) -> bool:
    """Whether what took part in both is known; not so of parts of one adjustment, for example."""
    return _across(first, second) is not None


def went_into(first: Survey, second: Survey) -> bool:
    """Whether the first took part in the second as what was known of its machine."""
    return first.sha256 != "" and first.sha256 in _lineage(second)


def shared_points(first: Survey, second: Survey) -> list[str]:
    """Known points, with errors of their own, that set-ups of both lean on."""
    return sorted({name for name, *_ in set(first.known_points) & set(second.known_points)})


def rows_about(survey: Survey, tape: Tape, names: Sequence[str]) -> Tape:
    """The rows of a tape that depend on parameters `names` alone."""
    _, gradient = taped_quantities(survey.rig, survey.parameters, tape.quantities)
    others = ~np.isin(survey.rig.parameter_names, names)
    return tape.select((gradient[:, others] == 0).all(1) & (gradient != 0).any(1))


def _across(first, second):
    """Covariance of all estimates of the first with those of the second; None if not known."""
    if first.machine is None and second.machine is None:
        return _through_tape(first, second, False)
    for one, other, turned in ((first, second, False), (second, first, True)):
        if went_into(one, other):
            known = _through(one, other, other.machine.names, None)
            return None if known is None else _and_tape(first, second, known, turned)
    for one, other, turned in ((first, second, False), (second, first, True)):
        if _lineage(one)[:1] and _lineage(one)[0] in _lineage(other):
            if one.machine.names != other.machine.names:
                return None
            known = _through(one, other, one.machine.names, one.machine.root)
            return None if known is None else _and_tape(first, second, known, turned)
    if _rests_on(first) is None or _rests_on(second) is None or (
            _rests_on(first) & _rests_on(second)):
        return None
    return _through_tape(first, second, True)


def _lineage(survey):
    """The results that it was solved with, one with the next, the last one first."""
    machine = survey.machine
    return () if machine is None or not machine.sha256 else (machine.sha256, *machine.before)


def _rests_on(survey):
    """Files of shots that took part; None if that is not recorded."""
    machine = survey.machine
    own = {survey.identity} - {""}
    return own if machine is None else own.union(machine.shots) if machine.shots else None


def _through(one, other, names, root):
    """C1 R' R C2, with R' R what the first (or, given its root, an earlier result) tells."""
    if not set(names) <= set(one.estimated) & set(other.estimated):
        return None
    i, j = one.index(names), other.index(names)
    if root is None:
        root = machine_of(names, one.parameters[i], one.covariance[np.ix_(i, i)], "").root
    return one.covariance[:, i] @ root.T @ (root @ other.covariance[j])


def _and_tape(first, second, known, turned):
    """Beside what was known to both, the rows of tape that are in neither's knowledge."""
    return (known.T if turned else known) + _through_tape(first, second, False)


def _through_tape(first, second, known_too):
    """C1 H1' T^-1 H2 C2 over the rows of tape in both; also of those that are in what was known.

    H are the gradients of the rows, T their covariance. A row about parameters that are known
    beforehand works on the result through that knowledge as it would by itself.
    """
    across = np.zeros((len(first.parameters), len(second.parameters)))
    tapes = [[s.tape, *([s.machine.tape] if known_too and s.machine else [])]
             for s in (first, second)]
    for one in tapes[0]:
        for other in tapes[1]:
            rows = np.flatnonzero(same_rows(one, other))
            if len(rows):
                names, sd = [one.quantities[i] for i in rows], one.sd[rows]
                gains = [s.covariance @ taped_quantities(s.rig, s.parameters, names)[1].T / sd
                         for s in (first, second)]
                across += gains[0] @ gains[1].T
    return across
