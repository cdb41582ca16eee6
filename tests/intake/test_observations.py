"""Raw total-station files: units of angle, faces, set-ups, and what is refused."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.intake.declaration import declare
from calib.intake.files.field_units import AngleText, parse_dms, parse_packed_dms
from calib.intake.files.pointings import read_observations
from calib.run.complaints import Findings

INSTRUMENT = {"direction": "5 arcsec", "zenith": "5 arcsec", "distance": "2 mm + 2 ppm",
              "pointing": "1 mm"}
HEAD = "setup,point,face,direction,zenith,slope distance\n"


def read(text, **declared):
    """Pointings and findings."""
    findings = Findings()
    found = read_observations(
        text.encode(), "raw.txt",
        declare({"unit": "m", "frame": "ground", "pole": "applied", "angles": "deg",
                 "instrument": INSTRUMENT, **declared}), findings)
    return found, findings, "\n".join(str(c) for c in findings.complaints)


@given(st.floats(0, 359.99), st.integers(0, 4))
def test_degrees_minutes_seconds_round_trip(degrees, digits):
    """Written with any of the usual marks, or packed, an angle comes back to its digits."""
    total = round(degrees * 3600, digits)
    d, m, s = int(total // 3600), int(total % 3600 // 60), total % 60
    seconds = f"{s:0{3 + digits if digits else 2}.{digits}f}"
    if float(seconds) >= 60:
        return
    expected = math.radians((d * 3600 + m * 60 + float(seconds)) / 3600)
    for text in (f"{d} {m:02d} {seconds}", f"{d}-{m:02d}-{seconds}", f"{d}°{m:02d}'{seconds}\"",
                 f"{d}:{m:02d}:{seconds}", f"{d}° {m:02d}′ {seconds}″"):
        assert parse_dms(text) == pytest.approx(expected, abs=1e-12)
    packed = f"{d}.{m:02d}{seconds.replace('.', '')}"
    assert parse_packed_dms(packed) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("text", ["12 60 00", "12 00 60", "12.5", "a b c", "", "12 30 30 10"])
def test_what_is_no_dms(text):
    """Sixty minutes, one number alone, letters: refused."""
    with pytest.raises(AngleText):
        parse_dms(text)


def test_one_number_asks_which_it_is():
    """123.4506 can be decimal or packed: the message names both."""
    with pytest.raises(AngleText, match="packed-dms; if decimal, deg"):
        parse_dms("123.4506")


@pytest.mark.parametrize(("angles", "direction", "zenith"), [
    ("deg", "90.5", "89.25"), ("dms", "90 30 00", "89 15 00"), ("packed-dms", "90.3", "89.15"),
    ("gon", "100.555555556", "99.166666667"),
])
def test_units_of_angle(angles, direction, zenith):
    """The same sight in four units."""
    found, _, told = read(HEAD + f"A,1-left,1,{direction},{zenith},12.5\n", angles=angles)
    assert not told
    assert np.degrees(found.polar.direction[0]) == pytest.approx(90.5, abs=1e-8)
    assert np.degrees(found.polar.zenith[0]) == pytest.approx(89.25, abs=1e-8)


def test_faces_are_joined():
    """Two faces make one pointing, free of the instrument's errors; lines of both are kept."""
    found, findings, told = read(
        HEAD + "A,1-left,1,10.001,89.998,12.500\nA,1-left,2,190.003,270.004,12.502\n")
    assert not told
    assert len(found) == 1 and found.polar.both_faces.all()
    assert np.degrees(found.polar.direction[0]) == pytest.approx(10.002)
    assert np.degrees(found.polar.zenith[0]) == pytest.approx(89.997)
    assert found.polar.distance[0] == pytest.approx(12.501)
    assert found.lines == ((2, 3),)
    assert any("collimation +3.6" in n.says for n in findings.notices)


def test_face_two_alone_is_turned():
    """A single face 2 reads what face 1 would, less certain, and that is said."""
    found, findings, _ = read(HEAD + "A,1-left,2,190.0,270.5,12.5\n")
    assert np.degrees(found.polar.direction[0]) == pytest.approx(10.0)
    assert np.degrees(found.polar.zenith[0]) == pytest.approx(89.5)
    assert not found.polar.both_faces[0]
    assert any("one face only" in n.says for n in findings.notices)


def test_two_sets_of_faces_are_two_pointings():
    """F1 F2 F1 F2 to one point: two pointings, in order."""
    found, *_ = read(HEAD + "A,P,1,10,90,12.50\nA,P,2,190,270,12.50\n"
                     "A,P,1,10,90,12.60\nA,P,2,190,270,12.60\n")
    assert found.lines == ((2, 3), (4, 5))
    assert found.polar.distance.tolist() == [12.5, 12.6]


def test_faces_to_different_points_are_told():
    """A face 2 that is 20 mm aside stands out against the others."""
    rows = "".join(f"A,P{i},1,{10 + i},90.0,12.5\nA,P{i},2,{190 + i},270.0,12.5\n"
                   for i in range(6))
    found, findings, told = read(HEAD + rows.replace("A,P3,2,193,", "A,P3,2,193.18,"))
    assert not told and len(found) == 6
    assert any("line 8: was the same point" in n.says for n in findings.notices)


@pytest.mark.parametrize(("row", "words"), [
    ("A,1-left,1,10,270,12.5", "face 1 below"),
    ("A,1-left,3,10,90,12.5", "1 or 2"),
    ("A,1-left,1,10,0,12.5", "zenith angle"),
    ("A,1-left,1,10,90,-12.5", "column distance"),
    ("A,1-left,1,10,90,0", "column distance"),
    ("A,1-left,1,1O,90,12.5", "letter O"),
    ("A,1-left,1,10°,90,12.5", "degree sign"),
    ("A,1-left,1,370,90,12.5", "column direction"),
    (",1-left,1,10,90,12.5", "column setup"),
    ("A,,1,10,90,12.5", "column point"),
])
def test_bad_rows(row, words):
    """Each is a complaint with its line."""
    _, _, told = read(HEAD + row + "\nA,2-left,1,20,90,12.5\n")
    assert "raw.txt line 2" in told and words in told


def test_heights_of_the_target():
    """By column, declared once, or none because the edge itself was sighted."""
    with_column = HEAD.strip() + ",target height\nA,1,1,10,90,12.5,1.5\n"
    assert read(with_column, pole="column")[0].polar.target_height.tolist() == [1.5]
    plain = HEAD + "A,1,1,10,90,12.5\n"
    assert read(plain, pole=1.3)[0].polar.target_height.tolist() == [1.3]
    assert read(plain)[0].polar.target_height.tolist() == [0.0]


def test_no_setup_column():
    """All rows are one set-up, and that is said."""
    found, findings, _ = read("point,hz,v,distance\n1-left,10,90,12.5\n")
    assert found.setup == ("1",)
    assert any("one set-up" in n.says for n in findings.notices)


def test_spaces_inside_angles_are_no_delimiters():
    """Commas between cells, spaces inside angles, no header: the declared order tells."""
    found, _, told = read(
        "1-left,12.5,10 30 00,89 15 00\n1-right,12.6,11 30 00,89 15 00\n", angles="dms",
        order="point,distance,direction,zenith")
    assert not told
    assert found.ids == ("1-left", "1-right")
    assert found.polar.distance.tolist() == [12.5, 12.6]
    assert np.degrees(found.polar.direction).round(6).tolist() == [10.5, 11.5]
