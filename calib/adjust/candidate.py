"""What may be wrong together."""

from collections.abc import Hashable
from dataclasses import dataclass


@dataclass(frozen=True)
class Candidate:
    """What may be wrong together: observations, readings of one block, prior values.

    Attributes
    ----------
    label : hashable
        The caller's name for it.
    rows : tuple of int
        Observations.
    block : int or None
    readings : tuple of int
        Columns of the readings of `block`.
    priors : tuple of int
    detects : bool
        Whether it starts a search by itself; no two that do may share a value. Those that do not
        are only weighed against the others once one of those is out, so that large groups do not
        add false alarms.
    """

    label: Hashable
    rows: tuple[int, ...] = ()
    block: int | None = None
    readings: tuple[int, ...] = ()
    priors: tuple[int, ...] = ()
    detects: bool = True

    @property
    def values(self) -> tuple[tuple[int, ...], int | None, tuple[int, ...], tuple[int, ...]]:
        """As `calib.adjust.reliability.GroupTests.test` takes it."""
        return self.rows, self.block, self.readings, self.priors
