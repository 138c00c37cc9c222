"""Colours of sun and sky, and the length of shadows: plain numbers, no arrays."""

from __future__ import annotations

import math

# Linear sRGB from CIE XYZ (IEC 61966-2-1:1999: inverse of the matrix of its primaries and D65 white).
_RGB_FROM_XYZ = (
    (3.2404542, -1.5371385, -0.4985314),
    (-0.9692660, 1.8760108, 0.0415560),
    (0.0556434, -0.2040259, 1.0572252),
)


def daylight_rgb(temperature_k: float) -> tuple[float, float, float]:
    """Linear sRGB of luminance 1 for CIE daylight of a correlated colour temperature (clamped to 4000..25000 K).

    Chromaticity of the CIE D illuminants: CIE 15:2004, section 3.1 (coefficients from memory, checked by a test
    against colour-science).
    """
    t = min(max(temperature_k, 4000.0), 25000.0)
    if t <= 7000:
        x = -4.6070e9 / t**3 + 2.9678e6 / t**2 + 0.09911e3 / t + 0.244063
    else:
        x = -2.0064e9 / t**3 + 1.9018e6 / t**2 + 0.24748e3 / t + 0.237040
    y = -3 * x * x + 2.87 * x - 0.275
    xyz = (x / y, 1.0, (1 - x - y) / y)
    r, g, b = (sum(m * v for m, v in zip(row, xyz, strict=True)) for row in _RGB_FROM_XYZ)
    return (max(r, 0.0), max(g, 0.0), max(b, 0.0))


def sun_temperature_k(elevation_deg: float) -> float:
    """Colour temperature of direct sunlight: about 5500 K high up, 4000 K near 6 deg (common practice, no source)."""
    return 4000 + 1600 * (1 - math.exp(-max(elevation_deg - 6, 0) / 18))


def shadow_length_m(height_m: float, elevation_deg: float) -> float:
    """Length on level ground of the shadow of an upright thing: height over tan(elevation)."""
    return height_m / math.tan(math.radians(max(elevation_deg, 1e-6)))


def shadow_px_per_m(
    sun_elevation_deg: float, sun_azimuth_deg: float, gsd_m: float, heading_deg: float = 0.0
) -> tuple[float, float]:
    """(x right, y down) in pixels by which the shadow of a point 1 m above level ground is displaced, seen from above.

    The shadow falls away from the sun. Azimuth is clockwise from true north; ``heading_deg`` is the ground direction of
    image up, clockwise from north.
    """
    length_px = shadow_length_m(1.0, sun_elevation_deg) / gsd_m
    away = math.radians(sun_azimuth_deg + 180 - heading_deg)
    return (length_px * math.sin(away), -length_px * math.cos(away))
