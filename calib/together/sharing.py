"""Was it justified to share? The congruency of several runs, and what should be split.

Each run tells ``rows @ unknowns = misclosure`` about the unknowns that it shares. Their sum of
squares at the common solution, less what the runs do with unknowns of their own (nothing), is the
omega of the congruency test (`calib.adjust.congruency`) for any number of epochs: chi-square with
as many degrees of freedom as sharing takes away, over the pooled variance factor an F.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import orth

from calib.adjust.congruency import LEVEL, changes, search
from calib.adjust.distributions import chi2_isf, f_isf, f_sf
from calib.judge.drift import survey_changes
from calib.together.adjusted import Together, Told

#: Changes to name at most.
MOST = 4

#: Where a change is.
RUN, SINCE, WITH = "run", "since", "attachment"

#: What the columns of candidates leave of themselves, squared, below this is nothing.
_NOTHING = 1e-12


@dataclass(frozen=True)
class Split:
    """Something that the runs do not share."""

    name: str  #: An unknown of the machine, or what a survey changes in all of them.
    #: "run", "since" or "attachment". Whether one run differs, all from one on, or those with one
    #: attachment.
    kind: str
    where: str  #: That run or attachment.
    runs: tuple[int, ...]  #: The runs that differ.


@dataclass(frozen=True)
class Found:
    """A split that was found, and by how much it differs."""

    split: Split
    #: change, sd: Of the runs that differ, less the others; m or rad, a share for the scale.
    change: float
    sd: float
    #: statistic, limit: F value of this step and its critical value.
    statistic: float
    limit: float
    alternatives: tuple[Split, ...]  #: What explains as much, but for what chance does.


@dataclass(frozen=True)
class Sharing:
    """The test of what was shared."""

    omega: float
    rank: int  #: How many combinations two or more runs tell.
    #: pooled, dof: Variance factor of the runs by themselves, all together, and its degrees of
    #: freedom.
    pooled: float
    dof: int
    #: statistic, limit, p_value: F value of the test, its critical value at `LEVEL`; NaN if the
    #: runs share nothing that several of them tell.
    statistic: float
    limit: float
    p_value: float
    found: tuple[Found, ...]  #: In the order in which they were found; empty if the test passes.
    #: rest_statistic, rest_limit: Of what is left if what was found may differ; NaN if nothing is
    #: left.
    rest_statistic: float
    rest_limit: float
    #: Whether the runs fit themselves equally well; where not, each has its own variance factor.
    same_precision: bool

    @property
    def justified(self) -> bool:
        """No difference beyond chance."""
        return not self.statistic > self.limit

    @property
    def explained(self) -> bool:
        """Whether what was found leaves a rest that chance explains."""
        return not self.rest_statistic > self.rest_limit


def sharing(together: Together) -> Sharing:
    """Test whether the runs agree about what they share, and search what they do not share.

    Raises
    ------
    ValueError
        If no run has any redundancy.
    """
    told = together.told
    alike = _same_precision(told)
    if not alike:
        told = tuple(_scaled(t) for t in told)
    dof = sum(t.dof for t in told)
    if dof <= 0:
        raise ValueError("no run has any redundancy: there is nothing to test with")
    pooled = sum(t.chi2 for t in told) / dof
    rows, w = np.vstack([t.rows for t in told]), np.concatenate([t.misclosure for t in told])
    common = _range(rows)
    left, rank = w - common @ (common.T @ w), len(w) - common.shape[1]
    omega = float(left @ left)
    if not rank:
        nothing = (np.nan, np.nan, np.nan)
        return Sharing(0.0, 0, pooled, dof, *nothing, (), np.nan, np.nan, alike)
    statistic, limit = omega / rank / pooled, float(f_isf(LEVEL, rank, dof))
    splits, columns = candidates(together, told)
    columns -= common @ (common.T @ columns)
    size = np.linalg.norm(columns, axis=0)
    unit = columns / np.where(size > _NOTHING, size, np.inf)
    normal, pulls = unit.T @ unit, unit.T @ left
    moved, rest = search(normal, pulls, omega, rank, dof, pooled, MOST)
    chosen, free = [m.candidate for m in moved], rank - len(moved)
    change, covariance = changes(normal, pulls, chosen)
    found = tuple(
        Found(splits[m.candidate], float(c / size[m.candidate]), float(s / size[m.candidate]),
              m.statistic, m.limit, tuple(splits[a] for a in m.alternatives))
        for m, c, s in zip(moved, change, np.sqrt(np.diag(covariance)), strict=True))
    return Sharing(
        omega, rank, float(pooled), dof, float(statistic), limit,
        float(f_sf(statistic, rank, dof)), found,
        float(rest / free / pooled) if free else np.nan,
        float(f_isf(LEVEL, free, dof)) if free else np.nan, alike)


def candidates(together: Together, told: Sequence[Told]) -> tuple[list[Split], np.ndarray]:
    """What may not be shared, and how each would show in the runs' equations.

    Returns
    -------
    splits : list of Split
    columns : ndarray, shape (n_equations, n_splits)
        Per m or rad of the change, per unit of a scale.
    """
    joint, free = together.joint, together.adjustment.free
    unknowns = joint.layout.unknowns
    splits, columns = [], []
    for column in np.flatnonzero(free[: joint.n_machine]):
        runs = tuple(np.flatnonzero(joint.has[:, column]).tolist())
        for kind, where, those in _parts(runs, joint.visits):
            splits.append(Split(unknowns[column].name, kind, where, those))
            columns.append(np.concatenate([
                t.rows[:, column] * (i in those) for i, t in enumerate(told)]))
    for i, visit in enumerate(joint.visits) if len(told) > 1 else ():
        for name, shift in _survey_changes(together, i):
            splits.append(Split(name, RUN, visit.name, (i,)))
            columns.append(np.concatenate([t.rows @ shift * (j == i)
                                           for j, t in enumerate(told)]))
    return splits, np.array(columns).reshape(-1, sum(len(t.rows) for t in told)).T


def _parts(runs, visits):
    """Parts of some runs that may differ from the others: each part, or its complement, once."""
    seen = set()
    ways = [(WITH, visits[i].attachment,
             tuple(j for j in runs if visits[j].attachment == visits[i].attachment)) for i in runs]
    ways += [(SINCE, visits[i].name, tuple(j for j in runs if j >= i)) for i in runs[1:]]
    ways += [(RUN, visits[i].name, (i,)) for i in runs]
    for kind, where, those in ways:
        other = tuple(i for i in runs if i not in those)
        if those in seen or other in seen or not other:
            continue
        seen.add(those)
        if len(those) == 1 and kind == WITH:
            kind, where = RUN, visits[those[0]].name
        yield kind, where, those


def _survey_changes(together, i):
    """What the survey of a run changes in its parameters together, per unit of the change."""
    joint = together.joint
    rig, columns = joint.problems[i].run.rig, joint.machine_columns(i)
    free = together.adjustment.free[columns]
    for name, change in survey_changes(rig, np.flatnonzero(free).tolist(),
                                       together.parameters[columns[free]]):
        shift = np.zeros(joint.n_machine)
        shift[columns[free]] = change
        yield name, shift


def _same_precision(told):
    """Whether the runs have one variance factor: M. S. Bartlett's test, Proc. Royal Society A 160
    (1937) 268-282 (from memory)."""
    dof = np.array([t.dof for t in told if t.dof > 0 and t.chi2 > 0], float)
    factors = np.array([t.chi2 for t in told if t.dof > 0 and t.chi2 > 0]) / dof
    if len(dof) < 2:
        return True
    total = dof.sum()
    statistic = total * np.log(factors @ dof / total) - dof @ np.log(factors)
    statistic /= 1 + (np.sum(1 / dof) - 1 / total) / (3 * (len(dof) - 1))
    return bool(statistic <= chi2_isf(LEVEL, len(dof) - 1))


def _scaled(told):
    """The same with its own variance factor brought to 1; itself without redundancy."""
    if not (told.dof > 0 and told.chi2):
        return told
    factor = np.sqrt(told.chi2 / told.dof)
    return replace(told, rows=told.rows / factor, misclosure=told.misclosure / factor,
                   chi2=float(told.dof))


def _range(rows):
    """An orthonormal basis of what the columns span."""
    scale = np.linalg.norm(rows, axis=0)
    return orth(rows / np.where(scale > 0, scale, 1.0), rcond=1e-10)
