"""What a photograph does to things in it: how bright white is, how soft edges are, how much the pixels shiver."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmarks.transfer.pixels import Bytes, Floats, blurred, luminance, to_linear

#: Reflectance of ordinary ground (soil, grass), and of the brightest things about (common practice, no source).
GROUND_REFLECTANCE, BRIGHT_REFLECTANCE = 0.12, 0.85
_REBLUR_PX = 1.0


@dataclass(frozen=True)
class Look:
    """``exposure``: linear pixel value of a perfectly white, sunlit surface; ``blur_px``: Gaussian sigma of a sharp edge;
    ``noise``: standard deviation in 8-bit steps; ``ground``: median luminance."""

    exposure: float
    blur_px: float
    noise: float
    ground: float


def look_of(photograph: Bytes) -> Look:
    """Measure a photograph [H, W, 3] (every fourth pixel for the light, its middle at full size for the sharpness)."""
    light = luminance(to_linear(photograph[::4, ::4]))
    ground = float(np.median(light))
    bright = float(np.quantile(light, 0.999))
    exposure = np.sqrt(ground / GROUND_REFLECTANCE * bright / BRIGHT_REFLECTANCE)
    grey = photograph.astype(np.float32).mean(axis=2)
    height, width = grey.shape
    middle = grey[height // 2 - min(700, height // 2) :, width // 2 - min(900, width // 2) :][:1400, :1800]
    return Look(float(np.clip(exposure, 0.25, 1.25)), _edge_blur_px(middle), _noise(middle), ground)


def _gradient(plane: Floats) -> Floats:
    dy, dx = np.gradient(plane)
    return np.hypot(dy, dx).astype(np.float32)


def _edge_blur_px(grey: Floats) -> float:
    """Blur of the strong edges by blurring once more (after Zhuo & Sim, Pattern Recognition 44(9), 2011)."""
    before, after = _gradient(blurred(grey, 0.5)), _gradient(blurred(blurred(grey, 0.5), _REBLUR_PX))
    strong = before >= np.quantile(before, 0.998)
    ratio = np.maximum(before[strong] / np.maximum(after[strong], 1e-3), 1.01)
    sigma = _REBLUR_PX / np.sqrt(ratio**2 - 1.0)
    measured = float(np.quantile(sigma, 0.5))
    # Taken off: the first blur, and what central differences blur (two pixels wide: 2^2 / 12, and a little).
    return float(np.clip(np.sqrt(max(measured**2 - 0.25 - 0.43, 0.0)), 0.6, 2.2))


def _noise(grey: Floats) -> float:
    """Spread of the finest detail where the photograph is flattest, in 8-bit steps."""
    detail = grey - blurred(grey, 1.0)
    rows, columns = detail.shape[0] // 16, detail.shape[1] // 16
    blocks = detail[: rows * 16, : columns * 16].reshape(rows, 16, columns, 16).std(axis=(1, 3))
    return float(np.clip(np.quantile(blocks, 0.03) * 1.3, 0.4, 2.5))


def local_light(patch: Floats, look: Look) -> float:
    """How much light falls here, against the photograph as a whole: 1 in its ordinary light, less in shade.

    Dark ground and shade look alike, so only part of the difference is taken for light.
    """
    here = float(np.median(luminance(patch)))
    return float(np.clip((here / max(look.ground, 1e-4)) ** 0.5, 0.35, 1.15))


def roughness(patch: NDArray[np.uint8]) -> float:
    """Spread of the grey values of a patch: flat lawn is low, a tree crown high."""
    return float(patch.astype(np.float32).mean(axis=2).std())
