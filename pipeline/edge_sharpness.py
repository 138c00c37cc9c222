"""How sharp a photograph is, measured on its own edges: blur in every direction, and smear along one.

Method: a step edge blurred by a Gaussian of variance v has, after a further Gaussian of variance s^2, a gradient of
height A / sqrt(2 pi (v + s^2)). The ratio R of the gradients at two scales s1 < s2 at the edge therefore gives
v = (s2^2 - R^2 s1^2) / (R^2 - 1) (after Zhuo & Sim, "Defocus map estimation from a single image", Pattern Recognition
44(9), 2011). Motion by L pixels adds L^2 / 12 along its direction only, so the variance over the direction of the edge's
normal follows a + b cos 2(angle - direction), and b tells the smear.

Edges of a photograph are not all steps: thin lines and texture read too sharp, soft shadows too soft. Hence quantiles,
medians over many windows, and two factors found on real aerial photographs blurred and smeared by known amounts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Plane = NDArray[np.float32]

FINE_PX, COARSE_PX = 1.0, 1.8
WINDOW_PX, WINDOWS_ACROSS, WINDOWS_DOWN = 320, 6, 4
# An edge counts when its gradient stands this many times above that of the noise, and above one grey level per pixel.
NOISE_FACTOR, LEAST_GRADIENT = 4.0, 1.0
STRONGEST_EDGES, SHARPEST_SHARE = 3000, 0.3
DIRECTIONS_DEG = np.arange(0, 180, 15)
LEAST_EDGES = 200
# True over measured, on fourteen aerial photographs of five flights (tests/pipeline/test_inspect_photographs.py). Texture
# makes most of their edges; where clean steps do, a smear reads up to twice too long, which errs on the safe side.
BLUR_FACTOR, SMEAR_FACTOR = 1.15, 2.0
# Longer smears read as this long: the two scales above no longer reach them.
LONGEST_SMEAR_PX = 8.0


@dataclass(frozen=True)
class Sharpness:
    """``blur_px``: Gaussian sigma of the sharpest direction; ``smear_px``: length of the smear, its direction in degrees
    from image right towards image down (0..180); both None where the frame has too few edges to tell."""

    blur_px: float | None
    smear_px: float | None
    smear_direction_deg: float | None
    edges: int


@dataclass(frozen=True)
class _Edges:
    variance_px2: Plane
    direction_deg: Plane
    strength: Plane


def measure_sharpness(grey: NDArray[np.generic]) -> Sharpness:
    """Measure an upright grey image [height, width], 0..255."""
    plane = np.asarray(grey, dtype=np.float32)
    windows = [_edges(window) for window in _windows(plane)]
    count = sum(len(window.strength) for window in windows)
    if count < LEAST_EDGES:
        return Sharpness(None, None, None, count)
    smear_px, direction_deg = _smear(windows)
    every = _Edges(*(np.concatenate([getattr(w, key) for w in windows]) for key in _Edges.__dataclass_fields__))
    if smear_px > 0:
        across = np.abs((every.direction_deg - direction_deg) % 180 - 90) < 30
        every = _Edges(every.variance_px2[across], every.direction_deg[across], every.strength[across])
    if len(every.strength) < LEAST_EDGES // 4:
        return Sharpness(None, None, None, count)
    return Sharpness(_blur(every), smear_px, direction_deg if smear_px > 0 else None, count)


def _windows(plane: Plane) -> list[Plane]:
    height, width = plane.shape
    # No more windows than it takes to cover a small frame.
    down, across = (
        min(most, -(-side // WINDOW_PX)) for most, side in ((WINDOWS_DOWN, height), (WINDOWS_ACROSS, width))
    )
    tops = np.linspace(0, max(0, height - WINDOW_PX), down).astype(int)
    lefts = np.linspace(0, max(0, width - WINDOW_PX), across).astype(int)
    return [plane[top : top + WINDOW_PX, left : left + WINDOW_PX] for top in tops for left in lefts]


def noise_sigma(plane: Plane) -> float:
    """Standard deviation of the noise, from the median response to a mask that is blind to planes and to single edges
    (Immerkaer, "Fast noise variance estimation", CVIU 64(2), 1996; median instead of mean against texture)."""
    second = np.array([1.0, -2.0, 1.0], dtype=np.float32)
    response = ndimage.convolve1d(ndimage.convolve1d(plane, second, axis=0), second, axis=1)
    return float(np.median(np.abs(response))) / 0.6745 / 6.0


def _edges(plane: Plane) -> _Edges:
    """Ridges of the gradient in one window with the blur variance read at each."""
    margin = 6
    if min(plane.shape) <= 2 * margin + 2:
        empty = np.zeros(0, dtype=np.float32)
        return _Edges(empty, empty, empty)
    gx, gy = _gradient(plane, FINE_PX)
    strength = np.hypot(gx, gy)
    floor = NOISE_FACTOR * noise_sigma(plane) / (math.sqrt(8 * math.pi) * FINE_PX**2)
    chosen = strength > max(floor, LEAST_GRADIENT)
    chosen[:margin] = chosen[-margin:] = False
    chosen[:, :margin] = chosen[:, -margin:] = False
    y, x = np.nonzero(chosen)
    ux, uy = gx[y, x] / strength[y, x], gy[y, x] / strength[y, x]
    here = strength[y, x]
    before, after = (ndimage.map_coordinates(strength, [y + sign * uy, x + sign * ux], order=1) for sign in (-1.0, 1.0))
    cx, cy = _gradient(plane, COARSE_PX)
    coarse = cx[y, x] * ux + cy[y, x] * uy
    keep = (here >= before) & (here >= after) & (coarse > 0)
    ratio2 = np.maximum((here[keep] / coarse[keep]) ** 2, 1.0001)
    variance = (COARSE_PX**2 - ratio2 * FINE_PX**2) / (ratio2 - 1)
    direction = np.degrees(np.arctan2(uy[keep], ux[keep])) % 180
    return _Edges(variance.astype(np.float32), direction.astype(np.float32), here[keep])


def _gradient(plane: Plane, sigma_px: float) -> tuple[Plane, Plane]:
    """Derivatives along x and y of the plane smoothed by a Gaussian."""

    def along(axis: int) -> Plane:
        smooth = ndimage.gaussian_filter1d(plane, sigma_px, axis=1 - axis, mode="nearest")
        return np.asarray(ndimage.gaussian_filter1d(smooth, sigma_px, axis=axis, order=1, mode="nearest"), np.float32)

    return along(1), along(0)


def _blur(edges: _Edges) -> float:
    """Sigma of the sharper ones among the strongest edges [px]; 0 where they are sharper than the method can tell."""
    strongest = np.argsort(edges.strength)[::-1][:STRONGEST_EDGES]
    variance = float(np.quantile(edges.variance_px2[strongest], SHARPEST_SHARE))
    return BLUR_FACTOR * math.sqrt(max(variance, 0.0))


def _smear(windows: list[_Edges]) -> tuple[float, float]:
    """Length [px] and direction [deg] of the smear that most windows agree on; length 0 where blur explains as much."""
    fits = [fit for fit in map(_directional_fit, windows) if fit is not None]
    if len(fits) < min(3, len(windows)):
        return 0.0, 0.0
    mean, cosine, sine = np.median(np.array(fits), axis=0)
    amplitude = float(np.hypot(cosine, sine))
    sharpest = mean - amplitude
    if 2 * amplitude <= max(sharpest, 0.0):
        return 0.0, 0.0
    length_px = SMEAR_FACTOR * math.sqrt(12 * 2 * amplitude)
    return min(length_px, LONGEST_SMEAR_PX), float(np.degrees(np.arctan2(sine, cosine)) / 2 % 180)


def _directional_fit(edges: _Edges) -> NDArray[np.float64] | None:
    """Coefficients (mean, cos 2t, sin 2t) of the blur variance over the edge's direction t in one window."""
    profile = np.full(len(DIRECTIONS_DEG), np.nan)
    for i, centre in enumerate(DIRECTIONS_DEG):
        near = np.abs((edges.direction_deg - centre + 90) % 180 - 90) < 15
        if near.sum() >= 25:
            profile[i] = np.quantile(edges.variance_px2[near], 0.4)
    if np.isfinite(profile).sum() < 9:
        return None
    profile = np.where(np.isfinite(profile), profile, np.nanmedian(profile))
    # Lines read sharper than anything can be; how much below zero says nothing of the camera.
    profile = np.maximum(profile, -0.3)
    twice = np.radians(2 * DIRECTIONS_DEG)
    basis = np.stack([np.full(len(twice), 0.5), np.cos(twice), np.sin(twice)], axis=1)
    half_mean, cosine, sine = 2 / len(twice) * basis.T @ profile
    return np.array([half_mean, cosine, sine])
