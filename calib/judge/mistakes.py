"""Mistakes made in the field, each as a change of the run that would undo it.

A mistake is a hypothesis: apply its edit to the run and see whether the run then fits. Nothing
here decides; see `calib.judge.explain`.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from calib.chain.length import FOOT, INCH
from calib.judge.changed import with_shots
from calib.judge.facts import Fact, HeightsMissing, TapeMisread, TapeWrong
from calib.run.records import Run

#: Poses before and after a moment of change, at least.
_LEAST_POSES = 2


@dataclass(frozen=True)
class Mistake:
    """One thing that may have gone wrong."""

    family: str  #: Mistakes of one family share the odds of that family.
    fact: Fact  #: What happened.
    apply: Callable[[Run], Run]  #: ``apply(run) -> Run`` with the edit made.
    free: int = 0  #: Numbers that the explanation takes from the data: it is charged for them.
    poses: tuple[int, ...] = ()  #: The poses it is about; empty for the whole run.
    every_shot: bool = False  #: The edit is to be made in check.csv too.
    #: ``mend(run) -> Run`` as a corrected run is to be written, where that is not `apply`.
    mend: Callable[[Run], Run] | None = None
    #: Of which it consists, in the order in which they are undone; empty for a single one.
    parts: tuple["Mistake", ...] = ()
    aside: tuple[str, ...] = ()  #: Names to set aside in the corrected run.


def shot_poses(run: Run) -> list[int]:
    """The poses with shots, in their order."""
    return np.unique(run.shots.pose).tolist()


def moments(poses: list[int], most: int | None = None) -> Iterator[tuple[list[int], list[int]]]:
    """Poses before and since each moment at which something may have changed, so many at most."""
    every = range(_LEAST_POSES, len(poses) - _LEAST_POSES + 1)
    for k in every[:: -(-len(every) // (most or len(poses))) or 1]:
        yield poses[:k], poses[k:]


def moments_at_stands(run: Run, most: int | None = None
                      ) -> Iterator[tuple[str, list[int], list[int]]]:
    """Each stand with `moments` of the poses that are shot there."""
    poses = shot_poses(run)
    for stand in dict.fromkeys(run.poses.stand[p] for p in poses):
        for before, since in moments([p for p in poses if run.poses.stand[p] == stand], most):
            yield stand, before, since


def heights_missing(run: Run) -> list[Mistake]:
    """Every shot has the same height: a column that was never filled in."""
    up = run.shots.position[:, 2]
    if len(up) < 3 or np.ptp(up) > 1e-6:
        return []
    return [Mistake("heights", HeightsMissing(float(up[0])), without_heights, 1)]


def without_heights(run: Run) -> Run:
    """The run with heights that say nothing (sd 100 m, uncorrelated with the rest)."""
    covariance = run.shots.covariance.copy()
    covariance[:, 2, :] = covariance[:, :, 2] = 0.0
    covariance[:, 2, 2] = 100.0**2
    return with_shots(run, covariance=covariance)


def corner_pairs(run: Run) -> list[tuple[int, int]]:
    """Targets on the edge that are each other's mirror image by name, left and right."""
    names = run.rig.target_names
    return [(i, names.index(names[i].replace("left", "right"))) for i in run.rig.edge_targets
            if "left" in names[i] and names[i].replace("left", "right") in names]


def corners_exchanged(run: Run, mask: np.ndarray) -> Run:
    """The run with left and right corners exchanged in the shots where `mask` is true."""
    other = np.arange(len(run.rig.targets))
    for left, right in corner_pairs(run):
        other[left], other[right] = right, left
    return with_shots(run, target=np.where(mask, other[run.shots.target], run.shots.target))


#: What a taped value must be multiplied by if a decimal place or a unit is wrong, or the sign.
_LENGTHS = (10.0, 0.1, 100.0, 0.01, 0.001, 1000.0, FOOT, 1 / FOOT, INCH, 1 / INCH)
_ANGLES = (10.0, 0.1, float(np.degrees(1.0)), -1.0)

#: A taped value is a decimal place or a unit off if that brings it so near to what the shots say.
_NEAR = 0.1


def tape_factors(run: Run, row: int, shown: float | None = None) -> list[Mistake]:
    """A taped value off by a decimal place or a unit.

    Parameters
    ----------
    shown : float, optional
        What the shots say it is, m or rad: only factors that lead near to it are given.
    """
    tape = run.tape
    name, written, is_angle = tape.quantities[row], tape.value[row], tape.unit[row] == "deg"
    mistakes = []
    for factor in _ANGLES if is_angle else _LENGTHS:
        def corrected(run, factor=factor):
            value = run.tape.value.copy()
            value[row] *= factor
            return replace(run, tape=replace(run.tape, value=value))

        near = max(_NEAR * abs(written * factor), 5 * tape.sd[row])
        if shown is not None and abs(written * factor - shown) > near:
            continue
        mistakes.append(Mistake(
            "tape", TapeMisread(name, is_angle, float(written), factor), corrected))
    return mistakes


def without_taped(run: Run, row: int) -> Run:
    """The run without one row of its tape."""
    return replace(run, tape=run.tape.select(np.arange(len(run.tape.quantities)) != row))


def taped_wrong(run: Run, row: int, shown: float) -> Mistake:
    """A taped value that is simply wrong; `shown` is what the shots say, m or rad."""
    name, is_angle = run.tape.quantities[row], run.tape.unit[row] == "deg"
    return Mistake("taped value", TapeWrong(name, is_angle, float(run.tape.value[row]), shown),
                   lambda run: without_taped(run, row))
