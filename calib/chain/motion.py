"""One elementary motion: a translation along, or a rotation about, one axis of the moving frame."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

AXES = ("x", "y", "z")

#: Where a stand puts the house; they differ from stand to stand and so are not rig parameters.
PLACEMENT = ("east", "north", "up", "heading")

#: Placement at which site coordinates are levelled house coordinates: forward, left, up.
HOUSE_PLACEMENT = np.array([0.0, 0.0, 0.0, np.pi / 2])


@dataclass(frozen=True)
class Varying:
    """A linear combination of rig parameters, `by`, times a function of the pose.

    `times` is one of `calib.chain.basis.OF_JOINT` and `of` a reading, or `times` is one of
    `calib.chain.basis.OF_INCLINATION` and `of` a frame, or `times` is `calib.chain.basis.OF_POSE`
    and `of` a column of readings.csv, or `times` is `calib.chain.basis.OF_DISTANCE`, from the frame
    `of` to the frame `to`.
    """

    by: Mapping[str, float]
    times: str
    of: str
    to: str | None = None


@dataclass(frozen=True)
class Motion:
    """An elementary motion and what sets its amount.

    ``amount = constant + sum(coefficient * name for by) + sense * joint + what varies``
    """

    turns: bool  #: True for a rotation (right-hand rule), False for a translation.
    axis: int  #: 0, 1, 2 for x, y, z of the frame the motion starts from.
    constant: float = 0.0  #: m or rad.
    #: Coefficients of rig parameters or of `PLACEMENT` names.
    by: Mapping[str, float] = field(default_factory=dict)
    joint: str | None = None  #: The reading whose sensor gives the joint angle, at most one.
    sense: float = 1.0  #: +1 or -1, the joint's sign in this motion.
    #: Name of the frame reached after this motion, if anything is attached to it.
    frame: str | None = None
    #: What else there is in the amount, with parameters and a function of the pose.
    varying: tuple[Varying, ...] = ()

    @property
    def names(self) -> frozenset[str]:
        """The parameters and placements that the amount depends on."""
        return frozenset((*self.by, *(name for v in self.varying for name in v.by)))
