"""What an import understood, for a person to check before anything is solved."""

import io
from collections.abc import Iterable
from textwrap import wrap

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from calib.intake.run_files import Imported

_WIDEST = 24
"""Letters of an id that are shown."""


def preview(imported: Imported) -> str:
    """A text of counts, conversions, first and last rows; at most 100 columns."""
    shots, check = imported.shots, imported.check
    poses = dict.fromkeys(s.booked.pose for s in shots)
    targets = dict.fromkeys(s.booked.target for s in shots)
    lines = ["Understood:"]
    for text in imported.understood:
        lines += wrap(text, 96, initial_indent="  ", subsequent_indent="    ")
    counts = [f"{len(shots)} shots", f"{len(check)} check shots", f"{len(poses)} poses",
              f"{len(set(imported.stands.values()))} stand(s)"]
    if imported.placed:
        counts.append(f"{len(imported.placed)} set-up(s)")
    with_sd = sum(bool(np.isfinite(s.covariance).all()) for s in shots)
    lines += [
        "", "Counts: " + ", ".join(counts),
        "Targets: " + ", ".join(targets),
        f"Shots with standard deviations of their own: {with_sd} of {len(shots)}"
        + ("" if with_sd == len(shots) else " (the others have those of rig.toml)"),
        "Readings: " + _readings_in_words(imported), "",
    ]
    lines += _shot_rows(shots)
    size = np.ptp([s.position for s in shots], axis=0)
    lines.append(f"Extent: {size[0]:.2f} m east, {size[1]:.2f} m north, {size[2]:.2f} m up")
    lines += _reading_rows(imported)
    return "\n".join(lines)


def _shot_rows(shots):
    """First and last shots, a line each."""
    shown = shots if len(shots) <= 7 else [*shots[:3], *shots[-3:]]
    cells = [("shot", "pose", "target", "east m", "north m", "up m", "from"), *(
        (_cut(shot.name), _cut(shot.booked.pose), shot.booked.target,
         *(f"{x:.4f}" for x in shot.position), shot.place) for shot in shown)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    lines = ["  ".join(cell.rjust(w) if 3 <= i < 6 else cell.ljust(w)
                       for i, (cell, w) in enumerate(zip(row, widths, strict=True))).rstrip()
             for row in cells]
    return lines if len(shown) == len(shots) else [
        *lines[:4], f"... {len(shots) - 6} more ...", *lines[4:]]


def _cut(name):
    return name if len(name) <= _WIDEST else name[:_WIDEST - 3] + "..."


def _readings_in_words(imported):
    if imported.kept_readings:
        return "readings.csv of the run folder, kept"
    if imported.readings is None:
        return "none yet"
    return f"{len(imported.readings)} poses"


def _reading_rows(imported):
    """First and last poses with their readings, a line each."""
    if not imported.readings:
        return []
    names = imported.rig.reading_names
    width = max(min(11, 84 // max(len(names), 1) - 1), 7)
    unit = "deg, strokes in m" if imported.rig.strokes else "deg"
    poses = list(imported.readings)
    shown = poses if len(poses) <= 7 else [*poses[:3], None, *poses[-3:]]
    wide = max(4, *(len(_cut(pose)) for pose in shown if pose))
    lines = ["", f"Readings, {unit}:", f"{'pose':{wide}} {'stand':6} "
             + " ".join(f"{name[:width]:>{width}}" for name in names)]
    for pose in shown:
        if pose is None:
            lines.append(f"... {len(poses) - 6} more ...")
            continue
        values = imported.readings[pose].values
        lines.append(f"{_cut(pose):{wide}} {_stand_of(imported, pose):6} "
                     + " ".join(f"{value:{width}.2f}" for value in values))
    return lines


def _stand_of(imported, pose):
    return imported.stands.get(pose) or imported.readings[pose].stand or "1"


def document(imported: Imported, notices: Iterable[object]) -> dict:
    """The same for a program."""
    return {
        "schema": 1,
        "understood": imported.understood,
        "notices": [str(n) for n in notices],
        "shots": len(imported.shots),
        "check_shots": len(imported.check),
        "poses": len(imported.stands),
        "stands": sorted(set(imported.stands.values())),
        "set_ups": list(imported.placed),
        "readings": None if imported.readings is None else len(imported.readings),
        "clock_offset": None if imported.clock is None else {
            "seconds": imported.clock.offset, "bound": imported.clock.bound},
        "first": _row(imported.shots[0]),
        "last": _row(imported.shots[-1]),
        **_reading_records(imported),
    }


def _reading_records(imported):
    """Readings of the first and the last pose."""
    if not imported.readings:
        return {}
    poses = list(imported.readings)
    return {
        key: {"pose": pose, "stand": _stand_of(imported, pose), **dict(zip(
            imported.rig.reading_names,
            (round(float(v), 4) for v in imported.readings[pose].values), strict=True))}
        for key, pose in (("first_readings", poses[0]), ("last_readings", poses[-1]))}


def _row(shot):
    return {
        "shot": shot.name, "pose": shot.booked.pose, "target": shot.booked.target,
        **dict(zip(("east", "north", "up"), (round(float(v), 5) for v in shot.position),
                   strict=True)),
    }


def plan_png(imported: Imported) -> bytes:
    """Plan view of the shots, known points and set-ups, as PNG.

    Every target has a shape of its own; north is up, axes are of one scale.
    """
    figure = Figure(figsize=(7, 7), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    shots = imported.shots + imported.check
    middle = np.median([s.position for s in shots], axis=0)
    for marker, target in zip("osv^DPX*<>", dict.fromkeys(s.booked.target for s in shots),
                              strict=False):
        at = np.array([s.position for s in shots if s.booked.target == target]) - middle
        axes.plot(at[:, 0], at[:, 1], marker, mfc="none", label=f"{target} (n = {len(at)})")
    if imported.backsights is not None and len(imported.backsights.point):
        at = imported.backsights.known - middle
        axes.plot(at[:, 0], at[:, 1], "k2", ms=12, label="known points")
        where = np.array([s.value[:3] for s in imported.placed.values()]) - middle
        axes.plot(where[:, 0], where[:, 1], "k1", ms=12, label="instrument")
    axes.set_aspect("equal", "datalim")
    axes.grid(alpha=0.3)
    axes.set_xlabel(f"east of {middle[0]:.2f}, m")
    axes.set_ylabel(f"north of {middle[1]:.2f}, m")
    axes.set_title(f"Plan view of {len(shots)} imported shots")
    # Names are text: a $ in one begins no formula.
    for text in axes.legend(fontsize="small").get_texts():
        text.set_parse_math(False)
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=110, metadata={"Software": None})
    return out.getvalue()
