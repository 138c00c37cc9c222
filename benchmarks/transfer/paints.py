"""Paints of the judge: published centres of the colour names, each with a little jitter, and the contrast rule.

Centres, as sRGB: Munroe's colour survey (XKCD, 2010, as shipped with matplotlib), CSS Color Module Level 4, the ISCC-NBS
centroids (Kelly & Judd, NBS Special Publication 440, 1976) and the focal chips of Berlin & Kay (1969) by way of their
Munsell notation. The renderer draws its paints from distributions of its own; nothing is shared.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.transfer.pixels import to_linear

CENTRES: dict[str, tuple[str, ...]] = {
    "white": ("ffffff", "f2f3f4"),
    "black": ("000000", "222222"),
    "grey": ("929591", "808080", "848482"),
    "red": ("e50000", "ff0000", "be0032", "ba2121"),
    "orange": ("f97306", "ffa500", "f38400"),
    "yellow": ("ffff14", "ffff00", "f3c300", "fcbf00"),
    "green": ("15b01a", "008000", "008856", "009145"),
    "blue": ("0343df", "0000ff", "00a1c2", "0067a5", "0065a2"),
    "purple": ("7e1e9c", "800080", "9a4eae", "66307a"),
    "pink": ("ff81c0", "ffc0cb", "ea9399", "f190b4"),
    "brown": ("653700", "a52a2a", "80461b", "6f4e37", "4c261d"),
}
JITTER_LAB = 2.5
#: Even white paint gives back less than all light, and black paint some (common practice, no source).
LIGHTEST, DARKEST = 0.88, 0.025
LIGHTNESS_MIN, DIFFERENCE_MIN = 25.0, 30.0

_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
_WHITE = _XYZ.sum(axis=1)


def lab_of(linear: NDArray[Any]) -> NDArray[np.float64]:
    """CIELAB (D65) of linear sRGB [..., 3]."""
    ratio = np.asarray(linear, dtype=float) @ _XYZ.T / _WHITE
    root = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.stack(
        [116 * root[..., 1] - 16, 500 * (root[..., 0] - root[..., 1]), 200 * (root[..., 1] - root[..., 2])], -1
    )


def linear_of(lab: NDArray[Any]) -> NDArray[np.float64]:
    """Linear sRGB of CIELAB (D65), clipped to 0..1."""
    y = (lab[..., 0] + 16) / 116
    root = np.stack([y + lab[..., 1] / 500, y, y - lab[..., 2] / 200], -1)
    ratio = np.where(root > 6 / 29, root**3, (116 * root - 16) * 27 / 24389)
    return np.clip((ratio * _WHITE) @ np.linalg.inv(_XYZ).T, 0.0, 1.0)


def difference_2000(one: NDArray[Any], other: NDArray[Any]) -> float:
    """CIEDE2000 of two CIELAB colours [3] (Sharma, Wu & Dalal, Color Research & Application 30(1), 2005, eq. 2-22)."""
    l1, a1, b1 = (float(v) for v in one)
    l2, a2, b2 = (float(v) for v in other)
    seventh = lambda c: np.sqrt(c**7 / (c**7 + 25.0**7))  # noqa: E731
    g = 0.5 * (1 - seventh((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    turn, hue = h2 - h1, (h1 + h2) / 2
    if c1 * c2 == 0:
        turn, hue = 0.0, h1 + h2
    elif abs(turn) > 180:
        turn -= np.sign(turn) * 360
        hue += 180 if h1 + h2 < 360 else -180
    light, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    cosine = lambda deg: np.cos(np.radians(deg))  # noqa: E731
    t = 1 - 0.17 * cosine(hue - 30) + 0.24 * cosine(2 * hue) + 0.32 * cosine(3 * hue + 6) - 0.20 * cosine(4 * hue - 63)
    dl = (l2 - l1) / (1 + 0.015 * (light - 50) ** 2 / np.sqrt(20 + (light - 50) ** 2))
    dc = (c2 - c1) / (1 + 0.045 * chroma)
    dh = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2)) / (1 + 0.015 * chroma * t)
    rotation = -2 * seventh(chroma) * np.sin(np.radians(60 * np.exp(-(((hue - 275) / 25) ** 2))))
    return float(np.sqrt(max(0.0, dl * dl + dc * dc + dh * dh + rotation * dc * dh)))


def centre_lab(code: str) -> NDArray[np.float64]:
    """CIELAB of a centre's six hexadecimal digits."""
    return lab_of(to_linear(np.array([int(code[i : i + 2], 16) for i in (0, 2, 4)])))


def draw_paint(rng: np.random.Generator, name: str) -> NDArray[np.float64]:
    """Reflectance (linear sRGB) [3] of one can of paint called ``name``."""
    lab = centre_lab(str(rng.choice(CENTRES[name]))) + rng.normal(0.0, JITTER_LAB, 3)
    return DARKEST + (LIGHTEST - DARKEST) * linear_of(lab)


def tells_apart(panel: NDArray[Any], mark: NDArray[Any]) -> bool:
    """The exercise's contrast rule between two paints: |dL*| and CIEDE2000."""
    one, other = lab_of(panel), lab_of(mark)
    return abs(float(one[0] - other[0])) >= LIGHTNESS_MIN and difference_2000(one, other) >= DIFFERENCE_MIN


def draw_pair(rng: np.random.Generator) -> tuple[str, str, NDArray[np.float64], NDArray[np.float64]]:
    """Names and reflectances of a panel and its mark that keep the contrast rule; panel names are drawn evenly."""
    names = list(CENTRES)
    panel_name = str(rng.choice(names))
    while True:
        mark_name = str(rng.choice(names))
        panel, mark = draw_paint(rng, panel_name), draw_paint(rng, mark_name)
        if mark_name != panel_name and tells_apart(panel, mark):
            return panel_name, mark_name, panel, mark
