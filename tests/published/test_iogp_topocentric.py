"""Geographic to topocentric: the worked example of IOGP Geomatics Guidance Note 7, part 2.

Source: IOGP Publication 373-7-2, Coordinate Conversions and Transformations including Formulas,
EPSG methods 9836 and 9837 (geocentric and geographic to topocentric conversion). The example's
figures are from memory; pyproj gives the same to the millimetre.
"""

import numpy as np
import pyproj

from calib.intake.geometry.geographic import geocentric, to_local

POINT = np.array([np.radians(53 + 48 / 60 + 33.820 / 3600),
                  np.radians(2 + 7 / 60 + 46.380 / 3600), 73.0])
ORIGIN = np.array([np.radians(55.0), np.radians(5.0), 200.0])
PUBLISHED_GEOCENTRIC = [3771793.968, 140253.342, 5124304.349]
PUBLISHED_TOPOCENTRIC = [-189013.869, -128642.040, -4220.171]


def test_geocentric():
    """X, Y, Z to the millimetre printed."""
    np.testing.assert_allclose(geocentric(POINT), PUBLISHED_GEOCENTRIC, atol=6e-4)


def test_topocentric():
    """U, V, W to the millimetre printed."""
    np.testing.assert_allclose(to_local(POINT[None], ORIGIN)[0], PUBLISHED_TOPOCENTRIC, atol=6e-4)


def test_pyproj_agrees_with_the_example():
    """The figures recalled are those of an independent library."""
    pipeline = pyproj.Transformer.from_pipeline(
        "+proj=pipeline +step +proj=cart +ellps=WGS84 +step +proj=topocentric +ellps=WGS84 "
        "+lat_0=55 +lon_0=5 +h_0=200")
    found = pipeline.transform(np.degrees(POINT[1]), np.degrees(POINT[0]), POINT[2])
    np.testing.assert_allclose(found, PUBLISHED_TOPOCENTRIC, atol=6e-4)
