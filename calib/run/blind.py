"""Poses in which a sensor cannot see its joint, and columns that are mistaken as a whole."""

import numpy as np

from calib.chain.rig import Rig
from calib.run.complaints import Complaint, InputError
from calib.run.records import Poses, Shots

_POSES, _SHARE = 1, 0.05
"""More poses than this, and more than this share of them, in which one sensor would be blind, are
no poses to leave out."""


def refuse_blind(rig: Rig, poses: Poses, shots: Shots, blind: np.ndarray) -> None:
    """Refuse what a sensor cannot show in a pose that has shots.

    Parameters
    ----------
    blind : ndarray of bool, shape (p, k)
        By pose and reading.

    Raises
    ------
    InputError
        With the columns, where one is wrong in many poses; else with the poses.
    """
    shot = np.isin(np.arange(len(poses.ids)), shots.pose)
    blind = blind & shot[:, None]
    count, of = blind.sum(0), int(shot.sum())
    columns = [i for i in np.flatnonzero(count > _POSES) if count[i] > _SHARE * of]
    if columns:
        raise InputError([Complaint(
            "readings.csv", None, rig.reading_names[i],
            f"in {count[i]} of {of} poses what this sensor cannot show",
            f"{rig.readings[i].means}, in {rig.readings[i].unit}: is this column, or that of a "
            "joint before it, of the other sign, in another unit (gon?) or of another sensor?")
            for i in columns])
    if blind.any():
        raise InputError([Complaint(
            "readings.csv", poses.line[pose], rig.reading_names[i],
            f"{rig.reading_factors[i] * poses.readings[pose, i]:.2f}",
            f"a pose in which this sensor can see its joint (pose {poses.ids[pose]}: "
            f"{rig.readings[i].blind}; leave the pose and its shots out; or is a reading of "
            "this pose mistyped?)") for pose, i in np.argwhere(blind)])
