"""Walking along a chain, all poses at once: where it has come to, and how fast that moves."""

from dataclasses import dataclass, field

import numpy as np

from calib.chain.motion import Motion

#: The axes x, y, z of a frame in every pose, each of shape (n_poses, 3).
Axes = tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass
class Walk:
    """A walk along the motions of a chain, and what was left behind on the way."""

    #: columns, point: Axes of the frame that the walk has come to, and its origin (n_poses, 3).
    columns: Axes
    point: np.ndarray
    #: axes, origins: shape (n_poses, n_motions, 3). Of each motion: what it moves along or turns
    #: about, and where.
    axes: np.ndarray
    origins: np.ndarray
    #: joints, gain: shape (n_poses, n_readings).
    joints: np.ndarray
    gain: np.ndarray
    #: Shape (n_poses, n_moving, n_local). Derivatives by the locals of those amounts that have not
    #: the same ones in every pose.
    moving: np.ndarray | None
    #: reached, positions: Axes and origin of each named frame.
    reached: dict[str, Axes] = field(default_factory=dict)
    positions: dict[str, np.ndarray] = field(default_factory=dict)
    #: Shape (n_poses, n_local). Of the joints that more than their own motion depends on.
    joint_rates: dict[int, np.ndarray] = field(default_factory=dict)

    @classmethod
    def begin(cls, n_motions: int, joints: np.ndarray, moving: np.ndarray | None = None) -> "Walk":
        """At the site, before the first motion; `joints` are those known beforehand."""
        n = len(joints)
        axes, origins = np.empty((2, 3, n, n_motions)).transpose(0, 2, 3, 1)
        return cls(site_axes(n), np.zeros((n, 3)), axes, origins, joints, np.empty_like(joints),
                   moving)

    def stand_at(self, k: int, motion: Motion) -> None:
        """Note where motion `k` begins."""
        self.axes[:, k], self.origins[:, k] = self.columns[motion.axis], self.point

    def go(self, motion: Motion, amount: np.ndarray) -> None:
        """Carry out a motion by its amount in each pose, shape (n_poses,), m or rad."""
        if motion.turns:
            self.columns = turned(self.columns, motion.axis, amount[:, None])
        else:
            self.point = self.point + amount[:, None] * self.columns[motion.axis]
        if motion.frame:
            self.reached[motion.frame], self.positions[motion.frame] = self.columns, self.point

    @property
    def up(self) -> Axes:
        """The up vector by its components in the frame, each of shape (n_poses,)."""
        x, y, z = self.columns
        return x[:, 2], y[:, 2], z[:, 2]


def site_axes(n: int) -> Axes:
    """The axes of the site frame, n times: three arrays of shape (n, 3)."""
    return tuple(np.repeat(np.eye(3)[:, None], n, axis=1))


def turned(columns: Axes, axis: int, angle: np.ndarray) -> Axes:
    """The axes of a frame turned about one of them; angle a number or shape (n, 1)."""
    first, second = (axis + 1) % 3, (axis + 2) % 3
    cosine, sine = np.cos(angle), np.sin(angle)
    new = list(columns)
    new[first] = cosine * columns[first] + sine * columns[second]
    new[second] = cosine * columns[second] - sine * columns[first]
    return new[0], new[1], new[2]
