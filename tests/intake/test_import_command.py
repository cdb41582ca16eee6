"""`calib import` as a person runs it: files in, a run folder out, the record, the words."""

import csv
import hashlib
import json
import subprocess
import sys

import numpy as np
import pytest

from calib.calibration import solve
from calib.intake.files.ids import Booked
from calib.intake.matching.field_shots import FieldShot
from calib.intake.preview import plan_png
from calib.intake.run_files import Imported
from tests.intake.field_files import NAMES, PLAIN, imported, job_lines


def test_from_field_files_to_a_solved_run(calib, field, run):
    """The imported run has the same shots and readings, and solves to the same machine."""
    status, out, err = calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv")
    assert status == 0, err
    got = imported(field / "RUN")
    np.testing.assert_allclose(got.shots.position, run.shots.position, atol=0.6e-4)
    np.testing.assert_allclose(got.poses.readings, run.poses.readings, atol=np.radians(0.6e-3))
    assert got.poses.ids == run.poses.ids
    expected, found = solve(run), solve(got)
    sd = np.sqrt(np.diag(expected.covariance)) + 1e-12
    assert (np.abs(found.parameters - expected.parameters) / sd).max() < 0.1
    assert 'skipped, not a row of numbers: "Job: invented"' in err
    assert "24 shots" in out and "12 poses" in out and "metres as written" in out
    assert max(len(line) for line in out.splitlines()) <= 100


def test_units_grid_and_pole_come_out_alike(calib, field, run):
    """US survey feet on a grid with the pole still in: the same shapes to 0.1 mm."""
    to_feet = 3937 / 1200
    pole, factor = 1.5, 0.9996
    lines = []
    for line in job_lines(run):
        name, north, east, up, code = line.split(",")
        cells = (float(north) * factor * to_feet, float(east) * factor * to_feet,
                 (float(up) + pole) * to_feet)
        lines.append(f"{name},{cells[0]:.5f},{cells[1]:.5f},{cells[2]:.5f},{code}")
    (field / "feet.txt").write_text("".join(lines))
    status, out, err = calib(
        "feet.txt", "--into", "RUN", *NAMES, "--order", "PNEZD", "--unit", "ft-us", "--frame",
        "grid", "--factor", factor, "--about", "0,0", "--pole", pole * to_feet,
        "--sheet", "sheet.csv")
    assert status == 0, err
    got = imported(field / "RUN")
    np.testing.assert_allclose(got.shots.position, run.shots.position, atol=1e-4)
    assert "12 m on the ground are 4.8 mm more than on the grid" in " ".join(out.split())


@pytest.mark.parametrize("option", [("--save-profile", "job.txt"), ("--dry-run", "--plan", ".")])
def test_a_profile_or_a_picture_goes_over_no_other_file(calib, field, option):
    before = (field / "job.txt").read_bytes()
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv", *option)
    assert status == 3 and "found a file that is something else" in err
    assert (field / "job.txt").read_bytes() == before and not (field / "RUN").exists()


def test_geographic_coordinates(calib, field, run):
    """Latitude and longitude to 1e-9 deg give the local coordinates back to 0.2 mm."""
    import pyproj

    origin = "52.1,5.3,40"
    back = pyproj.Transformer.from_pipeline(
        "+proj=pipeline +step +inv +proj=topocentric +ellps=WGS84 +lat_0=52.1 +lon_0=5.3 +h_0=40 "
        "+step +inv +proj=cart +ellps=WGS84")
    longitude, latitude, height = back.transform(*run.shots.position.T)
    names = [line.split(",")[0] for line in job_lines(run)]
    (field / "rover.csv").write_text("name;lat;lon;ellipsoidal height;hrms;vrms\n" + "".join(
        f"{n};{a:.10f};{b:.10f};{h:.4f};0,011;0,018\n".replace(".", ",")
        for n, a, b, h in zip(names, latitude, longitude, height, strict=True)))
    status, _, err = calib("rover.csv", "--into", "RUN", *NAMES, "--unit", "m", "--frame",
                           "geographic", "--origin", origin, "--pole", "applied",
                           "--sheet", "sheet.csv")
    assert status == 0, err
    got = imported(field / "RUN")
    np.testing.assert_allclose(got.shots.position, run.shots.position, atol=2e-4)
    sd = np.sqrt(np.einsum("nii->ni", got.shots.covariance))
    np.testing.assert_allclose(sd, [[0.011 / np.sqrt(2), 0.011 / np.sqrt(2), 0.018]] * 24,
                               rtol=1e-5)
    assert "each axis has it divided by the square root of 2" in err


def test_the_record_says_where_every_number_came_from(calib, field, run):
    """One row per shot and pose: file, line, hash, the row as written, the conversion."""
    calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv")
    with (field / "RUN" / "sources.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 24 + 12
    lines = (field / "job.txt").read_text().splitlines()
    digest = hashlib.sha256((field / "job.txt").read_bytes()).hexdigest()
    for row in rows[:24]:
        assert row["file"] == "shots.csv" and row["source"] == "job.txt"
        assert row["as_written"] == lines[int(row["lines"]) - 1]
        assert row["as_written"].startswith(row["row"] + ",")
        assert row["sha256"] == digest
        assert "on the ground" in row["conversion"]
    sheet = (field / "sheet.csv").read_text().splitlines()
    assert rows[24]["file"] == "readings.csv"
    assert rows[24]["as_written"] == sheet[int(rows[24]["lines"]) - 1]


def test_dry_run_and_profile(calib, field, run):
    """A dry run shows and draws but writes no folder; the profile makes the second run short."""
    status, out, err = calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv",
                             "--dry-run", "--save-profile", "crew.toml")
    assert status == 0, err
    assert not (field / "RUN").exists()
    assert (field / "import_plan.png").read_bytes().startswith(b"\x89PNG")
    status, again, err = calib("job.txt", "--into", "RUN", "--profile", "crew.toml",
                               "--sheet", "sheet.csv")
    assert status == 0, err
    assert again == out
    assert (field / "RUN" / "shots.csv").exists()


def test_names_in_the_plan_view_are_text(field, run, monkeypatch):
    """A target called $x^2$ is no formula, a broken one no fault; no window is asked for."""
    monkeypatch.setitem(sys.modules, "matplotlib.pyplot", None)
    shots = [FieldShot(str(i), Booked("1", target), np.zeros(3), np.zeros((3, 3)), 0.0, "", ())
             for i, target in enumerate(("$x^2$", "$\\frac{"))]
    plain = plan_png(Imported(run.rig, None, shots=shots))
    assert plain.startswith(b"\x89PNG")


def test_options_override_the_profile(calib, field, run):
    """What is said on the command line counts, the rest is the profile's."""
    calib("job.txt", "--into", "A", *PLAIN, "--sheet", "sheet.csv", "--save-profile", "c.toml")
    status, out, _ = calib("job.txt", "--into", "B", "--profile", "c.toml", "--pole", "1.5",
                           "--sheet", "sheet.csv", "--json")
    assert status == 0
    document = json.loads(out)
    assert document["shots"] == 24
    first = (field / "A" / "shots.csv").read_text().splitlines()[1].split(",")
    assert document["first"]["up"] == pytest.approx(float(first[5]) - 1.5, abs=1e-5)


def test_a_unit_is_not_assumed(calib, field):
    """What no file tells is refused, and the message offers what to write."""
    at = PLAIN.index("--unit")
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN[:at], *PLAIN[at + 2:],
                           "--sheet", "sheet.csv")
    assert status == 3
    assert "--unit m or --unit ft-" in err and not (field / "RUN").exists()


@pytest.mark.parametrize(("without", "words"), [
    ("--frame", "small as in a local system"), ("--pole", "one height for all shots"),
])
def test_what_is_taken_is_said(calib, field, without, words):
    """Frame and pole are taken where the files leave no doubt, and it is said why."""
    at = PLAIN.index(without)
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN[:at], *PLAIN[at + 2:],
                           "--sheet", "sheet.csv")
    assert status == 0, err
    assert words in err


def test_ft_alone_is_refused(calib, field):
    """Two feet exist; both are named."""
    arguments = [w if w != "m" else "ft" for w in PLAIN]
    status, _, err = calib("job.txt", "--into", "RUN", *arguments)
    told = " ".join(err.replace("│", " ").split())
    assert status == 2
    assert "international foot (0.3048 m" in told and "1200/3937" in told


def test_a_bad_row_writes_nothing(calib, field):
    """Every complaint at once, exit 3, no folder."""
    text = (field / "job.txt").read_text()
    text = text.replace("01-left,", "01-X,").replace("02-right,", "02-Q,")
    (field / "job.txt").write_text(text)
    status, out, err = calib("job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv")
    assert status == 3
    assert '"01-X"' in err and '"02-Q"' in err and "nothing was written" in err
    assert not (field / "RUN").exists() and not out


def test_repeats(calib, field, run):
    """Refused unless asked for; pooled if they agree; refused if they scatter; or the last."""
    lines = list(job_lines(run))
    name, north, east, up, code = lines[0].split(",")
    again = f"{name}a,{float(north) + 0.002:.4f},{east},{up},{code}"
    far = f"{name}a,{float(north) + 0.030:.4f},{east},{up},{code}"
    ids = ["--ids", "{pose}-{target}{repeat}", *PLAIN[:8], *NAMES[2:], "--sheet", "sheet.csv"]
    (field / "near.txt").write_text("".join([*lines, again]))
    (field / "far.txt").write_text("".join([*lines, far]))
    status, _, err = calib("near.txt", "--into", "A", *ids)
    assert status == 3 and "--repeats pool" in err and "near.txt line 1" in err
    assert calib("near.txt", "--into", "B", *ids, "--repeats", "pool")[0] == 0
    got = imported(field / "B")
    assert got.shots.position[0, 1] == pytest.approx(float(north) + 0.001, abs=1e-5)
    assert got.shots.covariance[0, 0, 0] == pytest.approx(2e-6, rel=1e-4)
    with (field / "B" / "sources.csv").open(newline="") as stream:
        rows = [r for r in csv.DictReader(stream) if r["row"] == name and r["file"] == "shots.csv"]
    assert [r["lines"] for r in rows] == ["1", "25"] and "mean of 2" in rows[0]["conversion"]
    status, _, err = calib("far.txt", "--into", "C", *ids, "--repeats", "pool")
    assert status == 3 and "15.0 mm from their mean" in err
    assert calib("far.txt", "--into", "D", *ids, "--repeats", "last")[0] == 0
    assert imported(field / "D").shots.ids[0] == name + "a"
    assert calib("far.txt", "--into", "E", *ids, "--repeats", "keep")[0] == 0
    assert len(imported(field / "E").shots) == 25


def test_rows_of_an_earlier_import_are_safe(calib, field, run):
    """Without --replace nothing is written over; readings filled in by hand are kept."""
    assert calib("job.txt", "--into", "RUN", *PLAIN)[0] == 0
    readings = field / "RUN" / "readings.csv"
    assert readings.read_text().splitlines()[1].startswith("01,1,,")
    readings.write_text((field / "sheet.csv").read_text())
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN)
    assert status == 3 and "24 rows already" in err
    status, _, err = calib("job.txt", "--into", "RUN", *PLAIN, "--replace")
    assert status == 0 and "kept as it is" in err
    assert readings.read_text() == (field / "sheet.csv").read_text()


def test_check_shots(calib, field, run):
    """Check shots go to check.csv through the same conversion."""
    lines = list(job_lines(run))
    (field / "job.txt").write_text("".join(lines[:20]))
    (field / "check.txt").write_text("".join(lines[20:]))
    status, _, err = calib("job.txt", "--check", "check.txt", "--into", "RUN", *PLAIN,
                             "--sheet", "sheet.csv")
    assert status == 0, err
    got = imported(field / "RUN")
    assert len(got.shots) == 20 and len(got.check) == 4
    np.testing.assert_allclose(got.check.position, run.shots.position[20:], atol=1e-4)


def test_booking_sheet(calib, field, run):
    """Plain numbers for points, a sheet that says what they are."""
    lines = [f"{i + 1}," + line.partition(",")[2] for i, line in enumerate(job_lines(run))]
    names = [line.split(",")[0].split("-") for line in job_lines(run)]
    (field / "numbers.txt").write_text("".join(lines))
    (field / "book.csv").write_text("point,pose,target,stand\n" + "".join(
        f"{i + 1},{pose},{letter},S1\n" for i, (pose, letter) in enumerate(names)))
    status, _, err = calib("numbers.txt", "--into", "RUN", *PLAIN[:8], *NAMES[2:], "--booking",
                           "book.csv", "--sheet", "sheet.csv")
    assert status == 0, err
    got = imported(field / "RUN")
    np.testing.assert_allclose(got.shots.position, run.shots.position, atol=1e-4)
    assert set(got.poses.stand) == {"S1"}


def test_a_blank_run_folder_is_filled(field):
    """As processes, in an empty folder: `calib new`, then `calib import` into it."""
    def command(*arguments):
        return subprocess.run([sys.executable, "-m", "calib", *arguments], cwd=field,
                              capture_output=True, text=True, timeout=60)

    assert command("new", "RUN").returncode == 0
    done = command("import", "job.txt", "--into", "RUN", *PLAIN, "--sheet", "sheet.csv")
    assert done.returncode == 0, done.stderr
    assert "Understood:" in done.stdout and "Understood:" not in done.stderr
    assert len((field / "RUN" / "shots.csv").read_text().splitlines()) == 25
