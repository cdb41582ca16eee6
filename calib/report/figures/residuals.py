"""Figures of what did not fit: misses by order, component, place, reach and joint angle.

A miss is measured less computed at the readings as they were: what a person at the edge would see.
"""

from collections.abc import Sequence

import numpy as np

from calib.document.judged import AsideShot
from calib.document.record import ResultRecord
from calib.document.solved import Reading, Shot
from calib.report.figures import style, symbols
from calib.report.figures.small_multiples import CellGrid, Plot, padded
from calib.report.spoken import spoken

#: Components of a miss seen from the house.
COMPONENTS = ("along", "across", "up")
COMPONENT_WORDS = {
    "along": "along the boom plane", "across": "across it, to the left", "up": "up",
}
AXES = ("east", "north", "up")

#: Where along its arrow a label is kept clear of it.
_ALONG = (0.15, 0.3, 0.45, 0.6, 0.75, 0.9, 1.0)


def shown_shots(document: ResultRecord) -> list[Shot | AsideShot]:
    """Shots that took part and those set aside, in the order of their poses."""
    number = {pose.pose: i for i, pose in enumerate(document.poses)}
    shots: list[Shot | AsideShot] = [*document.shots, *document.set_aside.shots]
    return sorted(shots, key=lambda shot: number[shot.pose])


def suspect_poses(document: ResultRecord) -> set[str]:
    """The poses in which a shot, a reading, or the pose itself is suspect."""
    names = {s.name for s in document.suspects if s.beyond_chance}
    pose_of = {s.shot: s.pose for s in document.shots}
    return {pose_of.get(name) or name.removeprefix("pose:").partition("/")[0] for name in names}


def kinds(document: ResultRecord, records: Sequence[Shot | AsideShot | Reading]) -> np.ndarray:
    """The kind of each shot or reading, shape (n,): those set aside know of no suspicion."""
    poses = suspect_poses(document)
    beyond = {s.name for s in document.suspects if s.beyond_chance}

    def kind(record):
        if isinstance(record, AsideShot):
            return symbols.SET_ASIDE
        if record.suspect:
            return symbols.FLAGGED if beyond.isdisjoint(_names(record)) else symbols.SUSPECT
        return symbols.SAME_POSE if record.pose in poses else symbols.ORDINARY

    return np.array([kind(record) for record in records], int)


def numbers(document: ResultRecord) -> dict[str, str]:
    """Of each name of a suspect, or of what was set aside, the number that its points carry."""
    names = [s.name for s in document.suspects] + [v.name for v in document.set_aside.values]
    return {name: str(k) for k, name in enumerate(names, 1)}


def numbers_of(document: ResultRecord, records: Sequence[Shot | AsideShot | Reading]) -> list[str]:
    """The number of each shot or reading, empty for the ordinary ones."""
    given = numbers(document)
    return [next((given[name] for name in _names(r) if name in given), "") for r in records]


def _names(record):
    """What a suspect would be named of which a shot or reading is, or is part."""
    own = f"{record.pose}/{record.reading}" if isinstance(record, Reading) else record.shot
    return own, f"pose:{record.pose}"


def shot_refs(document: ResultRecord) -> dict[str, str]:
    """What the points of each shot refer to."""
    return {shot.shot: f"{style.SHOT}{k}" for k, shot in enumerate(shown_shots(document))}


def pose_refs(document: ResultRecord) -> dict[str, str]:
    """What the points of each pose refer to."""
    return {pose.pose: f"{style.POSE}{k}" for k, pose in enumerate(document.poses)}


def misses(shots: Sequence[Shot | AsideShot]) -> np.ndarray:
    """Misses of shots along and across the boom plane and up, shape (n, 3), mm."""
    return 1000 * np.array([shot.components.numbers for shot in shots])


def drawn(kind: np.ndarray, most: int = 400) -> tuple[np.ndarray, str]:
    """Rows of the shots to draw, and the count for a title."""
    n = len(kind)
    rows, every = symbols.thinned(n, kind != symbols.ORDINARY, most)
    # Every suspect and every shot set aside is drawn in any case.
    return rows, f"n = {n}" if every == 1 else f"n = {n}, 1 in {every} drawn"


def drawn_to(values: np.ndarray, room: float) -> str:
    """For a title, where points lie at the rim of a panel that is too small for them; else empty.
    """
    return f"; drawn to {room:.0f} mm" if np.abs(values).max(initial=0.0) > room else ""


def by_order(figure: style.Canvas, document: ResultRecord) -> None:
    """Misses in the order of the shots, a row per component; stands parted by lines."""
    shots = shown_shots(document)
    values, kind = misses(shots), kinds(document, shots)
    rows, count = drawn(kind)
    tags, refs = numbers_of(document, shots), _refs(document, shots)
    axes = style.grid(figure, 3, share_x=True, between=(0.3, 0.3))[:, 0]
    order = np.arange(1, len(shots) + 1)
    for ax, name, column in zip(axes, COMPONENTS, values.T, strict=True):
        style.zero_line(ax)
        _stand_lines(ax, document, shots)
        room = symbols.room_for(column, kind)
        inside = np.clip(column, -room, room)[rows]
        symbols.points(ax, order[rows], inside, kind[rows], refs=refs[rows])
        ax.set_ylim(-1.45 * room, 1.45 * room)
        ax.set_xlim(0, len(shots) + 1)
        style.few_ticks(ax, 8)
        symbols.label_points(ax, order[rows], inside,
                           [_with_size(tags[i], column[i], room) for i in rows], kind[rows], 6)
        ax.set_ylabel("mm")
        ax.set_title(f"Miss {COMPONENT_WORDS[name]} ({count}{drawn_to(column, room)})")
    axes[-1].set_xlabel("shot, in the order of the poses (dotted: next stand)")


def _refs(document, records):
    """What each shot or reading refers to, shape (n,)."""
    shots, poses = shot_refs(document), pose_refs(document)
    return np.array([poses[r.pose] if isinstance(r, Reading) else shots[r.shot] for r in records])


def _with_size(tag, value, room):
    """A number; with its size for a point that lies beyond the panel and is drawn at its rim."""
    return f"{tag}: {value:+.0f}" if tag and abs(value) > room else tag


def _stand_lines(ax, document, shots):
    stand_of = {pose.pose: pose.stand for pose in document.poses}
    stands = [stand_of[shot.pose] for shot in shots]
    changes = [i for i in range(1, len(stands)) if stands[i] != stands[i - 1]]
    if len(changes) <= 8:
        for i in changes:
            ax.axvline(i + 0.5, color=style.INK, linewidth=0.6, linestyle=":")


def by_component(figure: style.Canvas, document: ResultRecord) -> None:
    """Misses by component, site axes and boom-plane axes, with the rms of the ordinary ones."""
    shots = shown_shots(document)
    values = np.column_stack([
        1000 * np.array([[shot.miss.east, shot.miss.north] for shot in shots]), misses(shots)])
    tags, kind, refs = numbers_of(document, shots), kinds(document, shots), _refs(document, shots)
    rows, count = drawn(kind, 250)
    ax = style.grid(figure, top=0.45)[0, 0]
    spread = np.linspace(-0.28, 0.28, 7)[np.arange(len(shots)) % 7]
    usual = np.isin(kind, (symbols.ORDINARY, symbols.SAME_POSE))
    room = max(symbols.room_for(column, kind) for column in values.T)
    inside = np.clip(values, -room, room)
    style.zero_line(ax)
    ax.set_xlim(-0.6, 4.6)
    ax.set_ylim(-1.25 * room, 1.25 * room)
    for k, column in enumerate(values.T):
        symbols.points(ax, k + spread[rows], inside[rows, k], kind[rows], 8, refs[rows])
        rms = np.sqrt(np.mean((column[usual] if usual.any() else column)**2))
        for side in (rms, -rms):
            ax.plot([k - 0.4, k + 0.4], [side, side], color=style.INK, linewidth=1.6)
        symbols.label_points(ax, k + spread[rows], inside[rows, k], [tags[i] for i in rows],
                           kind[rows], 5, room=(k - 0.5, -1.25 * room, k + 0.5, 1.25 * room))
    ax.axvline(1.5, color=style.INK, linewidth=0.6, linestyle=":")
    ax.set_xticks(range(5), ["east", "north", *COMPONENTS])
    ax.grid(axis="x", visible=False)
    ax.set_title(f"Site and boom plane ({count})\n"
                 f"bars: rms without suspects{drawn_to(values, room)}")
    ax.set_ylabel("mm")


def plan_and_side(figure: style.Canvas, document: ResultRecord) -> None:
    """Shots seen from the house in plan and from the side, misses as arrows."""
    shots = shown_shots(document)
    place = np.array([s.house.numbers for s in shots])
    miss, kind, refs = misses(shots) / 1000, kinds(document, shots), _refs(document, shots)
    rows, count = drawn(kind, 250)
    tags = [numbers_of(document, shots)[i] for i in rows]
    plan, side = style.grid(figure, 2, 1, between=(0.3, 0.85), top=0.5)[:, 0]
    ordinary = np.isin(kind, (symbols.ORDINARY, symbols.SAME_POSE))
    factor = exaggeration(place, miss[ordinary] if ordinary.any() else miss)
    for ax, across, title in ((plan, 1, "Plan: forward and left of the boom foot"),
                              (side, 2, "Side: forward and up of the boom foot")):
        _equal_scales(ax, place, across)
        at, steps = place[:, [0, across]], _cut(factor * miss[:, [0, across]], place)
        for of in symbols.LOOKS:
            _arrows(ax, at, steps, rows[kind[rows] == of], symbols.COLOURS[of], refs)
        symbols.points(ax, at[rows, 0], at[rows, 1], kind[rows], 6, refs[rows])
        ax.plot(0, 0, marker="s", color=style.INK, markersize=5)
        marked = np.flatnonzero(np.isin(kind, symbols.NUMBERED))
        symbols.label_points(ax, at[rows, 0], at[rows, 1], tags, kind[rows], clear_of=np.vstack(
            [(0, 0), *(at[marked] + share * steps[marked] for share in _ALONG)]))
        ax.set_title(f"{title}\narrows {factor:g} times too long ({count})")
        ax.set_xlabel("forward, m")
    plan.set_ylabel("left, m")
    side.set_ylabel("up, m")


def exaggeration(place: np.ndarray, miss: np.ndarray) -> float:
    """A round factor that makes the largest arrow about a tenth of the picture."""
    largest = np.linalg.norm(miss, axis=1).max(initial=0.0)
    size = np.ptp(place[:, 0]) if len(place) else 1.0
    wanted = 0.12 * max(size, 1.0) / max(largest, 1e-6)
    power = 10.0 ** np.floor(np.log10(wanted))
    return float(power * max(m for m in (1, 2, 5) if m * power <= wanted * (1 + 1e-12)))


def _equal_scales(ax, place, across):
    """Limits with room for every shot and the boom foot, a metre as long on both axes."""
    low = np.minimum(place.min(0), 0) - 0.8
    high = np.maximum(place.max(0), 0) + 0.8
    box = ax.get_window_extent()
    per_inch = max((high[0] - low[0]) / box.width, (high[across] - low[across]) / box.height)
    for limit, axis, inches in ((ax.set_xlim, 0, box.width), (ax.set_ylim, across, box.height)):
        middle, half = (low[axis] + high[axis]) / 2, per_inch * inches / 2
        limit(middle - half, middle + half)


def _cut(steps, place):
    """Arrows of at most a fifth of the picture's width: a gross error would leave it."""
    length = np.linalg.norm(steps, axis=1, keepdims=True)
    limit = 0.2 * max(np.ptp(place[:, 0]), 1.0)
    return steps * np.minimum(1.0, limit / np.maximum(length, 1e-12))


def _arrows(ax, at, steps, rows, colour, refs):
    if len(rows):
        arrows = ax.quiver(*at[rows].T, *steps[rows].T, angles="xy", scale_units="xy", scale=1,
                           color=colour, width=0.0025, headwidth=4, headlength=5)
        symbols.linked(arrows, refs, rows)


def by_reach_and_joint(figure: style.Canvas, document: ResultRecord) -> None:
    """Misses against reach and every joint angle: a row per variable, a column per component."""
    shots = document.shots
    names, variables = _variables(document)
    values, refs, kind = misses(shots), _refs(document, shots), kinds(document, shots)
    rows, count = drawn(kind, 150)
    usual = np.isin(kind, (symbols.ORDINARY, symbols.SAME_POSE))
    usual = usual if usual.any() else np.ones(len(kind), bool)
    reach = max(1.1 * np.abs(values[usual]).max(), 1.0)
    inside = np.clip(values, -reach, reach)
    cells = CellGrid(figure, len(names), 3, left=0.42, top=0.8, bottom=0.46, gap=(0.14, 0.46))
    for row, (name, variable) in enumerate(zip(names, variables, strict=True)):
        for k, column in enumerate(inside.T):
            plot = Plot(cells, row, k, padded(variable), (-1.15 * reach, 1.15 * reach),
                        x_label=name if k == 1 else "", y_labels=k == 0)
            symbols.points(cells.axes, *plot.place(variable[rows], column[rows]), kind[rows], 6,
                         refs[rows])
            _mean_line(plot, variable[usual], column[usual])
    for k, component in enumerate(COMPONENTS):
        cells.text(cells.cell(0, k)[0], cells.top + 0.1, f"{component}, mm")
    cells.text(cells.left, cells.top + 0.4, f"Misses from the boom plane ({count})\n"
                 f"line: mean over fifths of the others{drawn_to(values, reach)}", fontsize=9)
    cells.finish()


def _variables(document):
    """Names with units, and values per shot: reach, then the joint angles."""
    joints = {pose.pose: pose.joints for pose in document.poses}
    readings = document.reading_names
    reach = np.array([shot.house.forward for shot in document.shots])
    columns = [np.array([joints[s.pose][name] for s in document.shots])
               for name in readings]
    return ["reach, m", *(f"{spoken(name)} joint, deg" for name in readings)], [
        reach, *columns]


def _mean_line(plot, x, y):
    """Means over fifths of the points in the order of x: what a trend would show in."""
    if len(x) < 15 or np.ptp(x) == 0:
        return
    fifths = np.array_split(np.argsort(x, kind="stable"), 5)
    line = plot.place([x[f].mean() for f in fifths], [y[f].mean() for f in fifths])
    plot.cells.line(*line, style.INK, 1.2)


def corrections(figure: style.Canvas, document: ResultRecord) -> None:
    """What the solution adds to each reading, per sensor in the order of the poses."""
    sensors = list(dict.fromkeys(r.reading for r in document.readings))
    sds = document.rig.definition.get("readings", {}).get("sd", {})
    shot = document.shot_poses
    cells = CellGrid(figure, (len(sensors) + 1) // 2, 2, left=0.45, top=0.42, bottom=0.45,
                      gap=(0.5, 0.62))
    for i, sensor in enumerate(sensors):
        of = [r for r in document.readings if r.reading == sensor]
        value, kind = np.array([r.correction for r in of]), kinds(document, of)
        tags = numbers_of(document, of)
        rows, every = symbols.thinned(len(of), kind != symbols.ORDINARY, 200)
        order, sd = np.arange(1, len(of) + 1), sds.get(sensor) or 0.0
        reach = max(1.15 * np.abs(value).max(), 1.3 * sd, 1e-6)
        checked = sum(r.pose not in shot for r in of)
        count = f"n = {len(of)}" + (f", {checked} of checks" if checked else "")
        drawn = "" if every == 1 else f", 1 in {every}"
        plot = Plot(cells, *divmod(i, 2), (0, len(of) + 1), (-reach, reach),
                    f"{spoken(sensor)}, {of[0].unit}{drawn}", x_label=f"pose ({count})")
        for side in (-sd, sd) if sd else ():
            cells.line(*plot.place([0, len(of) + 1], [side, side]), style.FAINT, 1.2, (0, (4, 2)))
        symbols.points(cells.axes, *plot.place(order[rows], value[rows]), kind[rows], 7,
                     _refs(document, of)[rows])
        left, bottom = plot.corner
        symbols.label_points(cells.axes, *plot.place(order[rows], value[rows]),
                           [tags[i] for i in rows], kind[rows], 12,
                           room=(left, bottom, left + cells.size[0], bottom + cells.size[1]))
    cells.finish()

