"""What did not fit: suspects, noise, trends, the residual plots, check shots; tables behind."""

from calib.document.judged import AsideShot
from calib.document.record import ResultRecord
from calib.document.solved import Reading
from calib.report.blocks import (
    COLUMN,
    Items,
    Name,
    Part,
    Picture,
    Section,
    Table,
    Text,
    fixed,
    mm,
    value_cells,
    words,
)
from calib.report.figures import residuals, statistics, symbols
from calib.report.numbers import SHOWN
from calib.report.spoken import spoken, spoken_values
from calib.report.words.gate import HELD_OUT_NOT_JUDGED
from calib.report.words.status import mark

#: Tables of shots and readings show at most so many rows: all suspects, then the worst.
MOST_ROWS = 120


def plots(document: ResultRecord) -> Section:
    """The figures that a reviewer expects; their points refer to the tables of shots and poses."""
    readings = len({r.reading for r in document.readings})
    joints = len(document.reading_names)
    return Section("plots", "Residual plots", (
        Text(words("A miss is measured less computed at the readings as they were. ",
                   *_legend(document))),
        Picture("by-order", "Misses by shot and pose order",
                "Three panels, along and across the boom plane and up: misses in mm in the order "
                "of the shots, to show drift.", residuals.by_order, (COLUMN, 4.2)),
        Picture("plan-side", "Misses in plan and from the side",
                "Shots at their place ahead of the boom foot, with misses as arrows; the factor "
                "of exaggeration is stated in the title; very long arrows are cut.",
                residuals.plan_and_side, (COLUMN, 5.0)),
        Picture("by-component", "Misses by component",
                "Misses in mm by component: east and north, along and across the boom plane, "
                "up, with their rms as bars.", residuals.by_component, (COLUMN, 3.3)),
        Picture("normal", "Distribution of w",
                "Histogram of the standardised residuals with the normal curve, and their normal "
                "probability plot.", statistics.normal, (COLUMN, 2.5)),
        Picture("redundancy", "Redundancy and w",
                "Redundancy number of each shot coordinate against its standardised residual, "
                "critical values dashed.", statistics.redundancy_and_w, (COLUMN, 2.9)),
        Picture("corrections", "Corrections to the readings",
                "One panel per sensor: corrections in deg in the order of the poses, stated sd "
                "dashed.", residuals.corrections, (COLUMN, 0.8 + 1.1 * ((readings + 1) // 2))),
        Picture("by-joint", "Misses against reach and joint angles",
                "Small panels, a row per variable and a column per component: misses in mm "
                "against reach and every joint angle, with a line of means.",
                residuals.by_reach_and_joint, (COLUMN, 1.0 + 0.88 * (joints + 1))),
    ))


#: The legend names at most so many suspects.
MOST_NAMED = 3

#: Of the kinds of points, in the order of the legend, what each is.
_KINDS = {symbols.SUSPECT: "is a suspect", symbols.FLAGGED: "is flagged, perhaps by chance",
          symbols.SET_ASIDE: "was set aside", symbols.SAME_POSE: "shares the pose of a suspect"}


def _legend(document):
    """What the kinds of points in this document look like, and what the numbers are of."""
    there = set(residuals.kinds(document, residuals.shown_shots(document)))
    there |= set(residuals.kinds(document, document.readings))
    looks = [f"{symbols.LOOKS[kind][0]} {word}" for kind, word in _KINDS.items() if kind in there]
    if not looks:
        return ()
    numbers = residuals.numbers(document)
    named = ", ".join(f"{k} is {_value(name, document)}" for name, k in numbers.items())
    if len(numbers) > MOST_NAMED:
        named = "as listed under what did not fit"
    looks[0] = looks[0].capitalize()
    return (f"{', '.join(looks)}; a dot is any other. ",
            *((f"The numbers beside them: {named}. ",) if named else ()))


def _value(name, document):
    return spoken_values([name], document.reading_names)


def misfits(document: ResultRecord) -> Section:
    """Suspects and what was set aside, noise and trends, then shots and readings, worst first."""
    number = residuals.numbers(document)
    suspects = [(f"suspect (no. {number[s.name]})" if s.beyond_chance
                 else f"flagged (no. {number[s.name]}), perhaps chance", words(s.says))
                for s in document.suspects]
    aside = [(f"set aside (no. {number[s.name]})", words(f"{_value(s.name, document)}: {s.reason}"))
             for s in document.set_aside.values]
    rows = tuple(aside + suspects)
    said = Items(rows) if rows else Text(words("Nothing is suspect."))
    drawn = () if not document.suspects else (Text(words(
        "A suspect is off by that much from what the others say without it. It takes part in this "
        "solution and draws it to itself: in plots and tables its miss or correction is smaller."),
        "note"),)
    return Section("misfits", "What did not fit", (
        said, *drawn, *_without(document), *_noise(document), *_trends(document),
        _shot_table(document), _reading_table(document)))


def _without(document):
    """What leaving out does: set aside already, or the suspects still taking part."""
    effect = document.set_aside.effect
    caption = "What setting aside did. Lengths in mm, angles in deg."
    if effect is None and document.without_suspects is not None:
        effect = document.without_suspects.parameters
        caption = "What leaving the suspects out would do. Lengths in mm, angles in deg."
    if effect is None:
        return ()
    rows = []
    for e in effect:
        without, sd, write = value_cells(e.without, e.sd_without, e.unit)
        rows.append([Name(e.name), SHOWN[e.unit][0], write(e.with_), without, sd,
                     fixed(e.in_sd, 1, 1.0, True)])
    return (Table(caption, ("quantity", "unit", "with", "without", "its sd",
                            "in sds"), rows, folded=True),)


def _noise(document):
    """How noisy each kind of value is: what differs from what was stated, and the figure."""
    noise = document.noise
    if not noise:
        return ()
    odd = tuple(("noise", words(n.says)) for n in noise if n.differs)
    told = [n for n in noise if n.times is not None]
    picture = () if not told else (Picture(
        "noise", "Noise of each kind of value",
        "For each kind of value how many times its stated sd it scatters, with a bar of 95 %; a "
        "line at one.", statistics.noise, (COLUMN, 0.9 + 0.22 * len(told))),)
    table = Table("Noise: how many times its stated sd each kind of value scatters", (
        "kind", "times", "sd", "95 % from", "95 % to", "redundancy"), [
            [Name(n.name), fixed(n.times, 2), fixed(n.sd, 2), fixed(n.low95, 2),
             fixed(n.high95, 2), fixed(n.redundancy, 1)] for n in noise], folded=True)
    whose = "Shots" if document.without_suspects is None else "Without the suspects, shots"
    return (Items(odd) if odd else Text(words(
        f"{whose} and readings scatter as much as their stated sds say.")), *picture, table)


def _trends(document):
    """What the misses go along with: more than chance, and the nearest of the others."""
    if not document.trends:
        return ()
    return (Items(tuple(
        ("trend" if t.significant else "", words(
            *(() if t.significant else (
                "Nothing to act on", *(() if t.chance is None else (
                    " (", *chance(t.chance), " of clean runs show as much)")), ": ")),
            t.says, *((" ", *chance(t.chance), " of clean runs show as much.")
                      if t.significant and t.chance is not None else ())))
        for t in document.trends)),)


def chance(probability: float) -> tuple[Part, ...]:
    """A chance in per cent; never none at all."""
    return words(*((fixed(probability, 0 if probability >= 0.1 else 1, 100), " %")
                   if probability >= 0.0005 else ("less than 0.1 %",)))


def _shot_table(document):
    refs, taken = residuals.shot_refs(document), [*document.shots]
    beside = residuals.suspect_poses(document)
    shots = _worst_first(taken, document)
    aside = document.set_aside.shots[:MOST_ROWS]
    rows = [[
        s.shot, s.pose, s.target and Name(s.target), *(mm(m, 1, True) for m in s.miss.numbers),
        mm(s.components.along, 1, True), mm(s.components.across, 1, True),
        *((None, None, None, "set aside") if isinstance(s, AsideShot) else
          (fixed(s.w, 1, 1.0, True), fixed(s.redundancy, 2), mm(s.detectable, 0),
           mark(s, document) or _beside(s, beside)))] for s in (*aside, *shots)]
    return Table(
        "Shots, the worst first: misses at the readings as they were (mm)",
        ("shot", "pose", "target", "east", "north", "up", "along", "across", "w",
         "redundancy", "detectable", ""), rows,
        [True] * len(aside) + [mark(s, document) == "suspect" for s in shots],
        total=len(taken) + len(document.set_aside.shots), folded=True,
        refs=[refs[s.shot] for s in (*aside, *shots)])


def _beside(record, suspect_poses):
    """Of a shot or reading that shares its pose with a suspect."""
    return "pose of a suspect" if record.pose in suspect_poses else ""


def _reading_table(document):
    refs, beside = residuals.pose_refs(document), residuals.suspect_poses(document)
    readings = _worst_first(document.readings, document)
    rows = [[r.pose, spoken(r.reading), fixed(r.correction, 3, 1.0, True),
             fixed(r.w, 1, 1.0, True), fixed(r.redundancy, 2), fixed(r.detectable, 2),
             mark(r, document) or _beside(r, beside)] for r in readings]
    return Table(
        "Readings, the worst first: what the solution adds to each "
        f"({' or '.join(sorted({r.unit for r in readings}))})",
        ("pose", "reading", "correction", "w", "redundancy", "detectable", ""), rows,
        [mark(r, document) == "suspect" for r in readings], total=len(document.readings),
        folded=True, refs=[refs[r.pose] for r in readings])


def _worst_first(records, document):
    order = ("suspect", "flagged", "")
    ordered = sorted(records, key=lambda r: (order.index(mark(r, document)), -abs(r.w or 0.0)))
    return ordered[:MOST_ROWS]


def point_data(document: ResultRecord, drawn: set[str]) -> dict[str, dict]:
    """What a page's script says of the points of its plots.

    Parameters
    ----------
    drawn : set of str
        What the points refer to, such as ``shot-3``; nothing else is told.
    """
    stands = {p.pose: p.stand for p in document.poses}
    data, beside = {}, residuals.suspect_poses(document)
    for ref, shot in zip(residuals.shot_refs(document).values(), residuals.shown_shots(document),
                         strict=True):
        if ref in drawn:
            data[ref] = {"shot": shot.shot, "pose": shot.pose, "stand": stands[shot.pose],
                         **_shot_says(shot, document, stands[shot.pose], beside)}
    of_pose: dict[str, list[Reading]] = {}
    for r in document.readings:
        of_pose.setdefault(r.pose, []).append(r)
    for pose, ref in residuals.pose_refs(document).items():
        if ref in drawn:
            added = ", ".join(f"{spoken(r.reading)} {r.correction:+.3f} {r.unit}"
                              for r in of_pose.get(pose, ()))
            data[ref] = {"pose": pose, "stand": stands[pose],
                         "says": f"Pose {pose}, stand {stands[pose]}. Added to the readings: "
                                 f"{added}."}
    return data


def _shot_says(shot, document, stand, beside):
    east, north, up = (f"{1000 * m:+.1f}" for m in shot.miss.numbers)
    target, w = shot.target, getattr(shot, "w", None)
    said = "set aside" if isinstance(shot, AsideShot) else (
        mark(shot, document) or _beside(shot, beside))
    parts = [f"Shot {shot.shot}: pose {shot.pose}, stand {stand}",
             *([f"target {spoken(target)}"] if target else []),
             f"miss east {east}, north {north}, up {up} mm",
             *([] if w is None else [f"w {w:+.1f}"]), *([said] if said else [])]
    return {"target": spoken(target or "not listed"), "mark": said, "says": ", ".join(parts) + "."}


def check_shots(document: ResultRecord) -> Section:
    """Shots that took no part, and the hold-out if there is one."""
    blocks = []
    check = document.check
    if check is None:
        blocks.append(Text(words("The run has no check shots: nothing outside the solution vouches "
                                 "for it.")))
    else:
        blocks += _check_blocks(check)
    held = document.held_out
    if held is not None and held.passed is None:
        blocks.append(Text(words(HELD_OUT_NOT_JUDGED)))
    elif held is not None:
        blocks.append(Text(words(
            "Held-out poses: solved ", fixed(held.folds, 0), " times without a part of the "
            "poses, the solution predicts the ", fixed(held.count, 0), " shots left out to ",
            mm(held.rms_3d), " mm rms where ", mm(held.predicted_rms_3d),
            " mm are expected, ", mm(held.max_3d), " mm at worst.")))
    return Section("check", "Check shots and held-out poses", tuple(blocks))


def _check_blocks(check):
    rows = [[s.shot, s.pose, spoken(s.target),
             *(mm(m, 1, True) for m in s.miss.numbers),
             *(mm(sd) for sd in s.sd.numbers),
             fixed(s.chi2, 1)] for s in check.shots]
    word = "within" if check.passed else "NOT within"
    return [
        Text(words(fixed(check.count, 0), " shots that took no part are predicted to ",
                   mm(check.max_3d), " mm at worst and ", mm(check.rms_3d),
                   f" mm rms, {word} the tolerance of ", mm(check.tolerance, 0), " mm.")),
        Picture("check-shots", "Check shots",
                "Three panels, east, north and up: the miss of each check shot in mm with its "
                "sign, a bar of 95 % and the tolerance dashed.", statistics.check_shots,
                (COLUMN, 4.2)),
        Table("Check shots: measured less predicted, and the predicted sds (mm, 1 sd)",
              ("shot", "pose", "target", "east", "north", "up", "sd east", "sd north", "sd up",
               "chi-square of 3"), rows[:MOST_ROWS], total=len(rows), folded=True),
    ]
