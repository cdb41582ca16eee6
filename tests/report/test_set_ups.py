"""How good a set-up is: its own adjustment against scipy's, and what the report says of it."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from calib.document.solved import SetUp, SetUpSpread
from calib.report.pages.set_ups import set_ups
from calib.report.set_up_record import _alone
from calib.run.records import SetUps

KNOWN = np.array([[30.0, 4.0, 1.0], [-12.0, 25.0, 2.0], [-8.0, -20.0, 0.5]])
SD = 0.002


def sighted(blunder=0.0, sd=None):
    """One set-up with noisy sights to three known points; `blunder` m on the height of the last."""
    rng = np.random.default_rng(8)
    seen = KNOWN + SD * rng.normal(size=(3, 3))
    seen[2, 2] += blunder
    return SetUps(
        ids=("A",), position=np.zeros((1, 3)), orientation=np.zeros(1),
        sd=np.full((1, 4), np.nan) if sd is None else np.array([sd]), sight_setup=np.zeros(3, int),
        sight_point=("K1", "K2", "K3"), sight=seen,
        sight_covariance=np.tile(SD**2 * np.eye(3), (3, 1, 1)), known=KNOWN,
        known_sd=np.zeros((3, 3)))


def own(found):
    """The record of its only set-up, m and deg."""
    factor = np.array([1, 1, 1, np.degrees(1.0)])
    return _alone(SimpleNamespace(run=SimpleNamespace(set_ups=found)), 0, factor)


def page_of(found):
    """What the section says and its table."""
    spread = SetUpSpread(east=1e-3, north=1e-3, up=1e-3, orientation=1e-3)
    one = SetUp(name="A", east=0.0, north=0.0, up=0.0, orientation=0.0, sd=spread,
                alone=own(found))
    section, = set_ups(SimpleNamespace(set_ups=[one]))
    return section.blocks


def test_own_adjustment_against_scipy():
    """Residuals, sds of height and orientation, chi-square: a fit written from the geometry."""
    found = sighted()

    def left(unknowns):
        turn = Rotation.from_euler("z", unknowns[3])
        return ((found.sight - turn.apply(KNOWN - unknowns[:3])) / SD).ravel()

    fit = least_squares(left, np.zeros(4), xtol=1e-14, ftol=1e-14, gtol=1e-14)
    sd = np.sqrt(np.diag(np.linalg.inv(fit.jac.T @ fit.jac)))
    record = own(found)
    np.testing.assert_allclose([s.residual.numbers for s in record.sights],
                               SD * fit.fun.reshape(3, 3), atol=1e-8)
    assert record.sd.up == pytest.approx(sd[2], rel=1e-5)
    assert record.sd.orientation == pytest.approx(np.degrees(sd[3]), rel=1e-5)
    assert record.chi2 == pytest.approx(2 * fit.cost) and record.dof == 5


def test_a_sound_set_up_passes_and_a_bad_height_is_marked():
    """A row for each known point in mm; 40 mm on one height fail the set-up."""
    says, residuals = page_of(sighted())
    assert says.rows[0][0] == "passed" and not any(residuals.marked)
    assert [row[1] for row in residuals.rows] == ["K1", "K2", "K3"]
    says, residuals = page_of(sighted(blunder=0.04))
    assert says.rows[0][0] == "FAILED"
    assert residuals.marked[2] and residuals.rows[2][-1] == "OUT"


def test_what_was_stated_beforehand_is_tested():
    """A height that was stated to 1 mm, 30 mm off by the sights: said, with how far in sds."""
    found = sighted(sd=[np.nan, np.nan, 0.001, np.nan])
    found.sight[:, 2] += 0.03
    says, _, spreads = page_of(found)
    told = "".join(map(str, says.rows[0][1]))
    assert says.rows[0][0] == "FAILED" and "up as stated beforehand is off by" in told
    (_, kind, sd, off, _), = spreads.rows
    assert (kind, str(sd)) == ("height", "1.0") and -31 < float(str(off)) < 31


def test_nothing_without_set_ups():
    """A run whose coordinates come from elsewhere has no such section."""
    assert set_ups(SimpleNamespace(set_ups=[])) == []
