"""Runs adjusted in one go: the solution, what each run told it, and each run with the others."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from calib.adjust.adjustment import Adjustment
from calib.adjust.bordered import Bordered, Sets
from calib.adjust.mixed_model import ModelNotFinite, NotConverged, adjust
from calib.calibration import Solution, solve
from calib.machine import freed, trimmed
from calib.run.records import Machine, Run
from calib.together.joint import Joint, joint_of, taped_keys
from calib.together.scopes import Visit


@dataclass(frozen=True)
class Told:
    """What one run's shots say about the machine: independent equations of unit variance.

    ``rows @ (unknowns - where they were solved) = misclosure`` over the unknowns of the machine.
    """

    #: Shape (r, n_machine). Of full row rank; zero where the run says nothing, and where an unknown
    #: is held.
    rows: np.ndarray
    misclosure: np.ndarray  #: Shape (r,).
    chi2: float  #: At the best that the run alone can do.
    dof: int  #: Of that.
    #: tape, tape_misclosure: The same of what the run adds of tape, shapes (t, n_machine) and (t,).
    tape: np.ndarray
    tape_misclosure: np.ndarray


@dataclass(frozen=True)
class Together:
    """Several runs, solved."""

    joint: Joint
    adjustment: Adjustment  #: ``joint.layout`` tells what its unknowns are.

    def __repr__(self):
        return (f"<Together: {len(self.joint.visits)} runs, {self.adjustment.free.sum()} unknowns, "
                f"variance factor {self.adjustment.variance_factor or np.nan:.3g}>")

    @property
    def parameters(self) -> np.ndarray:
        """Of the machine, all instances, shape (n_machine,), m or rad."""
        return self.adjustment.parameters[: self.joint.n_machine]

    @property
    def covariance(self) -> np.ndarray:
        """Of the same, across instances, shape (n_machine, n_machine); zero where held."""
        n = self.joint.n_machine
        return self.adjustment.covariance[:n, :n]

    @cached_property
    def told(self) -> tuple[Told, ...]:
        """What each run says."""
        return tuple(self._told(i) for i in range(len(self.joint.problems)))

    def _told(self, i):
        joint, linearised, n = self.joint, self.adjustment.linearised, self.joint.n_machine
        problem, rows = joint.problems[i], joint.rows[i]
        known = self._spread(linearised.below[joint.prior_rows[i]])
        off = linearised.misclosure[len(self.adjustment.residuals):][joint.prior_rows[i]]
        tape = int(joint.prior_kept[i][: problem.n_taped].sum())
        design = np.vstack([self._spread(_dense_rows(linearised.whitened, rows)), known[tape:]])
        w = np.concatenate([linearised.misclosure[rows], off[tape:]])
        own = joint.columns[i][joint.columns[i] >= n]
        machine = freed(design[:, own], np.column_stack([design[:, :n], w]))
        machine, w = machine[:, :-1], machine[:, -1]
        square = trimmed(machine)
        # The equations of the trimmed rows: their left side spans what the machine's columns do.
        left = np.linalg.lstsq(square.T, machine.T, rcond=None)[0].T
        misclosure = np.linalg.lstsq(left, w, rcond=None)[0]
        aside = problem.observations.readings_aside[np.unique(problem.run.shots.pose)].sum()
        return Told(square, misclosure, float(np.sum((w - left @ misclosure) ** 2)),
                    len(w) - len(own) - len(square) - int(aside), known[:tape, :n], off[:tape])

    def _spread(self, by_free):
        """Columns of the free unknowns at their places among all of them."""
        out = np.zeros((len(by_free), len(self.adjustment.free)))
        out[:, self.adjustment.free] = by_free
        return out

    def others(self, i: int) -> Machine | None:
        """What all other runs say about the parameters of run `i`; None if they say nothing.

        A taped value that the run has too is the run's own.
        """
        joint = self.joint
        own = {key for key in taped_keys(joint.problems[i], joint.columns[i])}
        rows, misclosures = [], []
        for j, told in enumerate(self.told):
            if j == i:
                continue
            problem, n = joint.problems[j], joint.problems[j].n_taped
            keys = np.array([key not in own for key in taped_keys(problem, joint.columns[j])], bool)
            mine = keys[joint.prior_kept[j][:n]]
            rows += [told.rows, told.tape[mine]]
            misclosures += [told.misclosure, told.tape_misclosure[mine]]
        names = joint.problems[i].run.rig.parameter_names
        columns = joint.machine_columns(i)
        stacked, w = np.vstack(rows), np.concatenate(misclosures)
        beside = np.setdiff1d(np.arange(joint.n_machine), columns)
        left = freed(stacked[:, beside], np.column_stack([stacked[:, columns], w]))
        left, w = left[:, :-1], left[:, -1]
        says = np.flatnonzero(np.linalg.norm(left, axis=0) > 1e-9 * np.linalg.norm(left))
        root = trimmed(left[:, says])
        if not len(root):
            return None
        # The best that the others alone could do, next to the solution of all.
        shift = np.linalg.lstsq(left[:, says], w, rcond=None)[0]
        shots = tuple(dict.fromkeys(
            hashed for j, problem in enumerate(joint.problems) if j != i
            for hashed in (problem.run.files.get("shots.csv"), *(
                problem.run.machine.shots if problem.run.machine else ())) if hashed))
        return Machine(tuple(names[k] for k in says), self.parameters[columns[says]] + shift, root,
                       "", shots=shots, runs=len(joint.visits) - 1)

    def solution(self, i: int) -> Solution:
        """Run `i` with what the others say of its machine: the numbers of the whole adjustment.

        Raises
        ------
        NotConverged, NotDetermined, InputError
            As `calib.calibration.solve`.
        """
        run = self.joint.problems[i].run
        return solve(replace(run, machine=self.others(i)))


def solve_together(runs: Sequence[Run], visits: Sequence[Visit],
                   scopes: Mapping[str, str] | None = None) -> Together:
    """Adjust several runs of one machine in one go.

    Parameters
    ----------
    runs, visits, scopes
        As `calib.together.joint.joint_of`.

    Raises
    ------
    NotTogether
        If the runs are not of one machine.
    NotDetermined, NotConverged
        From the engine; there is no result then.
    """
    joint = joint_of(runs, visits, scopes)
    try:
        return Together(joint, adjust(
            joint, joint.observations, joint.start, names=joint.layout.names, prior=joint.prior,
            held=joint.layout.held, corrections=joint.start_corrections))
    except ModelNotFinite as error:
        raise NotConverged(str(error)) from error


def _dense_rows(matrix, rows):
    """Some rows of a design with all of its columns."""
    if isinstance(matrix, Bordered):
        sets = matrix.sets
        matrix = Bordered(Sets(sets.of_row[rows], sets.local, sets.shared), matrix.values[rows])
        return np.asarray(matrix)
    return matrix[rows]
