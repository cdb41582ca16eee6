"""What an import is: as the rows of a run folder's files, and the record of sources."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from calib.chain.rig import Rig
from calib.intake.matching.clock import ClockOffset
from calib.intake.matching.field_shots import FieldShot, Source
from calib.intake.matching.known_points import AXES, Backsights, SetUp
from calib.intake.matching.readings import PoseReadings
from calib.run.observed import COVARIANCES, PAIRS
from calib.run.write import csv_text


@dataclass
class Imported:
    """What came out, before anything is written."""

    rig: Rig
    rig_toml: str | None
    #: How each file was read, and what was done to its numbers.
    understood: list[str] = field(default_factory=list)
    shots: list[FieldShot] = field(default_factory=list)
    check: list[FieldShot] = field(default_factory=list)
    readings: dict[str, PoseReadings] | None = None  #: None: none were given.
    kept_readings: bool = False  #: The run folder's own readings.csv is left as it is.
    stands: dict[str, str] = field(default_factory=dict)
    placed: dict[str, SetUp] = field(default_factory=dict)
    backsights: Backsights | None = None
    #: Row of backsights.csv in words, and where it came from.
    sights: list[tuple[str, Source]] = field(default_factory=list)
    clock: ClockOffset | None = None
    #: What the files show and nobody has explained: to look into before it is solved.
    left_open: list[str] = field(default_factory=list)

    def files(self) -> dict[str, str]:
        """Name to text of every file for the run folder."""
        files = {
            "shots.csv": csv_text(_shot_frame(self.shots)),
            "sources.csv": csv_text(_source_frame(self)),
        }
        if not self.kept_readings:
            files["readings.csv"] = csv_text(_reading_frame(self))
        if self.check:
            files["check.csv"] = csv_text(_shot_frame(self.check))
        if self.backsights and any(not s.defines_site for s in self.placed.values()):
            files["setups.csv"] = csv_text(_setup_frame(self.placed))
            files["backsights.csv"] = csv_text(_backsight_frame(self.backsights))
        if self.rig_toml is not None:
            files["rig.toml"] = self.rig_toml
        return files


def _shot_frame(shots: Sequence[FieldShot]) -> pd.DataFrame:
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
        _covariance_columns(frame, covariance)
    if any(s.setup for s in shots):
        frame["setup"] = [s.setup for s in shots]
    seconds = [s.seconds for s in shots]
    if np.isfinite(seconds).any():
        frame["time"] = [_moment(s) for s in seconds]
    return frame


def _reading_frame(imported: Imported) -> pd.DataFrame:
    """The rows of readings.csv; empty cells where there are no readings yet."""
    poses = list(imported.stands)
    readings = imported.readings or {}
    extra = [p for p in readings if p not in imported.stands]
    frame = pd.DataFrame({
        "pose": poses + extra,
        "stand": [imported.stands[p] for p in poses]
        + [readings[p].stand or "1" for p in extra],
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
    for column in imported.rig.pose_columns:
        if any(r.noted.get(column.name) for r in rows):
            frame[column.name] = [r.noted.get(column.name, "") for r in rows]
    if any(np.isfinite(r.seconds) for r in rows):
        frame["time"] = [_moment(r.seconds) for r in rows]
    return frame


def _source_frame(imported: Imported) -> pd.DataFrame:
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


def _setup_frame(placed: dict[str, SetUp]) -> pd.DataFrame:
    """The rows of setups.csv."""
    rows = []
    for s in placed.values():
        value = [*np.round(s.value[:3], 5), round(float(np.degrees(s.value[3])), 7)]
        sd = [*np.round(s.sd[:3], 6), round(float(np.degrees(s.sd[3])), 7)]
        rows.append([s.name, *value, *sd])
    names = (*AXES, "orientation")
    return pd.DataFrame(rows, columns=["setup", *names, *(f"sd_{n}" for n in names)])


def _backsight_frame(b: Backsights) -> pd.DataFrame:
    """The rows of backsights.csv."""
    frame = pd.DataFrame({"setup": b.setup, "point": b.point})
    frame[[*AXES]] = np.round(b.position, 5)
    _covariance_columns(frame, b.covariance)
    frame[[f"known_{axis}" for axis in AXES]] = np.round(b.known, 5)
    frame[[f"known_sd_{axis}" for axis in AXES]] = np.where(b.known_sd > 0, b.known_sd, np.nan)
    return frame


def _covariance_columns(frame: pd.DataFrame, covariance: np.ndarray) -> None:
    """Add sd_* and cov_* columns (m, m^2) to a frame; NaN where nothing is known."""
    for i, axis in enumerate(AXES):
        frame[f"sd_{axis}"] = _digits(np.sqrt(covariance[:, i, i]), 6)
    for (i, j), name in zip(PAIRS, COVARIANCES, strict=True):
        frame[name] = _digits(covariance[:, i, j], 6)


def _digits(values, digits):
    """Rounded to significant digits, so that files stay readable."""
    return [float(f"{v:.{digits}g}") if np.isfinite(v) else np.nan for v in values]
