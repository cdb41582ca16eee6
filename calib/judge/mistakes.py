"""Mistakes made in the field, each as a change of the run that would undo it.

A mistake is a hypothesis: apply its edit to the run and see whether the run then fits. Nothing
here decides; see `calib.judge.explain`.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.run.records import Run

FOOT, US_SURVEY_FOOT, INCH = 0.3048, 1200 / 3937, 0.0254


@dataclass(frozen=True)
class Mistake:
    """One thing that may have gone wrong.

    Attributes
    ----------
    family : str
        Mistakes of one family share the odds of that family.
    says : str
        What happened, as a sentence.
    edit : str
        The edit that undoes it.
    apply : callable
        ``apply(run) -> Run`` with the edit made.
    free : int
        Numbers that the explanation takes from the data: it is charged for them.
    poses : tuple of int
        The poses it is about; empty for the whole run.
    """

    family: str
    says: str
    edit: str
    apply: Callable[[Run], Run]
    free: int = 0
    poses: tuple[int, ...] = ()


def whole_run_mistakes(run: Run) -> list[Mistake]:
    """Mistakes that concern every shot or every pose."""
    return [*_axes(run), *_heights(run), *_feet(), *_corners(run), *_signs(run), *_zeros(run),
            *_shifted(run)]


def _axes(run):
    def swapped(run):
        order = [1, 0, 2]
        covariance = run.shots.covariance[:, order][:, :, order]
        return with_shots(run, position=run.shots.position[:, order], covariance=covariance)

    return [Mistake("axes", "North and east are swapped in all shots.",
                    "Swap the columns east and north of shots.csv.", swapped)]


def _heights(run):
    up = run.shots.position[:, 2]
    if len(up) > 2 and np.ptp(up) < 1e-6:
        shown = f"{up[0]:g}"
        return [Mistake(
            "heights", f"The heights are missing: every shot has up = {shown} m.",
            "Put the measured heights into the column up of shots.csv.", without_heights, 1)]
    return [Mistake("heights", "The heights of all shots have the wrong sign.",
                    "Change the sign of the column up of shots.csv.",
                    lambda run: with_shots(run, position=run.shots.position * [1.0, 1.0, -1.0]))]


def without_heights(run: Run) -> Run:
    """The run with heights that say nothing (sd 100 m, uncorrelated with the rest)."""
    covariance = run.shots.covariance.copy()
    covariance[:, 2, :] = covariance[:, :, 2] = 0.0
    covariance[:, 2, 2] = 100.0**2
    return with_shots(run, covariance=covariance)


def _feet():
    def in_feet(foot):
        return lambda run: with_shots(run, position=run.shots.position * foot)

    return [
        Mistake("units", f"The shots are in {name}, not in metres.",
                f"Multiply east, north and up of shots.csv by {factor}.", in_feet(foot))
        for name, factor, foot in (("international feet", "0.3048", FOOT),
                                   ("US survey feet", "1200/3937", US_SURVEY_FOOT))
    ]


def _corners(run):
    pairs = corner_pairs(run)
    if not pairs:
        return []
    return [Mistake("corners", "Left and right corners are exchanged in all poses.",
                    "Exchange " + _pair_words(run, pairs) + " in the column target of shots.csv.",
                    lambda run: corners_exchanged(run, np.ones(len(run.shots), bool)))]


def corner_pairs(run: Run) -> list[tuple[int, int]]:
    """Targets on the edge that are each other's mirror image by name, left and right."""
    names = run.rig.target_names
    return [(i, names.index(names[i].replace("left", "right"))) for i in run.rig.edge_targets
            if "left" in names[i] and names[i].replace("left", "right") in names]


def corners_exchanged(run: Run, mask) -> Run:
    """The run with left and right corners exchanged in the shots where `mask` is true."""
    other = np.arange(len(run.rig.targets))
    for left, right in corner_pairs(run):
        other[left], other[right] = right, left
    return with_shots(run, target=np.where(mask, other[run.shots.target], run.shots.target))


def _pair_words(run, pairs):
    names = run.rig.target_names
    return ", ".join(f"{names[a]} and {names[b]}" for a, b in pairs)


def _signs(run):
    mistakes = []
    for j, reading in enumerate(run.rig.readings):
        def turned(run, j=j):
            return with_readings(run, _column(run, j, -run.poses.readings[:, j]))

        if plausible(turned(run), j):
            mistakes.append(Mistake(
                "sign", f"The sign of the reading {reading.name} is wrong.",
                f"Set direction.{reading.name} = {-reading.direction:+.0f} under [readings] of "
                f"rig.toml (or change the sign of the column {reading.name} of readings.csv).",
                turned))
    return mistakes


def _zeros(run):
    mistakes = []
    for j, reading in enumerate(run.rig.readings):
        for quarter in (1, 2, 3):
            def turned(run, j=j, quarter=quarter):
                angle = run.poses.readings[:, j] + quarter * np.pi / 2
                return with_readings(run, _column(run, j, np.mod(angle + np.pi, 2 * np.pi) - np.pi))

            if plausible(turned(run), j):
                off, edit = {1: ("-90", "Add 90 deg to"), 2: ("180", "Add 180 deg to"),
                             3: ("+90", "Subtract 90 deg from")}[quarter]
                mistakes.append(Mistake(
                    "zero", f"The zero of the reading {reading.name} is off by {off} deg.",
                    f"{edit} the column {reading.name} of readings.csv.", turned))
    return mistakes


def plausible(run: Run, j: int) -> bool:
    """Whether reading `j` can be what its sensor shows.

    An inclination across is within 90 deg; a joint angle is not 45 deg beyond its limits.
    """
    reading, angle = run.rig.readings[j], run.poses.readings[:, j]
    if reading.kind == "across":
        return bool((np.abs(angle) <= np.pi / 2).all())
    if reading.kind == "joint" and reading.high - reading.low < np.pi:
        angle = reading.direction * angle
        return bool(((angle > reading.low - np.pi / 4) & (angle < reading.high + np.pi / 4)).all())
    return True


def _shifted(run):
    return [
        Mistake("shift", f"The readings are shifted by one pose: each pose has those of {which}.",
                edit, lambda run, by=by: shifted(run, by))
        for by, which, edit in (
            (1, "the pose before it", "Move the reading columns of readings.csv up by one row; "
             "pose and stand stay. The last pose has none then: leave it and its shots out."),
            (-1, "the pose after it", "Move the reading columns of readings.csv down by one row; "
             "pose and stand stay. The first pose has none then: leave it and its shots out."),
        )
    ]


def shifted(run: Run, by: int) -> Run:
    """The run with the readings of pose i + `by` given to pose i; one pose is left without."""
    n = len(run.poses.ids)
    source = np.arange(n) + by
    lost = (source < 0) | (source >= n)
    source = np.clip(source, 0, n - 1)
    moved = with_readings(run, run.poses.readings[source], run.poses.sd[source])
    return replace(moved, shots=moved.shots.select(~lost[moved.shots.pose]))


def tape_mistakes(run: Run, rows: Iterable[int]) -> list[Mistake]:
    """Taped values off by a decimal place or a unit, for some rows of the tape."""
    lengths = (
        (10.0, "a decimal place too small"), (0.1, "a decimal place too large"),
        (100.0, "two decimal places too small"), (0.01, "two decimal places too large (cm for m)"),
        (0.001, "in mm, not m"), (1000.0, "three decimal places too small"),
        (FOOT, "in feet, not in metres"), (1 / FOOT, "in metres, not in feet"),
        (INCH, "in inches, not in metres"), (1 / INCH, "in metres, not in inches"),
    )
    angles = (
        (10.0, "a decimal place too small"), (0.1, "a decimal place too large"),
        (np.degrees(1.0), "in radians, not in degrees"), (-1.0, "of the wrong sign"),
    )
    mistakes = []
    for row in rows:
        tape = run.tape
        name, written = tape.quantities[row], tape.value[row]
        is_angle = tape.unit[row] == "deg"
        for factor, what in angles if is_angle else lengths:
            def corrected(run, row=row, factor=factor):
                value = run.tape.value.copy()
                value[row] *= factor
                return replace(run, tape=replace(run.tape, value=value))

            was, should = ((np.degrees(v), "deg") if is_angle else (v, "m")
                           for v in (written, written * factor))
            mistakes.append(Mistake(
                "tape", f"The taped {name} is {what}.",
                f"Check {name} in tape.csv: {was[0]:.4g} {was[1]} would be {should[0]:.4g} "
                f"{should[1]}.", corrected))
    return mistakes


def with_shots(run: Run, **changes) -> Run:
    """The run with some fields of its shots changed."""
    return replace(run, shots=replace(run.shots, **changes))


def with_readings(run: Run, readings, sd=None) -> Run:
    """The run with other readings."""
    sd = run.poses.sd if sd is None else sd
    return replace(run, poses=replace(run.poses, readings=readings, sd=sd))


def with_stands(run: Run, stand: Sequence[str]) -> Run:
    """The run with other stand labels."""
    return replace(run, poses=replace(run.poses, stand=tuple(stand)))


def _column(run, j, values):
    readings = run.poses.readings.copy()
    readings[:, j] = values
    return readings
