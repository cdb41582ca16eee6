"""Whether a machine's display agrees with what was solved, or what was mistyped."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.distributions import TIMES_SD, chi2_isf
from calib.chain.rig import Rig
from calib.confirm.carried import within95
from calib.confirm.displayed import Comparison, Posed
from calib.confirm.slip_search import LEVEL, Found, Tried, search
from calib.confirm.slips import Sheet
from calib.confirm.telling import Envelope, TellingPose, Unseen, unseen
from calib.run.shown import Shown

#: What was found: the display agrees, and nothing that would matter is left open; it agrees, but
#: these poses do not tell the edge to what is left of the requirement, or would not show some
#: slip; a slip explains it; none does; everything was typed as the list says, but the list does not
#: make the solved machine.
AGREES, NOT_PROVEN, MISTYPED, DISAGREES = "agrees", "not proven", "mistyped", "disagrees"
NOT_CARRIED = "not carried"


@dataclass(frozen=True)
class Confirmed:
    """What a display says of what was typed."""

    status: str  #: One of the above.
    compared: Comparison
    sheet: Sheet
    found: Found
    goal: float  #: What the edge must be right to at 95 %, m.
    unseen: tuple[Unseen, ...]  #: Slips beyond what is left of it that these poses would not show.
    moves: float  #: What the claimed slip moves the edge by, at worst, m; 0 without one.
    telling: TellingPose | None  #: Where the claimed slip and its first rival differ.
    #: The edge of the machine that the list makes, against the solved one, at worst, m.
    off: float = 0.0
    leaves_out: bool = False  #: The list leaves out what moves the edge.
    known95: float = 0.0  #: What the edge is known to by the result, m.
    told95: float = 0.0  #: What the poses tell it to, whatever was typed, m.
    mirrored: int | None = None  #: The axis that explains the display if it counts the other way.

    @property
    def agrees(self) -> bool:
        return self.status == AGREES

    @property
    def room(self) -> float:
        """What is left of the goal for what was mistyped, m."""
        return self.goal - self.known95 - self.off

    @property
    def within95(self) -> float:
        """What the edge of the machine as it is now set up is right to, at worst, m."""
        return _within95(self.off, self.known95, self.told95, self.compared.posed)

    @property
    def differences(self) -> np.ndarray:
        """Shown less as it should be, shape (n, 3), m; NaN where a coordinate is not shown."""
        return self.compared.differences(self.compared.base)

    @property
    def noise95(self) -> np.ndarray:
        """What noise and rounding let each of them be with 95 %, shape (n, 3), m."""
        compared = self.compared
        out = np.full(compared.mask.shape, np.nan)
        out[compared.mask] = TIMES_SD * np.sqrt(
            np.diag(compared.covariance(compared.base)))
        return out


def confirm(rig: Rig, sheet: Sheet, solved: np.ndarray, shown: Shown, posed: Posed, goal: float,
            known95: float = 0.0, joints: np.ndarray | None = None) -> Confirmed:
    """Test what a display shows.

    Parameters
    ----------
    sheet : Sheet
        What was to be typed.
    solved : ndarray, shape (p,)
        The machine, m or rad.
    posed : Posed
        Its poses.
    goal : float
        What the edge must be right to at 95 %, m.
    known95 : float
        What it is known to, m.
    joints : ndarray, shape (n, k), optional
        Of the poses that may be asked for, rad, in place of those of the envelope.
    """
    compared = Comparison(rig, sheet.entries, sheet.right, solved, shown, posed)
    found, envelope = search(compared, sheet), Envelope(compared, joints)
    claimed = found.claimed
    if claimed is not None:
        rival = found.rivals[0] if found.rivals else None
        return Confirmed(
            MISTYPED, compared, sheet, found, goal, (),
            envelope.moves(claimed.parameters) if claimed.slips else 0.0,
            None if rival is None else envelope.telling(claimed.parameters, rival.parameters))
    if not found.as_it_is.passes:
        return Confirmed(DISAGREES, compared, sheet, found, goal, (), 0.0, None,
                         mirrored=_mirrored(compared))
    status, open_ = typed_right(envelope, found.singles, found.moved, solved, goal, known95)
    return Confirmed(status, compared, sheet, found, goal, open_, 0.0, None,
                     envelope.moves(solved), compared.left_open.shape[1] > 0, known95,
                     envelope.told95)


def typed_right(envelope: Envelope, singles: Sequence[Tried], moved: np.ndarray,
                solved: np.ndarray, goal: float, known95: float
                ) -> tuple[str, tuple[Unseen, ...]]:
    """What a display without a slip proves: its status, and the slips that it would not show.

    Parameters
    ----------
    singles : sequence of Tried, n of them
        The slips.
    moved : ndarray, shape (n, m)
        What each would change in the display, in sds.
    """
    compared, off = envelope.compared, envelope.moves(solved)
    if compared.left_open.shape[1] or known95 + off > goal:
        return NOT_CARRIED, ()
    open_ = unseen(envelope, singles, moved, goal - known95 - off)
    within = _within95(off, known95, envelope.told95, compared.posed)
    return AGREES if within <= goal and not open_ else NOT_PROVEN, open_


def _mirrored(compared):
    """The one axis that, counted the other way, has the display agree; None if there is none."""
    for axis in range(3):
        position = compared.shown.position * np.where(np.arange(3) == axis, -1.0, 1.0)
        turned = replace(compared, shown=replace(compared.shown, position=position))
        (misfit,) = turned.misfits(turned.base[None])
        if misfit @ misfit <= chi2_isf(LEVEL, turned.dof):
            return axis
    return None


def _within95(off, known95, told95, posed):
    """Readings that shots told carry the errors of the result: they may go with it, and add up."""
    return within95(off, known95 + told95) if posed.of_shots else within95(off, known95, told95)
