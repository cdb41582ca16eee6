"""Several runs of one machine as one adjustment problem."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.linalg import block_diag

from calib.adjust.observations import BlockGroup, Observations, Prediction, Prior
from calib.calibration import Problem, problem_of
from calib.judge.same_model import SAME, chain_differences
from calib.layout import (
    CORRECTED,
    PLACED,
    RIG,
    SET_UP,
    STAND,
    Layout,
    Part,
    Quantity,
    Scope,
)
from calib.run.records import Run
from calib.together.scopes import SCOPES, Visit, partitions

#: Scopes of a run's places; all others are of the machine.
_PLACES = (STAND, SET_UP)


class NotTogether(Exception):
    """Runs that cannot be adjusted in one go.

    Attributes
    ----------
    problems : tuple of (str, str, str)
        The run, or the key of the plan, what was found and what was expected.
    """

    def __init__(self, problems: Sequence[tuple[str, str, str]]):
        self.problems = tuple(problems)
        super().__init__("; ".join(f"{where}: found {found}, expected {expected}"
                                   for where, found, expected in problems))


@dataclass(frozen=True)
class Joint:
    """Runs as one problem: ``joint(unknowns, readings)`` is its model for the engine."""

    visits: tuple[Visit, ...]
    problems: tuple[Problem, ...]  #: Each run by itself.
    #: Parameter name to the instance of it that each run has.
    instances: Mapping[str, tuple[str, ...]]
    layout: Layout  #: Of all unknowns; parameters of one instance form the scope of the rig.
    #: Where the unknowns of each run are among all of them.
    columns: tuple[np.ndarray, ...] = field(repr=False)
    #: Per run which of its prior values take part: what was taped once counts once, with the first
    #: run that has it.
    prior_kept: tuple[np.ndarray, ...] = field(repr=False)

    @property
    def n_machine(self) -> int:
        """How many of the unknowns are of the machine; they come first."""
        return sum(int(np.prod(s.shape)) for s in self.layout.scopes
                   if s.name not in _PLACES)

    def machine_columns(self, run: int) -> np.ndarray:
        """Where the rig parameters of a run are among all unknowns, shape (n_parameters,)."""
        return self.columns[run][self.problems[run].layout.columns(RIG, "")]

    @cached_property
    def has(self) -> np.ndarray:
        """Which unknowns of the machine each run has, bool, shape (n_runs, n_machine)."""
        return np.array([np.isin(np.arange(self.n_machine), self.machine_columns(i))
                         for i in range(len(self.visits))])

    @cached_property
    def rows(self) -> tuple[slice, ...]:
        """The observations of each run."""
        return _slices([len(p.observations.values) for p in self.problems])

    @cached_property
    def blocks(self) -> tuple[slice, ...]:
        """The poses of each run."""
        return _slices([len(p.observations.readings) for p in self.problems])

    @cached_property
    def prior_rows(self) -> tuple[slice, ...]:
        """The prior values of each run that take part."""
        return _slices([int(kept.sum()) for kept in self.prior_kept])

    @cached_property
    def observations(self) -> Observations:
        """Of all runs, one after the other."""
        groups = [BlockGroup(g.rows + rows.start, g.blocks + blocks.start, g.covariance)
                  for p, rows, blocks in zip(self.problems, self.rows, self.blocks, strict=True)
                  for g in p.observations.groups]
        each = [p.observations for p in self.problems]
        return Observations(
            np.concatenate([o.values for o in each]), tuple(groups),
            np.concatenate([o.readings for o in each]),
            np.concatenate([o.reading_covariance for o in each]),
            np.concatenate([o.aside for o in each]),
            np.concatenate([o.readings_aside for o in each]))

    @cached_property
    def prior(self) -> Prior:
        """Tape and set-ups of all runs."""
        names = tuple(f"{name} in {visit.name}" for visit, p, kept in zip(
            self.visits, self.problems, self.prior_kept, strict=True)
            for name, k in zip(p.prior.names, kept, strict=True) if k)
        covariance = block_diag(*(p.prior.covariance[np.ix_(k, k)] for p, k in zip(
            self.problems, self.prior_kept, strict=True)))
        values = [p.prior.values[k] for p, k in zip(self.problems, self.prior_kept, strict=True)]
        return Prior(names, np.concatenate(values), covariance, self._prior_values)

    def _prior_values(self, unknowns):
        values, gradients = [], []
        for p, columns, kept in zip(self.problems, self.columns, self.prior_kept, strict=True):
            h, own = p.prior.function(unknowns[columns])
            gradient = np.zeros((int(kept.sum()), len(unknowns)))
            gradient[:, columns] = own[kept]
            values.append(h[kept])
            gradients.append(gradient)
        return np.concatenate(values), np.concatenate(gradients)

    @cached_property
    def start(self) -> np.ndarray:
        """What the runs that have an unknown start from, on average, shape (n_unknowns,)."""
        columns = np.concatenate(self.columns)
        total = np.bincount(columns, np.concatenate([p.start for p in self.problems]))
        return total / np.bincount(columns)

    @cached_property
    def start_corrections(self) -> np.ndarray:
        """Of readings that are set aside, shape (n_poses, n_readings), rad."""
        return np.concatenate([p.start_corrections for p in self.problems])

    def __call__(self, unknowns: np.ndarray, readings: np.ndarray) -> Prediction:
        """Predicted shot coordinates of all runs, and derivatives, row by row."""
        positions, by_readings, parts = [], [], []
        for i, problem in enumerate(self.problems):
            position, own, by = problem.parts(
                unknowns[self.columns[i]], readings[self.blocks[i]], problem.run.shots)
            positions.append(position)
            by_readings.append(by)
            parts.append(list(self._parts(i, own)))
        joined = [Part(these[0].scope, np.concatenate([p.instance for p in these]),
                       np.concatenate([p.derivatives for p in these]))
                  for these in zip(*parts, strict=True)]
        design = self.layout.dense if self.layout.split is None else self.layout.bordered
        by_unknowns, n = design(joined), sum(p.size for p in positions)
        if isinstance(by_unknowns, np.ndarray):
            by_unknowns = by_unknowns.reshape(n, -1)
        return Prediction(np.concatenate(positions).reshape(n), by_unknowns,
                          np.concatenate(by_readings).reshape(n, -1))

    def _parts(self, i, own):
        """Derivatives of a run's points by each scope of the whole."""
        by_scope = {part.scope: part for part in own}
        names, by_rig = self.problems[i].run.rig.parameter_names, by_scope[RIG].derivatives
        for scope in self.layout.scopes:
            derivatives = np.zeros((*by_rig.shape[:2], len(scope.quantities)))
            instance, part = np.full(len(by_rig), -1), by_scope.get(scope.name)
            there = [(k, names.index(q.name)) for k, q in enumerate(scope.quantities)
                     if q.name in names]
            if scope.name in _PLACES and part is not None:  # numbered through all runs
                first = sum(len(p.layout.scope(scope.name).instances) for p in self.problems[:i])
                derivatives = part.derivatives
                instance = np.where(part.instance < 0, -1, part.instance + first)
            elif there:
                to, of = np.array(there).T
                derivatives[:, :, to] = by_rig[:, :, of]
                instance[:] = scope.instances.index(self.instances[scope.quantities[to[0]].name][i])
            yield Part(scope.name, instance, derivatives)


def joint_of(runs: Sequence[Run], visits: Sequence[Visit],
             scopes: Mapping[str, str] | None = None) -> Joint:
    """Set up the adjustment of several runs of one machine.

    Parameters
    ----------
    runs : sequence of Run
        In the order of time.
    visits : sequence of Visit
        What each run is.
    scopes : mapping of str to str, optional
        Parameter name to "shared", "attachment" or "day" where it is not the usual.

    Raises
    ------
    NotTogether
        Naming everything in which the runs are not of one machine.
    """
    visits, scopes = tuple(visits), dict(scopes or {})
    _refuse_others(runs, visits, scopes)
    found = partitions([run.rig for run in runs], visits, scopes)
    problems = tuple(problem_of(run) for run in runs)
    _refuse_different_holds(problems, visits, found)
    layout = _layout(problems, visits, found)
    columns = tuple(_columns(i, problems, visits, found, layout) for i in range(len(runs)))
    return Joint(visits, problems, found, layout, columns, _kept_priors(problems, columns))


def _layout(problems, visits, found):
    """Parameters of equal instances in a scope of their own, then stands and set-ups."""
    about = {p.name: p for problem in reversed(problems) for p in problem.run.rig.parameters}
    groups: dict[tuple[str, ...], list[str]] = {(("",) * len(visits)): []}
    for name, labels in found.items():
        groups.setdefault(labels, []).append(name)
    scopes = []
    for labels, names in groups.items():
        quantities = tuple(
            Quantity(n, about[n].unit, about[n].means,
                     all(p.held for problem in problems for p in problem.run.rig.parameters
                         if p.name == n)) for n in names)
        scopes.append(Scope(_scope_name(labels, names, visits, problems), quantities,
                            tuple(dict.fromkeys(labels))))
    for scope, quantities, splits in ((STAND, PLACED, True), (SET_UP, CORRECTED, False)):
        scopes.append(Scope(scope, quantities, tuple(
            f"{visit.name}/{name}" for visit, p in zip(visits, problems, strict=True)
            for name in p.layout.scope(scope).instances), splits))
    return Layout(tuple(scopes))


def _scope_name(labels, names, visits, problems):
    if not any(labels):
        return RIG
    for name in ("attachment", "day"):
        if labels == tuple(getattr(visit, name) for visit in visits):
            return name
    sensors = dict.fromkeys(r.name for p in problems for r in p.run.rig.readings
                            if {r.zero, *r.varying} & set(names))
    return f"mounting of {' and '.join(sensors)}"


def _columns(i, problems, visits, found, layout):
    """Where the unknowns of a run are among all of them."""
    problem, columns = problems[i], np.empty(len(problems[i].layout), int)
    scope_of = {q.name: (s, k) for s in layout.scopes if s.name not in _PLACES
                for k, q in enumerate(s.quantities)}
    for name, own in zip(problem.run.rig.parameter_names, problem.layout.columns(RIG, ""),
                         strict=True):
        scope, k = scope_of[name]
        columns[own] = layout.columns(scope.name, found[name][i])[k]
    for scope in _PLACES:
        for instance in problem.layout.scope(scope).instances:
            columns[problem.layout.columns(scope, instance)] = layout.columns(
                scope, f"{visits[i].name}/{instance}")
    return columns


def _kept_priors(problems, columns):
    """Masks over each run's prior values: not what an earlier run has taped already.

    The same quantity, value and sd about the same unknowns is one reading of one tape.
    """
    seen, masks = set(), []
    for problem, own in zip(problems, columns, strict=True):
        mask = np.ones(len(problem.prior.values), bool)
        for row, key in enumerate(taped_keys(problem, own)):
            mask[row] = key not in seen
            seen.add(key)
        masks.append(mask)
    return tuple(masks)


def taped_keys(problem: Problem, columns: np.ndarray) -> list[tuple]:
    """What tells a taped value of a run from others: quantity, value, sd, and what it is about."""
    gradient = problem.prior.function(problem.start)[1][: problem.n_taped]
    sd = np.sqrt(np.diag(problem.prior.covariance))
    return [(problem.prior.names[row], round(float(problem.prior.values[row]), 9),
             float(f"{sd[row]:.6g}"), tuple(columns[np.flatnonzero(gradient[row])]))
            for row in range(problem.n_taped)]


def _refuse_others(runs, visits, scopes):
    """Complain of runs that are not of one machine, and of scopes and sensors that are none."""
    first, problems = runs[0].rig, []
    known = {name for run in runs for name in run.rig.parameter_names}
    problems += [(f"scopes.{name}", name, "a parameter of the rig: " + ", ".join(sorted(known)))
                 for name in scopes if name not in known]
    problems += [(f"scopes.{name}", f"{scope!r}", " or ".join(SCOPES))
                 for name, scope in scopes.items() if scope not in SCOPES]
    for run, visit in zip(runs, visits, strict=True):
        unknown = [name for name in visit.remounted if name not in run.rig.reading_names]
        problems += [(visit.name, f"remounted {name}", "a reading of the rig: "
                      + ", ".join(run.rig.reading_names)) for name in unknown]
        if run.rig.reading_names != first.reading_names or chain_differences(first, run.rig):
            problems.append((visit.name, f"another machine, {run.rig.title}, or other sensors",
                             f"motions, readings, directions and sensors as in {visits[0].name}"))
    if problems:
        raise NotTogether(problems)


def _refuse_different_holds(problems, visits, found):
    """Complain where one run holds what another estimates, or holds it at another value.

    A parameter that is held until it is shot is estimated where any run shoots it.
    """
    wrong = []
    for name, labels in found.items():
        have = [(labels[i], p.run.rig.parameters[p.run.rig.parameter_names.index(name)], i)
                for i, p in enumerate(problems) if name in p.run.rig.parameter_names]
        waits = any(p.until_shot for _, p, _ in have)
        of = {label: [(p, i) for own, p, i in have if own == label] for label, *_ in have}
        states = {label: {p.held for p, _ in these} for label, these in of.items()}
        free = {label: False in state for label, state in states.items()}
        mixed = any(len(state) > 1 for state in states.values())
        if (mixed and not waits) or len(set(free.values())) > 1:
            holder = next(i for _, p, i in have if p.held)
            wrong.append((visits[holder].name, f"{name} held", "the same in every run"
                          + (": shot with every attachment, or with none" if waits else "")))
            continue
        for these in of.values():
            values = {p.start for p, _ in these if p.held}
            if not any(free.values()) and values and max(values) - min(values) > SAME:
                i = next(i for p, i in these if abs(p.start - these[0][0].start) > SAME)
                wrong.append((visits[i].name, f"{name} held at another value",
                              f"the value of {visits[these[0][1]].name}"))
    if wrong:
        raise NotTogether(wrong)


def _slices(sizes):
    ends = np.cumsum(sizes)
    return tuple(slice(int(end - size), int(end)) for end, size in zip(ends, sizes, strict=True))
