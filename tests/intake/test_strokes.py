"""Strokes of cylinders in sheets: their unit by the header, what they can be by the rig."""

import numpy as np
import pytest

from calib.chain.rig import rig_from_dict
from calib.intake.matching.readings import read_sheet
from calib.run.complaints import Findings
from calib.run.observed import read_poses
from tests.plan.test_effects_planned import EVERYTHING


@pytest.fixture(scope="module")
def rig():
    """With a stroke, a slew and pose columns."""
    return rig_from_dict(EVERYTHING)


def sheet(rig, heading, stroke, rest="up,resting"):
    names = [heading if name == "boom" else name for name in rig.reading_names]
    values = [stroke if name == "boom" else "1.5" for name in rig.reading_names]
    findings = Findings()
    found = read_sheet(
        f"pose,{','.join(names)},approach,load\n7,{','.join(values)},{rest}\n".encode(),
        "sheet.csv", rig, {"boom": heading}, findings)
    return found, findings


@pytest.mark.parametrize(("heading", "written"), [
    ("boom", "0.612"), ("boom [mm]", "612"), ("boom [cm]", "61.2"), ("boom [m]", "0.612")])
def test_the_unit_is_that_of_the_header(rig, heading, written):
    """Metres where it says nothing; what was noted of the pose comes along."""
    found, findings = sheet(rig, heading, written)
    assert not findings.complaints
    assert found["7"].values[rig.reading_names.index("boom")] == pytest.approx(0.612, abs=1e-12)
    assert found["7"].noted == {"approach": "up", "load": "resting"}


@pytest.mark.parametrize(("heading", "written", "words"), [
    ("boom", "612", "mm? then put [mm] behind the heading"),
    ("boom [mm]", "6120", "a stroke from "), ("boom", "3.2", "a stroke from "),
    ("boom [deg]", "61", "a stroke in a length: ")])
def test_what_the_triangle_cannot_have_is_refused(rig, heading, written, words):
    """Between the sides less and the sides together, less the closed cylinder, and some room."""
    _, findings = sheet(rig, heading, written)
    assert any(words in str(c) for c in findings.complaints)
    low, high = rig.strokes["boom"]
    assert (low, high) == pytest.approx((2.3 - 0.75 - 1.65 - 0.305, 2.3 + 0.75 - 1.65 + 0.305))


def test_millimetres_in_readings_csv(rig):
    """They are told, not taken for metres."""
    names = ",".join(rig.reading_names)
    values = ",".join("612" if name == "boom" else "1.5" for name in rig.reading_names)
    findings = Findings()
    read_poses(f"pose,stand,{names},approach,load\n7,A,{values},up,hanging\n", "readings.csv", rig,
               findings)
    assert [c.column for c in findings.complaints] == ["boom"]
    assert "mm typed for m?" in str(findings.complaints[0])
    assert np.isfinite(rig.strokes["boom"]).all()
