"""Imported shots and readings as the rows of a run folder's files, and the record of sources."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from calib.intake.setups import AXES, backsight_frame, covariance_columns, setup_frame
from calib.intake.shots import FieldShot
from calib.run.write import csv_text

if TYPE_CHECKING:
    from calib.intake.gather import Imported

SOURCES = "sources.csv"


def run_files(imported: "Imported") -> dict[str, str]:
    """The text of every file that an import makes, rig.toml left out.

    Parameters
    ----------
    imported : calib.intake.gather.Imported
    """
    files = {
        "shots.csv": csv_text(shot_frame(imported.shots)),
        SOURCES: csv_text(source_frame(imported)),
    }
    if not imported.kept_readings:
        files["readings.csv"] = csv_text(reading_frame(imported))
    if imported.check:
        files["check.csv"] = csv_text(shot_frame(imported.check))
    if any(not s.defines_site for s in imported.placed.values()):
        files["setups.csv"] = csv_text(setup_frame(imported.placed))
        files["backsights.csv"] = csv_text(backsight_frame(imported.backsights))
    return files


def shot_frame(shots: Sequence[FieldShot]) -> pd.DataFrame:
    """The rows of shots.csv or check.csv: coordinates to 0.01 mm."""
    frame = pd.DataFrame({
        "shot": [s.name for s in shots],
        "pose": [s.booked.pose for s in shots],
        "target": [s.booked.target for s in shots],
    })
    position = np.array([s.position for s in shots])
    for i, axis in enumerate(AXES):
        frame[axis] = [float(f"{v:.5f}") for v in position[:, i]]
    covariance = np.array([s.covariance for s in shots])
    if np.isfinite(covariance).any():
        covariance_columns(frame, covariance)
    if any(s.setup for s in shots):
        frame["setup"] = [s.setup for s in shots]
    seconds = [s.seconds for s in shots]
    if np.isfinite(seconds).any():
        frame["time"] = [_moment(s) for s in seconds]
    return frame


def reading_frame(imported: "Imported") -> pd.DataFrame:
    """The rows of readings.csv; empty cells where there are no readings yet."""
    poses = list(imported.stands)
    extra = [p for p in imported.readings or {} if p not in imported.stands]
    frame = pd.DataFrame({
        "pose": poses + extra,
        "stand": [imported.stands[p] for p in poses]
        + [imported.readings[p].stand or "1" for p in extra],
    })
    names = imported.rig.reading_names
    if imported.readings is None:
        for name in names:
            frame[name] = np.nan
        return frame
    rows = [imported.readings[p] for p in poses + extra]
    for i, name in enumerate(names):
        frame[name] = [float(f"{r.values[i]:.4f}") for r in rows]
    for i, name in enumerate(names):
        if any(np.isfinite(r.sd[i]) for r in rows):
            frame[f"sd_{name}"] = [r.sd[i] for r in rows]
    if any(np.isfinite(r.seconds) for r in rows):
        frame["time"] = [_moment(r.seconds) for r in rows]
    return frame


def source_frame(imported: "Imported") -> pd.DataFrame:
    """Which number came from where: one row per shot and per pose's readings."""
    out = []
    for file, shots in (("shots.csv", imported.shots), ("check.csv", imported.check)):
        for shot in shots:
            words = f"mean of {len(shot.sources)} shots; " if len(shot.sources) > 1 else ""
            out += [(file, shot.name, s.file, _lines(s.lines), s.sha256, s.raw,
                     words + s.conversion) for s in shot.sources]
    for pose, readings in (imported.readings or {}).items():
        s = readings.source
        out.append(("readings.csv", pose, s.file, _lines(s.lines, "-"), s.sha256, s.raw,
                    s.conversion))
    out += [("backsights.csv", row, s.file, _lines(s.lines), s.sha256, s.raw, s.conversion)
            for row, s in imported.sights]
    columns = ["file", "row", "source", "lines", "sha256", "as_written", "conversion"]
    frame = pd.DataFrame(out, columns=columns)
    frame["as_written"] = [" ".join(text.split()) for text in frame["as_written"]]
    return frame


def _lines(lines, between=" "):
    return between.join(str(n) for n in lines)


def _moment(seconds):
    if not np.isfinite(seconds):
        return None
    when = datetime.fromtimestamp(round(seconds, 3), UTC)
    return when.isoformat(timespec="milliseconds").replace("+00:00", "Z")
