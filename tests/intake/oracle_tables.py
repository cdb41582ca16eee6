"""What a careful person would read in a changed table of an import, stated without our reader.

Cells and their changes are those of `tests/run/oracle.py`; times have ways of their own to be
written.
"""

import tempfile
from pathlib import Path

import numpy as np

from calib.intake.declaration import declare
from calib.intake.files.log import gather, read_layout
from calib.intake.files.pointings import read_observations
from calib.intake.files.points import read_points
from calib.intake.files.times import TimeFormat
from calib.intake.matching.booking import read_booking
from calib.intake.matching.known_points import read_given, read_known
from calib.intake.matching.readings import read_sheet
from calib.run.complaints import Findings
from calib.run.rig_file import read_rig
from tests.run.conftest import RIG
from tests.run.oracle import READINGS, REFUSE, Change, Kind

_DECLARED = declare({
    "unit": "m", "frame": "ground", "pole": "applied", "angles": "deg",
    "instrument": {"direction": "5 arcsec", "zenith": "5 arcsec", "distance": "2 mm + 2 ppm"}})
_START = np.datetime64("2031-05-04T06:00:00.000")

POINTS = ("point,north,east,up,description\n"
          "1-left,1002.5,5001.25,41.125,edge\n"
          "1-right,1003.75,5001.5,-1.25,edge\n"
          "2-left,1004.5,5002.25,0.5,pin\n")
RAW = ("setup,point,direction,zenith,distance\n"
       "A,CP1,10.25,90.125,12.5\n"
       "A,1-left,11.75,89.25,14.25\n"
       "B,1-right,250.5,91.5,16.125\n")
BOOKED = ("point,pose,target,stand\n"
          "101,1,left,S1\n"
          "102,1,right,S1\n"
          "103,2,left,S2\n")
KNOWN = ("point,east,north,up,sd_east,sd_north,sd_up\n"
         "CP1,60.5,40.25,2.5,0.002,0.003,0.004\n"
         "CP2,61.5,41.25,-3.5,0.002,0.003,0.004\n"
         "CP3,62.5,42.25,0.125,0.002,0.003,0.005\n")
GIVEN = ("setup,east,north,up,instrument_height,orientation,sd_east,sd_north,sd_up,sd_orientation\n"
         "A,18.5,22.25,3.5,1.5,217.25,0.002,0.003,0.004,0.05\n"
         "B,34.5,-6.5,2.25,1.25,40.5,0.002,0.003,0.001,0.05\n"
         "C,35.5,-7.5,2.75,1.75,41.5,0.002,0.003,0.001,0.05\n")
SHEET = READINGS
LOG = "time," + READINGS.partition("\n")[0].split(",", 2)[2] + "\n" + "".join(
    f"{_START + np.timedelta64(500 * i, 'ms')}Z,0.25,-0.5,{30.25 + i / 4},-60.5,10.75,5.5,-120.25\n"
    for i in range(4))


def seconds_of(text):
    """A time with a Z, in seconds since 1970."""
    return float((np.datetime64(text[:-1]) - np.datetime64(0, "s")) / np.timedelta64(1, "s"))


def time_changes(text):
    """Ways to write a time of a log, and what each means."""
    seconds = seconds_of(text)
    for name, shape in (
        ("spaces around", f"  {text} "), ("quoted", f'"{text}"'), ("small z", text[:-1] + "z"),
        ("space between", text.replace("T", " ")), ("offset", text[:-1] + "+00:00"),
        ("another offset", text.replace("T06", "T08")[:-1] + "+02:00"),
        ("zeros behind", text[:-1] + "000Z"), ("comma", '"' + text.replace(".", ",") + '"'),
    ):
        yield Change(name, shape, seconds, True)
    for control in "\x07\x0b\x0c\x1b\x7f\x85\x9b\u2028\u202e\u200b\ufeff":
        yield Change(f"control {ord(control):#x}", text[:7] + control + text[7:], REFUSE)
        yield Change(f"control {ord(control):#x} behind", text + control, REFUSE)
    for name, shape in (
        ("no zone", text[:-1]), ("month 13", text.replace("-05-", "-13-")),
        ("day 31 of April", text.replace("-05-04", "-04-31")), ("empty", ""),
        ("hour 24", text.replace("T06", "T24")), ("second 61", text.replace(":00.", ":61.")),
        ("date alone", text[:10]), ("short year", text[2:]), ("letter O", text.replace("0", "O")),
        ("minus Unicode", text.replace("-", "\u2212")), ("far offset", text[:-1] + "+82:00"),
        ("full width", text.replace("5", "\uff15")), ("a number", "1935640800"),
        ("twice", f"{text} {text}"), ("two points", text.replace(".", "..")), ("words", "morning"),
        ("negative", "-" + text), ("half a day", text[:-1] + " PM"),
        ("other zone", text[:-1] + " CET"), ("very long", "2" * 100_000),
    ):
        if shape != text:
            yield Change(name, shape, REFUSE)


class Table(Kind):
    """A table of an import; a log of a recorder may have to be saved as UTF-8 first."""

    doubtful = ("row twice", "UTF-16")

    def __init__(self, name, text, numbers, read, ids=(), optional=(), times=()):
        super().__init__(name, text, numbers, (), read, ids, optional)
        self.times = times

    def expected(self):
        found = super().expected()
        return found | {(r, self.rows[0].index(name)): seconds_of(row[self.rows[0].index(name)])
                        for name in self.times for r, row in enumerate(self.rows[1:], 1)}

    def changes(self, row, column, rng):
        if self.rows[0][column] in self.times:
            return list(time_changes(self.rows[row][column]))
        return super().changes(row, column, rng)


def _rows(*columns):
    rows = zip(*(c.tolist() if hasattr(c, "tolist") else c for c in columns), strict=True)
    return {(r, c): cell for r, row in enumerate(rows, 1) for c, cell in enumerate(row)}


def kinds():
    """Every table of an import, with our reader of it."""
    told = Findings()
    rig = read_rig(RIG, "rig.toml", told)
    folder = tempfile.TemporaryDirectory(prefix="calib-oracle-")

    def stopped(read):
        def reader(data):
            findings = Findings()
            found = read(data, findings)
            findings.stop_if_at_fault()
            cells = _rows(*found())
            told = [n.says for n in findings.notices if n.line]
            if any(says.startswith("skipped") for says in told) or (
                    told and len({row for row, _ in cells}) < 3):
                findings.complain("f", None, None, "a row left out, and told", "")
            findings.stop_if_at_fault()
            return cells
        return reader

    @stopped
    def points(data, findings):
        p = read_points(data, "f", _DECLARED, findings)
        return lambda: (p.ids, p.position[:, 1], p.position[:, 0], p.position[:, 2],
                        p.description)

    @stopped
    def raw(data, findings):
        p = read_observations(data, "f", _DECLARED, findings)
        return lambda: (p.setup, p.ids, np.degrees(p.polar.direction), np.degrees(p.polar.zenith),
                        p.polar.distance)

    @stopped
    def booked(data, findings):
        sheet = read_booking(data, "f", {}, findings)
        return lambda: (sheet.points, *zip(*((b.pose, b.target, b.stand)
                                             for b in sheet.points.values()), strict=True))

    @stopped
    def known(data, findings):
        p = read_known(data, "f", "m", findings)
        return lambda: (p.ids, *p.position.T, *p.sd.T)

    @stopped
    def given(data, findings):
        found = read_given(data, "f", "m", None, findings)
        value = np.array([g.value for g in found.values()])
        sd = np.array([g.sd for g in found.values()])
        height = [1.5, 1.25, 1.75, 1.75][:len(found)]  # added to up: what is left is up
        return lambda: (found, *value[:, :2].T, value[:, 2] - height, height,
                        np.degrees(value[:, 3]), *sd[:, :3].T, np.degrees(sd[:, 3]))

    @stopped
    def sheet(data, findings):
        found = read_sheet(data, "f", rig, {}, findings)
        return lambda: (found, [r.stand for r in found.values()],
                        *np.array([r.values for r in found.values()]).T)

    @stopped
    def log(data, findings):
        path = Path(folder.name) / "log.csv"
        path.unlink(missing_ok=True)  # a file written over is flushed to the disk: 50 times slower
        path.write_bytes(data)
        layout = read_layout(path, findings, {n: () for n in rig.reading_names})
        findings.stop_if_at_fault()
        rows, _ = gather(path, layout, TimeFormat(), np.array([[-1e12, 1e12]]), findings)
        return lambda: (rows[0].seconds, *np.array(rows[0].readings).T)

    sds, axes = ["sd_east", "sd_north", "sd_up"], ["east", "north", "up"]
    names = list(rig.reading_names)
    return [
        Table("points", POINTS, axes, points, ids=["point", "description"],
              optional=["description"]),
        Table("raw observations", RAW, ["direction", "zenith", "distance"], raw,
              ids=["setup", "point"]),
        Table("booking sheet", BOOKED, [], booked, ids=["point", "pose", "target", "stand"],
              optional=["stand"]),
        Table("known points", KNOWN, axes + sds, known, ids=["point"], optional=sds),
        Table("set-ups measured", GIVEN, [*axes, "orientation", *sds, "sd_orientation"], given,
              ids=["setup"], optional=[*axes, "orientation", *sds, "sd_orientation"]),
        Table("sheet of readings", SHEET, names, sheet, ids=["pose", "stand"],
              optional=["stand"]),
        Table("log", LOG, names, log, times=["time"]),
    ]
