"""From files as read to shots in the site frame on the ground, each with its source."""

import numpy as np

from calib.intake.declaration import Declaration
from calib.intake.files.field_units import METRES, NAMES
from calib.intake.files.pointings import Pointings
from calib.intake.files.points import Points, to_site
from calib.intake.files.times import TimeText
from calib.intake.geometry import geographic
from calib.intake.geometry.polar import curvature_and_refraction, points, shot_covariance
from calib.intake.matching.booking import Booking
from calib.intake.matching.field_shots import FieldShot, Source
from calib.intake.matching.known_points import SetUp
from calib.run.complaints import Findings, lines_in_words, quote

_FAR_SIGHT = 60.0
"""Beyond this many metres curvature of the earth is worth a word (0.25 mm)."""


def scale_point(position: np.ndarray, declared: Declaration) -> np.ndarray | None:
    """The point of the grid that keeps its coordinates; None if nothing is scaled."""
    if declared.frame != "grid":
        return None
    if declared.about is not None:
        return np.array(declared.about)
    middle: np.ndarray = np.nanmean(position[:, :2], axis=0)
    return np.round(middle, 3)


def conversion_in_words(declared: Declaration, about: np.ndarray | None) -> str:
    """What is done to every coordinate, for the record."""
    numerator, denominator = METRES[declared.length_unit]
    parts = ["metres as written" if declared.unit == "m" else
             f"{NAMES[declared.length_unit]} times {numerator}/{denominator}"]
    if declared.factor is not None and about is not None:
        parts.append(f"grid to ground: divided by {declared.factor:.10g} about "
                     f"{about[0]:.3f}, {about[1]:.3f}")
    elif declared.origin is not None:
        latitude, longitude, height = declared.origin
        parts.append(f"WGS 84 to east, north, up at {latitude:.9g}, {longitude:.9g}, "
                     f"{height:.10g} m (topocentric)")
    else:
        parts.append("on the ground")
    parts.append({"applied": "pole height taken off before", "column": "pole height by column"}.get(
        str(declared.pole), f"pole height {declared.pole} {declared.unit} taken off"))
    return "; ".join(parts)


def scale_in_words(declared: Declaration) -> str:
    """What the combined factor does to 12 m, in mm."""
    assert declared.factor is not None
    effect = geographic.scale_effect(declared.factor) * 1000
    return (f"grid to ground by the combined factor {declared.factor:.10g}: 12 m on the ground "
            f"are {abs(effect):.1f} mm {'more' if effect > 0 else 'less'} than on the grid")


def shots_of_points(
    found: Points,
    declared: Declaration,
    about: np.ndarray | None,
    booking: Booking,
    with_times: bool,
    findings: Findings,
) -> list[FieldShot]:
    """The booked points of one file as shots."""
    booked = booking.book(found, range(len(found)), findings)
    position = to_site(found.position, declared, about)
    return _shots(found, booked, position, found.covariance, ("",) * len(found), declared,
                  with_times, conversion_in_words(declared, about), findings)


def shots_of_pointings(
    found: Pointings,
    declared: Declaration,
    placed: dict[str, SetUp],
    known: tuple[str, ...],
    booking: Booking,
    with_times: bool,
    findings: Findings,
) -> list[FieldShot]:
    """The booked pointings of one file as shots; sights to known points are none."""
    rows = [i for i in range(len(found)) if found.ids[i] not in known]
    if not rows:
        return []
    booked = booking.book(found, rows, findings)
    value = np.array([placed[s].value if s in placed else np.full(4, np.nan)
                      for s in found.setup])
    position = points(found.polar, value[:, :3], value[:, 3])
    assert declared.instrument is not None  # see `Declaration.lacks`
    covariance = shot_covariance(found.polar, value[:, 3], declared.instrument.sds())
    far = [found.lines[i][0] for i in booked if found.polar.distance[i] > _FAR_SIGHT]
    if far:
        worst = max(found.polar.distance[i] for i in booked)
        findings.note(found.file, f"sights over {_FAR_SIGHT:.0f} m ({lines_in_words(far)}): "
                      "curvature of the earth and refraction are left out, "
                      f"{curvature_and_refraction(worst) * 1000:.1f} mm in height at {worst:.0f} m")
    words = (f"polar from set-up; {NAMES[declared.length_unit]}, angles in {declared.angles}; "
             "target height taken off")
    return _shots(
        found, {row: what for row, what in booked.items() if found.setup[row] in placed}, position,
        covariance, ["" if name not in placed or placed[name].defines_site else name
                     for name in found.setup], declared, with_times, words, findings)


def _shots(found, booked, position, covariance, setups, declared, with_times, words, findings):
    """The booked rows as shots."""
    seconds = _seconds(found, declared, with_times, booked, findings)
    return [
        FieldShot(found.ids[row], what, position[row], covariance[row], seconds[row], setups[row],
                  (Source(found.file, found.lines[row], found.sha256, found.raw[row], words),))
        for row, what in booked.items()]


def _seconds(found, declared, with_times, booked, findings):
    """Time of every booked row; NaN where there is none."""
    times = declared.times()
    out, unread = np.full(len(found), np.nan), []
    for row in booked:
        if not found.time[row]:
            continue
        try:
            out[row] = times.parse(found.time[row])
        except TimeText as error:
            if with_times:
                findings.complain(found.file, found.lines[row][0], "time", quote(found.time[row]),
                                  f"{error} (--time-format, --time-zone)")
            else:
                unread.append(found.lines[row][0])
    if unread:
        findings.note(found.file, f"times not used ({lines_in_words(unread)}): not written like "
                      f"{times.says}", unread[0])
    return out
