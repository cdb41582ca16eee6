"""Figures of the tests: w, redundancy, tape pulls, correlation, influence, check shots."""

import numpy as np

from calib.adjust.critical import ALPHA, delta0
from calib.adjust.distributions import TIMES_SD, normal_isf, normal_ppf
from calib.document.record import ResultRecord
from calib.report.figures import style
from calib.report.figures.residuals import AXES, kinds, numbers_of, shot_refs
from calib.report.figures.symbols import ORDINARY, label_points, points, thinned
from calib.report.spoken import spoken

#: Correlations below this are not written; matrices of more have no room for their numbers.
BLANK, MOST_CORRELATED = 0.25, 16

#: Two-sided critical value of w at Baarda's level.
W_LIMIT = float(normal_isf(ALPHA / 2))


def _w(document):
    """w of every checked shot coordinate, its redundancy, kind, the shot's number and row."""
    refs, shots = shot_refs(document), document.shots
    of = zip(shots, kinds(document, shots), numbers_of(document, shots), strict=True)
    found = [(own, checked, kind, tag, refs[shot.shot]) for shot, kind, tag in of
             for own, checked in zip(shot.w_by_axis.numbers, shot.redundancy_by_axis.numbers,
                                     strict=True) if own is not None]
    w, redundancy, kind, tags, rows = zip(*found, strict=True) if found else ((),) * 5
    return (np.array(w), np.array(redundancy), np.array(kind, int), np.array(tags, str),
            np.array(rows))


def normal(figure: style.Canvas, document: ResultRecord) -> None:
    """Histogram and normal probability of the standardised residuals w."""
    w, _, kind, tags, refs = _w(document)
    left, right = style.grid(figure, 1, 2, between=(0.65, 0.3))[0]
    if not len(w):
        left.set_title("Nothing is checked (n = 0)")
        return
    inside = w[np.abs(w) <= 5]
    edges = np.arange(-5, 5.01, 0.5)
    left.hist(inside, edges, color=style.PLAIN, alpha=0.85, rwidth=0.94)
    x = np.linspace(-5, 5, 121)
    left.plot(x, np.exp(-x**2 / 2) / np.sqrt(2 * np.pi) * len(w) * 0.5, color=style.INK,
              linewidth=1.4)
    beyond = len(w) - len(inside)
    left.set_title(f"n = {len(w)}; {beyond} beyond 5")
    left.set_xlabel("w")
    left.set_ylabel("shot coordinates")
    order = np.argsort(w, kind="stable")
    expected = np.asarray(normal_ppf((np.arange(len(w)) + 0.5) / len(w)))
    rows, _ = thinned(len(w), (kind[order] != ORDINARY) | (np.abs(w[order]) > 3))
    reach = [expected[0] * 1.1, expected[-1] * 1.1]
    right.plot(reach, reach, color=style.INK, linewidth=1.2)
    drawn, inside = order[rows], np.clip(w[order], -10, 10)[rows]
    points(right, expected[rows], inside, kind[drawn], 8, refs[drawn])
    right.set_xlim(*reach)
    right.set_ylim(-13.5, 13.5)
    label_points(right, expected[rows], inside, tags[drawn], kind[drawn], 6)
    right.set_title(f"n = {len(w)}; drawn to 10")
    right.set_xlabel("expected, normal")
    right.set_ylabel("w")


def redundancy_and_w(figure: style.Canvas, document: ResultRecord) -> None:
    """Redundancy against w with the critical values: what is checked, and what fails."""
    w, redundancy, kind, tags, refs = _w(document)
    ax = style.grid(figure, top=0.45)[0, 0]
    rows, every = thinned(len(w), kind != ORDINARY)
    inside = np.clip(w, -12, 12)[rows]
    style.zero_line(ax)
    points(ax, redundancy[rows], inside, kind[rows], 9, refs[rows])
    ax.set_ylim(-15, 15)
    style.limit_lines(ax, (-W_LIMIT, W_LIMIT))
    ax.set_xlim(min(0.0, redundancy.min(initial=0.0)) - 0.02,
                max(1.0, redundancy.max(initial=0.0)) + 0.02)
    label_points(ax, redundancy[rows], inside, tags[rows], kind[rows],
                 clear_of=[(0.1 * k, side * W_LIMIT) for k in range(11) for side in (-1, 1)])
    count = f"n = {len(w)}" + ("" if every == 1 else f", 1 in {every} drawn")
    ax.set_title(f"Shot coordinates ({count})\ndashed: critical at {100 * ALPHA:g} %, "
                 f"detectable at {delta0():.2f} sds")
    ax.set_xlabel("redundancy (0: unchecked, 1: fully checked)")
    ax.set_ylabel("w (drawn to 12)")


def tape_pulls(figure: style.Canvas, document: ResultRecord) -> None:
    """Every taped value's test: solved without it less taped, in sds of the difference."""
    taped = document.taped
    assert taped is not None  # else the page has no such figure
    rows = [row for row in taped.rows if row.z is not None]
    ax = style.grid(figure, left=1.65)[0, 0]
    z = np.array([row.z for row in rows])
    bad = np.array([row.significant for row in rows], bool)
    y = style.named_rows(ax, [spoken(row.quantity) for row in rows])
    for yi, zi, is_bad in zip(y, z, bad, strict=True):
        ax.plot([0, zi], [yi, yi], color=style.FLAG if is_bad else style.PLAIN, linewidth=1.2)
    points(ax, z, y, bad, 20)
    ax.axvline(0, color=style.INK, linewidth=0.8)
    style.limit_lines(ax, (-taped.limit, taped.limit), horizontal=False)
    reach = max(4.0, 1.1 * np.abs(z).max(initial=0.0))
    ax.set_xlim(-reach, reach)
    ax.set_xlabel("solved less taped, in its sds")
    ax.set_title(f"n = {len(rows)}; dashed: critical at {100 * taped.level:g} %")


def correlated(document: ResultRecord) -> tuple[list[str], np.ndarray, int]:
    """Of the estimated parameters those that go along with another, the `MOST_CORRELATED` at most,
    with their correlations, shape (k, k), and how many there are in all."""
    covariance = document.covariance
    names = [name for name in covariance.names
             if any(p.name == name for p in document.parameters)]
    n = len(names)
    matrix = np.array(covariance.matrix)[:n, :n]
    sd = np.sqrt(np.diag(matrix))
    matrix = matrix / np.outer(sd, sd)
    strongest = np.abs(matrix - np.eye(n)).max(0, initial=0.0)
    shown = np.sort(np.argsort(-strongest, kind="stable")[:MOST_CORRELATED])
    shown = shown[strongest[shown] >= BLANK]
    return [names[i] for i in shown], matrix[np.ix_(shown, shown)], n


def correlation(figure: style.Canvas, document: ResultRecord) -> None:
    """Correlations in tenths; what a column is of stands on the diagonal."""
    names, matrix, n = correlated(document)
    count = len(names)
    ax = style.grid(figure, left=1.72, bottom=0.1, right=0.15)[0, 0]
    cells = np.where(np.tri(count, k=-1, dtype=bool), matrix, np.nan)
    ax.pcolormesh(np.arange(count + 1), np.arange(count + 1), np.ma.masked_invalid(cells),
                  cmap=style.SIGNED, vmin=-1, vmax=1, edgecolors="none")
    for i, j in np.argwhere(np.abs(np.nan_to_num(cells)) >= BLANK):
        ax.text(j + 0.5, i + 0.5, f"{10 * cells[i, j]:.0f}", ha="center", va="center",
                fontsize=style.SMALL, color="#000000" if abs(cells[i, j]) < 0.7 else "#ffffff")
    for k in range(count):
        ax.text(k + 0.5, k + 0.5, str(k + 1), ha="center", va="center", fontsize=style.SMALL)
    ax.set_xticks([])
    ax.set_yticks(np.arange(count) + 0.5,
                  [f"{spoken(name)} {k}" for k, name in enumerate(names, 1)])
    ax.invert_yaxis()
    ax.grid(visible=False)
    ax.spines[:].set_visible(False)
    ax.set_title(f"in tenths ({count} of n = {n}; below {BLANK:g} blank)", x=-0.3)


def influence(figure: style.Canvas, document: ResultRecord, most: int = 20) -> None:
    """The shots whose undetected error would move the edge most."""
    kind = dict(zip((s.shot for s in document.shots), kinds(document, document.shots),
                    strict=True))
    refs = shot_refs(document)
    shots = [s for s in document.undetected.shots if s.edge is not None]
    shown = sorted(shots, key=lambda s: -(s.edge or 0.0))[:most]
    ax = style.grid(figure, left=1.5)[0, 0]
    y = style.named_rows(ax, [style.short(s.shot, 18) for s in shown])
    value = 1000 * np.array([s.edge for s in shown], float)
    ax.barh(y, value, height=0.25, color=style.PLAIN, alpha=0.6)
    points(ax, value, y, [kind[s.shot] for s in shown], 20, [refs[s.shot] for s in shown])
    ax.set_xlim(0, 1.12 * value.max(initial=1e-3))
    ax.set_xlabel("least detectable error at the edge, mm")
    ax.set_title(f"the {len(shown)} largest of n = {len(shots)}")


def check_shots(figure: style.Canvas, document: ResultRecord) -> None:
    """Misses of the check shots on the site's axes, with signs, their 95 % and the tolerance."""
    check = document.check
    assert check is not None  # else the page has no such figure
    shots = check.shots
    miss = 1000 * np.array([s.miss.numbers for s in shots])
    half = 1000 * TIMES_SD * np.array([s.sd.numbers for s in shots])
    beyond = np.linalg.norm(miss, axis=1) > 1000 * check.tolerance
    rows, every = thinned(len(shots), beyond, 60)
    place = np.arange(len(rows))
    tolerance = 1000 * check.tolerance
    reach = 1.2 * max((np.abs(miss) + half).max(), tolerance)
    panels = style.grid(figure, 3, share_x=True, between=(0.3, 0.28), bottom=1.2, top=0.48)[:, 0]
    for ax, axis, column, bars in zip(panels, AXES, miss.T, half.T, strict=True):
        style.zero_line(ax)
        style.limit_lines(ax, (-tolerance, tolerance))
        ax.errorbar(place, column[rows], yerr=bars[rows], fmt="none", ecolor=style.INK, capsize=2.5,
                    linewidth=0.9)
        points(ax, place, column[rows], beyond[rows].astype(int), 22)
        ax.set_xlim(-0.7, len(rows) - 0.3)
        ax.set_ylim(-reach, reach)
        ax.grid(axis="x", visible=False)
        ax.set_ylabel(f"{axis}, mm")
    # Ids where they have room beside each other.
    few = len(rows) <= 16
    panels[-1].set_xticks(place if few else [], [
        style.short(shots[i].shot, 18) for i in rows] if few else [], rotation=60, ha="right",
        rotation_mode="anchor")
    count = f"n = {len(shots)}" + ("" if every == 1 else f", 1 in {every} drawn")
    panels[0].set_title(f"Measured less predicted ({count}); bars: 95 %\n"
                        "dashed: the tolerance, which holds for the 3-D miss")


def noise(figure: style.Canvas, document: ResultRecord) -> None:
    """How many times its stated sd each kind of value scatters, with 95 %."""
    told = [n for n in document.noise or () if n.times is not None]
    ax = style.grid(figure, left=1.5)[0, 0]
    y = style.named_rows(ax, [spoken(n.name) for n in told])
    times = np.array([n.times for n in told])
    low = np.array([n.times if n.low95 is None else n.low95 for n in told])
    high = np.array([n.times if n.high95 is None else n.high95 for n in told])
    ax.errorbar(times, y, xerr=[np.maximum(times - low, 0), np.maximum(high - times, 0)],
                fmt="none", ecolor=style.INK, capsize=3, linewidth=1.1)
    points(ax, times, y, [int(n.differs) for n in told], 22)
    ax.axvline(1, color=style.INK, linewidth=0.9)
    ax.set_xlim(0, max(2.0, 1.08 * min(high.max(initial=1.0), 4 * times.max(initial=1.0))))
    ax.set_xlabel("times the stated sd; bars: 95 %")
    ax.set_title(f"n = {len(told)} kinds; 1 is as stated")
