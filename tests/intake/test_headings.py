"""Headings in any language of the corpus, in every file that an import reads."""

import numpy as np
import pytest

from calib.intake.files.columns import header_name
from calib.intake.matching.booking import read_booking
from calib.intake.matching.known_points import read_known
from calib.intake.matching.readings import read_sheet
from calib.run.complaints import Findings


@pytest.mark.parametrize("header", [
    "point,east,north,up", "Punkt;Rechtswert;Hochwert;Höhe", "Piste;Itä;Pohjoinen;Korkeus",
    "Punktnr\tÖst\tNord\tHöjd", "Punto;Este;Norte;Cota", "shot,easting,northing,elevation (m)",
    "# measured in 2031\nPuntnummer;Oost;Noord;Hoogte"])
def test_known_points(header):
    """East, north, up of one point, whatever the columns are called."""
    mark = next(c for c in ",;\t" if c in header.splitlines()[-1])
    row = mark.join(("A1", "10.5", "20.5", "3.5"))
    findings = Findings()
    known = read_known(f"{header}\n{row}\n".encode(), "known.csv", "m", findings)
    assert not findings.complaints, findings.complaints
    assert known.ids == ("A1",)
    np.testing.assert_allclose(known.position, [[10.5, 20.5, 3.5]])


def test_a_stated_unit_that_was_not_declared_is_not_taken():
    """Feet in the header, metres declared: a complaint, never metres."""
    findings = Findings()
    read_known(b"point,east (ft),north (ft),up (ft)\nA,1,2,3\n", "known.csv", "m", findings)
    assert "no column" in "\n".join(map(str, findings.complaints))


@pytest.mark.parametrize("heading", ["pose", "Pose Nr", "Stellung", "Asento", "posture"])
def test_the_pose_of_a_sheet(rig, heading):
    """Also beside a column of the exact name, which goes first."""
    names = ",".join(rig.reading_names)
    numbers = ",".join("0" if "house" in name else f"{i}.5" for i, name in
                       enumerate(rig.reading_names))
    findings = Findings()
    found = read_sheet(f"{heading},{names}\n7,{numbers}\n".encode(), "sheet.csv", rig, {}, findings)
    assert not findings.complaints and list(found) == ["7"]


def test_a_booking_sheet_and_our_own_headings():
    """Two columns that could be the point: ours by name; ``shot`` is the id of a point."""
    findings = Findings()
    booked = read_booking(b"name;point;Stellung;Ziel\nx;5;1;edge_left\n", "booking.csv", {},
                          findings)
    assert not findings.complaints and list(booked.points) == ["5"]
    assert header_name("shot") == ("point", None) and header_name("Shot ID") == ("point", None)


@pytest.mark.parametrize(("heading", "name"), [
    ("Parked", "stand"), ("Standort", "stand"), ("Aufstellung", "stand"), ("Parking", "stand"),
    ("Antenna pole", "target_height"), ("Rod", "target_height"),
    ("Reflektorh\u00f6he", "target_height"), ("Local time", "time"),
    ("Instr. height", "instrument_height")])
def test_more_headings(heading, name):
    """What other crews call these."""
    assert header_name(heading)[0] == name


def sheet(rig, head, cells):
    """A sheet of two poses with columns before the readings."""
    names, numbers = ",".join(rig.reading_names), ",".join(
        "0" if "house" in name else f"{i}.5" for i, name in enumerate(rig.reading_names))
    return (f"{head},{names}\n1,{cells[0]},{numbers}\n2,{cells[1]},"
            + numbers.replace(".5", ".7") + "\n").encode()


@pytest.mark.parametrize(("heading", "headers"), [
    ("Parked", {}), ("Standort", {}), ("Bay", {"stand": "Bay"})])
def test_the_stand_of_a_sheet(rig, heading, headers):
    """Told by its heading or by a person; two stands are never taken for one."""
    findings = Findings()
    found = read_sheet(sheet(rig, f"pose,{heading}", "AB"), "s.csv", rig, headers, findings)
    assert not findings.complaints
    assert [pose.stand for pose in found.values()] == ["A", "B"]
