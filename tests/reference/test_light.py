"""Light against outside sources: NREL's solar position example, CIE daylight."""

import math

import pytest

from synth.daylight import daylight_rgb, shadow_length_m, shadow_px_per_m

# Reda & Andreas, NREL/TP-560-34302 (rev. 2008), Appendix A.5: 17 Oct 2003, 12:30:30 UTC-7, 39.742476 N, 105.1786 W.
ZENITH_DEG = 50.111622
AZIMUTH_DEG = 194.340241
SHADOW_M = 2.09384


def test_shadow_length_at_the_spa_example() -> None:
    # 1.75 m * tan(zenith): 2.09384 m (closed form)
    assert shadow_length_m(1.75, 90 - ZENITH_DEG) == pytest.approx(SHADOW_M, abs=5e-5)


def test_shadow_falls_away_from_the_sun_of_the_spa_example() -> None:
    x, y = shadow_px_per_m(90 - ZENITH_DEG, AZIMUTH_DEG, gsd_m=0.01)
    assert math.hypot(x, y) == pytest.approx(100 * math.tan(math.radians(ZENITH_DEG)), rel=1e-9)
    # Image up is north: the shadow's bearing is azimuth + 180 deg.
    assert math.degrees(math.atan2(x, -y)) % 360 == pytest.approx((AZIMUTH_DEG + 180) % 360, abs=1e-9)


def test_heading_turns_the_shadow_with_the_picture() -> None:
    # A camera flying with its image up to the east sees a shadow that points north at its left.
    x, y = shadow_px_per_m(45, 180, gsd_m=0.5, heading_deg=90)
    assert (x, y) == (pytest.approx(-2.0), pytest.approx(0.0, abs=1e-9))


def test_spa_example_through_pvlib() -> None:
    """The same example worked by pvlib's implementation of the algorithm, then our shadow."""
    pvlib = pytest.importorskip("pvlib", reason="pvlib is a development extra")
    import pandas

    time = pandas.DatetimeIndex(["2003-10-17 12:30:30-07:00"])
    position = pvlib.solarposition.spa_python(
        time, 39.742476, -105.1786, altitude=1830.14, pressure=82000, temperature=11, delta_t=67, atmos_refract=0.5667
    )
    elevation = float(position["apparent_elevation"].iloc[0])
    assert 90 - elevation == pytest.approx(ZENITH_DEG, abs=1e-5)
    assert shadow_length_m(1.75, elevation) == pytest.approx(SHADOW_M, abs=5e-5)


@pytest.mark.parametrize("temperature_k", [4000, 5003, 6504, 7500, 15000, 25000])
def test_daylight_chromaticity_against_colour_science(temperature_k: float) -> None:
    """CIE 15:2004 daylight locus as colour-science has it, through its own sRGB matrix."""
    colour = pytest.importorskip("colour", reason="colour-science is a development extra")
    xy = colour.temperature.CCT_to_xy_CIE_D(temperature_k)
    expected = colour.XYZ_to_RGB(colour.xyY_to_XYZ([*xy, 1.0]), "sRGB", apply_cctf_encoding=False)
    assert daylight_rgb(temperature_k) == pytest.approx(list(expected), abs=2e-3)


def test_d65_is_white() -> None:
    """Primaries and white of IEC 61966-2-1: D65 gives equal channels."""
    assert daylight_rgb(6504) == pytest.approx((1.0, 1.0, 1.0), abs=3e-3)
