"""Two results of the same rig: did its geometry change in between, and what of it?"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from calib.adjust.congruency import Congruency, Epoch, congruency
from calib.adjust.distributions import f_sf
from calib.chain.circle import differences
from calib.chain.rig import Rig
from calib.judge import same_model
from calib.judge.common import difference, difference_covariance, shared_shots
from calib.judge.survey import Survey
from calib.taped import taped_quantities

#: Level of the test that both epochs have the same variance factor, two-sided.
VARIANCE_LEVEL = 0.05

#: What a survey changes in all parameters together, where no part of a machine moved: the scale of
#: its lengths, and its vertical along the boom, which every sensor in the boom plane shows.
SURVEY_SCALE, SURVEY_VERTICAL = "scale of the shots", "vertical of the shots"


@dataclass(frozen=True)
class Drift:
    """The comparison of an older and a newer result."""

    names: tuple[str, ...]  #: The parameters that both results estimated.
    #: difference, difference_sd: shape (n,). Newer less older as they were solved, m or rad, angles
    #: the short way round, with the correlation through what took part in both; NaN where that is
    #: not known.
    difference: np.ndarray
    difference_sd: np.ndarray
    congruency: Congruency  #: Of what the shots of both say, the tape left out.
    #: What may be named as moved: `names`, then what a survey changes in all of them.
    candidates: tuple[str, ...]
    #: Whether the variance factors of both agree; where not, each has its own in the test.
    same_precision: bool
    #: What the two do not model alike; with any, nothing can be said to have moved.
    models: tuple[same_model.ModelDifference, ...]
    #: How the two put one machine into different numbers, if they do.
    otherwise: same_model.OneMachine | same_model.ExchangedLengths | None

    @property
    def comparable(self) -> bool:
        """Whether a difference can be a movement at all."""
        return not self.models and self.otherwise is None

    @property
    def more_moved(self) -> bool:
        """Whether what is left once the named parameters may move still fails the test."""
        test = self.congruency
        return bool(test.moved and test.rest_statistic > test.rest_limit)

    @property
    def moved_names(self) -> tuple[str, ...]:
        """What moved, in the order in which it was found; nothing between different models."""
        if not self.comparable:
            return ()
        return tuple(self.candidates[m.candidate] for m in self.congruency.moved)


class NotComparable(Exception):
    """Two results that a drift test cannot compare."""


def drift(older: Survey, newer: Survey) -> Drift:
    """Test whether the parameters common to two results moved.

    Raises
    ------
    NotComparable
        If the results share shots, or have no estimated parameter in common.
    ValueError
        As `calib.adjust.congruency.congruency`.
    """
    if count := shared_shots(older, newer):
        raise NotComparable(f"both results come from the same shots ({count} of them): what moved "
                            "shows only between different days' shots")
    names = tuple(n for n in older.estimated if n in newer.estimated)
    if not names:
        raise NotComparable("the results have no estimated parameter in common")
    origin = older.parameters[older.index(names)]
    first, second = (epoch(survey, names, origin) for survey in (older, newer))
    alike = _same_precision(first, second)
    if not alike:
        first, second = first.scaled(), second.scaled()
    candidates, columns = _candidates(older, names)
    test = congruency(first, second, candidates=columns)
    models = same_model.model_differences(older, newer)
    covariance = difference_covariance(older, newer, names)
    return Drift(
        names=names,
        difference=difference(older, newer, names),
        difference_sd=np.full(len(names), np.nan) if covariance is None else np.sqrt(
            np.diag(covariance)),
        congruency=test,
        candidates=candidates,
        same_precision=alike,
        models=models,
        otherwise=None if models or test.congruent
        else same_model.described_otherwise(older, newer),
    )


def _same_precision(first, second):
    """Whether two epochs have the same variance factor; True where one cannot say."""
    if not (first.dof and second.dof):
        return True
    ratio = (first.chi2 / first.dof) / (second.chi2 / second.dof) if second.chi2 else np.inf
    p = f_sf(ratio, first.dof, second.dof)
    return bool(min(p, 1 - p) > VARIANCE_LEVEL / 2)


def _candidates(survey, names):
    """Names of what may have moved, and the change of the parameters per unit of each."""
    index = survey.index(names)
    together = list(survey_changes(survey.rig, index, survey.parameters[index]))
    return ((*names, *(name for name, _ in together)),
            np.column_stack([np.eye(len(names)), *(column for _, column in together)]))


def survey_changes(rig: Rig, index: Sequence[int], values: np.ndarray
                   ) -> Iterator[tuple[str, np.ndarray]]:
    """What a survey changes in several of a rig's parameters (n,), per unit of the change."""
    parameters = [rig.parameters[i] for i in index]
    zeros = {r.zero for r in rig.readings if r.kind == "in_boom_plane"}
    for name, change in ((SURVEY_SCALE, np.where([p.unit == "m" for p in parameters], values, 0.0)),
                         (SURVEY_VERTICAL, np.array([p.name in zeros for p in parameters], float))):
        if np.count_nonzero(change) > 1:
            yield name, change


def epoch(survey: Survey, names: Sequence[str], origin: np.ndarray) -> Epoch:
    """What the shots of a run say about some of its parameters.

    The tape is taken out, and what was known of the machine from other shots.
    """
    free = survey.index(survey.estimated)
    gradient, residual, sd = _beforehand(survey)
    own = survey.parameters.copy()
    index = survey.index(names)
    own[index] -= differences(own[index], origin, survey.units(names))
    everything = Epoch.without_prior(
        survey.parameters[free], survey.covariance[np.ix_(free, free)], survey.chi2, survey.dof,
        gradient[:, free], residual, sd, own[free],
    )
    return marginal(everything, [survey.estimated.index(n) for n in names])


def _beforehand(survey):
    """Gradient, residuals and sds of what was taped and of what was known of the machine."""
    tape, machine = survey.tape, survey.machine
    values, gradient = taped_quantities(survey.rig, survey.parameters, tape.quantities)
    residual, sd = differences(tape.value, values, tape.si_units), tape.sd
    if machine is None:
        return gradient, residual, sd
    index = survey.index(machine.names)
    rows = np.zeros((len(machine.root), len(survey.parameters)))
    rows[:, index] = machine.root
    off = machine.root @ differences(machine.value, survey.parameters[index],
                                     survey.units(machine.names))
    return (np.vstack([gradient, rows]), np.concatenate([residual, off]),
            np.concatenate([sd, np.ones(len(rows))]))


def marginal(epoch: Epoch, kept: Iterable[int]) -> Epoch:
    """The same about the parameters `kept` alone, the others free to be anything."""
    kept = list(kept)
    rest = [i for i in range(len(epoch.score)) if i not in kept]
    scale = 1 / np.sqrt(np.where(np.diag(epoch.information) > 0, np.diag(epoch.information), 1.0))
    information = epoch.information * np.outer(scale, scale)
    score = epoch.score * scale
    across = information[np.ix_(kept, rest)] @ np.linalg.pinv(
        information[np.ix_(rest, rest)], rcond=1e-9, hermitian=True)
    own, back = information[np.ix_(kept, kept)] - across @ information[np.ix_(rest, kept)], \
        1 / scale[kept]
    return Epoch(own * np.outer(back, back), (score[kept] - across @ score[rest]) * back,
                 epoch.chi2, epoch.dof)


