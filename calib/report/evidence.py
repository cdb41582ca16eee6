"""What the report needs beside the solution itself: edge maps, the tape's test, shots in the house.

Tables of result.json, in its units (m, deg).
"""

from collections.abc import Sequence, Set
from typing import Any

import numpy as np

from calib.adjust.distributions import TIMES_SD
from calib.calibration import HOUSE_PLACEMENT, Solution
from calib.chain.rig import Rig
from calib.document import edge as tables
from calib.document.solved import Correlation, Covariance, Pose
from calib.edge import EdgeNodes, Spread, edge_points, envelope_edge, shares
from calib.judge.goal import enough
from calib.judge.tape import TAPE_LEVEL, TapeTest, tape_test
from calib.judge.trends import houses
from calib.report.numbers import numbers, unit_factors

#: Correlations of at least this size are listed.
LISTED_CORRELATION = 0.5


def quantity_unit(rig: Rig, name: str) -> str:
    """Unit of a parameter or derived quantity: "m" or "deg"."""
    units = {**{d.name: d.unit for d in rig.derived}, **{p.name: p.unit for p in rig.parameters}}
    return units[name]


def spread_record(spread: Spread) -> tables.Summary:
    """Worst, rms and 95 % value, m."""
    return tables.Summary.like(spread)


def envelope_grid(rig: Rig) -> dict:
    """The grid that edge maps are drawn over: the parts of `calib.document.edge.Envelope`."""
    return {
        "points": [rig.target_names[i] for i in edge_points(rig)],
        "axes": [tables.Axis(reading=name, values=np.degrees(values).tolist())
                 for name, values in rig.envelope.sweep.items()],
        "reaches": [
            tables.Reach(name=name, joints={k: float(np.degrees(v)) for k, v in joints.items()})
            for name, joints in rig.envelope.reaches],
    }


def map_record(nodes: EdgeNodes, lengths: np.ndarray) -> list[list[float | None]]:
    """Per reach the worst of the edge's points at each node, m; None where nothing is said."""
    worst = np.where(nodes.seen, lengths.max(1), np.nan)
    return [numbers(worst[nodes.reach == r]) for r in range(len(nodes.rig.envelope.reaches))]


def edge_record(nodes: EdgeNodes, covariance: np.ndarray) -> tables.Edge:
    """How well the edge is known over the envelope: calibration only, readings exact; m."""
    sd = nodes.sd(covariance)
    return tables.Edge(
        **envelope_grid(nodes.rig),
        sd=map_record(nodes, sd),
        summary=spread_record(Spread.of(sd[nodes.seen])),
    )


def setup_error_record(nodes: EdgeNodes, covariance: np.ndarray | None, other: np.ndarray,
                       rig: Rig | None = None) -> tables.SetupError:
    """What the edge is off by with `other` parameters entered, m; sds from `covariance` alone.

    Without a covariance there is no sd. `rig` is that of `other` if it is another one; then the
    error is not shared out among parameters.
    """
    error = nodes.error(other, rig)
    length = np.where(nodes.seen[:, None], np.linalg.norm(error, axis=2), np.nan)
    node, point = np.unravel_index(np.nanargmax(length), length.shape)
    worst, sd = length[node, point], np.nan
    if covariance is not None:
        sd = nodes.error_sd(error, covariance)[node, point]
    own = nodes.rig
    return tables.SetupError.made(
        **envelope_grid(own),
        error=map_record(nodes, length),
        summary=spread_record(Spread.of(length)),
        worst_sd=sd,
        worst_low95=max(worst - TIMES_SD * sd, 0.0),
        worst_high95=worst + TIMES_SD * sd,
        worst_at=tables.WorstAt.made(
            point=own.target_names[nodes.targets[point]],
            reach=own.envelope.reaches[nodes.reach[node]][0],
            joints=_joints(own, nodes.joints[node]),
            error=error[node, point],
        ),
        shares=[] if rig is not None else _share_records(nodes, other),
    )


def edge_enough(edge: tables.SetupError, goal: float) -> bool | None:
    """Whether an edge error keeps the goal, m; None where its 95 % lie on both sides of it."""
    worst = edge.summary.worst
    low, high = (worst, worst) if edge.worst_sd is None else (edge.worst_low95, edge.worst_high95)
    return None if worst is None or low is None or high is None else enough(goal, low, high)


def _share_records(nodes, other):
    found = shares(nodes, other)
    order = [i for i in np.argsort(-found.alone, kind="stable") if other[i] != nodes.parameters[i]]
    return tables.Share.each(name=[nodes.rig.parameter_names[i] for i in order],
                             share=found.share[order], alone=found.alone[order])


def taped_rows(rig: Rig, test: TapeTest) -> list[tables.TapedRow]:
    """The test of each taped value; lengths in m, angles in deg."""
    units = [quantity_unit(rig, name) for name in test.quantities]
    f = unit_factors(units)
    return tables.TapedRow.each(
        quantity=test.quantities, unit=units, tape=f * test.tape, tape_sd=f * test.tape_sd,
        solved=f * test.solved, solved_sd=f * test.solved_sd,
        difference=f * (test.solved - test.tape), difference_sd=f * test.difference_sd, z=test.z,
        used=test.used, without=f * test.without, without_sd=f * test.without_sd,
        significant=test.significant)


def taped_parameters(rig: Rig, parameters: np.ndarray, tape: Any) -> np.ndarray:
    """The parameters with every taped one replaced by its taped value, shape (p,)."""
    taped = parameters.copy()
    for quantity, value in zip(tape.quantities, tape.value, strict=True):
        if quantity in rig.parameter_names:
            taped[rig.parameter_names.index(quantity)] = value
    return taped


def not_taped(rig: Rig, tape: Any) -> list[str]:
    """Names of the solved parameters that move the edge and have no taped value."""
    return [p.name for p in rig.parameters
            if not p.held and p.name not in tape.quantities and p.name in rig.moving_edge]


def taped_record(nodes: EdgeNodes, covariance: np.ndarray, tape: Any,
                 goal: float, aside: Set[str] = frozenset()) -> tables.Taped | None:
    """Taped against solved: the test of each value, and what the taped set-up costs at the edge.

    `goal` is what the edge must be known to at 95 %, m. The quantities `aside` took no part in the
    solution; the taped set-up has them all the same.
    """
    if not len(tape.quantities):
        return None
    rig = nodes.rig
    used = np.array([name not in aside for name in tape.quantities])
    test = tape_test(rig, nodes.parameters, covariance, tape, used)
    edge = setup_error_record(nodes, covariance, taped_parameters(rig, nodes.parameters, tape))
    missing = not_taped(rig, tape)
    return tables.Taped(
        level=TAPE_LEVEL,
        limit=test.limit,
        rows=taped_rows(rig, test),
        joint=tables.Joint.like(test, chi2=test.joint, limit=test.joint_limit),
        edge=edge,
        good_enough=None if missing else edge_enough(edge, goal),
        not_taped=missing,
    )


def pose_records(solution: Solution) -> list[Pose]:
    """One record per row of readings.csv, shot or not; deg, and the edge's sd there in m."""
    run, rig = solution.run, solution.rig
    posture = solution.problem.run.rig.chain.posture(
        solution.parameters, HOUSE_PLACEMENT, solution.readings_used, False, run.noted)
    nodes = envelope_edge(rig, solution.parameters, joints=posture.joints)
    sd = np.where(nodes.seen, nodes.sd(solution.covariance).max(1), np.nan)
    return Pose.each(
        pose=run.poses.ids, stand=run.poses.stand,
        readings=[_joints(rig, row) for row in run.poses.readings],
        joints=[_joints(rig, row) for row in posture.joints], edge_sd=sd, time=run.poses.time)


def names_of_shots(solution: Solution, shots: Any) -> dict[str, Sequence[str]]:
    """The columns of a table of shots that say which they are."""
    run = solution.run
    return {"shot": shots.ids, "pose": [run.poses.ids[pose] for pose in shots.pose],
            "target": [run.rig.target_names[target] for target in shots.target]}


def sds_of(covariances: np.ndarray) -> np.ndarray:
    """Of covariances, shape (n, k, k), the sds, shape (n, k)."""
    return np.sqrt(np.einsum("nii->ni", covariances))


def seen_from_house(solution: Solution, shots: Any, misses: np.ndarray) -> dict[str, np.ndarray]:
    """Where shots are and how they miss, on the site and in the levelled house, m.

    Columns of `calib.document.solved.Shot`. `misses` has the shape (n, 3). The stand of the pose
    must have been placed.
    """
    house = houses(solution)[shots.pose]
    to_house = _house_axes(house[:, 3])
    return {"position": shots.position,
            "house": np.einsum("nij,nj->ni", to_house, shots.position - house[:, :3]),
            "components": np.einsum("nij,nj->ni", to_house, misses)}


def correlation_records(covariance: Covariance, parameters: int) -> list[Correlation]:
    """Pairs of rig parameters (the first `parameters` rows) that are strongly correlated."""
    matrix = np.array(covariance.matrix)[:parameters, :parameters]
    names = covariance.names[:parameters]
    sd = np.sqrt(np.diag(matrix))
    correlation = matrix / np.outer(sd, sd)
    pairs = [(i, j) for i in range(len(names)) for j in range(i)
             if abs(correlation[i, j]) >= LISTED_CORRELATION]
    pairs.sort(key=lambda pair: -abs(correlation[pair]))
    return [Correlation.made(first=names[j], second=names[i], correlation=correlation[i, j])
            for i, j in pairs]


def _house_axes(heading):
    """Rotations from the site frame to forward, left, up of the levelled house, (n, 3, 3)."""
    sine, cosine = np.sin(heading), np.cos(heading)
    zero, one = np.zeros_like(heading), np.ones_like(heading)
    return np.stack([
        np.stack([sine, cosine, zero], 1),
        np.stack([-cosine, sine, zero], 1),
        np.stack([zero, zero, one], 1),
    ], 1)


def _joints(rig, angles):
    return dict(zip(rig.reading_names, np.degrees(angles).tolist(), strict=True))
