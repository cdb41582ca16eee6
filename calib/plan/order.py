"""In which order to drive the poses, and how long that takes."""

from dataclasses import dataclass

import numpy as np

from calib.chain.rig import Rig


@dataclass(frozen=True)
class FieldMinutes:
    """How long a plan takes, by what is done: minutes."""

    settling: float
    shooting: float
    driving: float
    moving: float

    @property
    def total(self) -> float:
        return self.settling + self.shooting + self.driving + self.moving


def travel_seconds(rig: Rig, joints: np.ndarray) -> np.ndarray:
    """Time to drive from each pose to each other, all joints at once, shape (n, n), s."""
    driven = [i for i, r in enumerate(rig.readings) if r.speed is not None]
    speed = np.array([rig.readings[i].speed for i in driven])
    angles = joints[:, driven]
    return (np.abs(angles[:, None] - angles[None]) / speed).max(2, initial=0.0)


def shortest_tour(cost: np.ndarray) -> np.ndarray:
    """An order of short total cost: nearest neighbour from several starts, then 2-opt.

    Parameters
    ----------
    cost : ndarray, shape (n, n)
        Symmetric.

    Returns
    -------
    ndarray of int, shape (n,)
        An open tour. Not proven shortest.
    """
    if len(cost) < 3:
        return np.arange(len(cost))
    tours = [_two_opt(_nearest(cost, start), cost) for start in range(min(len(cost), 12))]
    return min(tours, key=lambda tour: cost[tour[:-1], tour[1:]].sum())


def _nearest(cost, start):
    tour, left = [start], set(range(len(cost))) - {start}
    while left:
        tour.append(min(left, key=lambda i: (cost[tour[-1], i], i)))
        left.remove(tour[-1])
    return np.array(tour)


def _two_opt(tour, cost):
    """Turn stretches round while that shortens the way."""
    n = len(tour)
    # Reversing i..j replaces the edges into i and out of j; the ends of an open tour have none.
    padded = np.pad(cost, (0, 1))
    i, j = np.triu_indices(n, 1)
    while True:
        before = np.append(n, tour[:-1])
        after = np.append(tour[1:], n)
        change = (
            padded[before[i], tour[j]] + padded[tour[i], after[j]]
            - padded[before[i], tour[i]] - padded[tour[j], after[j]]
        )
        best = int(np.argmin(change))
        if change[best] > -1e-9:
            return tour
        tour = tour.copy()
        tour[i[best] : j[best] + 1] = tour[i[best] : j[best] + 1][::-1]


def in_working_order(rig: Rig, joints: np.ndarray, stand: np.ndarray) -> np.ndarray:
    """Places of poses stand by stand, within each a short tour."""
    order = []
    for group in np.unique(stand):
        places = np.flatnonzero(stand == group)
        order.extend(places[shortest_tour(travel_seconds(rig, joints[places]))])
    return np.array(order)


def field_minutes(rig: Rig, joints: np.ndarray, stand: np.ndarray,
                  shooting: float = 0.0) -> FieldMinutes:
    """Time for poses driven in this order, by the rig's effort.

    Parameters
    ----------
    joints : ndarray, shape (n, n_readings), rad
    stand : ndarray of int, shape (n,)
        A way from stand to stand takes its own time, however the joints move meanwhile.
    shooting : float
        Minutes that all shots take.
    """
    cost = travel_seconds(rig, joints)
    steps = np.arange(len(joints) - 1)
    same = stand[steps] == stand[steps + 1]
    return FieldMinutes(
        settling=len(joints) * rig.effort.settle,
        shooting=float(shooting),
        driving=float(cost[steps, steps + 1][same].sum() / 60),
        moving=float(np.sum(~same) * rig.effort.stand),
    )
