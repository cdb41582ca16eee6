"""What an effect changes at the cutting edge over the working envelope."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.calibration import Solution
from calib.chain.effects import Effect
from calib.edge import edge_points, edge_positions, envelope_edge
from calib.explore.trial import Trial


@dataclass(frozen=True)
class EdgeMoves:
    """How the edge moves with the parameters, at the readings of the envelope's nodes."""

    names: tuple[str, ...]  #: Of the parameters of the trial's rig.
    #: plain, noted: shape (n, t, 3, p), m per m or m per rad: where no pose column says anything;
    #: and what is added where all say their utmost.
    plain: np.ndarray
    noted: np.ndarray

    @classmethod
    def of(cls, trial: Trial) -> "EdgeMoves":
        """Of all parameters, those that the effects add too, where these are zero."""
        solution, rig = trial.solution, trial.rig
        nodes = envelope_edge(solution.rig, solution.parameters)
        readings = nodes.readings[nodes.seen]
        parameters = trial.extended(solution.parameters)
        utmost = np.array([max(c.words.values(), key=abs) for c in rig.pose_columns])
        plain, noted = (
            edge_positions(rig, parameters, readings, edge_points(rig), True,
                           np.tile(column, (len(readings), 1)))[0].by_parameters
            for column in (np.zeros(len(rig.pose_columns)), utmost))
        return cls(rig.parameter_names, plain, noted - plain)

    def worst(self, changes: Mapping[str, float]) -> float:
        """The longest move of the edge for changes of parameters (m, rad), m; 0 without nodes."""
        change = np.array([changes.get(name, 0.0) for name in self.names])
        plain, noted = self.plain @ change, self.noted @ change
        lengths = [np.linalg.norm(plain + side * noted, axis=2).max(initial=0.0)
                   for side in (1, -1)]
        return float(max(lengths))


def first_order(trial: Trial, effect: Effect, values: np.ndarray) -> dict[str, float]:
    """What an effect of some size changes in all rig parameters, its own and the others'."""
    numbers = trial.numbers(effect)
    moved = trial.solution.problem.parameters(trial.scores.taken_up[:, list(numbers)] @ values)
    changes = dict(zip(trial.solution.rig.parameter_names, moved.tolist(), strict=True))
    return changes | dict(zip((trial.names[i] for i in numbers), values.tolist(), strict=True))


def between(before: Solution, after: Solution) -> dict[str, float]:
    """What changes in all rig parameters from one solution to one with the effect."""
    start = dict(zip(before.rig.parameter_names, before.parameters, strict=True))
    rig = after.rig
    return {p.name: float(value - start.get(p.name, p.start))
            for p, value in zip(rig.parameters, after.parameters, strict=True)}
