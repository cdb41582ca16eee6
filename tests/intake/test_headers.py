"""Headings that mean something only beside others, and title lines above them."""

import pytest

from calib.intake.declaration import declare
from calib.intake.files.pointings import read_observations
from calib.intake.files.points import read_points
from calib.run.complaints import Findings

DECLARED = {"unit": "m", "frame": "ground", "pole": "applied"}


@pytest.mark.parametrize(("text", "ids", "said"), [
    ("P,N,E,Z,description\n7,1.0,2.0,3.0,a\n8,1.5,2.5,3.5,b\n", ("7", "8"), ""),
    ("Office of nobody;;;;\nJob: D-0042;;Datum: 04.05.2031;;\n;;;;\n"
     "Pkt-Nr.;Rechtswert [m];Hochwert [m];Höhe [m];Bemerkung\n7;2,0;1,0;3,0;a\n8;2,5;1,5;3,5;b\n",
     ("7", "8"), "skipped"),
    ("Numéro,Est,Nord,Altitude,Libellé\n7,2.0,1.0,3.0,a\n8,2.5,1.5,3.5,b\n", ("7", "8"), ""),
])
def test_points(text, ids, said):
    """Point, description and the header are found; what stands above it is told."""
    findings = Findings()
    points = read_points(text.encode(), "a.csv", declare(DECLARED), findings)
    assert not findings.complaints and points.ids == ids and points.description == ("a", "b")
    assert points.position[0].tolist() == [2.0, 1.0, 3.0]
    assert said in " ".join(n.says for n in findings.notices)


def test_a_raw_file_with_target_and_instrument_height():
    """The target is the point sighted; the instrument's height is read."""
    text = ("Station,IH,Target,Hz,V,SD\nI1,1.612,a,10.0,90.0,12.0\nI1,1.612,b,20.0,91.0,13.0\n")
    findings = Findings()
    declared = declare({**DECLARED, "angles": "deg",
                        "instrument": {"angles": "5 arcsec", "distance": "2 mm"}})
    sights = read_observations(text.encode(), "a.csv", declared, findings)
    assert not findings.complaints and sights.ids == ("a", "b") and sights.setup == ("I1", "I1")
    assert sights.instrument_height.tolist() == [1.612, 1.612]
    ordered = declare({**declared.model_dump(exclude_unset=True),
                       "order": "setup,instrument_height,point,direction,zenith,distance"})
    assert read_observations(text.encode(), "a.csv", ordered, Findings()).ids == ("a", "b")
