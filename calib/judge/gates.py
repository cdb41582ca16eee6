"""The questions with a yes or no that the verdict rests on, and the risk that they share.

Some ask for a size (what the edge is known to, what check shots are missed by): they are passed or
not. The others are tests, and each condemns a clean run now and then. `ERROR_RATE` is what all of
them do together: a fifth of it is the search for suspects', whose limit may not hang on the other
tests because values are set aside by it; the rest is shared by the other tests that could be asked
as S. Holm does it, "A simple sequentially rejective multiple test procedure", Scandinavian Journal
of Statistics 6 (1979) 65-70 (from memory): of m chances the smallest is held against rate / m, the
next against rate / (m - 1), and so on until one is above. That holds however the tests hang
together.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from calib.adjust.distributions import chi2_cdf, chi2_sf
from calib.calibration import Solution
from calib.judge.correlation import Correlation
from calib.judge.set_aside import SetAside
from calib.judge.suspects import RUN_LEVEL as SUSPECTS_RATE
from calib.judge.suspects import Suspects
from calib.run.records import Run

#: A clean run is condemned by some test with this probability, at most.
ERROR_RATE = 0.05

#: What the tests share among them, besides the search for suspects.
SHARED_RATE = ERROR_RATE - SUSPECTS_RATE

EDGE, PLAUSIBILITY, SUSPECTS, LEFT = "edge", "plausibility", "suspects", "set aside"
#: Of runs adjusted in one go: a test of all of them, with a level of its own.
SHARING = "sharing"
GLOBAL_TEST, HELD_OUT, CORRELATION = "global test", "held-out poses", "correlation"
SYSTEMATIC, SURVEY_SCALE = "systematic errors", "survey scale"
OFFSET, CHECK_SHOTS = "check-shot offset", "check shots"

#: What is asked of the run without its suspects beyond chance.
OF_THE_REST = (HELD_OUT, CORRELATION, SYSTEMATIC, SURVEY_SCALE)

#: Beyond this share of a sensor's readings, or of the shots, what does not fit is no longer slips:
#: what is left was chosen by the fit. So few always may be. (Common practice, no source.)
_MOST_OUT, _FEW_OUT = 1 / 4, 2


@dataclass(frozen=True)
class Gate:
    """A question with a yes or no that the verdict rests on."""

    name: str
    passed: bool
    #: Of a test: that a clean run looks as bad. None of a size that is asked for.
    chance: float | None = None
    level: float | None = None  #: What the chance was held against.


@dataclass(frozen=True)
class Question:
    """A test before it is known what its chance is held against."""

    name: str
    chance: float


def shared(asked: Sequence[Question | Gate], rate: float = SHARED_RATE) -> tuple[Gate, ...]:
    """Gates in the order given, the tests among them sharing an error rate by Holm's procedure."""
    tests = sorted((q for q in asked if isinstance(q, Question)), key=lambda test: test.chance)
    gates, going, level = {}, True, rate / max(1, len(tests))
    for place, test in enumerate(tests):
        if going:
            level = rate / (len(tests) - place)
            going = test.chance <= level
        gates[id(test)] = Gate(test.name, not going, test.chance, level)
    return tuple(gates[id(q)] if isinstance(q, Question) else q for q in asked)


def at_fault_itself(failed: Iterable[str]) -> bool:
    """Whether more failed than what the edge is known to and what check shots say: of the run."""
    return bool(set(failed) - {EDGE, OFFSET, CHECK_SHOTS})


def global_gate(solution: Solution, correlation: Correlation | None) -> Question | Gate:
    """The global test; a gate by itself where nothing is left to test with.

    A fit that is too good is held against a run only while the errors of its shots may go together:
    else the stated sds are too large, and the result is no worse than it says.
    """
    adjustment = solution.adjustment
    if not adjustment.dof:
        return Gate(GLOBAL_TEST, False)
    better, worse = fit_chances(solution)
    if may_go_together(correlation):
        worse = min(better, worse)
    return Question(GLOBAL_TEST, float(min(1.0, 2 * worse)))


def may_go_together(correlation: Correlation | None) -> bool:
    """Whether a test by itself does not clear the shots of errors that go together."""
    return correlation is None or correlation.chance <= ERROR_RATE


def fit_chances(solution: Solution) -> tuple[float, float]:
    """That a good run fits better, and that it fits worse."""
    adjustment = solution.adjustment
    return (float(chi2_cdf(adjustment.chi2, adjustment.dof)),
            float(chi2_sf(adjustment.chi2, adjustment.dof)))


def suspect_gate(suspects: Suspects) -> Gate:
    """Whether nothing is further out than chance allows."""
    passed = not suspects.remaining and not suspects.beyond_chance
    return Gate(SUSPECTS, passed, suspects.chance, SUSPECTS_RATE)


@dataclass(frozen=True)
class Share:
    """How much of a kind of value is set aside; `sensor` is None of shots and taped values."""

    sensor: str | None
    out: int
    of: int
    taped: bool = False

    @property
    def too_much(self) -> bool:
        """More than slips are; each taped value is a measurement of its own."""
        return not self.taped and self.out > max(_FEW_OUT, _MOST_OUT * self.of)


def shares(run: Run, aside: SetAside) -> tuple[Share, ...]:
    """Of shots, readings by sensor, and taped values what is set aside; `run` is without it."""
    poses = set(run.shots.pose.tolist())
    by_sensor = Counter(column for pose, column in aside.readings if pose in poses)
    found = (Share(None, len(aside.shots), len(run.shots) + len(aside.shots)),
             *(Share(name, by_sensor[column], len(poses))
               for column, name in enumerate(run.rig.reading_names)),
             Share(None, len(aside.tape), len(run.tape.quantities) + len(aside.tape), True))
    return tuple(f for f in found if f.out)


def left_gate(out: Sequence[Share]) -> Gate:
    """Whether what was set aside is a few slips."""
    return Gate(LEFT, not any(share.too_much for share in out))
