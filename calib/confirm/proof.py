"""How many poses a display must show to prove what was typed, told before anybody drives."""

from bisect import bisect_left
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from calib.chain.rig import Rig
from calib.confirm.carried import within95
from calib.confirm.confirmed import AGREES, typed_right
from calib.confirm.displayed import Comparison
from calib.confirm.posed import from_readings
from calib.confirm.slip_search import singles_of
from calib.confirm.slips import Sheet
from calib.confirm.telling import Envelope, poses_to_show
from calib.edge import edge_positions
from calib.run.shown import Shown

#: So few poses are shown at least, since slips are searched for in them; more than the most are
#: asked of nobody (common practice, no source).
FEWEST, MOST = 6, 24

#: Nobody drives to just these poses: the proof must hold there and as often as this near them, each
#: joint up to so far off, rad (common practice, no source).
_DRAWS, DRIVEN = 5, np.radians(1.5)


@dataclass(frozen=True)
class Proof:
    """What a display of a machine typed without a slip would prove, m."""

    envelope: Envelope
    nodes: np.ndarray  #: Shape (n,). Of what the envelope offers: the poses to show.
    proves: bool  #: These poses do, driven within `DRIVEN`; if not, no number up to `MOST`.
    known95: float  #: What the edge is known to by the result.
    off: float  #: What it is off by for the list.
    told95: float  #: What these poses tell it to.
    goal: float

    @property
    def within95(self) -> float:
        """What the edge is then right to."""
        return within95(self.off, self.known95, self.told95)


def proof(rig: Rig, sheet: Sheet, solved: np.ndarray, goal: float, known95: float,
          joints: np.ndarray | None = None) -> Proof:
    """The fewest poses that prove a list typed without a slip; `FEWEST` where none do.

    Parameters
    ----------
    sheet : Sheet
        What is to be typed.
    solved : ndarray, shape (p,)
        The machine, m or rad.
    goal, known95 : float
        What the edge must be right to, and what it is known to, at 95 %, m.
    joints : ndarray, shape (n, k), optional
        Of the poses that may be shown, rad, in place of those of the envelope.
    """
    k = len(rig.readings)
    nothing = Shown(("1",), ("",), np.zeros((1, k)), np.full(k, np.radians(0.01)),
                    np.zeros(0, int), np.zeros(0, int), np.zeros((0, 3)), np.full(3, 0.001), False,
                    None, np.zeros(0, int))
    envelope = Envelope(Comparison(rig, sheet.entries, sheet.right, solved, nothing,
                                   from_readings(rig, nothing)), joints)
    ordered, off = poses_to_show(envelope, MOST), envelope.moves(solved)

    driven = _driven(envelope, ordered)

    @cache
    def displays(count):
        return [Envelope(exactly_shown(envelope.compared, envelope.nodes.targets, readings[:count]))
                for readings in driven]

    @cache
    def told(count):
        return max((shown.told95 for shown in displays(count)), default=np.inf)

    def tells(count):
        return within95(off, known95, told(count)) <= goal

    @cache
    def proven(count):
        return tells(count) and all(
            typed_right(shown, *singles_of(shown.compared, sheet), solved, goal, known95)[0]
            == AGREES for shown in displays(count))

    few, most = min(FEWEST, len(ordered)), len(ordered)
    # More poses prove no less. What they tell is asked quickly, and slips searched for after that.
    count = few + bisect_left(range(few, most), True, key=tells)
    if not most or not proven(count):
        if not most or not proven(most):
            return Proof(envelope, ordered[:few], False, known95, off, told(most), goal)
        count += 1 + bisect_left(range(count + 1, most), True, key=proven)
    return Proof(envelope, ordered[:count], True, known95, off, told(count), goal)


def _driven(envelope, nodes):
    """Readings at some poses, and as they may be driven: a list of (n, k), rad."""
    offered, rig = envelope.offered, envelope.rig
    if not len(nodes):
        return []
    exact, rng = offered.readings[nodes], np.random.default_rng(0)
    moved = [rig.chain.readings_for(offered.parameters, offered.joints[nodes]
                                    + rng.uniform(-DRIVEN, DRIVEN, exact.shape))
             for _ in range(_DRAWS)]
    return [exact, *(np.where(np.isfinite(m), m, exact) for m in moved)]


def exactly_shown(at: Comparison, targets: np.ndarray, readings: np.ndarray) -> Comparison:
    """What the machine shows of targets (t,) with everything typed right, at readings (n, k)."""
    n, t = len(readings), len(targets)
    position = edge_positions(at.rig, at.base, readings, targets)[0].position
    shown = replace(at.shown, poses=tuple(str(i + 1) for i in range(n)), stand=("",) * n,
                    readings=readings, pose=np.repeat(np.arange(n), t),
                    target=np.tile(targets, n), line=np.zeros(n * t, int),
                    position=position.reshape(-1, 3))
    return replace(at, shown=shown, posed=from_readings(at.rig, shown))
