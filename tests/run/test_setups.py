"""setups.csv and backsights.csv: what is read, and every complaint."""

import numpy as np
import pytest

from calib.run.complaints import Findings
from calib.run.observed import read_set_ups

SETUPS = "setup,east,north,up,orientation,sd_east,sd_north,sd_up,sd_orientation\n" \
    "A,18,22,3.1,217.3,,,,\nB,34,-6,2.2,40,0.002,0.002,0.001,\n"
SIGHTS = "setup,point,east,north,up,known_east,known_north,known_up,sd_east,sd_north,sd_up," \
    "cov_east_north,known_sd_east,known_sd_north,known_sd_up\n" \
    "A,CP1,60,40,2,60.001,40,2,0.002,0.002,0.001,1e-6,0.003,0.003,\n"


def read(setups=SETUPS, sights=SIGHTS):
    """What was read, and all complaints as text."""
    findings = Findings()
    found = read_set_ups(setups, "setups.csv", sights, "backsights.csv", findings)
    return found, "\n".join(str(c) for c in findings.complaints)


def test_what_is_read():
    """Empty sds are unknown, an empty known sd is an errorless coordinate; SI inside."""
    found, told = read()
    assert not told
    assert found.ids == ("A", "B")
    assert np.isnan(found.sd[0]).all() and np.isnan(found.sd[1, 3])
    np.testing.assert_allclose(found.sd[1, :3], [0.002, 0.002, 0.001])
    np.testing.assert_allclose(found.orientation, np.radians([217.3, 40.0]))
    assert found.sight_setup.tolist() == [0] and found.sight_point == ("CP1",)
    assert found.sight_covariance[0, 0, 1] == 1e-6
    assert found.known_sd.tolist() == [[0.003, 0.003, 0.0]]


def test_no_sights():
    """A set-up measured beforehand needs no backsights.csv."""
    found, told = read(sights=None)
    assert not told and len(found.sight) == 0


@pytest.mark.parametrize(("setups", "sights", "words"), [
    (SETUPS.replace("B,34", "A,34"), SIGHTS, 'setups.csv line 3, column setup: found "A" again'),
    (SETUPS.replace("217.3", "517.3"), SIGHTS, "setups.csv line 2, column orientation"),
    (SETUPS.replace("18,", "1B,"), SIGHTS, "setups.csv line 2, column east"),
    (SETUPS.replace("0.001,\n", "0,\n"), SIGHTS, "setups.csv line 3, column sd_up"),
    (SETUPS.replace("orientation", "turn", 1), SIGHTS, 'no column "orientation"'),
    (SETUPS, SIGHTS.replace("\nA,", "\nC,"), "backsights.csv line 2, column setup"),
    (SETUPS, SIGHTS.replace("1e-6", "9e-6"), "less than sd_east times sd_north"),
    (SETUPS, SIGHTS.replace("60.001", ""), "backsights.csv line 2, column known_east"),
])
def test_complaints(setups, sights, words):
    """Each names file, line and column."""
    assert words in read(setups, sights)[1]
