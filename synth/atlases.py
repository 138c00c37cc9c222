"""Tables that the rasteriser reads from, as tensors on one device: marks, outlines and noise; and how they are read."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F

from synth import marks as mark_fields
from synth import outlines as outline_fields
from synth.spans import LONGEST_PX, Spans

NOISE_PX = 256
# A run of pixels never leaves the tile of grain, wherever it begins.
_GRAIN_SIDE = NOISE_PX + LONGEST_PX


class Atlases:
    """Mosaics of marks, outlines and noise as tensors on one device."""

    def __init__(self, outlines: outline_fields.OutlineAtlas, device: torch.device) -> None:
        self.outlines = outlines
        self.marks = mark_mosaic(device)
        shapes = torch.from_numpy(outlines.mosaic()).to(device)
        self.shapes = shapes[None, None]
        self.noise, self.grain = noise_tile(device)


@lru_cache(maxsize=4)
def mark_mosaic(device: torch.device) -> torch.Tensor:
    """All marks as one picture [1, 1, F * CELL, 36 * CELL] of distances, in units of the mark's height."""
    field = torch.from_numpy(mark_fields.mark_atlas().mosaic()).to(device)
    return field.float().mul_(mark_fields.RANGE / 127)[None, None]


@lru_cache(maxsize=4)
def noise_tile(device: torch.device) -> tuple[torch.Tensor, torch.Tensor]:
    """Endless noise, each plane of mean 0 and deviation 1.

    [1, 2, 257, 257] patches and bumps, to be read at any scale; [3, S, S] blades, grain and cloth, read pixel by pixel.
    """
    rng = np.random.Generator(np.random.Philox(key=(22, 0)))
    n = NOISE_PX
    f = np.hypot(np.fft.fftfreq(n)[:, None] * n, np.fft.rfftfreq(n)[None] * n)
    f[0, 0] = 1

    def between(power: float, low: float, high: float) -> np.ndarray:
        spectrum = np.fft.rfft2(rng.standard_normal((n, n))) * f**-power * (f >= low) * (f <= high)
        return np.fft.irfft2(spectrum, s=(n, n))

    coarse = _endless([between(1.4, 1, 60), between(1.2, 1.5, 16)], n + 1)
    fine = _endless([_blades(rng, n), between(0, 1, 128), between(0.8, 8, 60)], _GRAIN_SIDE)
    return torch.from_numpy(coarse).to(device)[None], torch.from_numpy(fine).to(device)


def _endless(planes: list[np.ndarray], side: int) -> np.ndarray:
    tile = np.stack([(plane - plane.mean()) / plane.std() for plane in planes])
    wrapped = np.arange(side) % tile.shape[1]
    return tile[:, wrapped[:, None], wrapped].astype(np.float32)


def _blades(rng: np.random.Generator, n: int) -> np.ndarray:
    """A plane of short strokes in tufts: grass seen from above, endless."""
    count = n * n // 14
    tuft = rng.integers(0, 260, count)
    centre, lean = rng.uniform(0, n, (260, 2)), rng.uniform(0, np.pi, 260)
    scattered = rng.random(count) < 0.5
    at = np.where(scattered[:, None], rng.uniform(0, n, (count, 2)), centre[tuft] + rng.normal(0, 5, (count, 2)))
    angle = lean[tuft] + rng.normal(0, 0.7, count)
    length, level = rng.uniform(2, 9, count), rng.uniform(0.4, 1.0, count)
    plane = np.zeros((n, n))
    for step in np.linspace(-0.5, 0.5, 12):
        x = at[:, 0] + step * length * np.cos(angle)
        y = at[:, 1] + step * length * np.sin(angle)
        np.maximum.at(plane, (np.floor(y).astype(int) % n, np.floor(x).astype(int) % n), level * (1 - abs(step)))
    spread = np.roll(plane, 1, 0) + np.roll(plane, 1, 1) + np.roll(plane, -1, 0) + np.roll(plane, -1, 1)
    return 0.6 * plane + 0.1 * spread


def sample(mosaic: torch.Tensor, x: torch.Tensor, y: torch.Tensor, place: Place) -> torch.Tensor:
    """Planes of a mosaic [1, C, H, W] at coordinates x, y [N] that ``place`` maps onto it: [C, N]."""
    grid = torch.empty((1, 1, len(x), 2), device=x.device)
    torch.add(place.x0, x, alpha=place.x_scale, out=grid[0, 0, :, 0])
    torch.add(place.y0, y, alpha=place.y_scale, out=grid[0, 0, :, 1])
    return F.grid_sample(mosaic, grid, mode="bilinear", padding_mode="border", align_corners=False)[0, :, 0]


@dataclass(frozen=True)
class Place:
    """Affine map onto a mosaic whose edges are -1 and 1: offsets [N] or [1], and scales."""

    x0: torch.Tensor
    y0: torch.Tensor
    x_scale: float
    y_scale: float


def tile_offsets(number: np.ndarray, tiles: int) -> np.ndarray:
    """Where the middle of tile ``number`` of so many in a row lies between the mosaic's edges -1 and 1."""
    return (2 * number + 1) / tiles - 1


def inside_tile(u: torch.Tensor, span: float, cell: int) -> torch.Tensor:
    """Plane coordinates -span..span held half a sample inside a tile of ``cell`` samples."""
    limit = span - span / cell
    return u.clamp(-limit, limit)


def noise_at(atlases: Atlases, x: torch.Tensor, y: torch.Tensor) -> torch.Tensor:
    """Patches and bumps at x, y in tiles (0..1 is one; wrapped, at least -64): [2, N]."""
    side = NOISE_PX + 1
    start = torch.full((1,), 1 / side - 1, device=x.device)
    place = Place(start, start, 2 * NOISE_PX / side, 2 * NOISE_PX / side)
    return sample(atlases.noise, x.add_(64).frac_(), y.add_(64).frac_(), place)


def grain_counter(runs: Spans, start: np.ndarray, row0: int) -> np.ndarray:
    """Where each run [S] begins in the tile of grain, moved by ``start`` [S] and fixed to the frame's pixels."""
    start = start.astype(np.int64)
    return (runs.y + row0 + 3 * start) % NOISE_PX * _GRAIN_SIDE + (runs.x + start) % NOISE_PX


def grain_at(atlases: Atlases, place: torch.Tensor, planes: slice) -> torch.Tensor:
    """Noise from pixel to pixel [C, N] at places [N] that count on from those of ``grain_counter``."""
    return atlases.grain[planes].flatten(1).index_select(1, place)
