"""Standard deviations that no survey and no sensor has: mm typed for m above all."""

import pytest

from calib.intake.declaration import DeclarationError, declare
from calib.intake.files.points import read_points
from calib.run.complaints import Findings
from calib.run.rig_file import read_rig
from tests.intake.field_files import RIG_TOML


def complaints(text):
    findings = Findings()
    assert read_rig(text, "rig.toml", findings) is None
    return [str(c) for c in findings.complaints]


@pytest.mark.parametrize("sd", ["2", "0.6", "12.5", "0.000001"])
def test_the_sd_of_shots_in_the_rig_file(sd):
    """Line, key, what is plausible, and what it may have been meant as."""
    text = RIG_TOML.replace("east = 0.002", f"east = {sd}")
    said, = complaints(text)
    assert said.startswith("rig.toml line 3, key shots.sd.east: found ")
    assert "in m, from 0.00001 to 0.5" in said
    assert ("mm typed for m?" in said) == (float(sd) > 0.5)


def test_one_sd_for_all_axes_in_mm():
    """`[shots] sd = 2` is no table, and 2 m: the line is told."""
    text = RIG_TOML.replace("sd = { east = 0.002, north = 0.002, up = 0.002 }", "sd = 2")
    said = complaints(text)
    assert said[0].startswith("rig.toml line 3, key shots.sd")


@pytest.mark.parametrize("sd", ["50", "0.00001", "200"])
def test_the_sd_of_readings_in_the_rig_file(sd):
    """A sensor that knows nothing, or everything."""
    said, = complaints(RIG_TOML.replace("boom = 0.05", f"boom = {sd}"))
    assert "key readings.sd.boom" in said and "in deg, from 0.0001 to 20" in said


@pytest.mark.parametrize(("file", "line"), [
    ("shots.csv", "line 2, column sd_up"), ("readings.csv", "line 2, column sd_boom")])
def test_the_sd_of_a_row(tmp_path, run, file, line):
    """Columns of sds in shots.csv and readings.csv."""
    from calib.run.complaints import InputError
    from calib.run.export import run_files
    from calib.run.folder import read_run

    column = line.split()[-1]
    for name, text in run_files(run, RIG_TOML).items():
        rows = text.splitlines()
        if name == file:
            rows = [f"{rows[0]},{column}", *(row + ",25" for row in rows[1:])]
        (tmp_path / name).write_text("\n".join(rows) + "\n")
    with pytest.raises(InputError, match=line):
        read_run(tmp_path)


def test_quality_columns_of_an_export_in_mm():
    """hrms and vrms in mm beside coordinates in m."""
    findings = Findings()
    text = "point,north,east,height,hrms,vrms\n" + "".join(
        f"{i}-left,{100 + i}.5,{200 + i}.25,3.125,11,18\n" for i in range(4))
    read_points(text.encode(), "rover.csv", declare(
        {"unit": "m", "frame": "ground", "pole": "applied"}), findings)
    said = "\n".join(map(str, findings.complaints))
    assert "rover.csv line 2, column rms_horizontal" in said and "line 2, column sd_up" in said
    assert said.count("mm typed for m?") == 8


@pytest.mark.parametrize(("what", "sd"), [
    ("direction", "5 deg"), ("zenith", "2000 arcsec"), ("distance", "2 m"),
    ("pointing", "1 m"), ("distance", "2 mm + 2000 ppm")])
def test_the_sds_of_an_instrument(what, sd):
    """Instruments are better than that."""
    good = {"direction": "5 arcsec", "zenith": "5 arcsec", "distance": "2 mm + 2 ppm"}
    declare({"instrument": good})
    with pytest.raises(DeclarationError, match="instrument"):
        declare({"instrument": {**good, what: sd}})


@pytest.mark.parametrize(("said", "pointing"), [
    ({}, 0.002), ({"pointing": "0 mm"}, 0.0), ({"pointing": "1 mm"}, 0.001),
    ({"centring": "1 mm"}, 0.0)])
def test_what_the_person_and_the_pole_add(said, pointing):
    """Nobody points without error: where nothing is said of it, so much is taken."""
    good = {"direction": "5 arcsec", "zenith": "5 arcsec", "distance": "2 mm + 2 ppm"}
    instrument = declare({"instrument": {**good, **said}}).instrument
    assert instrument.sds().pointing == pointing
    assert instrument.silent is not bool(said)
