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
    """Why a run cannot tell an effect, the first of these that is so."""

    column: str = ""  #: Of readings.csv, that the effect needs and the run lacks.
    member: str = ""  #: An effect that it is made of and that cannot be told.
    #: The parameters of the rig and the stands that move most with it; empty where nothing in the
    #: shots depends on it.
    like: tuple[str, ...] = ()
    told: bool = False  #: A size that no machine has would be told, a smaller one not.


@dataclass(frozen=True)
class Size:
    """A parameter of an effect: its value and sd, m or rad."""

    name: str
    unit: str
    value: float
    sd: float


@dataclass(frozen=True)
class Tested:
    """An effect as it was tried."""

    effect: Effect
    verdict: Verdict
    #: To first order, unless `solved`; empty if the run cannot tell them.
    sizes: tuple[Size, ...] = ()
    statistic: float = np.nan  #: What the effect takes off chi2; NaN if it was not tested.
    dof: int = 0
    chance: float = np.nan  #: That some effect of a run without any takes off as much.
    #: aic, bic: Of the run with the effect less that of the run without.
    aic: float = np.nan
    bic: float = np.nan
    edge: float = np.nan  #: What it changes at the edge, worst over the envelope, m.
    #: What an effect that is found in four of five such runs changes there, m.
    unseen: float = np.nan
    solved: bool = False
    others: tuple[str, ...] = ()  #: Effects that the verdict is about too.
    why: Untold | None = None  #: Why it cannot be told.


@dataclass(frozen=True)
class Found:
    """An effect that the run asks for, with those that it cannot be told apart from."""

    tested: Tested  #: With the effects found before in the rig.
    alike: tuple[Tested, ...]


@dataclass(frozen=True)
class Exploration:
    """What was found."""

    #: before, after: Without what was set aside; `after` with all that was found.
    before: Solution
    after: Solution
    aside: SetAside
    #: Every effect that fits the rig; empty where the run is too far from fitting to try any.
    tested: tuple[Tested, ...]
    found: tuple[Found, ...]  #: In the order in which they were taken in.
    stated: bool  #: Chances are of chi-square, the stated sds taken at their word; else of F.
    rival: Rival | None  #: A field mistake that explains the run better than any effect.
    fits: bool  #: The run passes the global test, with what was found.
    instead: tuple[str, ...] = ()  #: What would do about as well as the effects, were it wrong.

    @property
    def asked(self) -> tuple[str, ...]:
        """The names of what the run asks for, the best of each that cannot be told apart."""
        return tuple(f.tested.effect.name for f in self.found)
