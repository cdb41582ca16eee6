"""What is said of each gate."""

from collections.abc import Sequence

import numpy as np

from calib.adjust.congruency import LEVEL
from calib.adjust.distributions import chi2_isf, normal_isf
from calib.calibration import Solution
from calib.judge import gates
from calib.judge.correlation import Correlation
from calib.judge.facts import AtEdge
from calib.judge.gates import ERROR_RATE, SHARED_RATE, SUSPECTS_RATE, Gate, Share
from calib.judge.goal import EdgeKnown
from calib.judge.hold_out import HeldOut
from calib.judge.judgement import Judgement
from calib.judge.noise import Noise
from calib.judge.scale import SurveyScale
from calib.judge.shot_checks import Checked, Offset
from calib.judge.suspects import Suspects
from calib.judge.systematic import Systematic
from calib.report.spoken import spoken, spoken_values
from calib.report.words.mistake import mistake_says
from calib.report.words.noise import noise_says
from calib.report.words.plausible import plausible_says
from calib.report.words.requirement import ORIGIN
from calib.report.words.suspect import suspect_says
from calib.report.words.weak import weak_says

#: How the tests share their risk.
SHARED_BY = (f"All tests together condemn a clean run with a chance of {100 * ERROR_RATE:g} % at "
             f"most: {100 * SUSPECTS_RATE:g} % by the search for suspects, "
             f"{100 * SHARED_RATE:g} % by the other tests, shared as by Holm 1979.")

#: Said where nothing tells the scale of the shots.
SCALE_NOT_SHOWN = (
    "No shot can show a wrong scale of the survey or a wrong constant of the target: "
    "without taped lengths every length may be wrong by the same share.")

#: Said of a run that was adjusted with others, and where that was not justified.
_OF_ALL_RUNS = f"a test of all these runs together, with {100 * LEVEL:g} % of its own"
SHARED = ("What this run shares with those adjusted with it differs by nothing beyond chance "
          f"({_OF_ALL_RUNS}).")
NOT_SHARED = (
    f"The runs adjusted with this one do not share all that was asked ({_OF_ALL_RUNS}): every "
    "value here may be pulled off by another state of the machine, whatever else passes. calib "
    "together says what differs, and what to write to split it.")

#: Said where nothing is left to judge the held-out poses by.
HELD_OUT_NOT_JUDGED = (
    "Held-out poses cannot be judged: without them the rest does not fix the machine.")

#: A check shot further out than this share of good ones is not explained by its sds.
_SURPRISING = 0.001

#: Suspects that the verdict names, and values beyond their limit that are not suspects yet.
_NAMED, _LISTED = 8, 3

#: Weak combinations that the verdict names.
_LEADING = 2


def gate_says(gate: Gate, judgement: Judgement, noise: Sequence[Noise] = ()) -> str:
    """The sentences of a gate of a judgement, and of what shots where not of all.

    Which kinds of value are noisier or less noisy than stated is added where that is known by now.
    """
    says, suspects = _says(gate, judgement, noise), judgement.suspects
    other = gate.name == gates.SYSTEMATIC and judgement.instead is not None
    if (gate.name not in gates.OF_THE_REST or other
            or suspects.without is suspects.solution):
        return says
    return (f"Without the suspects, with {len(suspects.without.run.shots)} of "
            f"{len(suspects.solution.run.shots)} shots: {says[0].lower()}{says[1:]}")


def _says(gate, judgement, noise):
    solution, passed, check = judgement.suspects.solution, gate.passed, judgement.check
    match gate.name, judgement:
        case gates.EDGE, _:
            return _edge(judgement.edge, gates.at_fault_itself(judgement.failed))
        case gates.PLAUSIBILITY, _:
            return plausible_says(judgement.plausible)
        case gates.SHARING, _:
            return SHARED if passed else NOT_SHARED
        case gates.LEFT, _:
            return _left(judgement.out)
        case gates.GLOBAL_TEST, _:
            says = global_test_says(passed, solution, judgement.correlation)
            return says if passed else " ".join([says, *(
                noise_says(kind) for kind in noise if kind.differs)])
        case gates.SUSPECTS, _:
            taped = judgement.taped
            return _suspects(judgement.suspects, [
                spoken(name) for name, out in zip(taped.quantities, taped.significant, strict=True)
                if out])
        case gates.HELD_OUT, Judgement(held_out=HeldOut() as held):
            return _held_out(passed, held)
        case gates.CORRELATION, Judgement(correlation=Correlation() as found):
            return _correlation(passed, found, solution.run)
        case gates.SYSTEMATIC, Judgement(instead=AtEdge() as other):
            return _as_well(other)
        case gates.SYSTEMATIC, Judgement(systematic=Systematic() as strongest):
            return _systematic(passed, strongest)
        case gates.SURVEY_SCALE, Judgement(scale=SurveyScale() as scale):
            return _scale(passed, scale)
        case gates.OFFSET, Judgement(offset=Offset() as offset) if check is not None:
            return offset_says(passed, offset, len(check.shots),
                               not gates.at_fault_itself(judgement.failed))
        case gates.CHECK_SHOTS, Judgement(check=Checked() as checked):
            return _check(checked)
    raise ValueError(f"a gate without words: {gate.name}")


def _edge(known: EdgeKnown, doubtful: bool):
    """What is not known leads."""
    goal = f"the goal is {_length(known.goal)} (95 %; {ORIGIN[known.origin]})"
    if not np.isfinite(known.sd):
        return f"Nowhere in the envelope of rig.toml can the sensors tell the edge; {goal}."
    is_known = "By its sds alone the edge is" if doubtful else "The edge is"
    known_to = (f"{is_known} known to {_length(known.within95)} (95 %; 1 sd {_length(known.sd)}) "
                f"at worst over the envelope, readings exact; {goal}.")
    if known.met:
        return known_to
    leading = [weak_says(weak) for weak in known.because[:_LEADING]]
    leading = leading or ["These poses and their sds do not tell the edge well enough."]
    return " ".join([*leading, known_to])


def global_test_says(passed: bool, solution: Solution, together: Correlation | None) -> str:
    """Whether everything fits, and if not, which way it does not."""
    adjustment = solution.adjustment
    if not adjustment.dof:
        return "Nothing is left over to check the fit with."
    factor = adjustment.chi2 / adjustment.dof
    better, worse = gates.fit_chances(solution)
    if passed and 2 * min(better, worse) > gates.ERROR_RATE:
        return ("The shots, readings and tape fit each other within their stated sds (variance "
                f"factor {factor:.2f}).")
    if better < worse and not gates.may_go_together(together):
        return ("The shots, readings and tape fit each other "
                f"{1 / np.sqrt(factor):.1f} times better than their stated sds (variance factor "
                f"{factor:.2f}), and errors of shots do not go together: the sds may be stated "
                "smaller, and the edge is known better than is said here.")
    if passed:
        than = "worse" if worse < better else "better"
        return (f"The shots, readings and tape fit each other a little {than} than 95 % of runs "
                f"with the stated sds do (variance factor {factor:.2f}): not by enough to condemn "
                "this one by a test among several.")
    if worse < better:
        return (f"Shots, readings and tape fit each other {np.sqrt(factor):.1f} times worse than "
                "their stated sds: something is wrong, or the sds are too small. calib diagnose "
                "looks for the reason.")
    failed = (f"Shots, readings and tape fit each other {1 / np.sqrt(factor):.1f} times better "
              "than their stated sds. Either these are too large, and the result is better "
              "than it says; or errors go together, as those of a rover do from one shot to "
              "the next: then the fit only looks good, and the result is worse than it says.")
    if together is not None:
        failed += f" The correlation from shot to shot comes out as {together.coefficient:.2f}."
    return failed


def _suspects(suspects: Suspects, taped: Sequence[str]):
    """What is suspect; `taped` values that all else contradicts have a sentence of their own."""
    readings = suspects.solution.rig.reading_names
    if suspects.remaining:
        so_far = spoken_values((s.name for s in suspects.found[:_NAMED]), readings)
        found = f" Suspect so far: {so_far}." if suspects.found else ""
        return too_many_says(suspects.remaining, readings) + found
    if not suspects.found:
        return (f"No shot, reading or pose is suspect, but of the taped values {', '.join(taped)}: "
                "tape again." if taped else
                "No shot, reading, taped value or pose is suspect.")
    chance = spoken_values((s.name for s in suspects.within_chance), readings)
    chance = (f"Furthest out, though no further than the worst of a good run may be: {chance}."
              if chance else "")
    if not suspects.beyond_chance:
        return f"No suspect beyond chance. {chance}"
    beyond = suspects.beyond_chance
    names = spoken_values((s.name for s in beyond), readings, _NAMED)
    if len(beyond) > _NAMED:
        names += ". So many look like a mistake about the whole run"
    first = suspect_says(beyond[0], suspects.solution)
    too_much = [share for share in gates.shares(suspects.without.run, suspects.aside)
                if share.too_much]
    more = not_slips_says(too_much) if too_much else ""
    return " ".join(filter(None, (f"Suspect: {names}.", first, more, chance)))


def too_many_says(remaining: Sequence[str], readings: Sequence[str]) -> str:
    """Why the search for suspects ended before it was through."""
    names = spoken_values(remaining[:_LISTED], readings)
    names += " and others" if remaining[_LISTED:] else ""
    return (f"{len(remaining)} more stay beyond their limit ({names}): so many look like a mistake "
            "about the whole run.")


def _left(out: Sequence[Share]):
    says = f"{', '.join(map(_share, out))} took no part."
    too_much = [share for share in out if share.too_much]
    return f"{says} {not_slips_says(too_much)}" if too_much else says


def _as_well(other: AtEdge):
    return ("What does not fit may be no matter of single values. As well explained by: "
            f"{mistake_says(other.fact)} The edge is then up to {_length(other.moves)} from where "
            "it is without those values, and these shots do not tell which is true. Look there, "
            "and measure again what would show it.")


def not_slips_says(out: Sequence[Share]) -> str:
    """Why so many values of a kind are not set aside one by one."""
    what = " and ".join(map(_share, out))
    sensors = [share.sensor for share in out if share.sensor is not None]
    cause = (f"Look at what {' and '.join(map(spoken, sensors))} measures, how it is "
             "mounted, and its column in readings.csv (calib rig show says what the rig takes it "
             "for)." if sensors else
             "Something holds for the whole run or a part of it: calib diagnose looks for it.")
    return (f"{what} are more than slips: what is left was chosen by the fit, and where it is used "
            f"what was set aside returns. {cause}")


def _share(share: Share):
    return f"{share.out} of {share.of} " + (
        f"readings of {spoken(share.sensor)}" if share.sensor is not None else
        "taped values" if share.taped else "shots")


def _held_out(passed, held: HeldOut):
    size = f"{_length(held.rms_3d)} (rms 3-D) where their sds promise " \
           f"{_length(held.predicted_rms_3d)}"
    if passed:
        return f"Poses that were left out are predicted to {size}."
    # The test weighs each miss by its own sd: it may fail where the rms over all shots does not.
    why = ("the sds promise too much" if held.rms_3d > held.predicted_rms_3d
           else "some are missed by far more than their own sds")
    return f"Poses that were left out are missed by {size}: {why}."


def _correlation(passed, told: Correlation, run):
    order = "by their times" if told.timed else "pose by pose as in the file"
    if passed:
        return f"The errors of shots that follow one another {order} do not go together."
    return (f"The errors of shots that follow one another {order} go together (correlation about "
            f"{told.coefficient:.1f} from shot to shot): they count for less than as many "
            "independent ones, and the sds of the result are too small. "
            + ("A total station that settles or turns does that: sight a known point again at the "
               "end of each set-up" if run.set_ups is not None or
               "total station" in run.rig.job.get("instrument", "").casefold() else
               "A rover's errors wander like that: initialise it anew between poses, take the "
               "shots further apart in time, or use a total station")
            + ". Or something moved or drifted little by little.")


def _systematic(passed, strongest: Systematic):
    if passed:
        says = (f"None of {strongest.tests} errors that shots or readings may share (a zero that "
                "jumps or creeps, a set-up that is not level, and the like) is more than chance.")
        if strongest.hidden is not None:
            says += (f" Smaller ones pass unseen; the one that could do most, up to "
                     f"{_length(strongest.hidden.moves)} at the edge, would be just short of this: "
                     f"{mistake_says(strongest.hidden.fact)}")
        return says
    what = "" if strongest.fact is None else f" The strongest: {mistake_says(strongest.fact)}"
    return ("Shots or readings share an error that the rig leaves out; single values hide it, and "
            f"the edge may be wrong by more than its sds say.{what}")


def _scale(passed, scale: SurveyScale):
    percent, sd = 100 * scale.excess, 100 * scale.sd
    comes_out = f"lengths from the shots are {percent:+.2f} ± {sd:.2f} % (1 sd) off the taped ones"
    if not passed:
        return (f"Shots and tape differ in scale: {comes_out}, all of them alike. A scale factor "
                "or a projection left on in the instrument, a wrong unit, or a tape that is: "
                "measure one long distance with both. The whole machine is off by that share.")
    # Found four times in five at the least level that the test may have among five.
    unseen = 100 * scale.sd * (normal_isf(SHARED_RATE / 10) + normal_isf(0.2))
    return (f"Shots and tape have one scale: {comes_out}. A wrong scale below about {unseen:.1f} % "
            f"({10 * unseen:.0f} mm per metre of the machine) would pass unseen.")


def offset_says(passed: bool, offset: Offset, count: int, sound: bool = True) -> str:
    """Whether `count` check shots are off by something in common.

    `sound` is false where the solution that predicts them is known to be at fault itself.
    """
    east, north, up = 1000 * offset.mean
    sds = ", ".join(f"{1000 * sd:.1f}" for sd in offset.sd)
    mean = f"east {east:+.1f}, north {north:+.1f}, up {up:+.1f} mm (1 sd {sds})"
    if passed and offset.chance <= ERROR_RATE:
        return (f"The {count} check shots are a little further off on average than 95 % of good "
                f"ones: {mean}; not by enough to condemn this run by a test among several.")
    if passed:
        return f"The {count} check shots have no common offset beyond chance: {mean}."
    if offset.alike > _SURPRISING:
        says = f"The {count} check shots are all off by one vector: {mean}."
        cause = ("Another set-up or initialisation, another point or pole height, or a machine "
                 "that moved in between.")
    else:
        says = (f"The {count} check shots are off by more than chance on average, though not all "
                f"by one vector: {mean}.")
        cause = "Something is wrong in some poses, of these or of the run."
    return f"{says} " + (cause if sound else "What does not fit in the run itself may do that.")


def _check(check: Checked):
    word = "within" if check.passed else "not within"
    says = (f"{len(check.shots)} check shots are predicted to "
            f"{1000 * check.lengths.max():.0f} mm or better, {word} {_length(check.tolerance)}.")
    if not check.passed and (check.statistics <= chi2_isf(_SURPRISING, 3)).all():
        says += (" Their own sds, those of the readings and of the result explain misses of this "
                 "size: the tolerance asks for more than these shots can show.")
    if check.left_out:
        says += f" Not predicted, for what is set aside: pose {', '.join(check.left_out)}."
    return says


def _length(metres):
    """In mm with a digit after the point below 100 mm; beyond in m."""
    if metres >= 1:
        return f"{metres:.2f} m"
    millimetres = f"{1000 * metres:.{0 if metres >= 0.1 else 1}f}"
    return f"{millimetres.removesuffix('.0')} mm"
