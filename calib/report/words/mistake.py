"""What is said of a mistake made in the field, and of the edit that undoes it."""

from typing import NamedTuple

import numpy as np

from calib.chain.length import FOOT, INCH
from calib.judge import facts
from calib.judge.facts import Fact
from calib.report.numbers import in_words
from calib.report.spoken import few, spoken
from calib.report.words.suspect import lies_edit, lies_says, scale_says

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


def told(fact: Fact) -> Told:
    """A fact in words."""
    if isinstance(fact, facts.Both):
        first, second = told(fact.first), told(fact.second)
        says = second.says
        if isinstance(fact.second, facts.SingleValues):
            says = f"{says[0].lower()}{says[1:]}"
        return Told(f"{first.says} And: {says}", f"{first.edit} Then: {second.edit}")
    if isinstance(fact, facts.InPoses):
        return _changed(fact.change, where_words(fact.where))
    said = (_of_tape(fact) or _of_poses(fact) or _of_stands(fact) or _of_sensors(fact)
            or _of_shots(fact))
    if said is None:
        raise TypeError(f"a fact without words: {fact!r}")
    return said


def _changed(change: facts.ChangeFact, where: str) -> Told:
    """What is wrong in some poses, or in all."""
    match change:
        case facts.AxesSwapped():
            return Told(f"North and east are swapped in all shots{where}.",
                        f"Swap the columns east and north of shots.csv{where}.")
        case facts.HeightsReversed():
            return Told(f"The heights of all shots have the wrong sign{where}.",
                        f"Change the sign of the column up of shots.csv{where}.")
        case facts.ShotsInFeet(us_survey):
            unit, factor = (("US survey feet", "1200/3937") if us_survey
                            else ("international feet", "0.3048"))
            return Told(f"The shots are in {unit}, not in metres{where}.",
                        f"Multiply east, north and up of shots.csv by {factor}{where}.")
        case facts.CornersExchanged(pairs):
            both = ", ".join(f"{left} and {right}" for left, right in pairs)
            return Told(f"Left and right corners are exchanged{where or ' in all poses'}.",
                        f"Exchange {both} in the column target of shots.csv{where}.")
        case facts.SignsWrong(readings, directions):
            which, names = (" and ".join(n) for n in (readings, map(spoken, readings)))
            stated = " and ".join(f"direction.{name} = {direction:+d}" for name, direction in zip(
                readings, directions, strict=True))
            sign, are, s = ("sign", "is", "") if len(readings) == 1 else ("signs", "are", "s")
            return Told(f"The {sign} of the reading{s} {names} {are} wrong{where}.",
                        f"Change the sign of the column{s} {which} of readings.csv{where} (or, for "
                        f"all poses, set {stated} under [readings] of rig.toml).")
        case facts.ZeroTurned(reading, quarters):
            off, add = {1: ("-90", "Add 90 deg to"), 2: ("180", "Add 180 deg to"),
                        3: ("+90", "Subtract 90 deg from")}[quarters]
            return Told(f"The zero of the reading {spoken(reading)} is off by {off} deg{where}.",
                        f"{add} the column {reading} of readings.csv{where}.")
        case facts.ColumnsExchanged(first, second):
            both = f"{first} and {second}"
            return Told(f"The reading columns {spoken(both)} are exchanged{where}.",
                        f"Exchange the columns {both} of readings.csv{where}.")
        case facts.ReadingInUnit(reading, unit):
            factor = {"radians": "180/pi", "gon": "0.9"}[unit]
            return Told(f"The reading {spoken(reading)} is in {unit}, not in degrees{where}.",
                        f"Multiply the column {reading} of readings.csv by {factor}{where}.")
        case facts.RowsShifted(by, reading):
            return _shifted(by, reading, where)
    raise TypeError(f"a fact without words: {change!r}")


def _shifted(by, reading, where):
    which, way, end = ("before", "up", "last") if by == 1 else ("after", "down", "first")
    if reading is None:
        return Told(f"The readings are shifted by one pose{where}: each pose has those of the pose "
                    f"{which} it.",
                    f"Move the reading columns of readings.csv {way} by one row{where}; pose and "
                    f"stand stay. Where the {end} pose has none then, leave it and its shots out.")
    return Told(f"The reading column {spoken(reading)} is shifted by one pose{where}: each "
                f"pose has the value of the pose {which} it.",
                f"Move the column {reading} of readings.csv {way} by one row{where}; the "
                f"others stay. Where the {end} pose has no value then, leave it and its shots out.")


def _of_tape(fact: Fact) -> Told | None:
    match fact:
        case facts.TapeMisread(quantity, is_angle, written, factor):
            what = (_ANGLES if is_angle else _LENGTHS)[factor]
            return Told(f"The taped {spoken(quantity)} is {what}.",
                        f"Check {quantity} in tape.csv: {_in_unit(written, is_angle)} would be "
                        f"{_in_unit(written * factor, is_angle)}.")
        case facts.TapeWrong(quantity, is_angle, written, shown):
            size = in_words(written - shown, "deg" if is_angle else "m", "+.0f", "+.2f")
            return Told(f"The taped {spoken(quantity)} is wrong by {size}.",
                        f"Tape the {spoken(quantity)} again: tape.csv says "
                        f"{_in_unit(written, is_angle)}, the shots {_in_unit(shown, is_angle)}. "
                        "Without another measurement take the row out.")
    return None


def _in_unit(value, is_angle):
    return f"{np.degrees(value):.4g} deg" if is_angle else f"{value:.4g} m"


def _of_poses(fact: Fact) -> Told | None:
    """Of what is under the name of another pose, and of values wrong by themselves."""
    match fact:
        case facts.PosesExchanged(first, second, readings_only=True):
            return Told(f"The readings of poses {first} and {second} are exchanged.",
                        f"Exchange the readings of {first} and {second} in readings.csv; pose and "
                        "stand stay.")
        case facts.PosesExchanged(first, second):
            return Told(f"Poses {first} and {second} are exchanged.",
                        f"Exchange {first} and {second} in the column pose of shots.csv (or the "
                        "two rows of readings.csv, if those were written in the wrong order).")
        case facts.ShotsExchanged(first, second):
            return Told(f"Shots {first} and {second} are exchanged.",
                        "Exchange their poses in shots.csv.")
        case facts.Misbooked(booked):
            return Told(" ".join(f"Shot {b.shot}, {b.target} of pose {b.pose}: "
                                 f"{lies_says(b)[0].lower()}{lies_says(b)[1:]}" for b in booked),
                        " ".join(map(lies_edit, booked)))
        case facts.SingleValues(names):
            return Told(f"Single values are wrong: {', '.join(names)}.",
                        "Measure them again, or set them aside.")
        case facts.OtherBucket():
            where = where_words(fact.where)
            differs = ", ".join(f"{spoken(name)} {in_words(by, unit, '+.0f', '+.2f')}"
                                for name, unit, by in fact.differs)
            return Told(f"The edge is that of another bucket{where} ({differs}).",
                        f"Move the shots{where} into a run of their own.")
    return None


def _of_stands(fact: Fact) -> Told | None:
    """Of where the machine stood."""
    match fact:
        case facts.StandOfPose(pose, label, stand):
            return Told(f"Pose {pose} has the label of stand {label} but was taken at stand "
                        f"{stand}.",
                        f"Change the stand of pose {pose} to {stand} in readings.csv.")
        case facts.LateLabel(first, last, label, stand, earlier):
            poses = f"{first} to {last}"
            return Told(f"Poses {poses} carry the label of stand {label} but were taken at stand "
                        f"{stand}: the machine moved {'earlier' if earlier else 'later'} than "
                        "the label says.",
                        f"Change the stand of poses {poses} to {stand} in readings.csv.")
        case facts.Moved(before, after, stand):
            return Told(f"The machine moved between poses {before} and {after}, which both carry "
                        f"the label of stand {stand}.", _own_stand(after))
        case facts.Swung(before, after, stand, turn):
            return Told(f"The house swung by {np.degrees(turn):+.1f} deg (counter-clockwise "
                        f"positive) between poses {before} and {after}, which both carry the label "
                        f"of stand {stand}. A machine that tracked to exactly this place would "
                        "look the same.", _own_stand(after))
        case facts.Settled(before, after, by, later):
            way, take, of = ("settled", "add", "to") if by < 0 else ("rose", "subtract", "from")
            return Told(f"The machine {way} by {1000 * abs(by):.0f} mm between poses {before} "
                        f"and {after} (or the pole or the instrument changed height by that much).",
                        f"{_own_stand(after)[:-1]} (or {take} {abs(by):.4f} m {of} the column up "
                        f"of {_shots(later)} in shots.csv).")
    return None


def _own_stand(after):
    return f"Give the poses from {after} on a stand of their own in readings.csv."


def _of_sensors(fact: Fact) -> Told | None:
    """Of what one sensor shows, and of what a parameter is held at."""
    match fact:
        case facts.ZeroShifted(reading, before, after, by):
            off = np.degrees(by)
            take, of = ("Subtract", "from") if off > 0 else ("Add", "to")
            return Told(f"The zero of the reading {spoken(reading)} shifted by {off:+.2f} deg "
                        f"between poses {before} and {after}.",
                        f"{take} {abs(off):.3f} deg {of} the column {reading} of readings.csv from "
                        f"pose {after} on, and see whether that sensor is loose: the zero to enter "
                        f"is that of the poses up to {before}.")
        case facts.Gain(reading, gain):
            return Told(f"T{scale_says(reading, gain)[1:]}.",
                        f"Divide the column {reading} of readings.csv by {1 + gain:.4f}, and "
                        "have the sensor checked or its scale factor set.")
        case facts.Creeps(reading, by):
            off = np.degrees(by)
            return Told(f"The reading {spoken(reading)} creeps by {off:+.2f} deg from the first "
                        "pose to the last: a sensor that warms up, or is loose.",
                        "Let the sensor warm up, see whether it is loose, and shoot again; or "
                        f"subtract what it crept from the column {reading} of readings.csv, "
                        f"{off:+.3f} deg in the last pose and nothing in the first: the zero to "
                        "enter is then that of the first.")
        case facts.FeelsApproach(reading, by):
            return Told(f"The reading {spoken(reading)} shows {np.degrees(abs(by)):.2f} deg "
                        f"{'more' if by > 0 else 'less'} when its joint came up to the pose than "
                        "when it came down: play in a pin, or a slow sensor.",
                        "Come to every pose from the same side, wait until the reading stands, and "
                        "shoot again; calib explore says which of play and lag it is.")
        case facts.HeldElsewhere(parameter, unit, by):
            return Told(f"The {spoken(parameter)} is held, and the shots put it "
                        f"{in_words(by, unit, '+.1f', '+.2f')} from there.",
                        f"Measure it and state it in tape.csv or under [values] of rig.toml; or "
                        f"let the shots tell it: free = [\"{parameter}\"] in rig.toml.")
    return None


def _of_shots(fact: Fact) -> Told | None:
    """Of what many shots have in common."""
    match fact:
        case facts.HeightsMissing(up):
            return Told(f"The heights are missing: every shot has up = {up:g} m.",
                        "Put the measured heights into the column up of shots.csv.")
        case facts.HeightsOff(shots, by, slip):
            high, take, of, what = (("high", "Subtract", "from", "not taken off") if by > 0
                                    else ("low", "Add", "to", "taken off twice"))
            if slip:
                what = "read or set wrongly, or not held on the point itself"
            return Told(f"The heights of {_shots(shots)} are {1000 * abs(by):.0f} mm too {high}: a "
                        f"prism or pole height {what}?",
                        f"{take} {abs(by):.3f} m {of} the column up of {_shots(shots)} in "
                        "shots.csv, if the pole height in the field book agrees.")
        case facts.Scale(factor):
            size = "large" if factor > 1 else "small"
            return Told(f"All shots share a scale of {factor:.5f} against the taped lengths: the "
                        f"survey comes out {1e6 * abs(factor - 1):.0f} mm per km too {size} (a "
                        "projection or combined factor left in, a wrong prism constant or "
                        "atmospheric correction), or all tapes were read alike wrong.",
                        f"Divide east, north and up of shots.csv by {factor:.6f}, if the scale "
                        "factor in the data collector agrees.")
        case facts.SetUpOff(facts.TILTED, by):
            return Told("The set-up of the instrument is not level: all shots are tilted by "
                        f"{np.degrees(np.linalg.norm(by)):.2f} deg.",
                        "Level the instrument, see that its compensator is on, and shoot again.")
        case facts.SetUpOff(facts.TURNING, by):
            return Told("The set-up of the instrument turned by "
                        f"{np.degrees(abs(by[0])):.3f} deg from the first shot to the last.",
                        "Sight a known point before and after; set up anew on firm ground, and "
                        "shoot again.")
        case facts.SetUpOff(by=by):
            return Told("The set-up of the instrument, or the machine as a whole, drifted by "
                        f"{1000 * float(np.linalg.norm(by)):.0f} mm from the first shot to the "
                        "last.", "Sight a known point before and after; on soft ground give the "
                        "later poses a stand of their own in readings.csv.")
    return None


def _shots(shots: facts.ShotsOf):
    if shots.target is not None:
        return f"the shots at {spoken(shots.target)}"
    if shots.first == shots.last:
        return f"the shots of pose {shots.first}"
    return f"the shots of poses {shots.first} to {shots.last}"
