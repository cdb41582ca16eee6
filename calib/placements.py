"""Where stands about are: closed-form level rigid fits of predicted to measured points."""

import numpy as np


def level_placements(house: np.ndarray, site: np.ndarray, point: np.ndarray, stand: np.ndarray,
                     known: np.ndarray) -> np.ndarray:
    """East, north, up (m) and heading (rad) of each stand, shape (n_stands, 4).

    Parameters
    ----------
    house : ndarray, shape (n, 3)
        The points shot in the levelled house frame, m.
    site : ndarray, shape (n, 3)
        The shots, m.
    point : ndarray of int, shape (n,)
        Shots of one target in one pose have the same number.
    stand : ndarray of int, shape (n,)
        Of each shot.
    known : ndarray of bool, shape (n,)
        False for shots in poses of which a reading is set aside: it may be far off. They are used
        where a stand has no two other points.
    """
    count = stand.max(initial=-1) + 1
    least, most = np.full(count, point.max(initial=0)), np.full(count, -1)
    np.minimum.at(least, stand[known], point[known])
    np.maximum.at(most, stand[known], point[known])
    used = known | (least >= most)[stand]
    return _level_fits(house[used], site[used], stand[used], count)


def level_placement(house: np.ndarray, site: np.ndarray) -> np.ndarray:
    """East, north, up (m) and heading (rad) of one stand, shape (4,), of points as shot there."""
    return _level_fits(house, site, np.zeros(len(house), int), 1)[0]


def _level_fits(house, site, stand, count):
    """East, north, up, heading that carry points of the levelled house frame to the site frame."""
    def summed(values):
        return np.stack([np.bincount(stand, column, count) for column in values.T], axis=1)

    shots = np.maximum(np.bincount(stand, minlength=count), 1)[:, None]
    house_mean, site_mean = summed(house) / shots, summed(site) / shots
    a, b = house[:, :2] - house_mean[stand, :2], site[:, :2] - site_mean[stand, :2]
    sine, cosine = summed(np.column_stack([a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0],
                                           np.sum(a * b, axis=1)])).T
    turn = np.arctan2(sine, cosine)
    cosine, sine = np.cos(turn), np.sin(turn)
    x, y, up = house_mean.T
    rotated = np.column_stack([cosine * x - sine * y, sine * x + cosine * y, up])
    return np.column_stack([site_mean - rotated, np.pi / 2 - turn])
