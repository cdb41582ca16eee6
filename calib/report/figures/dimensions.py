"""The solved dimensions drawn on the rig: dimension lines with ends, numbered, the values beside.

Numbers never overprint as values would: each drawing has its list.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise

import numpy as np

from calib.chain.circle import wrapped
from calib.document.record import ResultRecord
from calib.report.figures.linkage import PlacedLinkage, placed_linkages
from calib.report.figures.style import FAINT, FLAG, INK, PAPER, PLAIN, SMALL, Canvas, text_width
from calib.report.figures.views import (
    VIEW_WORDS,
    Skeleton,
    drawing_posture,
    projected,
    skeleton,
)
from calib.report.numbers import SHOWN, value_and_sd
from calib.report.spoken import spoken
from calib.solved_machine import rig_and_parameters

#: Inches: between a member and its first dimension line, between levels of them, from a line to
#: its number, between lines of a list.
_FIRST, _LEVEL, _NUMBER, _LINE = 0.17, 0.19, 0.1, 0.17

#: A dimension shorter than this has bars for ends, in place of arrows, inches.
_ARROWS = 0.3

#: The number of a still shorter one stands where there is room, inches.
_SHORT = 0.12

#: Words are narrower than digits.
_WIDE = 0.9

#: Heights of the drawing of a rig, and of that of each linkage, inches.
_RIG, _LINKAGE = 7.4, 2.1


@dataclass(frozen=True)
class _View:
    """A drawing with its list: `draw(axes, first number, size in inches)`, and how high it is,
    in parts of what there is."""

    title: str
    names: list
    draw: Callable
    share: float


def height(document: ResultRecord) -> float:
    """Of the whole, inches."""
    rig, _ = rig_and_parameters(document)
    return _RIG + _LINKAGE * sum(s.through is not None for s in rig.chain.sensors)


def dimensions(figure: Canvas, document: ResultRecord) -> None:
    """Dimensioned views: the whole machine from the side, the attachment from three sides, and
    the linkages through which sensors tell their joints."""
    records = {p.name: p for p in document.parameters if p.status != "held" or p.value}
    views = _views(document, records)
    width, tall = figure.bbox.width / figure.dpi, figure.bbox.height / figure.dpi
    lists = [_LINE * (len(view.names) + 1) for view in views]
    values = [[_value(records[name]) for name in view.names] for view in views]
    beside = max(2.3, *(_WIDE * text_width(value) + 0.4 for of in values[1:] for value in of))
    left_over = tall - lists[0] - 0.3 * len(views)
    shares = np.array([view.share for view in views])
    heights = np.maximum(left_over * shares / shares.sum(), [0.5, *lists[1:]])
    heights *= left_over / heights.sum()
    top, number = tall, 1
    for k, (view, high) in enumerate(zip(views, heights, strict=True)):
        figure.text(0.05 / width, (top - 0.2) / tall, view.title, fontsize=9)
        bottom = top - 0.3 - high
        wide = width - (beside if k else 0.0)
        ax = figure.add_axes((0, bottom / tall, wide / width, high / tall))
        view.draw(ax, number, (wide, high))
        at = (0.1, bottom - _LINE) if not k else (wide + 0.1, top - 0.3 - _LINE)
        for row, value in enumerate(values[k]):
            figure.text(at[0] / width, (at[1] - row * _LINE) / tall,
                        f"{number + row}  {value}", fontsize=SMALL)
        number += len(view.names)
        top = bottom - (0 if k else lists[0])


def _views(document, records):
    rig, parameters = rig_and_parameters(document)
    readings = rig.chain.readings_for(parameters, drawing_posture(rig))
    bones = skeleton(rig, parameters, readings)
    start = bones.attachment
    named = [i for i, name in enumerate(bones.names) if name in records]
    placed = [("side", 0, [i for i in named if i < start], f"The machine {VIEW_WORDS['side']}"),
              *((view, start, rows, f"The attachment {VIEW_WORDS[view]}")
                for view, rows in _best_views(bones, named, start).items())]
    most = max((len(rows) for _, _, rows, _ in placed[1:]), default=1)
    views = [_View(title, [bones.names[i] for i in rows],
                   partial(_drawing, bones=bones, view=view, start=first, rows=rows),
                   max(0.8, len(rows) / most) if k else 1.25)
             for k, (view, first, rows, title) in enumerate(placed)]
    for linkage in placed_linkages(rig, parameters, readings):
        names = [name for name, *_ in (*linkage.bars, *linkage.angles) if name in records]
        views.append(_View(f"The linkage at the {spoken(linkage.reading)} {VIEW_WORDS['side']}",
                           names, partial(_linkage, linkage=linkage, names=names), 1.1))
    return views


def _value(record):
    unit, factor = SHOWN[record.unit]
    value, sd = value_and_sd(record.value, record.sd, factor)
    spread = "" if record.sd is None else f" ± {sd}"
    return f"{spoken(record.name)}  {value}{spread} {unit}"


def _best_views(bones: Skeleton, named, start):
    """Each dimension of the attachment goes to the view that shows it best."""
    places = defaultdict(list)
    for i in named:
        if i < start:
            continue
        axis = np.abs(bones.axes[i])
        if bones.turns[i]:
            view = ("behind", "side", "above")[int(np.argmax(axis))]
        else:
            view = "behind" if np.argmax(axis) == 1 else "side"
        places[view].append(i)
    return {view: places[view] for view in VIEW_WORDS if places[view]}


@dataclass
class _Sheet:
    """A drawing in inches, and what is on it already."""

    axes: object
    taken: list = field(default_factory=list)

    def take(self, *points):
        """Points that nothing more should come near to."""
        self.taken += [np.atleast_2d(p) for p in points]

    def clearance(self, points) -> float:
        """From points to what is there, inches."""
        there = np.vstack(self.taken)
        away = np.linalg.norm(np.atleast_2d(points)[:, None] - there[None], axis=2)
        return float(away.min())

    def inside(self, points, size) -> bool:
        """Whether points are on the sheet."""
        points = np.atleast_2d(points)
        return bool((points > 0.06).all() and (points < np.array(size) - 0.06).all())


def _laid_out(ax, cloud, size):
    """A sheet of `size` inches with room for dimension lines, and the way from m onto it."""
    ax.set_axis_off()
    ax.set_xlim(0, size[0])
    ax.set_ylim(0, size[1])
    room = np.array(size) - 2 * (_FIRST + 0.9 * _LEVEL)
    scale = float(np.min(room / np.maximum(np.ptp(cloud, axis=0), 1e-6)))
    centre = (cloud.min(0) + cloud.max(0)) / 2

    def place(points):
        return np.array(size) / 2 + scale * (np.asarray(points) - centre)

    return _Sheet(ax), place


def _drawing(ax, number, size, *, bones: Skeleton, view, start, rows):
    """One view in a frame of `size` inches, its dimensions numbered from `number` on."""
    way = np.column_stack(projected(bones.origins[start:], view))
    edge = np.column_stack(projected(bones.edge, view))
    sheet, place = _laid_out(ax, np.vstack([way, edge]), size)
    ax.plot(*place(way).T, color=INK, linewidth=2.2, solid_joinstyle="round")
    ax.plot(*place(edge).T, color=FLAG, linewidth=3.2)
    ax.plot(*place(way[0]), marker="s", color=INK, markersize=5)
    for line in (place(way), place(edge)):
        sheet.take(*(_along(a, b) for a, b in pairwise(line)))
    length = np.linalg.norm(np.diff(way, axis=0), axis=1)
    # The long ones first: there is room for a short one beside them, not the other way round.
    for row in sorted(range(len(rows)), key=lambda row: -length[rows[row] - start]):
        i = rows[row]
        a, b = place(way[i - start]), place(way[i - start + 1])
        if bones.turns[i]:
            _joint(sheet, a, number + row, size)
        else:
            _dimension(sheet, b - (b - a) / bones.shares[i], b, number + row, size)


def _linkage(ax, number, size, *, linkage: PlacedLinkage, names):
    """A linkage: its bars, pins and angles with their numbers."""
    def flat(point):
        return np.column_stack(projected(np.atleast_2d(point), "side"))[0]

    bars = {name: (flat(a), flat(b)) for name, a, b in linkage.bars}
    sheet, place = _laid_out(ax, np.vstack([*bars.values()]), size)
    for a, b in (*bars.values(), *((flat(a), flat(b)) for a, b in linkage.sides)):
        sheet.take(_along(place(a), place(b)))
        ax.plot(*np.array([place(a), place(b)]).T, color=INK, linewidth=2.2, marker="o",
                markersize=4, markerfacecolor=PAPER)
    joint = place(flat(linkage.joint))
    ax.plot(*joint, marker="s", color=INK, markersize=5)
    for name in sorted(set(bars) & set(names), key=lambda name: -np.ptp(bars[name], 0).max()):
        a, b = map(place, bars[name])
        _dimension(sheet, a, b, number + names.index(name), size)
    for name, start, end in linkage.angles:
        if name in names:
            _angle(sheet, joint, flat(start), flat(end), number + names.index(name), size)


def _angle(sheet, at, start, end, number, size):
    """An arc from one direction to another, the first dashed, with its number."""
    first = np.arctan2(*start[::-1])
    turn = float(wrapped(np.arctan2(*end[::-1]) - first))
    sheet.axes.plot(*np.array([at, at + 0.4 * start]).T, color=FAINT, linewidth=0.8,
                    linestyle=(0, (4, 2)))
    way = first + np.linspace(0, turn, 30)
    arc = at + 0.32 * np.column_stack([np.cos(way), np.sin(way)])
    sheet.axes.plot(*arc.T, color=PLAIN, linewidth=0.9)
    sheet.take(arc)
    _number(sheet, _round(sheet, arc[len(arc) // 2], size), number)


def _along(a, b):
    """Points from one to the other, a twentieth of an inch apart."""
    count = max(2, int(np.ceil(np.linalg.norm(b - a) / 0.05)) + 1)
    return a + np.linspace(0, 1, count)[:, None] * (b - a)


def _dimension(sheet, a, b, number, size):
    """A dimension line beside the way from `a` to `b`, with extension lines and ends."""
    length = np.linalg.norm(b - a)
    if length < 1e-3:
        _joint(sheet, a, number, size)
        return
    normal = np.array([a[1] - b[1], b[0] - a[0]]) / length

    def offset(side, level):
        return side * (_FIRST + level * _LEVEL) * normal

    def clear(choice):
        """Room is worth more than nearness, up to a tenth of an inch."""
        side, level = choice
        line = _along(a + offset(*choice), b + offset(*choice))
        mark = line.mean(0) + side * _NUMBER * normal
        return (sheet.inside(np.vstack([line, mark]), size),
                min(sheet.clearance(line), 0.1) + min(sheet.clearance(mark), 0.16)
                - 0.01 * level)

    side, _ = best = max(((s, n) for n in range(4) for s in (1, -1)), key=clear)
    shift = offset(*best)
    for end in (a, b):
        sheet.axes.plot(*np.array([end + 0.03 * side * normal, end + shift + 0.05 * side * normal]
                                  ).T, color=FAINT, linewidth=0.6)
    style = "<|-|>,head_length=.35,head_width=.14" if length > _ARROWS \
        else "|-|,widthA=.2,widthB=.2"
    sheet.axes.annotate("", b + shift, a + shift, arrowprops={
        "arrowstyle": style, "color": PLAIN, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0,
        "mutation_scale": 10})
    middle = (a + b) / 2 + shift
    sheet.take(_along(a + shift, b + shift))
    at = middle + side * _NUMBER * normal if length > _SHORT else _round(sheet, middle, size)
    _number(sheet, at, number)


def _joint(sheet, at, number, size):
    """A joint whose zero is solved: a ring, its number where there is room."""
    sheet.axes.plot(*at, marker="o", markersize=7, markerfacecolor="none", color=PLAIN)
    _number(sheet, _round(sheet, at, size), number)


def _round(sheet, at, size):
    """The clearest place round a point, the nearest of those that are clear."""
    turns = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    places = [at + away * np.array([np.cos(t), np.sin(t)])
              for away in (0.15, 0.2, 0.27) for t in turns]
    places = [p for p in places if sheet.inside(p, size)] or places
    return max(places, key=lambda p: min(sheet.clearance(p), 0.14))


def _number(sheet, at, number):
    sheet.axes.text(*at, str(number), fontsize=SMALL, color=PLAIN, ha="center", va="center",
                    bbox={"boxstyle": "round,pad=0.08", "facecolor": PAPER, "edgecolor": "none",
                          "alpha": 0.8})
    half = np.array([text_width(str(number)) / 2, 0.06])
    sheet.take(at, *(at + half * corner for corner in ((1, 1), (1, -1), (-1, 1), (-1, -1))))
