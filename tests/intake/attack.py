"""Damaged field files through the whole import, each outcome held against the true values.

An import may refuse, or give the true values. It may give others only where a person reading the
file would have to read them too, and then it says something. `silent` is the fault looked for.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from unittest.mock import patch

import numpy as np

from calib.intake.declaration import declare
from calib.intake.gather import gather_import
from calib.intake.request import Request
from calib.run.complaints import Findings, InputError
from calib.run.folder import read_run, rig_from_text
from tests.intake.damage import DAMAGE, REMARKABLE, Sheet
from tests.intake.field_files import RIG_TOML

READINGS = ("house_pitch", "house_roll", "boom", "stick", "coupler", "tilt", "rotate")
KNOWN = {"CP1": (1060.0, 5040.0, 52.0), "CP2": (975.0, 5035.0, 55.0), "CP3": (1010.0, 4955.0, 51.0)}
STATION, TURN = np.array([1038.0, 5032.0, 53.1]), np.radians(217.3)
TARGETS = {"left": "edge_left", "right": "edge_right"}
BASE = {"unit": "m", "frame": "ground", "pole": "applied", "ids": "{pose}-{target}",
        "targets": TARGETS}
INSTRUMENT = {"direction": "5 arcsec", "zenith": "5 arcsec", "distance": "2 mm + 2 ppm",
              "pointing": "1 mm"}
START = np.datetime64("2031-05-04T06:00:00.000")


TAPE = Sheet(("quantity", "value", "sd", "unit"), (
    ("boom_length", "5702.5", "5.0", "mm"), ("stick_length", "2903.0", "4.0", "mm"),
    ("edge_width", "1.5020", "0.0030", "m"), ("boom_zero", "0.25", "0.15", "deg"),
    ("edge_reach", "1.975", "0.040", "ft")), (1, 2))


@dataclass(frozen=True)
class Format:
    """One kind of field file: how it looks undamaged, and how it is imported."""

    name: str
    sheet: Sheet
    values: Callable[[str, Path, Findings], dict]
    tolerance: float = 1e-6
    without: tuple[str, ...] = ()


@dataclass
class Machine:
    """The invented truth: shots per pose and target, readings per pose."""

    shots: dict[str, np.ndarray]
    readings: dict[str, np.ndarray]

    @classmethod
    def drawn(cls, rng, poses=7):
        shots, readings = {}, {}
        for pose in range(1, poses + 1):
            middle = np.array([1010.0, 5002.0, 51.0]) + rng.uniform(-4, 4, 3)
            arm = rng.normal(size=3)
            arm *= 0.75 / np.linalg.norm(arm)
            for name, sign in (("left", 1), ("right", -1)):
                shots[f"{pose:02d}-{name}"] = np.round(middle + sign * arm, 4)
            readings[f"{pose:02d}"] = np.round(
                [rng.normal(0, 1), rng.normal(0, 1), rng.uniform(-10, 50), rng.uniform(-110, -50),
                 rng.uniform(-60, 60), rng.uniform(-30, 30), rng.uniform(-170, 170)], 3)
        return cls(shots, readings)


def formats(rng) -> list[Format]:
    """Every format, of one machine."""
    machine = Machine.drawn(rng)
    plain = tuple((name, f"{n:.4f}", f"{e:.4f}", f"{u:.4f}", "edge")
                  for name, (e, n, u) in machine.shots.items())
    pnezd = Sheet(None, plain, (1, 2, 3))
    head = Sheet(("Point", "Northing", "Easting", "Elevation", "Code"), plain, (1, 2, 3))
    order = {"order": "PNEZD"}
    return [
        Format("PNEZD, commas", pnezd, _points(order)),
        Format("PNEZ, commas", replace(pnezd, rows=tuple(r[:4] for r in plain)),
               _points({"order": "PNEZ"})),
        Format("PNEZD, semicolons", replace(pnezd, delimiter=";", decimal=","), _points(order)),
        Format("PNEZD, tabs", replace(pnezd, delimiter="\t"), _points(order)),
        Format("PNEZD, spaces", replace(pnezd, delimiter=" "), _points(order)),
        Format("points, header", head, _points({})),
        Format("points, header, semicolons", replace(head, delimiter=";", decimal=","),
               _points({})),
        *(Format(f"raw observations, {name}", sheet, _raw, 1e-5, ("row_exchanged",))
          for name, sheet in _raw_sheets(machine)),
        *(Format(f"LandXML, {name}", sheet, _landxml, 1e-6, ("dressed", "last_row_cut"))
          for name, sheet in _xml_sheets(plain)),
        Format("geographic", _geographic_sheet(machine), _geographic, 2e-4),
        Format("known points", _known_sheet(), _known(machine), 1e-5),
        Format("booking sheet", _booking_sheet(machine), _booking(machine), 1e-6,
               # Ids are any text; a line that begins with # is a comment, and told.
               ("copied_under_other_ids", "unit_in_cell", "too_large", "letters", "emptied")),
        Format("run folder, tape.csv", TAPE, _folder(machine, "tape.csv"), 1e-6,
               ("row_exchanged", "column_late")),
        *(Format(f"log, {name}", sheet, _log(machine), 0.05, ("row_exchanged", "column_late"))
          for name, sheet in _logs(machine, rng)),
        *(Format(f"sheet of readings, {name}", sheet, _sheet(machine), 1e-6, ("row_exchanged",))
          for name, sheet in _sheets(machine)),
        *(Format(f"run folder, {name}", sheet, _folder(machine, name), 1e-6,
                 () if name == "shots.csv" else ("row_exchanged",))
          for name, sheet in _folders(machine)[:2]),
    ]


def _values(imported):
    """Coordinates and readings by what they are of."""
    out = {f"shot {s.name}": (*s.position, s.booked.pose, s.booked.target)
           for s in imported.shots}
    for pose, readings in (imported.readings or {}).items():
        out[f"pose {pose}"] = tuple(readings.values)
    return out


def _import(folder, findings, declared, **files):
    return _values(gather_import(Request(
        points=(folder / "points.txt",), into=folder / "RUN", declared=declare(declared),
        **{key: folder / name for key, name in files.items()}), findings))


def _points(more):
    def values(text, folder, findings):
        (folder / "points.txt").write_text(text, encoding="utf-8", newline="")
        return _import(folder, findings, {**BASE, **more, "stand": "1"})

    return values


def _xml_sheets(plain):
    """The coordinates of CgPoints: cells with spaces between, wrapped later."""
    rows = tuple(r[:4] for r in plain)
    return (("metres", Sheet(None, rows, (1, 2, 3), delimiter=" ")),)


def _landxml(text, folder, findings):
    points = []
    for line in text.split("\n"):
        name, _, rest = line.partition(" ")
        if line.strip():
            points.append(f'<CgPoint name="{name}">{rest}</CgPoint>')
    (folder / "points.txt").write_text(
        '<?xml version="1.0"?>\n<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2">\n'
        '<Units><Metric linearUnit="meter"/></Units>\n<CgPoints>\n' + "\n".join(points)
        + "\n</CgPoints></LandXML>\n", encoding="utf-8", newline="")
    return _import(folder, findings, {**BASE, "stand": "1"})


def _points_file(machine, folder, times=None):
    rows = [f"{name},{n:.4f},{e:.4f},{u:.4f}" + (f",{times[name]}" if times else "")
            for name, (e, n, u) in machine.shots.items()]
    (folder / "points.txt").write_text("\n".join(rows) + "\n")


def _sheets(machine):
    rows = tuple((pose, "1", *(f"{v:.3f}" for v in values))
                 for pose, values in machine.readings.items())
    sheet = Sheet(("pose", "stand", *READINGS), rows, tuple(range(2, 9)))
    return (("commas", sheet), ("semicolons", replace(sheet, delimiter=";", decimal=",")),
            ("tabs", replace(sheet, delimiter="\t")))


def _sheet(machine):
    def values(text, folder, findings):
        _points_file(machine, folder)
        (folder / "sheet.csv").write_text(text, encoding="utf-8", newline="")
        return _import(folder, findings, {**BASE, "order": "PNEZ"}, sheet="sheet.csv")

    return values


def _stamp(seconds):
    return str(START + np.timedelta64(round(1000 * seconds), "ms")) + "Z"


def _logs(machine, rng):
    rows, seconds = [], 0.0
    for values in machine.readings.values():
        for _ in range(10):
            rows.append((_stamp(seconds), *(
                f"{v:.3f}" for v in values + 0.004 * rng.normal(size=len(values)))))
            seconds += 0.5
        seconds += 5.0
    sheet = Sheet(("time", *READINGS), tuple(rows), tuple(range(1, 8)))
    return (("commas", sheet), ("semicolons", replace(sheet, delimiter=";", decimal=",")))


def _log(machine):
    times = {name: _stamp(10.0 * (i // 2) + 2.0 + i % 2) for i, name in enumerate(machine.shots)}

    def values(text, folder, findings):
        _points_file(machine, folder, times)
        (folder / "log.csv").write_text(text, encoding="utf-8", newline="")
        return _import(folder, findings, {
            **BASE, "order": "point,north,east,up,time", "stand": "1",
            "log": {"window": 3.0}}, log="log.csv")

    return values


def _sight(point, name, rng):
    arm = point - STATION
    distance = np.linalg.norm(arm)
    direction, zenith = np.arctan2(arm[0], arm[1]) - TURN, np.arccos(arm[2] / distance)
    for face in (1, 2):
        h = np.degrees(direction if face == 1 else direction + np.pi) % 360
        v = np.degrees(zenith if face == 1 else 2 * np.pi - zenith)
        yield ("S1", name, str(face), f"{h:.5f}", f"{v:.5f}", f"{distance:.4f}")


def _raw_sheets(machine):
    rows = [row for name, place in KNOWN.items() for row in _sight(np.array(place), name, None)]
    rows += [row for name, place in machine.shots.items() for row in _sight(place, name, None)]
    sheet = Sheet(("setup", "point", "face", "Hz", "V", "slope distance"), tuple(rows), (3, 4, 5))
    return (("commas", sheet), ("semicolons", replace(sheet, delimiter=";", decimal=",")))


def _raw(text, folder, findings, known=None):
    (folder / "points.txt").write_text(text, encoding="utf-8", newline="")
    (folder / "known.csv").write_text(known or _known_sheet().text(), encoding="utf-8", newline="")
    return _import(folder, findings, {
        **BASE, "angles": "deg", "instrument": INSTRUMENT, "stand": "1"}, known="known.csv")


def _geographic_sheet(machine):
    """Latitude and longitude to 1e-9 deg on a small plane: metres per degree at 52.1 N."""
    rows = tuple((name, f"{52.1 + (n - 5000) / 111_260:.9f}", f"{5.3 + (e - 1010) / 68_500:.9f}",
                  f"{u:.4f}") for name, (e, n, u) in machine.shots.items())
    return Sheet(("point", "latitude", "longitude", "ellipsoidal height"), rows, (1, 2, 3))


def _geographic(text, folder, findings):
    (folder / "points.txt").write_text(text, encoding="utf-8", newline="")
    return _import(folder, findings, {
        **BASE, "frame": "geographic", "origin": [52.1, 5.3, 50.0], "stand": "1"})


def _known_sheet():
    return Sheet(("point", "east", "north", "up", "sd_east", "sd_north", "sd_up"), tuple(
        (name, *(f"{v:.3f}" for v in place), "0.002", "0.002", "0.003")
        for name, place in KNOWN.items()), (1, 2, 3))


def _known(machine):
    raw = _raw_sheets(machine)[0][1].text()

    def values(text, folder, findings):
        return _raw(raw, folder, findings, known=text)

    return values


def _booking_sheet(machine):
    return Sheet(("point", "pose", "target", "stand"), tuple(
        (str(101 + i), name[:2], name[3:], "1") for i, name in enumerate(machine.shots)), (0, 1))


def _booking(machine):
    rows = [f"{101 + i},{n:.4f},{e:.4f},{u:.4f}"
            for i, (e, n, u) in enumerate(machine.shots.values())]

    def values(text, folder, findings):
        (folder / "points.txt").write_text("\n".join(rows) + "\n")
        (folder / "booking.csv").write_text(text, encoding="utf-8", newline="")
        return _import(folder, findings, {
            "unit": "m", "frame": "ground", "pole": "applied", "targets": TARGETS,
            "order": "PNEZ"}, booking="booking.csv")

    return values


def _folders(machine):
    shots = tuple((name.replace("-", ""), name[:2], TARGETS[name[3:]], f"{e:.4f}", f"{n:.4f}",
                   f"{u:.4f}") for name, (e, n, u) in machine.shots.items())
    return (("shots.csv", Sheet(("shot", "pose", "target", "east", "north", "up"), shots,
                                (3, 4, 5))),
            ("readings.csv", _sheets(machine)[0][1]), ("tape.csv", TAPE))


def _folder(machine, damaged):
    def values(text, folder, findings):
        whole = dict(_folders(machine))
        run = folder / "run"
        run.mkdir(exist_ok=True)
        (run / "rig.toml").write_text(RIG_TOML)
        for name in whole:
            (run / name).write_text(text if name == damaged else whole[name].text(),
                                    encoding="utf-8", newline="")
        got = read_run(run, unfinished=True)
        for notice in got.notices:
            findings.note("", notice)
        out = {f"shot {i}": (*p, got.poses.ids[pose], got.rig.target_names[target])
               for i, p, pose, target in zip(got.shots.ids, got.shots.position, got.shots.pose,
                                             got.shots.target, strict=True)}
        out |= {f"tape {q}": (v, sd) for q, v, sd in zip(got.tape.quantities, got.tape.value,
                                                         got.tape.sd, strict=True)}
        return out | {f"pose {i}": tuple(np.degrees(r))
                      for i, r in zip(got.poses.ids, got.poses.readings, strict=True)}

    return values


def outcome(one: Format, truth: dict, baseline: set, text: str, folder: Path) -> tuple[str, str]:
    """refused, as meant, told or silent, and what was said; "broken" after a traceback."""
    findings = Findings()
    try:
        got = one.values(text, folder, findings)
    except InputError as error:
        return "refused", str(error)
    except Exception as error:
        return "broken", repr(error)
    if _same(got, truth, one.tolerance):
        return "as meant", ""
    news = [str(n) for n in findings.notices if str(n) not in baseline]
    return ("told" if news else "silent"), "; ".join(news) + " | " + _difference(got, truth)


def _same(got, truth, tolerance):
    return got.keys() == truth.keys() and all(
        _close(a, b, tolerance) for key in truth
        for a, b in zip(got[key], truth[key], strict=True))


def _close(a, b, tolerance):
    return a == b if isinstance(a, str) else bool(abs(a - b) <= tolerance)


def _difference(got, truth):
    for key in [*truth, *(k for k in got if k not in truth)]:
        if got.get(key) != truth.get(key):
            return f"{key}: {truth.get(key)} -> {got.get(key)}"
    return ""


def campaign(
    tries: int, seed: int, folder: Path, pairs: bool = False
) -> tuple[Counter, list[str]]:
    """Damage files at random; the run folder's rig, always the same, is read once.

    Parameters
    ----------
    pairs : bool
        Two kinds of damage in each file.

    Returns
    -------
    Counter of (damage, format, outcome)
    list of str
        Every fault: silent, broken, or only told where a complaint is due.
    """
    (folder / "RUN").mkdir(exist_ok=True)
    (folder / "RUN" / "rig.toml").write_text(RIG_TOML)
    with patch("calib.intake.request.rig_from_text", lru_cache(rig_from_text)):
        return _campaign(tries, np.random.default_rng(seed), folder, 2 if pairs else 1)


def _campaign(tries, rng, folder, times):
    counts, faults, done = Counter(), [], 0
    while done < tries:
        ready = []
        for one in formats(rng):
            findings = Findings()
            truth = one.values(one.sheet.text(), folder, findings)
            ready.append((one, truth, {str(n) for n in findings.notices}))
        for _ in range(min(200, tries - done)):
            one, truth, baseline = ready[rng.integers(len(ready))]
            kinds, sheet = _damaged(one, rng, times)
            if sheet is None:
                continue
            text = sheet.text()
            result, said = outcome(one, truth, baseline, text, folder)
            done += 1
            name = " + ".join(kinds)
            counts[name, one.name, result] += 1
            if result in ("silent", "broken") or (
                    result == "told" and not set(kinds) & set(REMARKABLE)):
                faults.append(f"{name} in {one.name}: {result}: {said}\n{text}")
    return counts, faults


def _damaged(one, rng, times):
    """Names of the damage done, and the sheet after it; None where it cannot be done."""
    kinds, sheet = [], one.sheet
    for _ in range(times):
        kind = DAMAGE[rng.integers(len(DAMAGE))]
        try:
            sheet = None if kind.__name__ in one.without else kind(sheet, rng)
        except (IndexError, ValueError):
            # The first damage left no such cell for the second.
            sheet = None
        if sheet is None:
            break
        kinds.append(kind.__name__)
    return kinds, sheet
