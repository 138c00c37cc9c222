"""How light the frames are and how much things stand out, measured in the pixels.

L* is CIE 1976 lightness of the luminance of sRGB (IEC 61966-2-1), 0 black to 100 white. Against the ground: the difference of
medians inside a panel's box, shrunk, and in a ring around it. Within: between the lighter and the darker tenth inside the
middle of the box, which is where a mark is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eval.case import Case
from mission.errors import InputError
from mission.frame_set import FrameSet
from mission.photographs import load_photograph

Floats = NDArray[np.float64]

#: Above so many frames the pictures are not opened: they would take longer than all the rest.
MOST_FRAMES = 400
_MIDDLE = 0.5
_RING = 0.5


@dataclass(frozen=True)
class Contrasts:
    """``frame_lightness`` [F] median L*; ``against_ground`` and ``within`` [O] differences of L*; NaN where unknown."""

    frame_lightness: Floats
    against_ground: Floats
    within: Floats


def lightness(rgb: NDArray[np.uint8]) -> Floats:
    """L* of 8-bit sRGB [..., 3]."""
    value = np.asarray(rgb, dtype=float) / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    luminance = linear @ np.array([0.2126, 0.7152, 0.0722])
    root = np.where(luminance > (6 / 29) ** 3, np.cbrt(luminance), luminance / (3 * (6 / 29) ** 2) + 4 / 29)
    return 116 * root - 16


def contrasts_of(case: Case, frame_set: FrameSet) -> Contrasts | None:
    """Open every frame once and measure; None where there are too many frames or none can be opened."""
    if len(case.frames) > MOST_FRAMES:
        return None
    light, around, within = (np.full(n, np.nan) for n in (len(case.frames), len(case.things), len(case.things)))
    for row, frame in enumerate(case.frames):
        try:
            picture = load_photograph(frame_set.path_of(frame))
        except (InputError, OSError):
            continue
        step = max(1, min(picture.shape[:2]) // 256)
        light[row] = np.median(lightness(picture[::step, ::step]))
        for thing in np.flatnonzero(case.objects.frame == row).tolist():
            if case.things[thing].category == "panel":
                around[thing], within[thing] = _stands_out(picture, case.objects.box_px[thing])
    return None if np.isnan(light).all() else Contrasts(light, around, within)


def _stands_out(picture: NDArray[np.uint8], box_px: Floats) -> tuple[float, float]:
    x, y, w, h = box_px
    high, wide = picture.shape[:2]
    middle = _cut(picture, x + w * (1 - _MIDDLE) / 2, y + h * (1 - _MIDDLE) / 2, w * _MIDDLE, h * _MIDDLE)
    left, top = max(0, int(x - _RING * w)), max(0, int(y - _RING * h))
    right, bottom = min(wide, int(x + (1 + _RING) * w) + 1), min(high, int(y + (1 + _RING) * h) + 1)
    ring = np.ones((max(0, bottom - top), max(0, right - left)), dtype=bool)
    ring[max(0, int(y) - top) : max(0, int(y + h) + 1 - top), max(0, int(x) - left) : max(0, int(x + w) + 1 - left)] = (
        False
    )
    if not middle.size or not ring.any():
        return np.nan, np.nan
    inside = lightness(middle).ravel()
    outside = lightness(picture[top:bottom, left:right][ring])
    low, high_l = np.quantile(inside, [0.1, 0.9])
    return float(abs(np.median(inside) - np.median(outside))), float(high_l - low)


def _cut(picture: NDArray[np.uint8], x: float, y: float, w: float, h: float) -> NDArray[np.uint8]:
    return picture[max(0, int(y)) : max(0, int(np.ceil(y + h))), max(0, int(x)) : max(0, int(np.ceil(x + w)))]
