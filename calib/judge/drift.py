"""Two results of the same rig: did its geometry change in between, and what of it?"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import f as f_distribution

from calib.adjust.congruency import Congruency, Epoch, congruency
from calib.judge.tape import taped_quantities
from calib.results import Result

#: Level of the test that both epochs have the same variance factor, two-sided.
VARIANCE_LEVEL = 0.05


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
    def moved_names(self) -> tuple[str, ...]:
        """Parameters that moved, in the order in which they were found."""
        return tuple(self.names[m.parameter] for m in self.congruency.moved)


class NotComparable(Exception):
    """Two results that a drift test cannot compare."""


def drift(older: Result, newer: Result) -> Drift:
    """Test whether the parameters common to two results moved.

    Raises
    ------
    NotComparable
        If the results share their shots, or have no estimated parameter in common.
    """
    if shared_shots(older, newer):
        raise NotComparable("both results come from the same shots: nothing can have moved")
    free = [_free(result) for result in (older, newer)]
    names = tuple(n for n in older.rig.parameter_names if n in free[0] and n in free[1])
    if not names:
        raise NotComparable("the results have no estimated parameter in common")
    origin = older.values_si[_index(older, names)]
    epochs = [epoch(result, names, origin) for result in (older, newer)]
    sd = difference_sd(older, newer, names)
    ratio = (epochs[0].chi2 / epochs[0].dof) / (epochs[1].chi2 / epochs[1].dof)
    p = f_distribution.sf(ratio, epochs[0].dof, epochs[1].dof)
    return Drift(
        names=names,
        difference=newer.values_si[_index(newer, names)] - origin,
        difference_sd=sd,
        congruency=congruency(*epochs),
        same_precision=bool(min(p, 1 - p) > VARIANCE_LEVEL / 2),
        left_out=tuple(sorted((free[0] | free[1]) - set(names))),
    )


def epoch(result: Result, names, origin) -> Epoch:
    """What the shots of a result say about some of its parameters, the tape taken out."""
    free = [i for i, n in enumerate(result.rig.parameter_names) if n in _free(result)]
    tape = result.tape
    values, gradient = taped_quantities(result.rig, result.values_si, tape)
    everything = Epoch.without_prior(
        result.values_si[free], result.covariance_si[np.ix_(free, free)],
        result.document["fit"]["chi2"], result.document["fit"]["dof"],
        gradient[:, free], tape.value - values, tape.sd,
        _origin(result, free, names, origin),
    )
    position = {result.rig.parameter_names[i]: k for k, i in enumerate(free)}
    return marginal(everything, [position[n] for n in names])


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


def difference_sd(first: Result, second: Result, names) -> np.ndarray:
    """Sd of the difference of estimates, shape (n,); tape rows that both used correlate them."""
    a, b = _index(first, names), _index(second, names)
    shared = _shared_tape(first, second)
    variance = np.diag(first.covariance_si)[a] + np.diag(second.covariance_si)[b]
    if shared:
        tape = first.tape
        rows = [tape.quantities.index(q) for q in shared]
        _, h1 = taped_quantities(first.rig, first.values_si, tape)
        _, h2 = taped_quantities(second.rig, second.values_si, tape)
        gain1 = first.covariance_si[a] @ h1[rows].T / tape.sd[rows]
        gain2 = second.covariance_si[b] @ h2[rows].T / tape.sd[rows]
        variance = variance - 2 * np.einsum("ij,ij->i", gain1, gain2)
    return np.sqrt(np.maximum(variance, 0.0))


def shared_shots(first: Result, second: Result) -> bool:
    """Whether both results come from the same file of shots."""
    digests = [r.document["run"]["files"].get("shots.csv") for r in (first, second)]
    same_file = digests[0] is not None and digests[0] == digests[1]
    return same_file or (first.sha256 == second.sha256 != "")


def _shared_tape(first, second):
    def rows(tape):
        return set(zip(tape.quantities, tape.value.tolist(), tape.sd.tolist(), strict=True))

    both = rows(first.tape) & rows(second.tape)
    return [q for q in first.tape.quantities if q in {row[0] for row in both}]


def _free(result):
    return {p["name"] for p in result.document["parameters"] if p["status"] != "held"}


def _index(result, names):
    return [result.rig.parameter_names.index(n) for n in names]


def _origin(result, free, names, origin):
    """The common origin for what is compared, the result's own values for the rest."""
    own = result.values_si.copy()
    own[_index(result, names)] = origin
    return own[free]
