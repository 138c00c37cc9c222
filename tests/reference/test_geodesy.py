"""Local frames against published geodetic values.

Flinders Peak - Buninyong: GDA94 / GDA2020 technical manual (GDA2020: table 5.1 p. 56, table C-1 p. 81). East-north-up:
IOGP Guidance Note 7-2, methods 9602, 9836 and 9837 (also PROJ's own page on topocentric conversion).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from pyproj import Geod

from mission.camera import Origin
from mission.geodesy import LocalFrame

FLINDERS = (-(37 + 57 / 60 + 3.72030 / 3600), 144 + 25 / 60 + 29.52440 / 3600)
BUNINYONG = (-(37 + 39 / 60 + 10.15610 / 3600), 143 + 55 / 60 + 35.38390 / 3600)
DISTANCE_M = 54_972.271
AZIMUTH_DEG = 306 + 52 / 60 + 5.37 / 3600
REVERSE_DEG = 127 + 10 / 60 + 25.07 / 3600

IOGP_POINT = (53 + 48 / 60 + 33.820 / 3600, 2 + 7 / 60 + 46.380 / 3600, 73.0)
IOGP_ORIGIN = Origin(55.0, 5.0, 200.0)
IOGP_ENU_M = (-189_013.869, -128_642.040, -4_220.171)


def test_the_library_that_we_build_on_gives_the_published_geodesic():
    forward, back, distance_m = Geod(ellps="GRS80").inv(FLINDERS[1], FLINDERS[0], BUNINYONG[1], BUNINYONG[0])
    assert distance_m == pytest.approx(DISTANCE_M, abs=1e-3)
    assert forward % 360 == pytest.approx(AZIMUTH_DEG, abs=0.01 / 3600)
    assert back % 360 == pytest.approx(REVERSE_DEG, abs=0.01 / 3600)


@pytest.mark.parametrize(
    ("origin", "target", "azimuth_deg"), [(FLINDERS, BUNINYONG, AZIMUTH_DEG), (BUNINYONG, FLINDERS, REVERSE_DEG)]
)
def test_local_frame_points_along_the_published_geodesic(origin, target, azimuth_deg):
    """The straight line is shorter than the geodesic s by s^3 / (24 R^2), 17 cm here, and its azimuth is that of the
    normal section, which leaves the geodesic by less than 0.1" over this distance."""
    east, north, up = LocalFrame(Origin(*origin, 0.0)).enu_from_geodetic([*target, 0.0])
    chord_m = DISTANCE_M - DISTANCE_M**3 / (24 * 6_371_000.0**2)
    assert math.dist((east, north, up), (0, 0, 0)) == pytest.approx(chord_m, abs=2e-3)
    assert math.degrees(math.atan2(east, north)) % 360 == pytest.approx(azimuth_deg, abs=0.1 / 3600)


def test_iogp_east_north_up():
    enu_m = LocalFrame(IOGP_ORIGIN).enu_from_geodetic(IOGP_POINT)
    np.testing.assert_allclose(enu_m, IOGP_ENU_M, atol=1e-3)


def test_iogp_back_to_degrees():
    latitude, longitude, height_m = LocalFrame(IOGP_ORIGIN).geodetic_from_enu(IOGP_ENU_M)
    # The input is rounded to a millimetre; 1e-8 deg is about one on the ground.
    assert (latitude, longitude) == pytest.approx((53.80939444, 2.12955), abs=1e-8)
    assert height_m == pytest.approx(73.0, abs=2e-3)


def test_iogp_geocentric_differences():
    """Method 9602: the distance between the published geocentric points is the length of the local vector."""
    point = (3_771_793.968, 140_253.342, 5_124_304.349)
    origin = (3_652_755.3058, 319_574.6799, 5_201_547.3536)
    enu_m = LocalFrame(IOGP_ORIGIN).enu_from_geodetic(IOGP_POINT)
    assert float(np.linalg.norm(enu_m)) == pytest.approx(math.dist(point, origin), abs=2e-3)


def test_metres_per_degree():
    """WGS 84: 110 574.3886 m along the meridian from the equator to 1 deg, 111 319.4908 m along the equator (values of
    pyproj and geographiclib). Near the origin the local frame must have the same scale."""
    frame = LocalFrame(Origin(0.0, 0.0, 0.0))
    east, north, _ = frame.enu_from_geodetic([1e-4, 1e-4, 0.0])
    assert east == pytest.approx(11.13194908, abs=1e-6)
    assert north == pytest.approx(11.05742758, abs=1e-6)  # the equator's own 110 574.2758 m a degree, from memory


def test_round_trip():
    frame = LocalFrame(Origin(52.5, 0.25, 45.0))
    points = np.random.default_rng(3).uniform(-2000, 2000, size=(50, 3))
    np.testing.assert_allclose(frame.enu_from_geodetic(frame.geodetic_from_enu(points)), points, atol=1e-6)
