"""Readers that may be given any bytes, each with what must hold whatever they are."""

import re
from collections.abc import Callable
from datetime import datetime
from decimal import Decimal

import numpy as np

from calib.intake.declaration import declare, read_profile
from calib.intake.files.landxml import read_landxml
from calib.intake.files.points import read_points
from calib.intake.files.times import ISO, SECONDS, TimeFormat, TimeText, parse_zone
from calib.run.complaints import Findings, InputError
from calib.run.numerals import NotANumber, parse_number
from calib.run.rig_file import read_rig
from calib.run.text import decode, read_grid

_FORMS = tuple(TimeFormat(pattern, zone) for pattern in (
    ISO, SECONDS, "%d.%m.%Y %H:%M:%S") for zone in (None, parse_zone("Europe/Oslo")))
_DECLARED = declare({"unit": "m", "frame": "ground", "pole": "applied"})


def text(data: bytes) -> None:
    """Every cell stands in the file, and a file without complaint has a row."""
    findings = Findings()
    content = decode(data, "a.csv", findings)
    if content is None:
        assert findings.complaints
        return
    for names in ((), ("pose", "east", "stand")):
        grid = read_grid(content, "a.csv", findings, names=names, numeric=("east",))
        assert grid is not None or findings.complaints
        bare = content.replace('""', '"')
        for row in grid.rows if grid else ():
            assert all(cell in bare or cell in content for cell in row.cells), row
    read_points(data, "a.csv", _DECLARED, Findings())


def numeral(data: bytes) -> None:
    """What is read as a number is the one that exact decimal arithmetic makes of the same text."""
    cell = data.decode("utf-8", "replace")
    for decimal in ".,":
        try:
            value = parse_number(cell, decimal)
        except NotANumber:
            continue
        exact = Decimal(cell.strip(" \t\u00a0").replace(",", "."))
        assert value == float(exact) and np.isfinite(value), cell


def time(data: bytes) -> None:
    """A time in ISO form is what the standard library reads; others are no fault."""
    cell = data.decode("utf-8", "replace")
    for form in _FORMS:
        try:
            found = form.parse(cell)
        except TimeText:
            continue
        assert np.isfinite(found), cell
        if form == TimeFormat():
            plain = re.sub(r"(?<=\d)[ ,;\t](?=\d\d:)", "T", cell.strip(), count=1)
            plain = re.sub(r"[.,](\d{1,6})\d*", r".\1", plain)
            assert abs(datetime.fromisoformat(plain).timestamp() - found) < 2e-6, cell
    try:
        parse_zone(cell[:8])
    except TimeText:
        pass


def landxml(data: bytes) -> None:
    """Points are whole and finite, or there is a complaint."""
    findings = Findings()
    found = read_landxml(data, "a.xml", "m", findings)
    assert (found is not None) or findings.complaints
    if found is not None:
        assert np.isfinite(found.north_east_up).all()
        assert len(found.names) == len(found.lines) == len(found.north_east_up)


def toml(data: bytes) -> None:
    """A rig or a profile, or complaints."""
    findings = Findings()
    content = decode(data, "rig.toml", findings)
    if content is not None:
        rig = read_rig(content, "rig.toml", findings)
        assert rig is not None or findings.complaints
    try:
        read_profile(data, "profile.toml")
    except InputError:
        pass


READERS: dict[str, Callable[[bytes], None]] = {
    reader.__name__: reader for reader in (text, numeral, time, landxml, toml)}

SEEDS: dict[str, tuple[str, ...]] = {
    "text": ("pose,stand,east\n1,A,2.5\n", "a;b\n1,5;\"x\"\n", "# c\nPoint,N,E,Z\n1,2,3,4\n",
             "P;Rechts;Hoch;H\u00f6he\n1;2,0;3,0;4,0\n", "N E Z\n1.0 2.0 3.0\n"),
    "numeral": ("1.5", "-0,25", "+1e-5", "1.234,5", "\u22122", "1'000.5", "0x10", "nan", " 5 "),
    "time": ("2031-05-04T09:30:00+02:00", "2031-05-04 09:30:00.25Z", "1900000000.5",
             "04.05.2031 09:30:00", "+05:30", "Etc/GMT-2"),
    "landxml": ('<?xml version="1.0"?><LandXML><Units><Metric linearUnit="meter"/></Units>'
                '<CgPoints><CgPoint name="1" desc="x">1.5 2.5 3.5</CgPoint></CgPoints></LandXML>',
                '<!DOCTYPE a [<!ENTITY b "c">]><LandXML>&b;</LandXML>'),
    "toml": ('template = "tilt_rotator"\n[shots]\nsd = { east = 0.002, north = 0.002, up = 0.002 }'
             "\n[readings.sd]\nboom = 0.05\n", 'unit = "m"\n[targets]\n"a" = "edge_left"\n',
             '[marks.dot]\non = "house"\nnear = [1.0, 2, 3]\n'),
}
