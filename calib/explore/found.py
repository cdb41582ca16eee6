"""What exploring a run finds: every effect as it was tried, and what the run asks for."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from calib.calibration import Solution
from calib.chain.effects import Effect
from calib.explore.rivals import Rival
from calib.judge.set_aside import SetAside


class Verdict(StrEnum):
    """What is said of an effect."""

    ASKED, ALIKE, EXPLAINED, MISTAKE = "asked for", "alike", "explained", "mistake"
    NOTHING, TOO_LARGE, UNTOLD, THERE = "nothing", "too large", "untold", "there"


@dataclass(frozen=True)
class Untold:
    """Why a run cannot tell an effect, the first of these that is so.

    Attributes
    ----------
    column : str
        Of readings.csv, that the effect needs and the run lacks.
    member : str
        An effect that it is made of and that cannot be told.
    like : tuple of str
        The parameters of the rig and the stands that move most with it; empty where nothing in
        the shots depends on it.
    told : bool
        A size that no machine has would be told, a smaller one not.
    """

    column: str = ""
    member: str = ""
    like: tuple[str, ...] = ()
    told: bool = False


@dataclass(frozen=True)
class Size:
    """A parameter of an effect: its value and sd, m or rad."""

    name: str
    unit: str
    value: float
    sd: float


@dataclass(frozen=True)
class Tested:
    """An effect as it was tried.

    Attributes
    ----------
    sizes : tuple of Size
        To first order, unless `solved`; empty if the run cannot tell them.
    statistic : float
        What the effect takes off chi2; NaN if it was not tested.
    dof : int
    chance : float
        That some effect of a run without any takes off as much.
    aic, bic : float
        Of the run with the effect less that of the run without.
    edge : float
        What it changes at the edge, worst over the envelope, m.
    unseen : float
        What an effect that is found in four of five such runs changes there, m.
    others : tuple of str
        Effects that the verdict is about too.
    why : Untold or None
        Why it cannot be told.
    """

    effect: Effect
    verdict: Verdict
    sizes: tuple[Size, ...] = ()
    statistic: float = np.nan
    dof: int = 0
    chance: float = np.nan
    aic: float = np.nan
    bic: float = np.nan
    edge: float = np.nan
    unseen: float = np.nan
    solved: bool = False
    others: tuple[str, ...] = ()
    why: Untold | None = None


@dataclass(frozen=True)
class Found:
    """An effect that the run asks for, with those that it cannot be told apart from.

    Attributes
    ----------
    tested : Tested
        With the effects found before in the rig.
    alike : tuple of Tested
    """

    tested: Tested
    alike: tuple[Tested, ...]


@dataclass(frozen=True)
class Exploration:
    """What was found.

    Attributes
    ----------
    before, after : Solution
        Without what was set aside; `after` with all that was found.
    aside : SetAside
    tested : tuple of Tested
        Every effect that fits the rig; empty where the run is too far from fitting to try any.
    found : tuple of Found
        In the order in which they were taken in.
    stated : bool
        Chances are of chi-square, the stated sds taken at their word; else of F.
    rival : Rival or None
        A field mistake that explains the run better than any effect.
    fits : bool
        The run passes the global test, with what was found.
    instead : tuple of str
        What would do about as well as the effects, were it wrong.
    """

    before: Solution
    after: Solution
    aside: SetAside
    tested: tuple[Tested, ...]
    found: tuple[Found, ...]
    stated: bool
    rival: Rival | None
    fits: bool
    instead: tuple[str, ...] = ()

    @property
    def asked(self) -> tuple[str, ...]:
        """The names of what the run asks for, the best of each that cannot be told apart."""
        return tuple(f.tested.effect.name for f in self.found)
