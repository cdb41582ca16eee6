"""Face 1 and face 2 of one pointing: their mean, and what they say of the instrument."""

from dataclasses import dataclass

import numpy as np

from calib.chain.circle import wrapped

#: Two-sided normal quantile; this one accuses one good pointing in a thousand.
_LIMIT = 3.29


@dataclass(frozen=True)
class FaceMeans:
    """Means of both faces, one row per pointing."""

    #: direction, zenith: shape (n,), rad; the direction in 0..2 pi, the zenith as face 1 reads it.
    direction: np.ndarray
    zenith: np.ndarray
    #: collimation, index: shape (n,). Half the disagreement of the faces, rad: face 2 less face 1,
    #: less half a circle, for the direction; the sum of both less a full circle, for the zenith.
    #: They should be alike for all pointings of an instrument.
    collimation: np.ndarray
    index: np.ndarray


def face_means(
    direction_1: np.ndarray, zenith_1: np.ndarray, direction_2: np.ndarray, zenith_2: np.ndarray
) -> FaceMeans:
    """Mean of face 1 and face 2, free of collimation and index error.

    All angles rad, shape (n,). Face 2 reads the direction half a circle on and the zenith from
    the other side (pi to 2 pi).

    Examples
    --------
    >>> import numpy as np
    >>> deg = np.radians
    >>> m = face_means(deg([10.001]), deg([89.998]), deg([190.003]), deg([270.004]))
    >>> np.degrees(m.direction).round(6).tolist(), np.degrees(m.zenith).round(6).tolist()
    ([10.002], [89.997])
    """
    collimation = wrapped(direction_2 - direction_1 - np.pi) / 2.0
    index = (zenith_1 + zenith_2 - 2.0 * np.pi) / 2.0
    return FaceMeans(
        np.mod(direction_1 + collimation, 2.0 * np.pi), zenith_1 - index, collimation, index
    )


def disagreeing(collimation: np.ndarray, sd: float) -> np.ndarray:
    """Pointings whose faces disagree otherwise than those of the rest.

    Parameters
    ----------
    collimation : ndarray, shape (n,)
        Or the index error, rad.
    sd : float
        Of the mean of both faces, rad: half the disagreement has the same sd as the mean.

    Returns
    -------
    ndarray of bool, shape (n,)
        The worst is tested first, against the mean of the others, and left out of the next test.
        With two pointings both are accused, with one none can be.
    """
    accused = np.zeros(len(collimation), bool)
    while (n := int((~accused).sum())) >= 2:
        rest = np.flatnonzero(~accused)
        others = (collimation[rest].sum() - collimation[rest]) / (n - 1)
        off = np.abs(collimation[rest] - others)
        if off.max() <= _LIMIT * sd * np.sqrt(n / (n - 1)):
            break
        accused[rest if n == 2 else rest[off.argmax()]] = True
    return accused
