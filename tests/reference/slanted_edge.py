"""An edge drawn by supersampling and a slanted-edge MTF reader, both independent of the program (after ISO 12233's idea)."""

from __future__ import annotations

import math

import numpy as np

ANGLE_DEG = 5.0


def pixel_averaged_edge(height: int, width: int, dark: float = 0.1, bright: float = 0.7, fine: int = 16) -> np.ndarray:
    """Grey [height, width]: a step tilted by 5 deg from upright through the middle, averaged over pixel squares."""
    x = (np.arange(width * fine) + 0.5) / fine - width / 2
    y = (np.arange(height * fine) + 0.5) / fine - height / 2
    a = math.radians(ANGLE_DEG)
    edge = np.empty((height, width))
    for row in range(height):
        rows = y[row * fine : (row + 1) * fine]
        side = (x[None, :] * math.cos(a) + rows[:, None] * math.sin(a)) > 0
        edge[row] = side.reshape(fine, width, fine).mean((0, 2))
    return dark + (bright - dark) * edge


def mtf_at(image: np.ndarray, frequencies: list[float], bins_per_px: int = 8) -> list[float]:
    """MTF across the edge at cycles per pixel: edge profile in fine bins, its derivative, its Fourier sum."""
    height, width = image.shape
    a = math.radians(ANGLE_DEG)
    y, x = np.meshgrid(np.arange(height) + 0.5 - height / 2, np.arange(width) + 0.5 - width / 2, indexing="ij")
    distance = x * math.cos(a) + y * math.sin(a)
    reach = 12.0
    near = np.abs(distance) < reach
    index = np.floor((distance[near] + reach) * bins_per_px).astype(int)
    count = np.bincount(index, minlength=int(2 * reach * bins_per_px))
    profile = np.bincount(index, weights=image[near], minlength=len(count)) / np.maximum(count, 1)
    assert (count > 0).all()
    line = np.diff(profile)
    at = (np.arange(len(line)) + 1) / bins_per_px - reach
    line = line * np.cos(np.pi * np.clip(at / reach, -1, 1) / 2) ** 0.25
    step = 1 / bins_per_px
    out = []
    for f in frequencies:
        value = abs(np.sum(line * np.exp(-2j * math.pi * f * at))) / abs(line.sum())
        # Binning averages over one bin and differencing over two: take both out.
        out.append(float(value / np.sinc(f * step) ** 2))
    return out


def true_mtf(f: float, sigma_px: float) -> float:
    """Pixel square seen at 5 deg, times a Gaussian blur."""
    a = math.radians(ANGLE_DEG)
    return float(
        abs(np.sinc(f * math.cos(a)) * np.sinc(f * math.sin(a))) * math.exp(-2 * (math.pi * sigma_px * f) ** 2)
    )
