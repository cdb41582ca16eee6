"""What may be wrong together."""

from collections.abc import Hashable
from dataclasses import dataclass


@dataclass(frozen=True)
class Candidate:
    """What may be wrong together: observations or prior values, readings of one block."""

    label: Hashable  #: The caller's name for it.
    rows: tuple[int, ...] = ()  #: Observations; from their number on, prior values.
    block: int | None = None
    readings: tuple[int, ...] = ()  #: Columns of the readings of `block`.
    #: Whether it starts a search by itself; no two that do may share a value. Those that do not are
    #: only weighed against the others once one of those is out, so that large groups do not add
    #: false alarms.
    detects: bool = True

    @property
    def values(self) -> tuple[tuple[int, ...], int | None, tuple[int, ...]]:
        """As `calib.adjust.reliability.GroupTests.test` takes it."""
        return self.rows, self.block, self.readings
