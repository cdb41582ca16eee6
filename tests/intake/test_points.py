"""Quality columns of rover files: standard deviations, rms, covariances."""

import numpy as np
import pytest

from calib.intake.declaration import declare
from calib.intake.files.points import read_points
from calib.run.complaints import Findings

FOOT = 0.3048


def read(text, **declared):
    """Points, and all complaints as text."""
    findings = Findings()
    found = read_points(text.encode(), "rover.csv", declare(
        {"unit": "m", "frame": "ground", "pole": "applied", **declared}), findings)
    return found, "\n".join(str(c) for c in findings.complaints)


def test_standard_deviations():
    """Per axis, in the unit of the file; empty cells are left to rig.toml."""
    found, told = read("id,n,e,z,sd north,sd east,sd up\n1,1,2,3,0.01,0.02,0.03\n2,1,2,3,,,\n",
                       unit="ft-int")
    assert not told
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance[0])),
                               np.array([0.02, 0.01, 0.03]) * FOOT)
    assert np.isnan(found.covariance[1]).all()


def test_horizontal_rms_is_of_both_axes():
    """An rms of 10 mm in plan is 7.1 mm in each axis."""
    found, told = read("id,n,e,z,HRMS,VRMS\n1,1,2,3,0.010,0.020\n")
    assert not told
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance[0])),
                               [0.01 / np.sqrt(2), 0.01 / np.sqrt(2), 0.02])


def test_full_covariance():
    """Six columns give the matrix, squared units converted."""
    found, told = read(
        "id,n,e,z,var east,var north,var up,cov en,cov eu,cov nu\n"
        "1,1,2,3,4e-6,5e-6,9e-6,1e-6,-2e-6,0.5e-6\n", unit="ft-int")
    assert not told
    expected = np.array([[4, 1, -2], [1, 5, 0.5], [-2, 0.5, 9]]) * 1e-6 * FOOT**2
    np.testing.assert_allclose(found.covariance[0], expected, rtol=1e-12)


@pytest.mark.parametrize(("row", "words"), [
    ("0,0.02,0.03", "sd_north"), ("-0.01,0.02,0.03", "sd_north"), ("0.01,,0.03", "east, north"),
    ("0.01,0.02,x", "sd_up"),
])
def test_bad_quality(row, words):
    """Zero, negative, half given or no number: a complaint with the line."""
    _, told = read(f"id,n,e,z,sd north,sd east,sd up\n1,1,2,3,{row}\n")
    assert "line 2" in told and words in told


def test_impossible_covariance():
    """A covariance larger than its variances allow."""
    _, told = read("id,n,e,z,var east,var north,var up,cov en\n1,1,2,3,4e-6,4e-6,9e-6,5e-6\n")
    assert "line 2" in told and "positive definite" in told
