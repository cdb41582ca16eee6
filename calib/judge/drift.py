"""Two results of the same rig: did its geometry change in between, and what of it?"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import f as f_distribution

from calib.adjust.congruency import Congruency, Epoch, congruency
from calib.chain.rig import Rig
from calib.judge.tape import taped_quantities
from calib.run.records import Tape

#: Level of the test that both epochs have the same variance factor, two-sided.
VARIANCE_LEVEL = 0.05


@dataclass(frozen=True)
class Survey:
    """What one solved run says of its machine.

    Attributes
    ----------
    parameters, covariance : ndarray, shapes (p,) and (p, p)
        m or rad; zero rows where held.
    estimated : tuple of str
        The parameters that were not held.
    tape : Tape
        What took part in the solution.
    chi2, dof
        Of the solution.
    identity : str
        Of the shots it comes from; empty if unknown.
    failed : tuple of str
        Gates of the result that failed.
    """

    rig: Rig
    parameters: np.ndarray
    covariance: np.ndarray
    estimated: tuple[str, ...]
    tape: Tape
    chi2: float
    dof: int
    identity: str
    failed: tuple[str, ...] = ()

    def index(self, names) -> list[int]:
        """Where parameters are in the arrays."""
        return [self.rig.parameter_names.index(name) for name in names]


@dataclass(frozen=True)
class Drift:
    """The comparison of an older and a newer result.

    Attributes
    ----------
    names : tuple of str
        The parameters that both results estimated.
    difference, difference_sd : ndarray, shape (n,)
        Newer less older as they were solved, m or rad; correlation through a shared tape is taken
        into account.
    congruency : Congruency
        Of what the shots of both say, the tape left out.
    same_precision : bool
        Whether the variance factors of both agree.
    left_out : tuple of str
        Parameters that only one of the results estimated.
    """

    names: tuple[str, ...]
    difference: np.ndarray
    difference_sd: np.ndarray
    congruency: Congruency
    same_precision: bool
    left_out: tuple[str, ...]

    @property
    def more_moved(self) -> bool:
        """Whether what is left once the named parameters may move still fails the test."""
        test = self.congruency
        return bool(test.moved and test.rest_statistic > test.rest_limit)

    @property
    def moved_names(self) -> tuple[str, ...]:
        """Parameters that moved, in the order in which they were found."""
        return tuple(self.names[m.parameter] for m in self.congruency.moved)


class NotComparable(Exception):
    """Two results that a drift test cannot compare."""


def drift(older: Survey, newer: Survey) -> Drift:
    """Test whether the parameters common to two results moved.

    Raises
    ------
    NotComparable
        If the results share their shots, or have no estimated parameter in common.
    """
    if shared_shots(older, newer):
        raise NotComparable("both results come from the same shots: nothing can have moved")
    names = tuple(n for n in older.estimated if n in newer.estimated)
    if not names:
        raise NotComparable("the results have no estimated parameter in common")
    origin = older.parameters[older.index(names)]
    epochs = [epoch(survey, names, origin) for survey in (older, newer)]
    sd = difference_sd(older, newer, names)
    ratio = (epochs[0].chi2 / epochs[0].dof) / (epochs[1].chi2 / epochs[1].dof)
    p = f_distribution.sf(ratio, epochs[0].dof, epochs[1].dof)
    return Drift(
        names=names,
        difference=newer.parameters[newer.index(names)] - origin,
        difference_sd=sd,
        congruency=congruency(*epochs),
        same_precision=bool(min(p, 1 - p) > VARIANCE_LEVEL / 2),
        left_out=tuple(sorted({*older.estimated, *newer.estimated} - set(names))),
    )


def epoch(survey: Survey, names, origin) -> Epoch:
    """What the shots of a run say about some of its parameters, the tape taken out."""
    free = survey.index(survey.estimated)
    values, gradient = taped_quantities(survey.rig, survey.parameters, survey.tape)
    own = survey.parameters.copy()
    own[survey.index(names)] = origin
    everything = Epoch.without_prior(
        survey.parameters[free], survey.covariance[np.ix_(free, free)], survey.chi2, survey.dof,
        gradient[:, free], survey.tape.value - values, survey.tape.sd, own[free],
    )
    return marginal(everything, [survey.estimated.index(n) for n in names])


def marginal(epoch: Epoch, kept) -> Epoch:
    """The same about the parameters `kept` alone, the others free to be anything."""
    kept = list(kept)
    rest = [i for i in range(len(epoch.score)) if i not in kept]
    if not rest:
        order = np.array(kept)
        return Epoch(epoch.information[np.ix_(order, order)], epoch.score[order], epoch.chi2,
                     epoch.dof)
    scale = 1 / np.sqrt(np.where(np.diag(epoch.information) > 0, np.diag(epoch.information), 1.0))
    information = epoch.information * np.outer(scale, scale)
    score = epoch.score * scale
    across = information[np.ix_(kept, rest)] @ np.linalg.pinv(
        information[np.ix_(rest, rest)], rcond=1e-9, hermitian=True)
    own, back = information[np.ix_(kept, kept)] - across @ information[np.ix_(rest, kept)], \
        1 / scale[kept]
    return Epoch(own * np.outer(back, back), (score[kept] - across @ score[rest]) * back,
                 epoch.chi2, epoch.dof)


def difference_sd(first: Survey, second: Survey, names) -> np.ndarray:
    """Sd of the difference of estimates, shape (n,); tape rows that both used correlate them."""
    a, b = first.index(names), second.index(names)
    shared = _shared_tape(first.tape, second.tape)
    variance = np.diag(first.covariance)[a] + np.diag(second.covariance)[b]
    if shared:
        rows, sd = [first.tape.quantities.index(q) for q in shared], first.tape.sd
        _, h1 = taped_quantities(first.rig, first.parameters, first.tape)
        _, h2 = taped_quantities(second.rig, second.parameters, first.tape)
        gain1 = first.covariance[a] @ h1[rows].T / sd[rows]
        gain2 = second.covariance[b] @ h2[rows].T / sd[rows]
        variance = variance - 2 * np.einsum("ij,ij->i", gain1, gain2)
    return np.sqrt(np.maximum(variance, 0.0))


def shared_shots(first: Survey, second: Survey) -> bool:
    """Whether both come from the same shots."""
    return first.identity != "" and first.identity == second.identity


def _shared_tape(first, second):
    def rows(tape):
        return set(zip(tape.quantities, tape.value.tolist(), tape.sd.tolist(), strict=True))

    both = {quantity for quantity, _, _ in rows(first) & rows(second)}
    return [q for q in first.quantities if q in both]
