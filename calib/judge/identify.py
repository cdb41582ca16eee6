"""What the poses can tell apart, in words.

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
from calib.layout import RIG, STAND, Part

#: Weak below this share of the largest singular value; correlated above this.
WEAK, CORRELATED = 0.01, 0.90

#: A further pose is worth naming if it makes the weak combination this many times better known.
WORTH_NAMING = 3.0


@dataclass(frozen=True)
class Weak:
    """A combination of unknowns that the shots say little about.

    Attributes
    ----------
    shares : dict of str to float
        Squared parts of the scaled direction of the unknowns with more than 1 %.
    sd : float
        How far the first of them can move along, 1 sd, m or rad; inf if nothing stops it.
    direction : ndarray, shape (n_free,)
        The combination, in the units of the free unknowns; of length 1 when they are scaled.
    says : str
    """

    shares: dict[str, float]
    sd: float
    direction: np.ndarray
    says: str


@dataclass(frozen=True)
class Identifiability:
    """What the shots alone can tell.

    Attributes
    ----------
    singular : ndarray
        Of the scaled Jacobian, largest first.
    condition : float
        inf if rank deficient.
    o1, o2, o3 : float
        The first three observability indices, over all unknowns.
    weak : tuple of Weak
        Weakest first.
    correlated : tuple of (str, str, float)
        Pairs of unknowns correlated by more than 0.9, tape included, largest first.
    """

    singular: np.ndarray
    condition: float
    rank: int
    o1: float
    o2: float
    o3: float
    weak: tuple[Weak, ...]
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
    says = " ".join([
        _cannot_tell(solution, spectrum, names, direction, sd),
        _who_decides(solution, direction),
        candidates.words(spectrum.scale * vector, singular),
    ])
    shares = dict(zip(direction.names, direction.shares.tolist(), strict=True))
    return Weak(shares, sd, spectrum.scale * vector, says)


def _cannot_tell(solution, spectrum, names, direction, sd):
    """The sentence about what cannot be told apart, and what is known all the same."""
    shown = direction.names[:4]
    free = "by any amount" if np.isinf(sd) else f"by {_size(solution, shown[0], sd)} (1 sd)"
    if len(shown) == 1:
        return f"The shots alone do not fix {shown[0]}: it can move {free}."
    if len(shown) == 2 and _unit(solution, shown[0]) == _unit(solution, shown[1]):
        ratio = direction.amounts[1] / direction.amounts[0]
        if abs(abs(ratio) - 1) < 0.1:
            what, sign = ("sum", 1.0) if ratio < 0 else ("difference", -1.0)
            known = _combination_sd(solution, spectrum, names, shown, sign)
            return (f"These poses cannot tell {shown[0]} from {shown[1]}: each can move {free}; "
                    f"only their {what} is known, to {_size(solution, shown[0], known)}.")
    others = ", ".join(
        f"{name} ({_signed(solution, name, amount, direction, sd)})"
        for name, amount in zip(shown[1:], direction.amounts[1:], strict=False)
    )
    return (f"These poses cannot tell {shown[0]} from {', '.join(shown[1:])}: {shown[0]} can move "
            f"{free} if the others follow: {others}.")


def _combination_sd(solution, spectrum, names, pair, sign):
    """Sd of the sum (or difference) of two unknowns, exact null directions apart."""
    weights = np.zeros(len(names))
    weights[names.index(pair[0])], weights[names.index(pair[1])] = 1.0, sign
    parts = (spectrum.right.T @ (spectrum.scale * weights))[: spectrum.rank]
    parts = parts / spectrum.singular[: spectrum.rank]
    return float(np.sqrt(np.sum(parts**2)))


def _who_decides(solution, direction):
    taped = set(solution.run.tape.quantities)
    layout = solution.problem.layout
    rig = [name for name in direction.names if layout.named(name).scope == RIG]
    held_by = [name for name in rig if name in taped]
    if held_by:
        return f"The tape decides: {', '.join(held_by)}."
    return "No tape value decides either." if rig else "It concerns the stand only."


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
        self.joints, self.words_of = self._far_from(rig, middle)
        self.information = self._information(solution, used, placement)

    @staticmethod
    def _far_from(rig, middle):
        moves = []
        for j, reading in enumerate(rig.readings):
            if reading.speed is None:  # nobody drives it
                continue
            span = reading.high - reading.low
            for target in (reading.low + 0.1 * span, reading.high - 0.1 * span):
                if abs(target - middle[j]) > 0.1 * span:
                    moves.append((j, target))
        chosen = [(move,) for move in moves]
        chosen += [(a, b) for a, b in combinations(moves, 2) if a[0] != b[0]]
        joints = np.tile(middle, (len(chosen), 1))
        words = []
        for i, pose in enumerate(chosen):
            for j, target in pose:
                joints[i, j] = target
            words.append(" and ".join(
                f"{rig.readings[j].name} joint at {np.degrees(target):+.0f} deg"
                for j, target in pose))
        return joints, words

    def _information(self, solution, used, placement):
        """Whitened design of the candidates by the free unknowns, shape (n, m, p); None unseen."""
        rig, problem = solution.rig, solution.problem
        n = len(self.joints)
        if not n:
            return np.zeros((0, 0, 0))
        readings = rig.chain.readings_for(solution.parameters, self.joints)
        posture = rig.chain.posture(
            solution.parameters, np.tile(placement[used[0]], (n, 1)), readings, True)
        targets = np.unique(solution.run.shots.target)
        points = posture.points(np.tile(targets, n), np.repeat(np.arange(n), len(targets)))
        m = n * len(targets)
        design = problem.layout.dense([
            Part(RIG, np.zeros(m, int), points.by_parameters),
            Part(STAND, np.full(m, problem.stand_of_pose[used[0]]), points.by_placement),
        ]).reshape(n, 3 * len(targets), -1)[:, :, solution.adjustment.free]
        b = points.by_readings.reshape(n, 3 * len(targets), -1)
        sd = solution.run.poses.sd[used]
        told = np.isfinite(sd)  # the others are set aside
        q = np.diag(np.sum(np.where(told, sd, 0.0) ** 2, axis=0) / np.maximum(told.sum(0), 1))
        s = np.kron(np.eye(len(targets)), np.mean(solution.run.shots.covariance, axis=0))
        whitener = whiteners_of(misclosure_covariance(s, b, q))
        told = (np.abs(posture.joints - self.joints).max(1) < 1e-6) & ~posture.blind.any(1)
        return np.where(told[:, None, None], whitener @ design, 0.0)

    def words(self, direction, singular):
        """The pose that would separate a direction (in the unknowns' own units), in words."""
        if not len(self.joints):
            return "No further pose of this rig separates them."
        gain = np.sum((self.information @ direction) ** 2, axis=1)
        single = np.array([" and " not in words for words in self.words_of])
        best = int(np.argmax(gain))
        # One joint moved is easier to ask for than two: taken if it gives half as much.
        alone = int(np.argmax(np.where(single, gain, -1.0)))
        best = alone if gain[alone] > 0.25 * gain[best] else best
        better = np.inf if singular == 0 else np.sqrt(1 + gain[best] / singular**2)
        if gain[best] < 1e-6 or better < WORTH_NAMING:
            return ("No single further pose of the same targets separates them; tape one of them, "
                    "or shoot another target.")
        times = "" if np.isinf(better) else f", about {better:.0f} times better"
        return f"A pose with {self.words_of[best]} would separate them{times}."


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
    vector = np.zeros(len(names))
    for name, amount in zip(direction.names, direction.amounts, strict=True):
        i = names.index(name)
        vector[i] = amount / spectrum.scale[i]
    return vector / np.linalg.norm(vector)


def _unit(solution, name):
    return solution.problem.layout.named(name).quantity.unit


def _size(solution, name, value):
    if _unit(solution, name) == "deg":
        return f"{np.degrees(value):.2g} deg"
    return f"{1000 * value:.3g} mm" if value < 1 else f"{value:.3g} m"


def _signed(solution, name, amount, direction, sd):
    """How far another unknown follows when the first moves up by its sd (or by 10 mm, 1 deg)."""
    first = direction.names[0]
    step = sd if np.isfinite(sd) else (
        np.radians(1.0) if _unit(solution, first) == "deg" else 0.01)
    moved = amount / direction.amounts[0] * step
    per = "" if np.isfinite(sd) else f" per {_size(solution, first, step)}"
    return f"{'+' if moved > 0 else '-'}{_size(solution, name, abs(moved))}{per}"
