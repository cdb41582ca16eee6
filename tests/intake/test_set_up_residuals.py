"""Backsights that disagree stop the import, and what is wrong is said where it can be told."""

import re

import numpy as np
import pytest

from tests.intake import test_import_field_day as field_day
from tests.intake.field_files import PLAIN, job_lines
from tests.intake.test_import_field_day import INSTRUMENT, KNOWN, sights

WRITE = {
    "deg": lambda a: f"{np.degrees(a) % 360:.5f}",
    "gon": lambda a: f"{np.degrees(a) % 360 / 0.9:.5f}",
    "packed-dms": lambda a: "{}.{:02d}{:03d}".format(
        *((t := round(float(np.degrees(a) % 360) * 36000)) // 36000, t // 600 % 60, t % 600)),
    "dms": field_day.dms,
}


@pytest.fixture
def raw(field, run, monkeypatch):
    """A maker of raw.csv with angles written in a unit, and of known.csv."""

    def write(unit, known=KNOWN, lift=None, seed=12, sd=0.002):
        monkeypatch.setattr(field_day, "dms", WRITE[unit])
        rng = np.random.default_rng(seed)
        lines = ["setup,point,face,Hz,V,slope distance\n"]
        names = [line.split(",")[0] for line in job_lines(run)]
        for number, station in enumerate(field_day.STATIONS):
            for name, place in KNOWN.items():
                up = place[2] + (lift or {}).get(name, 0.0)
                noisy = np.array([*place[:2], up]) + 0.5 * sd * rng.normal(size=3)
                lines += sights(station, noisy, name, rng)
            for name, target in list(zip(names, run.shots.position, strict=True))[number::2]:
                lines += sights(station, target, name, rng)
        (field / "raw.csv").write_text("".join(lines))
        (field / "known.csv").write_text("point,east,north,up,sd_east,sd_north,sd_up\n" + "".join(
            f"{name},{e},{n},{u},{sd},{sd},{sd}\n" for name, (e, n, u) in known.items()))

    return write


def declared(angles):
    """The options of the command."""
    return ["raw.csv", "--into", "RUN", *PLAIN[2:], "--angles", angles, *INSTRUMENT[2:], "--known",
            "known.csv", "--sheet", "sheet.csv"]


@pytest.mark.parametrize("unit", list(WRITE))
def test_sound_backsights_are_shown(calib, raw, unit):
    """Residuals, chi-square and its limit stand in what was understood."""
    raw(unit)
    status, out, err = calib(*declared(unit))
    assert status == 0, err
    words = " ".join(out.split())
    assert "set-up A: 3 sights to 3 known points, residuals up to" in words
    assert "chi-square" in words and "5 degrees of freedom" in words
    assert re.search(r"east, north, up, mm: CP\w+ [+-]\d+\.\d [+-]\d+\.\d [+-]\d+\.\d; CP", words)


@pytest.mark.parametrize(("written", "said"), [
    ("packed-dms", "deg"), ("deg", "gon"), ("gon", "deg"), ("packed-dms", "gon")])
def test_angles_declared_in_another_unit(calib, field, raw, written, said):
    """The true unit makes the backsights agree: it is named. Nothing is written."""
    raw(written)
    status, _, err = calib(*declared(said))
    assert status == 3, err
    if "set-up A" in err:
        assert f"read as {written} they agree" in err and f"--angles {written}" in err
    assert not (field / "RUN").exists()


def test_packed_angles_declared_as_degrees_are_recognised(calib, raw):
    """The case that imported cleanly: the sentence is there for each set-up."""
    raw("packed-dms")
    _, _, err = calib(*declared("deg"))
    assert err.count("read as packed-dms they agree") == 2


def test_a_wrong_known_point(calib, raw):
    """CP2 is 8 cm east of where it was booked: without it the rest agrees."""
    known = {**KNOWN, "CP2": (KNOWN["CP2"][0] + 0.08, *KNOWN["CP2"][1:])}
    raw("deg", known=known)
    status, _, err = calib(*declared("deg"))
    assert status == 3
    assert "without CP2 they agree" in err and "without CP1" not in err


@pytest.mark.parametrize("what", ["east and north of the known points", "CP1 and CP3"])
def test_known_points_exchanged(calib, raw, what):
    """Columns of the list, or two names: recognised, and said."""
    if what.startswith("east"):
        known = {name: (n, e, u) for name, (e, n, u) in KNOWN.items()}
    else:
        known = {**KNOWN, "CP1": KNOWN["CP3"], "CP3": KNOWN["CP1"]}
    raw("deg", known=known)
    status, _, err = calib(*declared("deg"))
    assert status == 3
    assert f"with {what} exchanged they agree" in err


def test_a_wrong_height(calib, raw):
    """A pole of another height at one point: only heights disagree."""
    raw("deg", lift={"CP1": 0.10, "CP3": -0.06})
    status, _, err = calib(*declared("deg"))
    assert status == 3
    assert "only the heights disagree" in err


def test_sound_set_ups_are_seldom_refused(calib, raw):
    """Errors as stated, 12 field days of 2 set-ups: none refused (one in 1000 each would be)."""
    for seed in range(12):
        raw("deg", seed=100 + seed)
        status, _, err = calib(*declared("deg"), "--replace")
        assert status == 0, err


def alone(field, faces):
    """raw.csv cut to the shots of one set-up, no known point; one face only if wanted."""
    head, *rows = (field / "raw.csv").read_text().splitlines()
    rows = [row for row in rows if row.startswith("A,") and ",CP" not in row
            and (faces == 2 or row.split(",")[2] == "1")]
    (field / "raw.csv").write_text("\n".join([head, *rows]) + "\n")


@pytest.mark.parametrize(("written", "said"), [
    ("gon", "deg"), ("packed-dms", "deg"), ("deg", "gon"), ("packed-dms", "gon")])
def test_faces_tell_another_unit(calib, field, raw, written, said):
    """Without a known point: both faces give an index error that no instrument has."""
    raw(written)
    alone(field, 2)
    options = [o for o in declared(said) if o not in ("--known", "known.csv")]
    status, _, err = calib(*options)
    assert status == 3, err
    assert "another unit" in err or "packed-dms" in err or "-360 to 360" in err


@pytest.mark.parametrize("faces", [1, 2])
def test_digits_tell_packed_angles(calib, field, raw, faces):
    """Two dozen angles without a minute or a second above 59 are not decimal by chance."""
    raw("packed-dms")
    alone(field, faces)
    options = [o for o in declared("deg") if o not in ("--known", "known.csv")]
    status, _, err = calib(*options)
    assert status == 3, err
    assert "no minute and no second above 59" in err and "packed-dms" in err


@pytest.mark.parametrize("faces", [1, 2])
def test_decimal_angles_are_not_taken_for_packed(calib, field, raw, faces):
    """True decimal degrees pass."""
    raw("deg")
    alone(field, faces)
    options = [o for o in declared("deg") if o not in ("--known", "known.csv")]
    status, _, err = calib(*options)
    assert status == 0, err
