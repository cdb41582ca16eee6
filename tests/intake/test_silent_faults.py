"""Field damage that was once read without a word: each is a complaint, or is read as meant."""

import json

import numpy as np
import pytest

from calib.run.folder import read_run
from tests.intake.field_files import NAMES, PLAIN, imported, job_lines
from tests.intake.test_log import HEAD, lines_of, read, shot, steady, told

__all__ = ["steady"]


def headed(field, run, header, change=lambda cells: cells):
    """job.txt with a header line, each row's cells changed."""
    rows = [",".join(change(line.strip().split(","))) + "\n" for line in job_lines(run)]
    (field / "job.txt").write_text(header + "\n" + "".join(rows))


HEADED = ["--unit", "m", "--frame", "ground", "--pole", "applied", *NAMES]


@pytest.mark.parametrize("unit", ["US ft", "us survey feet", "cm", "in", "yd", "ft", "gon", "rad",
                                  "deg", "mm", "km", "inches"])
@pytest.mark.parametrize("written", ["Northing ({0})", "Northing [{0}]", "Northing_{0}"])
def test_a_header_that_contradicts_the_unit(calib, field, run, unit, written):
    """The header's unit is another than the declared one: refused, whatever its spelling."""
    headed(field, run, f"Point,{written.format(unit)},Easting,Height,Code")
    status, _, err = calib("job.txt", "--into", "RUN", *HEADED)
    assert status == 3, err
    assert "line 1, column north" in err and "declared unit m" in err


@pytest.mark.parametrize("unit", ["m", "metres", "Meter", "M"])
def test_a_header_that_says_the_same_unit(calib, field, run, unit):
    """The declared unit in any spelling is no contradiction, nor a word that is no unit."""
    headed(field, run, f"Point,Northing ({unit}),Easting_{unit},Height (local),Code")
    status, _, err = calib("job.txt", "--into", "RUN", *HEADED)
    assert status == 0, err
    assert '"local" in the header' in err


def test_a_unit_in_a_header_in_other_words(calib, field, run):
    """A header in another language is skipped with an order declared; its unit counts."""
    headed(field, run, "Punkt,Hochwert [ft],Rechtswert [ft],Hoehe [ft],Code")
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN)
    assert status == 3 and "declared unit m" in err, err


def thousands(cell):
    """A number with a comma between thousands: as programs for people write it."""
    whole, _, decimals = cell.partition(".")
    return f"{int(whole):,}.{decimals}"


@pytest.mark.parametrize("code", [True, False])
@pytest.mark.parametrize("lift", [0.0, 1000.0])
def test_heights_torn_at_a_comma(calib, field, run, code, lift):
    """1,050.1887 and 50,1887 in a file with commas between columns are not 1 and 50."""
    def torn(cells):
        up = f"{float(cells[3]) + 500 + lift:.4f}"
        up = thousands(up) if lift else up.replace(".", ",")
        return [*cells[:3], up, *(["edge"] if code else [])]

    (field / "job.txt").write_text("".join(
        ",".join(torn(line.strip().split(","))) + "\n" for line in job_lines(run)))
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN)
    assert status == 3, err
    assert "line 1" in err and "thousands" in err


def test_one_height_torn_at_a_comma(calib, field, run):
    """Only one row damaged: that row is named."""
    lines = list(job_lines(run))
    name, north, east, up, _ = lines[6].split(",")
    lines[6] = f"{name},{north},{east},{up.replace('.', ',')}\n"
    (field / "job.txt").write_text("".join(lines))
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN)
    assert status == 3 and "line 7" in err, err


def test_numbers_as_codes_are_no_torn_heights(calib, field, run):
    """A feature code 17 and a height without decimals in one row: read as they are."""
    lines = [line.replace("edge", "17") for line in job_lines(run)]
    name, north, east, _, code = lines[6].split(",")
    lines[6] = f"{name},{north},{east},3,{code}"
    (field / "job.txt").write_text("".join(lines))
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN)
    assert status == 0, err


def test_a_description_that_is_a_measured_number(calib, field, run):
    """A column too many before the description moves all: its decimals give it away."""
    (field / "job.txt").write_text("".join("7," + line for line in job_lines(run)))
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN)
    assert status == 3, err


@pytest.mark.parametrize("extra", ["12.000", "x", "0"])
def test_a_log_row_with_a_cell_too_many(tmp_path, rig, steady, extra):
    """All readings after it would be those of the neighbour."""
    seconds, readings, _ = steady
    lines = [HEAD, *lines_of(seconds, readings)]
    first, _, rest = lines[200].partition(",")
    lines[200] = f"{first},{extra},{rest}"
    _, findings, _ = read(tmp_path, rig, lines, [shot("1", 20.0)])
    assert "log.csv line 201: found 9 cells, expected 8 cells as in the header" in told(findings)


def test_a_log_row_with_a_cell_too_few(tmp_path, rig, steady):
    """One comma lost: the row is named, not read by position."""
    seconds, readings, _ = steady
    lines = [HEAD, *lines_of(seconds, readings)]
    lines[200] = lines[200].replace(",", "", 3).replace("Z", "Z,", 1)
    _, findings, _ = read(tmp_path, rig, lines, [shot("1", 20.0)])
    assert "log.csv line 201" in told(findings)


def test_a_decimal_comma_in_the_last_column_of_a_log(tmp_path, rig, steady):
    """179,95 between commas is two cells; it was once read as 179."""
    seconds, readings, _ = steady
    rows = [",".join(line.split(",")[:-1]) + "," + line.split(",")[-1].replace(".", ",")
            for line in lines_of(seconds, readings)]
    _, findings, _ = read(tmp_path, rig, [HEAD, *rows], [shot("1", 20.0)])
    assert "decimal commas need semicolons or tabs" in told(findings)


@pytest.mark.parametrize("value", ["1e9", "361", "-400.5"])
def test_readings_that_are_no_angles(tmp_path, rig, steady, value):
    """Beyond a full circle there is no reading."""
    seconds, readings, _ = steady
    lines = [HEAD, *lines_of(seconds, readings)]
    lines[200] = ",".join([*lines[200].split(",")[:-1], value])
    _, findings, _ = read(tmp_path, rig, lines, [shot("1", 20.0)])
    assert "line 201, column rotate" in told(findings) and "360 deg" in told(findings)


@pytest.mark.parametrize(("unit", "factor"), [
    ("rad", np.pi / 180), ("gon", 400 / 360), ("mrad", np.pi / 0.18), ("deg", 1.0), ("°", 1.0)])
def test_the_unit_of_readings_in_the_header(tmp_path, rig, steady, unit, factor):
    """A log that says rad or gon is read so, and the record says it."""
    seconds, readings, level = steady
    head = HEAD.replace("boom", f"boom [{unit}]")
    scaled = readings.copy()
    scaled[:, 2] *= factor
    rows = [line.split(",") for line in lines_of(seconds, readings)]
    for row, value in zip(rows, scaled[:, 2], strict=True):
        row[3] = f"{value:.6f}"
    got, findings, _ = read(tmp_path, rig, [head, *map(",".join, rows)], [shot("1", 20.0)])
    assert not findings.complaints, told(findings)
    assert got["1"].values[2] == pytest.approx(level[2], abs=0.02)
    assert factor == 1.0 or f"boom in {unit}" in got["1"].source.conversion


@pytest.mark.parametrize("unit", ["%", "mm", "V", "mA"])
def test_a_unit_of_readings_that_is_no_angle(tmp_path, rig, steady, unit):
    """Percent and volts are no readings."""
    seconds, readings, _ = steady
    head = HEAD.replace("boom", f"boom [{unit}]")
    _, findings, _ = read(tmp_path, rig, [head, *lines_of(seconds, readings)], [shot("1", 20.0)])
    assert "column boom" in told(findings) and "an angle" in told(findings)


def test_the_unit_in_the_header_of_a_sheet(calib, field, run):
    """A sheet's column called "Boom [rad]" is not read as degrees."""
    text = (field / "sheet.csv").read_text().replace(",boom,", ",Boom [rad],", 1)
    (field / "sheet.csv").write_text(text)
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv",
                           "--reading", "boom=Boom [rad]")
    assert status == 3 and "rad" in err, err
    rows = [line.split(",") for line in text.splitlines()]
    at = rows[0].index("Boom [rad]")
    for row in rows[1:]:
        row[at] = f"{np.radians(float(row[at])):.8f}"
    (field / "sheet.csv").write_text("\n".join(map(",".join, rows)) + "\n")
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv",
                           "--reading", "boom=Boom [rad]")
    assert status == 0, err
    np.testing.assert_allclose(imported(field / "RUN").poses.readings, run.poses.readings,
                               atol=np.radians(0.6e-3))


def test_every_shot_twice_under_other_ids(calib, field, run):
    """The same coordinates to the last digit are a copy, and copies count twice."""
    lines = list(job_lines(run))
    (field / "job.txt").write_text("".join(lines) + "".join(
        line.replace(",", "a,", 1) for line in lines))
    declared = [*PLAIN[:-6], "--ids", "{pose}-{target}{repeat}", *PLAIN[-4:], "--repeats", "keep"]
    status, _, err = calib("job.txt", "--into", "RUN", *declared)
    assert status == 3, err
    assert "24 shots" in err and "to the last digit" in err


def test_copied_shots_in_a_run_folder(field, run):
    """shots.csv itself with every shot twice."""
    from calib.run.complaints import InputError
    from calib.run.export import run_files
    from tests.intake.field_files import RIG_TOML

    folder = field / "RUN"
    folder.mkdir()
    for name, text in run_files(run, RIG_TOML).items():
        (folder / name).write_text(text)
    text = (folder / "shots.csv").read_text()
    body = text.splitlines()[1:]
    (folder / "shots.csv").write_text(text + "\n".join("again" + row for row in body) + "\n")
    with pytest.raises(InputError, match="to the last digit"):
        read_run(folder)
    (folder / "shots.csv").write_text(text + "again" + body[3] + "\n")
    assert any("to the last digit" in n for n in read_run(folder).notices)


@pytest.mark.parametrize("other", ["STAND1", "stand 1", "Stand1"])
def test_stands_that_differ_only_in_case_or_spaces(calib, field, run, other):
    """One parking position written in two ways would be two stands."""
    text = (field / "sheet.csv").read_text().splitlines()
    rows = [line.split(",") for line in text]
    for i, row in enumerate(rows[1:]):
        row[1] = "stand1" if i < 6 else other
    (field / "sheet.csv").write_text("\n".join(map(",".join, rows)) + "\n")
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv")
    assert status == 3, err
    assert f'"{other}"' in err and '"stand1"' in err


def test_the_preview_shows_readings(calib, field, run):
    """First and last poses with every reading, in the text and in the document."""
    status, out, err = calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv",
                             "--dry-run", "--plan", "plan.png")
    assert status == 0, err
    assert "house_pitch" in out
    first = run.poses.readings[0]
    row = next(line for line in out.splitlines()
               if line.split()[:2] == [run.poses.ids[0], run.poses.stand[0]])
    np.testing.assert_allclose([float(v) for v in row.split()[2:]], np.degrees(first), atol=0.006)
    assert max(len(line) for line in out.splitlines()) <= 100
    _, out, _ = calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv", "--dry-run",
                      "--plan", "plan.png", "--json")
    assert set(json.loads(out)["first_readings"]) >= {"pose", "stand", "boom"}


@pytest.mark.parametrize("mark", ["\u0085", "\u0080", "\u2028", "\u200b", "\u202e"])
def test_a_control_character_in_a_number(calib, field, run, mark):
    """-0.04 followed by a next-line mark is no number, at either end of the cell."""
    text = (field / "sheet.csv").read_text()
    rows = [line.split(",") for line in text.splitlines()]
    for cell in (rows[2][3] + mark, mark + rows[2][3]):
        (field / "sheet.csv").write_text(text.replace(
            ",".join(rows[2]), ",".join([*rows[2][:3], cell, *rows[2][4:]])), encoding="utf-8")
        status, _, err = calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv")
        assert status == 3, err
        assert "line 3" in err and "character" in err
    (field / "sheet.csv").write_text(text)
    job = (field / "job.txt").read_text().replace(",edge", f"{mark},edge", 1)
    (field / "job.txt").write_text(job, encoding="utf-8")
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv")
    assert status == 3, err


@pytest.mark.parametrize("remark", ["Units: US survey feet", "# Linear unit = ft", "Unit,feet",
                                    "# Point,Northing [ft],Easting [ft],Height [ft],Code"])
def test_a_remark_that_contradicts_the_unit(calib, field, run, remark):
    """A job line or a comment above the rows that says another unit."""
    text = "".join(job_lines(run))
    (field / "job.txt").write_text(remark + "\n" + text)
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN)
    assert status == 3 and "declared unit m" in err and "line 1" in err, err


@pytest.mark.parametrize("remark", ["Units: metres", "# 3 units in stock", "Unit 7, crew of two",
                                    "# antenna (mm)", "Unit: m"])
def test_a_remark_that_contradicts_nothing(calib, field, run, remark):
    """The declared unit, or words that only look like one."""
    (field / "job.txt").write_text(remark + "\n" + "".join(job_lines(run)))
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN)
    assert status == 0, err


@pytest.mark.parametrize("damage", ["cell lost", "cells joined", "id joined", "two lost"])
@pytest.mark.parametrize("row", [0, 7, 23])
def test_a_damaged_row_of_other_decimals_is_not_a_remark(calib, field, run, damage, row):
    """A row with decimal commas and a cell less has no number by the file's mark, but it begins
    with an id like the others."""
    lines = [line.replace(",", ";") for line in job_lines(run)]
    cells = lines[row].replace(".", ",").split(";")
    if damage == "cell lost":
        del cells[2]
    elif damage == "two lost":
        del cells[1:3]
    elif damage == "id joined":
        cells[0:2] = [cells[0] + cells[1]]
    else:
        cells[2:4] = [cells[2] + cells[3]]
    lines[row] = ";".join(cells)
    (field / "job.txt").write_text("".join(lines))
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN)
    assert status == 3 and f"line {row + 1}" in err, err


@pytest.mark.parametrize("file", ["job.txt", "sheet.csv", "RUN/shots.csv"])
def test_a_number_without_decimals_among_others(calib, field, run, file):
    """17 among numbers with three or four decimals is told: a note or a count in the wrong cell."""
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv")
    assert status == 0 and "no decimals" not in err
    rows = (field / file).read_text().splitlines()
    at = 3 if file == "job.txt" else 5
    cells = rows[5].split(",")
    cells[at] = str(round(float(cells[at])))
    rows[5] = ",".join(cells)
    (field / file).write_text("\n".join(rows) + "\n")
    if file == "RUN/shots.csv":
        notices = "\n".join(imported(field / "RUN").notices)
    else:
        status, _, notices = calib("job.txt", "--into", "AGAIN", *PLAIN, "--sheet", "sheet.csv")
    assert f'"{cells[at]}" has no decimals' in notices and "6" in notices


@pytest.mark.parametrize("cell", ["?", "NaN", "#N/A", "---", "1.00E+00"])
def test_a_booking_sheet_that_names_no_pose(calib, field, run, cell):
    """A sign for no value is no pose, nor is what a spreadsheet made of one."""
    names = [line.split(",")[0] for line in job_lines(run)]
    rows = [f"{name},{name.split('-')[0]},{name.split('-')[1]}" for name in names]
    rows[4] = f"{names[4]},{cell},{names[4].split('-')[1]}"
    (field / "booking.csv").write_text("point,pose,target\n" + "\n".join(rows) + "\n")
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN, "--booking", "booking.csv")
    assert status == 3 and "booking.csv line 6, column pose" in err, err
