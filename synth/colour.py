"""Colour arithmetic: sRGB, linear light, CIELAB (D65, 2 degree observer), CIE LCh and CIEDE2000, for numpy arrays.

Linear values are reflectances (or scene radiances) in the sRGB primaries; the last axis holds the three channels.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]

# sRGB primaries and white to CIE XYZ, IEC 61966-2-1:1999.
_XYZ_FROM_LINEAR = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
_WHITE = _XYZ_FROM_LINEAR.sum(axis=1)
_LINEAR_FROM_XYZ = np.linalg.inv(_XYZ_FROM_LINEAR)
# CIE 15: the cube root gives way to a line below (6/29)^3.
_DELTA = 6.0 / 29.0


def linear_from_srgb(encoded: ArrayLike) -> Array:
    """Linear light 0..1 from sRGB values 0..1 (IEC 61966-2-1:1999)."""
    c = np.asarray(encoded, dtype=float)
    return np.where(c <= 0.04045, c / 12.92, ((np.maximum(c, 0.0) + 0.055) / 1.055) ** 2.4)


def srgb_from_linear(linear: ArrayLike) -> Array:
    """SRGB values 0..1 from linear light 0..1 (IEC 61966-2-1:1999)."""
    c = np.asarray(linear, dtype=float)
    return np.where(c <= 0.0031308, 12.92 * c, 1.055 * np.maximum(c, 0.0) ** (1 / 2.4) - 0.055)


def lab_from_linear(linear: ArrayLike) -> Array:
    """CIELAB [..., 3] of linear sRGB [..., 3] against D65."""
    ratio = np.asarray(linear, dtype=float) @ _XYZ_FROM_LINEAR.T / _WHITE
    root = np.where(ratio > _DELTA**3, np.cbrt(ratio), ratio / (3 * _DELTA**2) + 4.0 / 29.0)
    x, y, z = root[..., 0], root[..., 1], root[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def linear_from_lab(lab: ArrayLike) -> Array:
    """Linear sRGB [..., 3] of CIELAB [..., 3] against D65; outside the gamut components leave 0..1."""
    lab = np.asarray(lab, dtype=float)
    y = (lab[..., 0] + 16) / 116
    root = np.stack([y + lab[..., 1] / 500, y, y - lab[..., 2] / 200], axis=-1)
    ratio = np.where(root > _DELTA, root**3, 3 * _DELTA**2 * (root - 4.0 / 29.0))
    return (ratio * _WHITE) @ _LINEAR_FROM_XYZ.T


def lch_from_lab(lab: ArrayLike) -> Array:
    """Lightness, chroma and hue angle [deg, 0..360) of CIELAB."""
    lab = np.asarray(lab, dtype=float)
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360.0
    return np.stack([lab[..., 0], np.hypot(lab[..., 1], lab[..., 2]), hue], axis=-1)


def lab_from_lch(lch: ArrayLike) -> Array:
    """CIELAB of lightness, chroma and hue angle [deg]."""
    lch = np.asarray(lch, dtype=float)
    hue = np.radians(lch[..., 2])
    return np.stack([lch[..., 0], lch[..., 1] * np.cos(hue), lch[..., 1] * np.sin(hue)], axis=-1)


def ciede2000(one: ArrayLike, other: ArrayLike) -> Array:
    """CIEDE2000 difference of CIELAB colours, shapes broadcast.

    Source: Sharma, Wu & Dalal, Color Research & Application 30(1) 21-30, 2005 (equations 2 to 22), kL = kC = kH = 1.
    """
    a, b = np.broadcast_arrays(np.asarray(one, dtype=float), np.asarray(other, dtype=float))
    mean_chroma = (np.hypot(a[..., 1], a[..., 2]) + np.hypot(b[..., 1], b[..., 2])) / 2
    g = 0.5 * (1 - np.sqrt(mean_chroma**7 / (mean_chroma**7 + 25.0**7)))
    a1, a2 = (1 + g) * a[..., 1], (1 + g) * b[..., 1]
    c1, c2 = np.hypot(a1, a[..., 2]), np.hypot(a2, b[..., 2])
    h1, h2 = (np.degrees(np.arctan2(y, x)) % 360 for x, y in ((a1, a[..., 2]), (a2, b[..., 2])))
    grey = c1 * c2 == 0
    turn = (h2 - h1 + 180) % 360 - 180
    # The formula takes +180 where the hues are exactly opposite and h2 > h1.
    turn = np.where(grey, 0.0, np.where((turn == -180) & (h2 > h1), 180.0, turn))
    d_light, d_chroma = b[..., 0] - a[..., 0], c2 - c1
    d_hue = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2))
    light, chroma = (a[..., 0] + b[..., 0]) / 2, (c1 + c2) / 2
    far = np.abs(h1 - h2) > 180
    hue = np.where(grey, h1 + h2, np.where(far, (h1 + h2 + np.where(h1 + h2 < 360, 360, -360)) / 2, (h1 + h2) / 2))
    cos = lambda degrees: np.cos(np.radians(degrees))  # noqa: E731
    t = 1 - 0.17 * cos(hue - 30) + 0.24 * cos(2 * hue) + 0.32 * cos(3 * hue + 6) - 0.20 * cos(4 * hue - 63)
    s_light = 1 + 0.015 * (light - 50) ** 2 / np.sqrt(20 + (light - 50) ** 2)
    s_chroma, s_hue = 1 + 0.045 * chroma, 1 + 0.015 * chroma * t
    rotation = -2 * np.sqrt(chroma**7 / (chroma**7 + 25.0**7))
    rotation = rotation * np.sin(np.radians(60 * np.exp(-(((hue - 275) / 25) ** 2))))
    l, c, h = d_light / s_light, d_chroma / s_chroma, d_hue / s_hue  # noqa: E741
    return np.sqrt(np.maximum(l * l + c * c + h * h + rotation * c * h, 0.0))
