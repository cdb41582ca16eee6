"""A plan drawn: every pose from the side and its attachment from behind, and the curve of poses."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from calib.adjust.distributions import TIMES_SD
from calib.document.planned import Drawing, PlanRecord
from calib.report.figures.style import FAINT, FLAG, INK, PLAIN, Canvas, few_ticks, grid

#: Room around a drawing, m.
_ROOM = 0.25


@dataclass(frozen=True)
class Sketch:
    """One view of one pose, m, to the right and upwards."""

    arm: np.ndarray  #: Shape (k, 2). From the boom foot, or from the bucket pin, to the last joint.
    edge: np.ndarray  #: Shape (2, 2). Left corner first.

    @property
    def body(self) -> np.ndarray:
        """From the last joint round the edge and back, shape (4, 2)."""
        return np.vstack([self.arm[-1:], self.edge, self.arm[-1:]])


@dataclass(frozen=True)
class Frame:
    """What all sketches of one view need, m."""

    left: float
    bottom: float
    width: float
    height: float

    @classmethod
    def of(cls, sketches: Sequence[Sketch], *heights: float) -> "Frame":
        """Round all sketches and some heights."""
        points = np.vstack([part for s in sketches for part in (s.arm, s.edge)])
        low, high = points.min(0), points.max(0)
        low[1] = min(low[1], *heights, np.inf)
        low, high = low - _ROOM, high + _ROOM
        return cls(*map(float, (*low, *(high - low))))


def from_the_side(drawings: Iterable[Drawing]) -> list[Sketch]:
    """Every pose from its right side: forward to the right, from the boom foot pin."""
    return [Sketch(_projected(d.machine, 0, 1.0), _projected(d.edge, 0, 1.0)) for d in drawings]


def from_behind(drawings: Iterable[Drawing]) -> list[Sketch]:
    """The attachment of every pose from behind: its left to the left, from the bucket pin."""
    sketches = []
    for drawing in drawings:
        machine, start = np.array(drawing.machine, float), drawing.attachment
        pin = machine[start]
        sketches.append(Sketch(_projected(machine[start:] - pin, 1, -1.0),
                               _projected(np.array(drawing.edge) - pin, 1, -1.0)))
    return sketches


def _projected(points, axis, sign):
    points = np.asarray(points, float)
    return np.column_stack([sign * points[:, axis], points[:, 2]])


def plan_curve(figure: Canvas, document: PlanRecord) -> None:
    """What the edge will be known to against minutes, with the plan, the knee and the goal."""
    curve, total = document.curve, document.minutes.total
    if curve is None:
        raise ValueError("a plan without a curve")
    ax = grid(figure, left=0.6, right=0.2, top=1.0, bottom=0.45)[0, 0]
    minutes, worst = np.array(curve.minutes, float), _millimetres(curve.worst)
    other, reached = curve.edge_only, 1000 * document.predicted.within95
    ax.plot(minutes, worst, color=PLAIN,
            label="all targets, pose by pose" if other else "pose by pose")
    shown = 1.3 * max(reached, np.median(worst))
    if other and other.worst:
        ax.plot(other.minutes, _millimetres(other.worst), color=PLAIN, linestyle=(0, (4, 2)),
                label="edge only")
        shown = max(shown, 2 * np.median(_millimetres(other.worst)))
    ax.plot(total, reached, marker="D", linestyle="none", markersize=6,
            markerfacecolor="none", markeredgecolor=INK, markeredgewidth=1.3,
            label=f"this plan, as a whole: {total:.0f} minutes")
    if curve.knee is not None:
        ax.axvline(curve.knee, color=FAINT, linewidth=0.8)
        ax.annotate(f" flattens: {curve.knee:.0f}", (curve.knee, 0), xytext=(0, 3),
                    textcoords="offset points", fontsize=8)
    if document.goal is not None:
        goal = 1000 * document.goal
        ax.axhline(goal, color=FLAG, linewidth=1.0, linestyle=(0, (6, 2, 1, 2)),
                   label=f"goal: {goal:g} mm")
        shown = max(shown, 1.25 * goal)
    # Plans of too few poses know nothing: what is near the plan must be legible.
    ax.set_ylim(0, min(shown, 6 * max(reached, 1000 * (document.goal or 0))))
    ax.set_xlim(0, max(minutes[-1], 1.05 * total))
    ax.set_xlabel("minutes in the field")
    few_ticks(ax)
    # Above the axes: a curve may be anywhere in them.
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), borderaxespad=0.2, alignment="left",
              title="edge known to at worst, mm (95 %)", title_fontsize=9)


def _millimetres(sds):
    """What holds at 95 %."""
    return 1000 * TIMES_SD * np.array(sds, float)
