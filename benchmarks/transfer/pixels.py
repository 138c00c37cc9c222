"""Pixel arithmetic of the judge, in plain numpy: linear light, blur, smooth fields, shrinking.

Patches are float32 [height, width, 3] in linear light unless said otherwise; x right, y down, pixel (0, 0) covers [0, 1).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Bytes = NDArray[np.uint8]


def to_linear(encoded: NDArray[Any]) -> Floats:
    """Linear light 0..1 of 8-bit sRGB (IEC 61966-2-1:1999)."""
    share = np.asarray(encoded, dtype=np.float32) / 255.0
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4).astype(np.float32)


def to_srgb(linear: NDArray[Any]) -> Floats:
    """SRGB 0..255, not rounded, of linear light (clipped to 0..1)."""
    light = np.clip(linear, 0.0, 1.0)
    share = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    return (share * 255.0).astype(np.float32)


def luminance(linear: NDArray[Any]) -> NDArray[Any]:
    """Relative luminance Y of linear sRGB [..., 3]."""
    return linear @ np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)


def _kernel(sigma_px: float) -> Floats:
    reach = max(1, int(np.ceil(3.0 * sigma_px)))
    offset = np.arange(-reach, reach + 1)
    weight = np.exp(-0.5 * (offset / sigma_px) ** 2)
    return (weight / weight.sum()).astype(np.float32)


def blurred(plane: NDArray[Any], sigma_px: float) -> Floats:
    """Gaussian blur over the first two axes, edges repeated; sigma below 0.2 px leaves the plane as it is."""
    image = np.asarray(plane, dtype=np.float32)
    if sigma_px < 0.2:
        return image
    weight = _kernel(sigma_px)
    reach = len(weight) // 2
    for axis in (0, 1):
        margin = [(0, 0)] * image.ndim
        margin[axis] = (reach, reach)
        padded = np.pad(image, margin, mode="edge")
        size = image.shape[axis]
        total = np.zeros_like(image)
        for shift, share in enumerate(weight):
            part = padded[shift : shift + size] if axis == 0 else padded[:, shift : shift + size]
            total += share * part
        image = total
    return image


def shrunk(plane: NDArray[Any], factor: int) -> Floats:
    """Mean over factor x factor cells of the first two axes."""
    height, width = plane.shape[0] // factor, plane.shape[1] // factor
    cells = np.asarray(plane, dtype=np.float32)[: height * factor, : width * factor]
    return cells.reshape(height, factor, width, factor, *plane.shape[2:]).mean(axis=(1, 3))


def smooth_field(rng: np.random.Generator, height: int, width: int, cell_px: float) -> Floats:
    """Smooth random field [height, width], about zero mean and unit spread, structures about cell_px across."""
    rows, columns = int(height / cell_px) + 3, int(width / cell_px) + 3
    lattice = rng.standard_normal((rows, columns))
    y = np.arange(height) / cell_px + rng.uniform(0, 1)
    x = np.arange(width) / cell_px + rng.uniform(0, 1)
    y0, x0 = y.astype(int), x.astype(int)
    fy, fx = (y - y0)[:, None], (x - x0)[None, :]
    fy, fx = fy * fy * (3 - 2 * fy), fx * fx * (3 - 2 * fx)
    corner = lambda dy, dx: lattice[np.ix_(y0 + dy, x0 + dx)]  # noqa: E731
    field = (corner(0, 0) * (1 - fx) + corner(0, 1) * fx) * (1 - fy) + (
        corner(1, 0) * (1 - fx) + corner(1, 1) * fx
    ) * fy
    return (field * 1.5).astype(np.float32)
