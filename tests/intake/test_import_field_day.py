"""A field day through `calib import`: raw sights from free stations, a log with its clock off."""

import csv
import json

import numpy as np
import pytest

from calib.calibration import solve
from calib.report.record import set_up_records
from calib.run.folder import read_run
from tests.intake.field_files import NAMES, PLAIN, imported, job_lines

KNOWN = {"CP1": (60.0, 40.0, 2.0), "CP2": (-25.0, 35.0, 5.0), "CP3": (10.0, -45.0, 1.0)}
STATIONS = {"A": ((38.0, 32.0, 3.1), 217.3), "B": ((-34.0, -26.0, 2.2), 40.0)}
INSTRUMENT = ["--angles", "dms", "--instrument", "direction=5 arcsec", "--instrument",
              "zenith=5 arcsec", "--instrument", "distance=1 mm + 2 ppm", "--instrument",
              "pointing=1 mm"]


def dms(radians):
    """Degrees, minutes, seconds to a tenth."""
    tenths = round(float(np.degrees(radians)) % 360 * 36000)
    return f"{tenths // 36000} {tenths // 600 % 60:02d} {tenths % 600 / 10:04.1f}"


def sights(station, target, name, rng):
    """Both faces of one pointing, with collimation and index error of some seconds."""
    (place, orientation), second = STATIONS[station], np.radians(1 / 3600)
    arm = np.array(target) - place
    distance = float(np.linalg.norm(arm))
    direction = np.arctan2(arm[0], arm[1]) - np.radians(orientation)
    zenith = np.arccos(arm[2] / distance)
    for face in (1, 2):
        sign = 1 if face == 1 else -1
        h = direction + (0 if face == 1 else np.pi) - sign * 8 * second
        v = (zenith if face == 1 else 2 * np.pi - zenith) - 6 * second
        h, v = h + 7 * second * rng.normal(), v + 7 * second * rng.normal()
        yield f"{station},{name},{face},{dms(h)},{dms(v)},{distance + 0.001 * rng.normal():.4f}\n"


@pytest.fixture
def raw(field, run):
    """raw.csv from two free stations, known.csv."""
    rng = np.random.default_rng(12)
    lines = ["setup,point,face,Hz,V,slope distance\n"]
    names = [line.split(",")[0] for line in job_lines(run)]
    for number, station in enumerate(STATIONS):
        for name, place in KNOWN.items():
            lines += sights(station, place, name, rng)
        for name, target in list(zip(names, run.shots.position, strict=True))[number::2]:
            lines += sights(station, target, name, rng)
    (field / "raw.csv").write_text("".join(lines))
    (field / "known.csv").write_text("point,east,north,up,sd_east,sd_north,sd_up\n" + "".join(
        f"{name},{e},{n},{u},0.002,0.002,0.002\n" for name, (e, n, u) in KNOWN.items()))
    return field


def test_raw_sights_from_free_stations(calib, raw, run):
    """Set-ups solved in the adjustment; shots within a few mm of where they were; all recorded."""
    status, out, err = calib("raw.csv", "--into", "RUN", *PLAIN[2:], *INSTRUMENT, "--known",
                             "known.csv", "--sheet", "sheet.csv")
    assert status == 0, err
    assert "2 set-up(s)" in out and "24 of 24" in out
    assert "collimation +8" in err and "solved in the adjustment" in err
    got = imported(raw / "RUN")
    assert got.set_ups.ids == ("A", "B") and len(got.set_ups.sight) == 6
    order = np.lexsort([got.shots.target, got.shots.pose])
    assert np.abs(got.shots.position[order] - run.shots.position).max() < 0.015
    solution = solve(got)
    expected = solve(run)
    sd = np.sqrt(np.diag(expected.covariance) + np.diag(solution.covariance)) + 1e-12
    assert (np.abs(solution.parameters - expected.parameters) / sd).max() < 2.5
    corrections = solution.problem.corrections(solution.adjustment.parameters)
    where = got.set_ups.position + corrections[:, :3]
    true = np.array([place for place, _ in STATIONS.values()])
    assert np.abs(where - true).max() < 0.010
    records = set_up_records(solution)
    for record, (place, orientation) in zip(records, STATIONS.values(), strict=True):
        error = np.array([getattr(record, axis) for axis in ("east", "north", "up")]) - place
        sds = np.array([getattr(record.sd, axis) for axis in ("east", "north", "up")])
        assert (np.abs(error) < 4 * sds).all() and sds.max() < 0.005
        assert abs(record.orientation - orientation) < 4 * record.sd.orientation < 0.02
    with (raw / "RUN" / "sources.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert sum(r["file"] == "backsights.csv" for r in rows) == 6
    assert all(len(r["lines"].split()) == 2 for r in rows if r["file"] != "readings.csv")


def test_one_set_up_needs_no_known_point(calib, raw, run):
    """The site is then that of the instrument; the machine comes out the same."""
    text = (raw / "raw.csv").read_text().splitlines(keepends=True)
    kept = [line for line in text if "CP" not in line]
    # All shots from one station: the other's lines cannot be used without known points.
    (raw / "two.csv").write_text("".join(kept))
    status, _, err = calib("two.csv", "--into", "RUN", *PLAIN[2:], *INSTRUMENT, "--sheet",
                           "sheet.csv")
    assert status == 3 and "set-up A" in err and "--known FILE" in err
    (raw / "one.csv").write_text("".join(line for line in kept if not line.startswith("B,")))
    status, _, err = calib("one.csv", "--into", "RUN", *PLAIN[2:], *INSTRUMENT, "--sheet",
                           "sheet.csv")
    assert status == 0, err
    assert "instrument stands at 0, 0, 0" in err
    got = imported(raw / "RUN")
    assert got.set_ups is None and got.shots.setup is None
    apart = np.linalg.norm(got.shots.position[0] - got.shots.position[-1])
    before = run.shots.position[0::2]
    assert apart == pytest.approx(np.linalg.norm(before[0] - before[-1]), abs=0.01)


def test_measured_set_ups_keep_their_sds(calib, raw, run):
    """A set-up over a known mark: its values stay, its sds go into setups.csv."""
    (raw / "setups.csv").write_text(
        "setup,east,north,up,instrument_height,sd_east,sd_north,sd_up,orientation,sd_orientation\n"
        "A,38,32,1.6,1.5,0.002,0.002,0.002,,\n")
    status, _, err = calib("raw.csv", "--into", "RUN", *PLAIN[2:], *INSTRUMENT, "--known",
                           "known.csv", "--setups", "setups.csv", "--sheet", "sheet.csv")
    assert status == 0, err
    assert "set-up A: 3 sight(s) to known points; orientation solved" in err
    got = imported(raw / "RUN")
    np.testing.assert_allclose(got.set_ups.position[0], [38.0, 32.0, 3.1])
    np.testing.assert_allclose(got.set_ups.sd[0, :3], 0.002)
    assert np.isnan(got.set_ups.sd[0, 3]) and np.isnan(got.set_ups.sd[1]).all()
    assert solve(got).adjustment.dof > 0


@pytest.mark.parametrize(("said", "sd", "turned"), [
    ("5 mm", 0.005, np.nan), ("2,5 mm, 20 arcsec", 0.0025, np.radians(20 / 3600)),
    ("solved", np.nan, np.nan)])
def test_set_ups_without_sds_are_asked_about_once(calib, raw, run, said, sd, turned):
    """One complaint for all coordinates, with what to type; then they have those sds."""
    (raw / "setups.csv").write_text("setup,east,north,up,instrument_height,orientation\n"
                                    "A,38,32,1.6,1.5,217.3\n")
    words = ["raw.csv", "--into", "RUN", *PLAIN[2:], *INSTRUMENT, "--known", "known.csv",
             "--setups", "setups.csv", "--sheet", "sheet.csv"]
    status, _, err = calib(*words)
    assert status == 3 and err.count("setups.csv") == 2 and "1 complaint;" in err, err
    assert '--setup-sd "5 mm, 20 arcsec"' in err and "sd_orientation" in err
    if np.isfinite(turned):  # the orientation of the test's own station
        text = (raw / "setups.csv").read_text()
        angle = np.degrees(imported_set_up(calib, raw, words).orientation[0])
        (raw / "setups.csv").write_text(text.replace("217.3", f"{angle:.5f}"))
    status, _, err = calib(*words, "--setup-sd", said, "--replace")
    assert status == 0, err
    got = imported(raw / "RUN")
    np.testing.assert_allclose(got.set_ups.sd[0], [sd, sd, sd, turned], rtol=1e-4)


def imported_set_up(calib, raw, words):
    """The set-ups as sights to known points tell them."""
    status, _, err = calib(*words, "--setup-sd", "solved")
    assert status == 0, err
    return imported(raw / "RUN").set_ups


OFFSET = 7207.31
"""The log's clock is two hours and some seconds ahead: a wrong zone, and a clock never set."""


@pytest.fixture
def logged(field, run):
    """timed.txt with shot times, log.csv at 10 Hz on its own clock; readings as on the sheet."""
    rng = np.random.default_rng(13)
    now, lines, knots = 40.0, list(job_lines(run)), []
    used = sorted(set(run.shots.pose.tolist()))
    times = {}
    for pose in used:
        start = now + rng.uniform(3, 8)
        knots += [(now, None), (start, pose)]
        now = start + 0.6 + rng.exponential(1.0)
        for shot in np.flatnonzero(run.shots.pose == pose):
            times[shot] = now
            now += rng.uniform(8, 15)
        now = max(times.values()) + 0.6 + rng.exponential(1.0)
        knots.append((now, pose))
    begin = np.datetime64("2031-05-04T07:00:00.000")

    def stamp(seconds, shift=0.0):
        return str(begin + np.round(1000 * (seconds + shift)).astype("timedelta64[ms]"))

    (field / "timed.txt").write_text("".join(
        line.replace(",edge\n", f",{stamp(np.float64(times[i]))}\n")
        for i, line in enumerate(lines)))
    degrees = np.degrees(run.poses.readings)
    when = np.array([k[0] for k in knots if k[1] is not None])
    level = np.array([degrees[k[1]] for k in knots if k[1] is not None])
    seconds = np.arange(0, now + 60, 0.1)
    readings = np.column_stack([np.interp(seconds, when, column) for column in level.T])
    readings += 0.02 * rng.normal(size=readings.shape)
    names = run.rig.reading_names
    (field / "log.csv").write_text(",".join(["timestamp", *names]) + "\n" + "".join(
        stamp(t, OFFSET) + "," + ",".join(f"{v:.3f}" for v in row) + "\n"
        for t, row in zip(seconds, readings, strict=True)))
    return field


TIMED = ["--order", "point,north,east,up,time", *PLAIN[2:], "--log", "log.csv",
         "--time-zone", "UTC", "--log-time-zone", "+02:00", "--window", "1"]


def test_log_with_its_clock_off(calib, logged, run):
    """Zone declared, the rest of the offset estimated: readings as they were, to 0.03 deg."""
    status, _, err = calib("timed.txt", "--into", "RUN", *TIMED, "--clock-offset", "estimate")
    assert status == 0, err
    assert "clock offset estimated: the log runs +7." in err
    got = imported(logged / "RUN")
    index = [run.poses.ids.index(name) for name in got.poses.ids]
    np.testing.assert_allclose(got.poses.readings, run.poses.readings[index],
                               atol=np.radians(0.03))
    assert got.shots.time[0].endswith("Z") and got.poses.time[0].endswith("Z")


def test_a_track_fixes_the_clock(calib, logged, run):
    """A prism followed at 2 Hz by the chain itself: the offset to 0.1 s, said with its bound."""
    with (logged / "log.csv").open() as stream:
        head, *rows = csv.reader(stream)
    times = np.array([np.datetime64(row[0]) for row in rows])
    readings = np.array([row[1:] for row in rows], float)[::5]
    seconds = (times - times[0]) / np.timedelta64(1, "s")
    posture = run.rig.chain.posture(
        run.rig.start, np.tile([10.0, 20.0, 0.0, 1.0], (len(readings), 1)), np.radians(readings),
        jacobian=False)
    edge = run.rig.target_names.index("edge_left")
    track = posture.points(np.full(len(readings), edge), np.arange(len(readings))).position
    (logged / "track.txt").write_text("".join(
        f"T{i},{n:.3f},{e:.3f},{u:.3f},{t - np.timedelta64(int(OFFSET * 1000), 'ms')}\n"
        for i, ((e, n, u), t) in enumerate(zip(track, times[::5], strict=True))))
    assert head[0] == "timestamp" and np.ptp(seconds) > 100
    status, out, err = calib("timed.txt", "--into", "RUN", *TIMED, "--clock-offset", "estimate",
                             "--track", "track.txt", "--json")
    assert status == 0, err
    found = json.loads(out)["clock_offset"]
    assert found["seconds"] == pytest.approx(OFFSET - 7200.0, abs=0.1)
    assert found["bound"] < 0.2 and "from the track" in err


def test_log_with_the_wrong_offset_is_refused(calib, logged):
    """Read as if the clocks agreed, the machine moves under some shots: every one is named."""
    status, _, err = calib("timed.txt", "--into", "RUN", *TIMED)
    assert status == 3
    assert "moved" in err and "clock offset wrong?" in err and "nothing was written" in err
    assert not (logged / "RUN").exists()


def test_log_without_a_zone(calib, logged):
    """Times without a zone are refused, with the option that says it."""
    at = TIMED.index("--time-zone")
    status, _, err = calib("timed.txt", "--into", "RUN", *TIMED[:at], *TIMED[at + 2:])
    assert status == 3 and "--time-zone" in err


def test_the_folder_reads_as_any_other(calib, raw):
    """read_run finds nothing to complain of but the sds and readings it is told of."""
    calib("raw.csv", "--into", "RUN", *NAMES, "--unit", "m", "--frame", "ground", "--pole",
          "applied", *INSTRUMENT, "--known", "known.csv", "--sheet", "sheet.csv")
    assert read_run(raw / "RUN").set_ups is not None
