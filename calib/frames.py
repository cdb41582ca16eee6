"""A solution as tables, in m and deg, for those who go on with it in Python."""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

AXES = ("east", "north", "up")


def parameter_frame(solution: Any) -> pd.DataFrame:
    """Every unknown, by name: scope, instance, unit, value, sd (0 where held), held, meaning.

    The rig's also have the taped value and its sd, NaN where there is none.
    """
    layout, adjustment = solution.problem.layout, solution.adjustment
    factor = np.where(np.array(layout.units) == "deg", np.degrees(1.0), 1.0)
    tape, tape_sd = np.full((2, len(layout)), np.nan)
    rig = layout.columns("rig", "")
    tape[rig], tape_sd[rig] = solution.tape
    return pd.DataFrame({
        "scope": [u.scope for u in layout.unknowns],
        "instance": [u.instance for u in layout.unknowns],
        "unit": layout.units,
        "value": factor * adjustment.parameters,
        "sd": factor * adjustment.sd,
        "held": layout.held,
        "tape": factor * tape,
        "tape_sd": factor * tape_sd,
        "means": [u.quantity.means for u in layout.unknowns],
    }, index=pd.Index(layout.names, name="unknown"))


def shot_frame(solution: Any) -> pd.DataFrame:
    """Every shot, by id: pose, stand, target; measured, sd, residual and miss, m."""
    run = solution.run
    shots = run.shots
    sd = np.sqrt(np.einsum("nii->ni", shots.covariance))
    frame = names_of_shots(run, shots)
    for before, values in (("", shots.position), ("sd_", sd),
                           ("residual_", solution.residuals), ("miss_", solution.misses)):
        frame |= {f"{before}{axis}": values[:, i] for i, axis in enumerate(AXES)}
    return pd.DataFrame(frame, index=pd.Index(shots.ids, name="shot"))


def names_of_shots(run: Any, shots: Any) -> dict[str, Any]:
    """Pose, stand and target of some shots."""
    return {"pose": [run.poses.ids[p] for p in shots.pose],
            "stand": [run.poses.stand[p] for p in shots.pose],
            "target": [run.rig.target_names[t] for t in shots.target]}


def reading_frame(solution: Any) -> pd.DataFrame:
    """Every reading, by pose and name: stand; measured, sd (inf: set aside), correction.

    In deg; what a cylinder has pushed out in m.
    """
    poses, names = solution.run.poses, solution.rig.reading_names
    factors = solution.rig.reading_factors
    index = pd.MultiIndex.from_product([poses.ids, names], names=["pose", "reading"])
    return pd.DataFrame({
        "stand": np.repeat(poses.stand, len(names)),
        "value": (factors * poses.readings).ravel(),
        "sd": (factors * poses.sd).ravel(),
        "correction": (factors * solution.adjustment.corrections).ravel(),
    }, index=index)


FRAMES = {"parameters": parameter_frame, "shots": shot_frame, "readings": reading_frame}


def frame_of(thing: Any, of: str, frames: Mapping[str, Callable[[Any], pd.DataFrame]]
             ) -> pd.DataFrame:
    """One of the tables of a thing, by what it is of.

    Raises
    ------
    ValueError
        If there is none of that.
    """
    if of not in frames:
        raise ValueError(f"there is no table of {of!r}: one of {', '.join(frames)}")
    return frames[of](thing)
