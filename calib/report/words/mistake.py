"""What is said of a mistake made in the field, and of the edit that undoes it."""

from functools import singledispatch
from typing import NamedTuple

import numpy as np

from calib.chain.length import FOOT, INCH
from calib.judge import facts
from calib.judge.facts import Fact
from calib.report.spoken import few, spoken
from calib.report.words.reading import scale_says
from calib.report.words.suspect import lies_edit, lies_says

#: Poses that are listed one by one; of more, only the number is told beside the list's beginning.
_LISTED = 24

#: What a taped value is that must be multiplied by so much.
_LENGTHS = {
    10.0: "a decimal place too small", 0.1: "a decimal place too large",
    100.0: "two decimal places too small", 0.01: "two decimal places too large (cm for m)",
    0.001: "in mm, not m", 1000.0: "three decimal places too small",
    FOOT: "in feet, not in metres", 1 / FOOT: "in metres, not in feet",
    INCH: "in inches, not in metres", 1 / INCH: "in metres, not in inches",
}
_ANGLES = {
    10.0: "a decimal place too small", 0.1: "a decimal place too large",
    np.degrees(1.0): "in radians, not in degrees", -1.0: "of the wrong sign",
}


class Told(NamedTuple):
    """What happened, and the edit that undoes it: sentences."""

    says: str
    edit: str


def mistake_says(fact: Fact) -> str:
    """What happened."""
    return told(fact).says


def where_words(where: facts.Where) -> str:
    """Which poses, with a space before; empty for all."""
    poses = where.poses
    match where.extent:
        case facts.ALL:
            return ""
        case facts.FROM:
            return f" from pose {poses[0]} on"
        case facts.UP_TO:
            return f" up to pose {poses[-1]}"
    if len(poses) == 1:
        return f" in pose {poses[0]}"
    return f" in the {len(poses)} poses {few(poses, _LISTED)}"


@singledispatch
def told(fact: Fact) -> Told:
    """A fact in words."""
    raise TypeError(f"a fact without words: {fact!r}")


@singledispatch
def _changed(change: facts.ChangeFact, where: str) -> Told:
    raise TypeError(f"a fact without words: {change!r}")


@told.register
def _(fact: facts.InPoses) -> Told:
    return _changed(fact.change, where_words(fact.where))


@_changed.register
def _(_: facts.AxesSwapped, where: str) -> Told:
    return Told(f"North and east are swapped in all shots{where}.",
                f"Swap the columns east and north of shots.csv{where}.")


@_changed.register
def _(_: facts.HeightsReversed, where: str) -> Told:
    return Told(f"The heights of all shots have the wrong sign{where}.",
                f"Change the sign of the column up of shots.csv{where}.")


@_changed.register
def _(change: facts.ShotsInFeet, where: str) -> Told:
    unit, factor = (("US survey feet", "1200/3937") if change.us_survey
                    else ("international feet", "0.3048"))
    return Told(f"The shots are in {unit}, not in metres{where}.",
                f"Multiply east, north and up of shots.csv by {factor}{where}.")


@_changed.register
def _(change: facts.CornersExchanged, where: str) -> Told:
    pairs = ", ".join(f"{left} and {right}" for left, right in change.pairs)
    return Told(f"Left and right corners are exchanged{where or ' in all poses'}.",
                f"Exchange {pairs} in the column target of shots.csv{where}.")


@_changed.register
def _(change: facts.SignsWrong, where: str) -> Told:
    which, names = (" and ".join(n) for n in (change.readings, map(spoken, change.readings)))
    directions = " and ".join(f"direction.{name} = {direction:+d}" for name, direction in zip(
        change.readings, change.directions, strict=True))
    sign, are, s = ("sign", "is", "") if len(change.readings) == 1 else ("signs", "are", "s")
    return Told(f"The {sign} of the reading{s} {names} {are} wrong{where}.",
                f"Change the sign of the column{s} {which} of readings.csv{where} (or, for all "
                f"poses, set {directions} under [readings] of rig.toml).")


@_changed.register
def _(change: facts.ZeroTurned, where: str) -> Told:
    off, add = {1: ("-90", "Add 90 deg to"), 2: ("180", "Add 180 deg to"),
                3: ("+90", "Subtract 90 deg from")}[change.quarters]
    return Told(f"The zero of the reading {spoken(change.reading)} is off by {off} deg{where}.",
                f"{add} the column {change.reading} of readings.csv{where}.")


@_changed.register
def _(change: facts.ColumnsExchanged, where: str) -> Told:
    both = f"{change.first} and {change.second}"
    return Told(f"The reading columns {spoken(both)} are exchanged{where}.",
                f"Exchange the columns {both} of readings.csv{where}.")


@_changed.register
def _(change: facts.ReadingInUnit, where: str) -> Told:
    factor = {"radians": "180/pi", "gon": "0.9"}[change.unit]
    return Told(f"The reading {spoken(change.reading)} is in {change.unit}, not in degrees{where}.",
                f"Multiply the column {change.reading} of readings.csv by {factor}{where}.")


@_changed.register
def _(change: facts.RowsShifted, where: str) -> Told:
    which, way, end = (("before", "up", "last") if change.by == 1 else ("after", "down", "first"))
    if change.reading is None:
        return Told(f"The readings are shifted by one pose{where}: each pose has those of the pose "
                    f"{which} it.",
                    f"Move the reading columns of readings.csv {way} by one row{where}; pose and "
                    f"stand stay. Where the {end} pose has none then, leave it and its shots out.")
    return Told(f"The reading column {spoken(change.reading)} is shifted by one pose{where}: each "
                f"pose has the value of the pose {which} it.",
                f"Move the column {change.reading} of readings.csv {way} by one row{where}; the "
                f"others stay. Where the {end} pose has no value then, leave it and its shots out.")


@told.register
def _(fact: facts.HeightsMissing) -> Told:
    return Told(f"The heights are missing: every shot has up = {fact.up:g} m.",
                "Put the measured heights into the column up of shots.csv.")


@told.register
def _(fact: facts.TapeMisread) -> Told:
    what = (_ANGLES if fact.is_angle else _LENGTHS)[fact.factor]
    return Told(f"The taped {spoken(fact.quantity)} is {what}.",
                f"Check {fact.quantity} in tape.csv: {_in_unit(fact.written, fact.is_angle)} would "
                f"be {_in_unit(fact.written * fact.factor, fact.is_angle)}.")


@told.register
def _(fact: facts.TapeWrong) -> Told:
    off = fact.written - fact.shown
    size = f"{np.degrees(off):+.2f} deg" if fact.is_angle else f"{1000 * off:+.0f} mm"
    return Told(f"The taped {spoken(fact.quantity)} is wrong by {size}.",
                f"Tape the {spoken(fact.quantity)} again: tape.csv says "
                f"{_in_unit(fact.written, fact.is_angle)}, the shots "
                f"{_in_unit(fact.shown, fact.is_angle)}. Without another measurement take the row "
                "out.")


def _in_unit(value, is_angle):
    return f"{np.degrees(value):.4g} deg" if is_angle else f"{value:.4g} m"


@told.register
def _(fact: facts.PosesExchanged) -> Told:
    both = f"{fact.first} and {fact.second}"
    if fact.readings_only:
        return Told(f"The readings of poses {both} are exchanged.",
                    f"Exchange the readings of {both} in readings.csv; pose and stand stay.")
    return Told(f"Poses {both} are exchanged.",
                f"Exchange {both} in the column pose of shots.csv (or the two rows of "
                "readings.csv, if those were written in the wrong order).")


@told.register
def _(fact: facts.ShotsExchanged) -> Told:
    return Told(f"Shots {fact.first} and {fact.second} are exchanged.",
                "Exchange their poses in shots.csv.")


@told.register
def _(fact: facts.StandOfPose) -> Told:
    return Told(f"Pose {fact.pose} has the label of stand {fact.label} but was taken at stand "
                f"{fact.stand}.",
                f"Change the stand of pose {fact.pose} to {fact.stand} in readings.csv.")


@told.register
def _(fact: facts.LateLabel) -> Told:
    poses = f"{fact.first} to {fact.last}"
    return Told(f"Poses {poses} carry the label of stand {fact.label} but were taken at stand "
                f"{fact.stand}: the machine moved {'earlier' if fact.earlier else 'later'} than "
                "the label says.",
                f"Change the stand of poses {poses} to {fact.stand} in readings.csv.")


@told.register
def _(fact: facts.Moved) -> Told:
    return Told(f"The machine moved between poses {fact.before} and {fact.after}, which both carry "
                f"the label of stand {fact.stand}.", _own_stand(fact.after))


@told.register
def _(fact: facts.Swung) -> Told:
    return Told(f"The house swung by {np.degrees(fact.turn):+.1f} deg (counter-clockwise positive) "
                f"between poses {fact.before} and {fact.after}, which both carry the label of "
                f"stand {fact.stand}. A machine that tracked to exactly this place would look the "
                "same.", _own_stand(fact.after))


def _own_stand(after):
    return f"Give the poses from {after} on a stand of their own in readings.csv."


@told.register
def _(fact: facts.ZeroShifted) -> Told:
    off = np.degrees(fact.by)
    take, of = ("Subtract", "from") if off > 0 else ("Add", "to")
    return Told(f"The zero of the reading {spoken(fact.reading)} shifted by {off:+.2f} deg between "
                f"poses {fact.before} and {fact.after}.",
                f"{take} {abs(off):.3f} deg {of} the column {fact.reading} of readings.csv from "
                f"pose {fact.after} on, and see whether that sensor is loose: the zero to enter is "
                f"that of the poses up to {fact.before}.")


@told.register
def _(fact: facts.Gain) -> Told:
    return Told(f"T{scale_says(fact.reading, fact.gain)[1:]}.",
                f"Divide the column {fact.reading} of readings.csv by {1 + fact.gain:.4f}, and "
                "have the sensor checked or its scale factor set.")


@told.register
def _(fact: facts.Creeps) -> Told:
    off = np.degrees(fact.by)
    return Told(f"The reading {spoken(fact.reading)} creeps by {off:+.2f} deg from the first "
                "pose to the last: a sensor that warms up, or is loose.",
                f"Let the sensor warm up, see whether it is loose, and shoot again; or subtract "
                f"what it crept from the column {fact.reading} of readings.csv, {off:+.3f} deg in "
                "the last pose and nothing in the first: the zero to enter is then that of the "
                "first.")


@told.register
def _(fact: facts.FeelsApproach) -> Told:
    return Told(f"The reading {spoken(fact.reading)} shows {np.degrees(abs(fact.by)):.2f} deg "
                f"{'more' if fact.by > 0 else 'less'} when its joint came up to the pose than when "
                "it came down: play in a pin, or a slow sensor.",
                "Come to every pose from the same side, wait until the reading stands, and shoot "
                "again; calib explore says which of play and lag it is.")


@told.register
def _(fact: facts.HeldElsewhere) -> Told:
    size = f"{1000 * fact.by:+.1f} mm" if fact.unit == "m" else f"{np.degrees(fact.by):+.2f} deg"
    return Told(f"The {spoken(fact.parameter)} is held, and the shots put it {size} from there.",
                f"Measure it and state it in tape.csv or under [values] of rig.toml; or let the "
                f"shots tell it: free = [\"{fact.parameter}\"] in rig.toml.")


@told.register
def _(fact: facts.SetUpOff) -> Told:
    match fact.what:
        case facts.TILTED:
            size = np.degrees(np.linalg.norm(fact.by))
            return Told(f"The set-up of the instrument is not level: all shots are tilted by "
                        f"{size:.2f} deg.", "Level the instrument, see that its compensator is on, "
                        "and shoot again.")
        case facts.TURNING:
            size = np.degrees(abs(fact.by[0]))
            return Told(f"The set-up of the instrument turned by {size:.3f} deg from the first "
                        "shot to the last.", "Sight a known point before and after; set up anew "
                        "on firm ground, and shoot again.")
    size = 1000 * float(np.linalg.norm(fact.by))
    return Told(f"The set-up of the instrument, or the machine as a whole, drifted by {size:.0f} "
                "mm from the first shot to the last.", "Sight a known point before and after; on "
                "soft ground give the later poses a stand of their own in readings.csv.")


@told.register
def _(fact: facts.Scale) -> Told:
    size = "large" if fact.factor > 1 else "small"
    return Told(f"All shots share a scale of {fact.factor:.5f} against the taped lengths: the "
                f"survey comes out {1e6 * abs(fact.factor - 1):.0f} mm per km too {size} (a "
                "projection or combined factor left in, a wrong prism constant or atmospheric "
                "correction), or all tapes were read alike wrong.",
                f"Divide east, north and up of shots.csv by {fact.factor:.6f}, if the scale factor "
                "in the data collector agrees.")


@told.register
def _(fact: facts.HeightsOff) -> Told:
    high, take, of, what = (("high", "Subtract", "from", "not taken off") if fact.by > 0
                            else ("low", "Add", "to", "taken off twice"))
    if fact.slip:
        what = "read or set wrongly, or not held on the point itself"
    shots = _shots(fact.shots)
    return Told(f"The heights of {shots} are {1000 * abs(fact.by):.0f} mm too {high}: a prism or "
                f"pole height {what}?",
                f"{take} {abs(fact.by):.3f} m {of} the column up of {shots} in shots.csv, if the "
                "pole height in the field book agrees.")


@told.register
def _(fact: facts.Settled) -> Told:
    way, take, of = (("settled", "add", "to") if fact.by < 0 else ("rose", "subtract", "from"))
    return Told(f"The machine {way} by {1000 * abs(fact.by):.0f} mm between poses {fact.before} "
                f"and {fact.after} (or the pole or the instrument changed height by that much).",
                f"{_own_stand(fact.after)[:-1]} (or {take} {abs(fact.by):.4f} m {of} the column up "
                f"of {_shots(fact.later)} in shots.csv).")


def _shots(shots: facts.ShotsOf):
    if shots.target is not None:
        return f"the shots at {spoken(shots.target)}"
    if shots.first == shots.last:
        return f"the shots of pose {shots.first}"
    return f"the shots of poses {shots.first} to {shots.last}"


@told.register
def _(fact: facts.OtherBucket) -> Told:
    where = where_words(fact.where)
    differs = ", ".join(
        f"{spoken(name)} " + (f"{1000 * by:+.0f} mm" if unit == "m" else
                              f"{np.degrees(by):+.2f} deg") for name, unit, by in fact.differs)
    return Told(f"The edge is that of another bucket{where} ({differs}).",
                f"Move the shots{where} into a run of their own.")


@told.register
def _(fact: facts.Misbooked) -> Told:
    return Told(" ".join(f"Shot {b.shot}, {b.target} of pose {b.pose}: {lies_says(b)[0].lower()}"
                         f"{lies_says(b)[1:]}" for b in fact.booked),
                " ".join(map(lies_edit, fact.booked)))


@told.register
def _(fact: facts.SingleValues) -> Told:
    return Told(f"Single values are wrong: {', '.join(fact.names)}.",
                "Measure them again, or set them aside.")


@told.register
def _(fact: facts.Both) -> Told:
    first, second = told(fact.first), told(fact.second)
    says = second.says
    if isinstance(fact.second, facts.SingleValues):
        says = f"{says[0].lower()}{says[1:]}"
    return Told(f"{first.says} And: {says}", f"{first.edit} Then: {second.edit}")
