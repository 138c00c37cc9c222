"""What a photograph tells of the light and the camera that took it, so that what is drawn into it looks as if it had been there.

Estimates, not measurements: good enough that a drawn panel is not the brightest, sharpest or cleanest thing in the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from synth.tone import LUMA, linear_from_srgb

# Mean reflectance of ground seen from the air: grass 0.05-0.1 in the visible, soil 0.1-0.2 (common practice, no source).
_MEAN_REFLECTANCE = 0.13
_PATCH = 64
# Pixels between two values of the map of local light.
LIGHT_STEP_PX = 32


@dataclass(frozen=True)
class PhotographLook:
    """``white`` linear RGB that a sunlit white board would have; ``blur_sigma_px`` Gaussian equivalent of its softness;
    ``noise`` standard deviation of luma, encoded 0..1; ``lit_level`` median linear luminance of the whole photograph;
    ``blending`` how drawn things are to be laid in (no estimate: the recipe's choice)."""

    white: tuple[float, float, float]
    blur_sigma_px: float
    noise: float
    lit_level: float
    blending: str = "matched"


def estimate_look(photograph: NDArray[np.uint8]) -> PhotographLook:
    """Look of one photograph uint8 [H, W, 3] at the scale it is used at."""
    patches = _patches(photograph)
    linear = linear_from_srgb(patches.reshape(-1, 3).astype(np.float32) / 255)
    luminance = linear @ np.array([0.2126, 0.7152, 0.0722])
    level = float(np.clip(luminance.mean() / _MEAN_REFLECTANCE, 0.05, 1.2))
    brightest = float(np.percentile(luminance, 99.8))
    # A white thing in the picture is the better gauge; without one the mean of the ground must do.
    level = min(max(level, brightest * 0.8), 1.1)
    luma = patches.astype(np.float32) / 255 @ np.array(LUMA, np.float32)
    return PhotographLook(
        white=_white(linear, luminance, level),
        blur_sigma_px=estimate_blur_px(luma),
        noise=estimate_noise(luma),
        lit_level=float(np.median(luminance)),
    )


def _patches(photograph: NDArray[np.uint8], most: int = 160) -> NDArray[np.uint8]:
    """Up to ``most`` squares [n, 64, 64, 3] spread evenly over the photograph, empty (black or white) rims left out."""
    height, width = photograph.shape[:2]
    size = min(_PATCH, height, width)
    rows = max(1, round(math.sqrt(most * height / width)))
    ys = np.linspace(0, height - size, rows).astype(int)
    xs = np.linspace(0, width - size, max(1, most // rows)).astype(int)
    squares = np.stack([photograph[y : y + size, x : x + size] for y in ys for x in xs])
    full = ((squares.max((1, 2, 3)) > 4) & (squares.min((1, 2, 3)) < 251)) & (squares.std((1, 2)).max(1) > 0.3)
    return squares[full] if full.any() else squares


def _white(linear: np.ndarray, luminance: np.ndarray, level: float) -> tuple[float, float, float]:
    # Bright pixels of little colour show the light's; part of their cast is their own, so less than half is believed.
    pale = (linear.max(1) - linear.min(1)) < 0.3 * linear.max(1)
    bright = linear[(luminance >= np.percentile(luminance, 97)) & (linear.max(1) < 0.98) & pale]
    if len(bright) < 20:
        return (level, level, level)
    cast = bright.mean(0) / max(float(bright.mean()), 1e-6)
    red, green, blue = (float(level * np.clip(c, 0.6, 1.6) ** 0.4) for c in cast)
    return (red, green, blue)


def estimate_noise(luma: np.ndarray) -> float:
    """Noise of squares [n, s, s]: mean absolute diagonal difference in the smoothest tenth of them, as of a Gaussian."""
    diagonal = (luma[:, :-1:2, :-1:2] - luma[:, 1::2, :-1:2] - luma[:, :-1:2, 1::2] + luma[:, 1::2, 1::2]) / 2
    deviation = np.abs(diagonal).mean(axis=(1, 2)) * math.sqrt(math.pi / 2)
    return float(np.clip(np.percentile(deviation, 10), 0.0005, 0.05))


def estimate_blur_px(luma: np.ndarray) -> float:
    """Gaussian sigma [px] by which squares [n, s, s] are softer than a natural 1/f^2 power spectrum.

    Fits power = a f^-s exp(-(2 pi sigma f)^2) + b to the sharper half of the squares, s bounded to what nature shows (about
    2 to 3: Field, JOSA A 4, 1987; from memory), b the noise.
    """
    size = luma.shape[1]
    window = np.hanning(size)[:, None] * np.hanning(size)
    power = np.abs(np.fft.rfft2((luma - luma.mean((1, 2), keepdims=True)) * window)) ** 2
    f = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size))
    fine = power[:, (f > 0.2) & (f < 0.4)].sum(1) / np.maximum(power[:, (f > 0.04) & (f < 0.2)].sum(1), 1e-12)
    sharp = power[fine >= np.median(fine)].mean(0)
    edges = np.linspace(0.05, 0.5, 24)
    middle = (edges[1:] + edges[:-1]) / 2
    profile = np.array([sharp[(f >= a) & (f < b)].mean() for a, b in zip(edges[:-1], edges[1:], strict=True)])
    best = (np.inf, 0.7)
    for sigma in np.arange(0.3, 2.05, 0.05):
        for slope in (2.0, 2.4, 2.8):
            signal = middle**-slope * np.exp(-((2 * math.pi * sigma * middle) ** 2))
            best = min(best, (_misfit(signal / profile, 1 / profile), float(sigma)))
    return best[1]


def _misfit(signal: np.ndarray, floor: np.ndarray) -> float:
    """Least sum of squares of a signal + b floor - 1 over a, b >= 0."""
    ss, sf, ff, s1, f1 = signal @ signal, signal @ floor, floor @ floor, signal.sum(), floor.sum()
    a = (s1 * ff - f1 * sf) / max(ss * ff - sf * sf, 1e-300)
    b = (f1 - a * sf) / ff
    if b < 0:
        a, b = s1 / ss, 0.0
    rest = a * signal + b * floor - 1
    return float(rest @ rest)


def local_light(photograph: NDArray[np.uint8], look: PhotographLook) -> NDArray[np.float32]:
    """Share of full light (0.25..1) at every LIGHT_STEP_PX pixels of a photograph uint8 [H, W, 3].

    Where the brightest things within half a metre stay far below the whole photograph's middle it is taken for shade.
    """
    block = 8
    fine = np.asarray(Image.fromarray(photograph).reduce(block))
    linear = linear_from_srgb(fine.astype(np.float32) / 255)
    luminance = linear @ np.array([0.2126, 0.7152, 0.0722])
    many = LIGHT_STEP_PX // block
    padded = np.pad(luminance, [(0, -side % many) for side in luminance.shape], mode="edge")
    blocks = padded.reshape(padded.shape[0] // many, many, padded.shape[1] // many, many)
    share = (blocks.max((1, 3)) / max(look.lit_level, 1e-4) - 0.2) / 0.5
    return (0.25 + 0.75 * np.clip(share, 0, 1)).astype(np.float32)
