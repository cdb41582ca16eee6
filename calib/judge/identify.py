"""What the poses can tell apart.

Everything is about the shots alone, without the tape: singular values of the whitened,
column-scaled Jacobian. A direction counts as weak if its singular value is below a hundredth of
the largest: a condition number under 100 is asked for by K. Schroer, cited by A. Nahvi and J. M.
Hollerbach, "The noise amplification index for optimal pose selection in robot calibration", ICRA
1996. Observability indices O1 to O3: `calib.adjust.observability`.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from calib.adjust.observability import Observability
from calib.adjust.spectrum import Spectrum
from calib.adjust.whitening import misclosure_covariance, whiteners_of
from calib.calibration import Solution
from calib.layout import RIG, placed

#: Weak below this share of the largest singular value; correlated above this.
WEAK, CORRELATED = 0.01, 0.90

#: A further pose is worth naming if it makes the weak combination this many times better known.
WORTH_NAMING = 3.0


#: What of two unknowns is known where they are not, and where no pose tells.
SUM, DIFFERENCE = "sum", "difference"
NO_JOINT, NO_POSE, POSE = "no joint", "no pose", "a pose"

#: Unknowns of a combination that are named.
_NAMED = 4


@dataclass(frozen=True)
class Moving:
    """An unknown of a weak combination: its unit, and how far it moves per the first of them."""

    name: str
    unit: str
    per_first: float


@dataclass(frozen=True)
class Only:
    """The `SUM` or `DIFFERENCE` of two unknowns, which is known, and its sd, m or rad."""

    what: str
    sd: float


@dataclass(frozen=True)
class Separation:
    """A further pose that would tell: joints and their angles, rad; how many times better known.

    `kind` is `POSE`, or `NO_JOINT` or `NO_POSE` if there is none.
    """

    kind: str
    joints: tuple[tuple[str, float], ...] = ()
    times: float = 1.0


@dataclass(frozen=True)
class Weak:
    """A combination of unknowns that the shots say little about."""

    #: Squared parts of the scaled direction of the unknowns with more than 1 %.
    shares: dict[str, float]
    sd: float  #: How far the first of them can move along, 1 sd, m or rad; inf if nothing stops it.
    #: Shape (n_free,). The combination, in the units of the free unknowns; of length 1 when they
    #: are scaled.
    direction: np.ndarray
    moving: tuple[Moving, ...]  #: The first of its unknowns.
    only: Only | None  #: Of two unknowns that move alike.
    taped: tuple[str, ...]  #: Those that are taped.
    of_rig: bool  #: Whether any belongs to the rig: else it concerns the stand.
    separated_by: Separation


@dataclass(frozen=True)
class Identifiability:
    """What the shots alone can tell."""

    singular: np.ndarray  #: Of the scaled Jacobian, largest first.
    condition: float  #: inf if rank deficient.
    rank: int
    #: o1, o2, o3: The first three observability indices, over all unknowns.
    o1: float
    o2: float
    o3: float
    weak: tuple[Weak, ...]  #: Weakest first.
    #: Pairs of unknowns correlated by more than 0.9, tape included, largest first.
    correlated: tuple[tuple[str, str, float], ...]


def identifiability(solution: Solution) -> Identifiability:
    """Ask what the poses of a solution can tell apart."""
    spectrum = solution.shots_alone
    poses = len(np.unique(solution.run.shots.pose))
    seen = Observability.of(spectrum.singular, poses)
    return Identifiability(
        singular=spectrum.singular, condition=spectrum.condition, rank=spectrum.rank,
        o1=seen.volume, o2=seen.inverse_condition, o3=seen.smallest,
        weak=weak_directions(solution), correlated=_correlated(solution),
    )


def weak_directions(solution: Solution) -> tuple[Weak, ...]:
    """The combinations below `WEAK`, exact ones as sparse as they can be made, weakest first."""
    spectrum, names = solution.shots_alone, solution.problem.layout.free_names
    directions = [(_scaled(spectrum, d, names), 0.0) for d in spectrum.null_directions(names)]
    for k in range(spectrum.rank - 1, -1, -1):
        if spectrum.singular[k] > WEAK * spectrum.singular[0]:
            break
        directions.append((spectrum.right[:, k], spectrum.singular[k]))
    candidates = _Candidates(solution) if directions else None
    return tuple(_weak(solution, spectrum, names, vector, singular, candidates)
                 for vector, singular in directions)


def _weak(solution, spectrum, names, vector, singular, candidates):
    direction = spectrum.direction(vector, names)
    first = names.index(direction.names[0])
    amount = abs(spectrum.scale[first] * vector[first])
    sd = float(amount / singular) if singular > 0 else np.inf
    shown = direction.names[:_NAMED]
    layout, taped = solution.problem.layout, solution.run.tape.quantities
    moving = tuple(Moving(name, layout.named(name).quantity.unit,
                          float(amount / direction.amounts[0]))
                   for name, amount in zip(shown, direction.amounts, strict=False))
    rig = [name for name in direction.names if layout.named(name).scope == RIG]
    return Weak(
        shares=dict(zip(direction.names, direction.shares.tolist(), strict=True)),
        sd=sd, direction=spectrum.scale * vector, moving=moving,
        only=_only(spectrum, names, moving), taped=tuple(n for n in rig if n in taped),
        of_rig=bool(rig),
        separated_by=candidates.separation(spectrum.scale * vector, singular))


def _only(spectrum, names, moving):
    """What of two unknowns that move alike is known."""
    if len(moving) != 2 or moving[0].unit != moving[1].unit \
            or abs(abs(moving[1].per_first) - 1) >= 0.1:
        return None
    what, sign = (SUM, 1.0) if moving[1].per_first < 0 else (DIFFERENCE, -1.0)
    weights = np.zeros(len(names))
    weights[[names.index(m.name) for m in moving]] = 1.0, sign
    # Exact null directions apart.
    parts = (spectrum.right.T @ (spectrum.scale * weights))[: spectrum.rank]
    sd = np.linalg.norm(parts / spectrum.singular[: spectrum.rank])
    return Only(what, float(sd))


class _Candidates:
    """Further poses at the first stand: the middle pose with one or two joints moved far."""

    def __init__(self, solution: Solution):
        self.solution = solution
        rig, unknowns = solution.rig, solution.adjustment.parameters
        used = np.unique(solution.run.shots.pose)
        readings = solution.adjusted_readings
        placement = solution.problem.placement(unknowns)
        posture = rig.chain.posture(solution.parameters, placement, readings, False,
                                    solution.run.noted)
        middle = np.median(posture.joints[used], axis=0)
        self.joints, self.moves = self._far_from(rig, middle)
        self.information = self._information(solution, used, placement)

    @staticmethod
    def _far_from(rig, middle):
        driven = [(j, r, r.high - r.low) for j, r in enumerate(rig.readings)
                  if r.speed is not None]
        moves = [(j, target) for j, r, span in driven
                 for target in (r.low + 0.1 * span, r.high - 0.1 * span)
                 if abs(target - middle[j]) > 0.1 * span]
        chosen: list[tuple] = [(move,) for move in moves]
        chosen += [(a, b) for a, b in combinations(moves, 2) if a[0] != b[0]]
        joints = np.tile(middle, (len(chosen), 1))
        for i, pose in enumerate(chosen):
            for j, target in pose:
                joints[i, j] = target
        return joints, [tuple((rig.readings[j].name, float(target)) for j, target in pose)
                        for pose in chosen]

    def _information(self, solution, used, placement):
        """Whitened design of the candidates by the free unknowns, shape (n, m, p); None unseen."""
        rig, problem = solution.rig, solution.problem
        n = len(self.joints)
        if not n:
            return np.zeros((0, 0, 0))
        readings = rig.chain.readings_for(solution.parameters, self.joints)
        posture = rig.chain.posture(solution.parameters, placement[used[0]], readings)
        targets = np.unique(solution.run.shots.target)
        points = posture.points(np.tile(targets, n), np.repeat(np.arange(n), len(targets)))
        stand = np.full(n * len(targets), problem.stand_of_pose[used[0]])
        design = problem.layout.dense(placed(points, stand)).reshape(
            n, 3 * len(targets), -1)[:, :, solution.adjustment.free]
        b = points.by_readings.reshape(n, 3 * len(targets), -1)
        sd = solution.run.poses.sd[used]
        told = np.isfinite(sd)  # the others are set aside
        q = np.diag(np.sum(np.where(told, sd, 0.0) ** 2, axis=0) / np.maximum(told.sum(0), 1))
        s = np.kron(np.eye(len(targets)), np.mean(solution.run.shots.covariance, axis=0))
        whitener = whiteners_of(misclosure_covariance(s, b, q))
        told = (np.abs(posture.joints - self.joints).max(1) < 1e-6) & ~posture.blind.any(1)
        return np.where(told[:, None, None], whitener @ design, 0.0)

    def separation(self, direction, singular) -> Separation:
        """The pose that would separate a direction (in the unknowns' own units)."""
        if not len(self.joints):
            return Separation(NO_JOINT)
        gain = np.sum((self.information @ direction) ** 2, axis=1)
        single = np.array([len(moves) == 1 for moves in self.moves])
        best = int(np.argmax(gain))
        # One joint moved is easier to ask for than two: taken if it gives half as much.
        alone = int(np.argmax(np.where(single, gain, -1.0)))
        best = alone if gain[alone] > 0.25 * gain[best] else best
        better = np.inf if singular == 0 else float(np.sqrt(1 + gain[best] / singular**2))
        if gain[best] < 1e-6 or better < WORTH_NAMING:
            return Separation(NO_POSE)
        return Separation(POSE, self.moves[best], better)


def _correlated(solution):
    adjustment, names = solution.adjustment, solution.problem.layout.free_names
    covariance = adjustment.covariance[np.ix_(adjustment.free, adjustment.free)]
    sd = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(sd, sd)
    pairs = [(names[i], names[j], float(correlation[i, j]))
             for i, j in zip(*np.triu_indices(len(names), 1), strict=True)
             if abs(correlation[i, j]) > CORRELATED]
    return tuple(sorted(pairs, key=lambda pair: -abs(pair[2])))


def _scaled(spectrum: Spectrum, direction, names):
    """A sparse null direction back as a unit vector of scaled unknowns."""
    vector, index = np.zeros(len(names)), [names.index(name) for name in direction.names]
    vector[index] = direction.amounts / spectrum.scale[index]
    return vector / np.linalg.norm(vector)
