"""Figures of the tests: w, redundancy, tape pulls, correlation, influence, check shots."""

import numpy as np

from calib.adjust.critical import ALPHA, delta0
from calib.adjust.distributions import normal_isf, normal_ppf
from calib.report.figures.residuals import AXES
from calib.report.figures.style import (
    FLAG,
    INK,
    PLAIN,
    SIGNED,
    grid,
    label_points,
    limit_lines,
    points,
    short,
    thinned,
    zero_line,
)

#: Two-sided critical value of w at Baarda's level.
W_LIMIT = float(normal_isf(ALPHA / 2))


def _w(document):
    """w of every checked shot coordinate, its redundancy, flag and label."""
    w, redundancy, flagged, ids = [], [], [], []
    for shot in document.shots:
        for axis, own, checked in zip(AXES, shot.w_by_axis.numbers,
                                      shot.redundancy_by_axis.numbers, strict=True):
            if own is not None:
                w.append(own)
                redundancy.append(checked)
                flagged.append(shot.suspect)
                ids.append(f"{shot.shot} {axis}")
    return np.array(w), np.array(redundancy), np.array(flagged, bool), ids


def normal(figure, document):
    """Histogram and normal probability of the standardised residuals w."""
    w, _, flagged, ids = _w(document)
    left, right = grid(figure, 1, 2, between=(0.65, 0.3))[0]
    if not len(w):
        left.set_title("Nothing is checked (n = 0)")
        return
    inside = w[np.abs(w) <= 5]
    edges = np.arange(-5, 5.01, 0.5)
    left.hist(inside, edges, color=PLAIN, alpha=0.85, rwidth=0.94)
    x = np.linspace(-5, 5, 121)
    left.plot(x, np.exp(-x**2 / 2) / np.sqrt(2 * np.pi) * len(w) * 0.5, color=INK, linewidth=1.4)
    beyond = len(w) - len(inside)
    left.set_title(f"n = {len(w)}; {beyond} beyond 5")
    left.set_xlabel("w")
    left.set_ylabel("shot coordinates")
    order = np.argsort(w, kind="stable")
    expected = normal_ppf((np.arange(len(w)) + 0.5) / len(w))
    rows, _ = thinned(len(w), flagged[order] | (np.abs(w[order]) > 3))
    reach = [expected[0] * 1.1, expected[-1] * 1.1]
    right.plot(reach, reach, color=INK, linewidth=1.2)
    points(right, expected[rows], np.clip(w[order], -10, 10)[rows], flagged[order][rows], 8)
    right.set_xlim(*reach)
    label_points(right, expected, np.clip(w[order], -10, 10), [ids[i] for i in order],
                 flagged[order], 4)
    right.set_title(f"n = {len(w)}; drawn to 10")
    right.set_xlabel("expected, normal")
    right.set_ylabel("w")


def redundancy_and_w(figure, document):
    """Redundancy against w with the critical values: what is checked, and what fails."""
    w, redundancy, flagged, ids = _w(document)
    ax = grid(figure, top=0.45)[0, 0]
    rows, every = thinned(len(w), flagged)
    drawn_w = np.clip(w, -12, 12)
    zero_line(ax)
    points(ax, redundancy[rows], drawn_w[rows], flagged[rows], 9)
    limit_lines(ax, (-W_LIMIT, W_LIMIT))
    ax.set_xlim(min(0.0, redundancy.min(initial=0.0)) - 0.02,
                max(1.0, redundancy.max(initial=0.0)) + 0.02)
    label_points(ax, redundancy, drawn_w, ids, flagged, 6)
    count = f"n = {len(w)}" + ("" if every == 1 else f", 1 in {every} drawn")
    ax.set_title(f"Shot coordinates ({count}); dashed: critical\n"
                 f"at {100 * ALPHA:g} %, detectable at {delta0():.2f} sds")
    ax.set_xlabel("redundancy number (0: unchecked, 1: fully checked)")
    ax.set_ylabel("w (drawn to 12)")


def tape_pulls(figure, document):
    """Every taped value's test: solved without it less taped, in sds of the difference."""
    taped = document.taped
    rows = [row for row in taped.rows if row.z is not None]
    ax = grid(figure, left=1.65)[0, 0]
    z = np.array([row.z for row in rows])
    bad = np.array([row.significant for row in rows], bool)
    y = np.arange(len(rows))[::-1]
    for yi, zi, is_bad in zip(y, z, bad, strict=True):
        ax.plot([0, zi], [yi, yi], color=FLAG if is_bad else PLAIN, linewidth=1.2)
    points(ax, z, y, bad, 20)
    ax.axvline(0, color=INK, linewidth=0.8)
    limit_lines(ax, (-taped.limit, taped.limit), horizontal=False)
    reach = max(4.0, 1.1 * np.abs(z).max(initial=0.0))
    ax.set_xlim(-reach, reach)
    ax.set_ylim(-0.7, len(rows) - 0.3)
    ax.set_yticks(y, [row.quantity for row in rows])
    ax.set_xlabel("solved less taped, in sds of the difference")
    ax.set_title(f"Tape pulls (n = {len(rows)}); dashed: critical at {100 * taped.level:g} %")


def correlation(figure, document):
    """Correlation of the estimated parameters; each cell's tenths are written in it."""
    covariance = document.covariance
    names = [name for name in covariance.names
             if any(p.name == name for p in document.parameters)]
    n = len(names)
    matrix = np.array(covariance.matrix)[:n, :n]
    sd = np.sqrt(np.diag(matrix))
    matrix = matrix / np.outer(sd, sd)
    ax = grid(figure, left=1.65, bottom=1.45, right=0.3)[0, 0]
    image = ax.pcolormesh(np.arange(n + 1), np.arange(n + 1), matrix, cmap=SIGNED, vmin=-1, vmax=1,
                          edgecolors="none")
    for i in range(n):
        for j in range(n):
            if abs(matrix[i, j]) >= 0.25 and i != j:
                ax.text(j + 0.5, i + 0.5, f"{10 * matrix[i, j]:+.0f}", ha="center", va="center",
                        fontsize=7, color="#000000" if abs(matrix[i, j]) < 0.7 else "#ffffff")
    ax.set_xticks(np.arange(n) + 0.5, names, rotation=90)
    ax.set_yticks(np.arange(n) + 0.5, names)
    ax.invert_yaxis()
    ax.grid(visible=False)
    ax.set_title(f"in tenths (n = {n}; below 0.25 blank)")
    bar = figure.colorbar(image, ax=ax, shrink=0.6, pad=0.02)
    bar.outline.set_visible(False)


def influence(figure, document, most: int = 20):
    """The shots whose undetected error would move the edge most."""
    suspect = {s.shot: s.suspect for s in document.shots}
    shots = [s for s in document.undetected.shots if s.edge is not None]
    shown = sorted(shots, key=lambda s: -s.edge)[:most]
    ax = grid(figure, left=1.5)[0, 0]
    y = np.arange(len(shown))[::-1]
    value = np.array([1000 * s.edge for s in shown])
    ax.barh(y, value, height=0.25, color=PLAIN, alpha=0.6)
    points(ax, value, y, [suspect[s.shot] for s in shown], 20)
    ax.set_yticks(y, [short(s.shot, 18) for s in shown])
    ax.set_xlim(0, 1.12 * value.max(initial=1e-3))
    ax.set_ylim(-0.7, len(shown) - 0.3)
    ax.set_xlabel("least detectable error at the edge, mm")
    ax.set_title(f"the {len(shown)} largest of n = {len(shots)}")


def check_shots(figure, document):
    """3-D misses of the check shots against the tolerance and their predicted sds."""
    check = document.check
    shots = check.shots
    ax = grid(figure, top=0.45, bottom=1.05)[0, 0]
    length = np.array([1000 * np.linalg.norm(s.miss.numbers) for s in shots])
    predicted = np.array([1000 * np.linalg.norm(s.sd.numbers) for s in shots])
    x = np.arange(len(shots))
    rows, _ = thinned(len(shots), length > 1000 * check.tolerance, 60)
    ax.bar(x[rows], predicted[rows], width=0.5, facecolor="none", edgecolor=INK, linewidth=0.9)
    points(ax, x[rows], length[rows], (length > 1000 * check.tolerance)[rows], 26)
    ax.axhline(1000 * check.tolerance, color=FLAG, linewidth=1.2, linestyle=(0, (5, 3)))
    ax.set_xlim(-0.7, len(shots) - 0.3)
    ax.set_ylim(0, 1.15 * max(length.max(), predicted.max(), 1000 * check.tolerance))
    if len(shots) <= 30:
        ax.set_xticks(x, [short(s.shot) for s in shots], rotation=60, ha="right",
                      rotation_mode="anchor")
    ax.grid(axis="x", visible=False)
    ax.set_ylabel("3-D miss, mm")
    ax.set_title(f"n = {len(shots)}; point: measured, box: predicted sd,\ndashed: tolerance")
