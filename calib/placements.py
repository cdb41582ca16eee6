"""Where stands about are: closed-form level rigid fits of predicted to measured points."""

import numpy as np

from calib.run.records import Shots


def level_placements(house: np.ndarray, shots: Shots, stand: np.ndarray, known: np.ndarray
                     ) -> np.ndarray:
    """East, north, up (m) and heading (rad) of each stand, shape (n_stands, 4).

    Parameters
    ----------
    house : ndarray, shape (n, 3)
        The points shot in the levelled house frame, m.
    stand : ndarray of int, shape (n,)
        Of each shot.
    known : ndarray of bool, shape (n,)
        False for shots in poses of which a reading is set aside: it may be far off. They are used
        where a stand has no two other points.
    """
    placements = []
    for i in range(stand.max(initial=-1) + 1):
        rows = stand == i
        sure = np.flatnonzero(rows & known)
        if len(sure) and ((shots.pose[sure] != shots.pose[sure[0]])
                          | (shots.target[sure] != shots.target[sure[0]])).any():
            rows = sure
        placements.append(_level_fit(house[rows], shots.position[rows]))
    return np.array(placements).reshape(-1, 4)


def _level_fit(house, site):
    """East, north, up, heading that carry points of the levelled house frame to the site frame."""
    house_mean, site_mean = house.mean(0), site.mean(0)
    a, b = (house - house_mean)[:, :2], (site - site_mean)[:, :2]
    turn = np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b))
    cosine, sine = np.cos(turn), np.sin(turn)
    rotated = np.array([cosine * house_mean[0] - sine * house_mean[1],
                        sine * house_mean[0] + cosine * house_mean[1], house_mean[2]])
    return np.append(site_mean - rotated, np.pi / 2 - turn)
