"""Observability indices of a set of poses, from the singular values of its whitened design.

J.-H. Borm and C.-H. Menq (1989, 1991), M. R. Driels and U. S. Pathre (1990), A. Nahvi,
J. M. Hollerbach and V. Hayward (1994), A. Nahvi and J. M. Hollerbach (1996), as numbered by Y. Sun
and J. M. Hollerbach, "Observability index selection for robot calibration", IEEE Int. Conf.
Robotics and Automation 2008, 831-836. The fourth is taken as smallest squared over largest (from
memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from calib.adjust.spectrum import RANK_TOLERANCE


@dataclass(frozen=True)
class Observability:
    """Five numbers that say how well a set of poses shows its unknowns; larger is better."""

    #: First index: geometric mean of the singular values over the root of the number of poses.
    #: Orders sets of one size as the determinant of the information does.
    volume: float
    inverse_condition: float  #: Second: smallest over largest.
    smallest: float  #: Third: the smallest singular value.
    noise_amplification: float  #: Fourth: smallest squared over largest.
    harmonic: float  #: Fifth: one over the sum of the reciprocals.

    @classmethod
    def of(cls, singular: ArrayLike, poses: int) -> "Observability":
        """Indices of singular values (any order, none negative) of a design of so many poses.

        All are 0 where a singular value is next to 0 (`RANK_TOLERANCE` of the largest): a
        direction is not seen at all.

        Raises
        ------
        ValueError
            Without singular values or poses, or for a negative singular value.

        Examples
        --------
        >>> Observability.of([4, 2, 1], poses=10).volume
        0.6324555
        """
        s = np.sort(np.asarray(singular, float))[::-1]
        if not len(s) or poses < 1:
            raise ValueError(f"{len(s)} singular values of {poses} poses: one or more of each")
        if s[-1] < 0:
            raise ValueError(f"a singular value of {s[-1]:g}, which is below zero")
        if s[-1] <= RANK_TOLERANCE * s[0]:
            return cls(0.0, 0.0, 0.0, 0.0, 0.0)
        return cls(
            volume=float(np.exp(np.mean(np.log(s))) / np.sqrt(poses)),
            inverse_condition=float(s[-1] / s[0]),
            smallest=float(s[-1]),
            noise_amplification=float(s[-1] ** 2 / s[0]),
            harmonic=float(1.0 / np.sum(1.0 / s)),
        )
