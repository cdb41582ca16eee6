"""The origin of geographic coordinates: the middle of the points, or one whose up is theirs.

Truth: PROJ's topocentric conversion (pyproj), and its geodesic distances.
"""

import numpy as np
import pyproj
import pytest

from calib.chain.rig import rig_from_dict
from calib.intake.declaration import declare
from calib.intake.matching.origin import settle_origin
from calib.run.complaints import Findings
from tests.conftest import STANDARD
from tests.intake.field_files import NAMES, imported, job_lines

GEOGRAPHIC = [*NAMES, "--unit", "m", "--frame", "geographic", "--pole", "applied", "--sheet",
              "sheet.csv"]


def topocentric(latitude, longitude, height):
    return pyproj.Transformer.from_pipeline(
        f"+proj=pipeline +step +proj=cart +ellps=WGS84 +step +proj=topocentric +ellps=WGS84 "
        f"+lat_0={latitude} +lon_0={longitude} +h_0={height}")


@pytest.fixture
def rover(field, run):
    """A maker of rover.csv: the run's shots where a place on earth is the site's origin."""

    def write(latitude=52.1, longitude=5.3, height=40.0, exchanged=False):
        back = pyproj.Transformer.from_pipeline(
            f"+proj=pipeline +step +inv +proj=topocentric +ellps=WGS84 +lat_0={latitude} "
            f"+lon_0={longitude} +h_0={height} +step +inv +proj=cart +ellps=WGS84")
        lon, lat, up = back.transform(*run.shots.position.T)
        names = [line.split(",")[0] for line in job_lines(run)]
        if exchanged:
            lat, lon = lon, lat
        (field / "rover.csv").write_text("name,lat,lon,ellipsoidal height\n" + "".join(
            f"{n},{a:.10f},{b:.10f},{h:.4f}\n"
            for n, a, b, h in zip(names, lat, lon, up, strict=True)))

    return write


def distances(position):
    """Between all pairs."""
    return np.linalg.norm(position[:, None] - position[None], axis=2)


@pytest.mark.parametrize(("latitude", "longitude"), [
    (52.1, 5.3), (-33.9, 151.2), (64.0, -179.99995), (0.00001, 0.00001), (10.0, 179.99995)])
def test_without_an_origin_the_middle_is_taken(calib, field, run, rover, latitude, longitude):
    """Heights are those of the truth but for a constant, distances too; the place is said."""
    rover(latitude, longitude)
    status, _, err = calib("rover.csv", "--into", "RUN", *GEOGRAPHIC)
    assert status == 0, err
    got, true = imported(field / "RUN").shots.position, run.shots.position
    np.testing.assert_allclose(distances(got), distances(true), atol=2e-4)
    up = got[:, 2] - true[:, 2]
    assert np.ptp(up) < 3e-4
    assert np.abs(got.mean(0)[:2]).max() < 10
    assert "--origin: not given: the middle of these points" in err
    said = err.split("Say --origin ")[1].split()[0].split(",")
    assert float(said[0]) == pytest.approx(latitude, abs=2e-4)
    assert (abs(float(said[1]) - longitude) + 180) % 360 - 180 == pytest.approx(0, abs=6e-4)
    assert f"{abs(float(said[0])):.6f} {'N' if float(said[0]) >= 0 else 'S'}, " in err


def test_the_origin_that_was_said_can_be_said_again(calib, field, run, rover):
    """What the notice says as --origin gives the same coordinates."""
    rover()
    _, _, err = calib("rover.csv", "--into", "RUN", *GEOGRAPHIC)
    origin = err.split("Say --origin ")[1].split()[0]
    status, _, err = calib("rover.csv", "--into", "AGAIN", *GEOGRAPHIC, "--origin", origin)
    assert status == 0, err
    assert (field / "RUN/shots.csv").read_text() == (field / "AGAIN/shots.csv").read_text()


@pytest.mark.parametrize(("north_deg", "status", "words"), [
    (0.0005, 0, None),            # 56 m
    (0.01, 0, "tilts up by 0.010 deg"),      # 1.1 km
    (0.09, 3, "tilts up by 0.090 deg"),      # 10 km
    (0.41, 3, "tilts up by 0.41"),           # 46 km: the case that moved the edge by 45 mm
    (20.0, 3, "tilts up by 20")])
def test_an_origin_away_from_the_points(calib, rover, north_deg, status, words):
    """Its up is not the machine's: told from a tenth of the house sensor's sd, refused from one."""
    rover()
    got, out, err = calib("rover.csv", "--into", "RUN", *GEOGRAPHIC, "--origin",
                          f"{52.1 + north_deg},5.3,40")
    assert got == status, err
    if words is None:
        assert "tilts up" not in err
        assert "from the middle of the points" in " ".join(out.split())
    else:
        assert words in err and "0.03 deg" in err
    if status == 3:
        assert "leave --origin out" in err


@pytest.mark.parametrize("exchanged", [True, False])
def test_latitude_and_longitude_exchanged(calib, rover, exchanged):
    """In the file or in --origin: recognised by the other, and said."""
    rover(exchanged=exchanged)
    origin = "52.1,5.3,40" if exchanged else "5.3,52.1,40"
    status, _, err = calib("rover.csv", "--into", "RUN", *GEOGRAPHIC, "--origin", origin)
    assert status == 3
    assert "latitude and longitude exchanged" in err


def test_a_latitude_beyond_the_pole(calib, rover):
    """Longitudes of 151 as latitudes: the complaint says what it looks like."""
    rover(-33.9, 151.2, exchanged=True)
    status, _, err = calib("rover.csv", "--into", "RUN", *GEOGRAPHIC)
    assert status == 3
    assert "latitude and longitude exchanged" in err
    status, _, err = calib("rover.csv", "--into", "RUN", *GEOGRAPHIC, "--origin", "151.2,-33.9,40")
    assert status == 2 and "exchanged" in err


def test_the_tilt_is_that_of_the_normals():
    """The angle said is that between the ellipsoid's normals: PROJ's up axes, to 1e-4 of it."""
    rig, findings = rig_from_dict(STANDARD), Findings()
    declared = declare({"frame": "geographic", "origin": [52.17, 5.35, 10.0]})
    where = np.radians([[52.1, 5.3, 0.0], [52.10001, 5.30001, 0.0]])
    settle_origin(where, declared, rig, findings)
    to_first, to_second = topocentric(52.100005, 5.300005, 0), topocentric(52.17, 5.35, 10)
    normals = []
    for frame in (to_first, to_second):
        rows = [np.array(frame.transform(5.3, 52.1, h)) for h in (0.0, 1000.0)]
        normals.append(rows)
    up = (normals[1][1] - normals[1][0]) / 1000.0
    tilt = np.degrees(np.arccos(up[2]))
    said = float(str(findings.complaints[0]).split("tilts up by ")[1].split()[0])
    assert said == pytest.approx(tilt, abs=0.0006)


def test_one_point_far_off_does_not_move_the_middle():
    """A latitude with a wrong degree: the middle stays where the others are."""
    rig, findings = rig_from_dict(STANDARD), Findings()
    where = np.radians(np.tile([52.1, 5.3, 0.0], (9, 1)))
    where[4, 0] = np.radians(53.1)
    origin = settle_origin(where, declare({"frame": "geographic"}), rig, findings).origin
    assert origin[:2] == pytest.approx((52.1, 5.3))
