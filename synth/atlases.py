"""Tables that the rasteriser reads from, as tensors on one device: marks, outlines and noise; and how they are read."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F

from synth import marks as mark_fields
from synth import outlines as outline_fields
from synth.at_once import at_once
from synth.patches import PatchBatch

NOISE_PX = 256


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

    [1, 2, 257, 257] patches and bumps, to be read at any scale; [3, 384, 384] blades, grain and cloth, read pixel by pixel.
    """
    rng = np.random.Generator(np.random.Philox(key=(22, 0)))
    n = NOISE_PX
    f = np.hypot(np.fft.fftfreq(n)[:, None] * n, np.fft.rfftfreq(n)[None] * n)
    f[0, 0] = 1

    def between(power: float, low: float, high: float) -> np.ndarray:
        spectrum = np.fft.rfft2(rng.standard_normal((n, n))) * f**-power * (f >= low) * (f <= high)
        return np.fft.irfft2(spectrum, s=(n, n))

    coarse = _endless([between(1.4, 1, 60), between(1.2, 1.5, 16)], n + 1)
    fine = _endless([_blades(rng, n), between(0, 1, 128), between(0.8, 8, 60)], n + n // 2)
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
    """Planes of a mosaic [1, C, H, W] at coordinates x, y [P, S, S] that ``place`` maps onto it: [C, P, S, S]."""
    count, height, width = x.shape
    grid = torch.empty((1, count * height, width, 2), device=x.device)
    shape = (count, height, width)
    torch.add(place.x0, x, alpha=place.x_scale, out=grid[..., 0].view(shape))
    torch.add(place.y0, y, alpha=place.y_scale, out=grid[..., 1].view(shape))
    found = F.grid_sample(mosaic, grid, mode="bilinear", padding_mode="border", align_corners=False)
    return found.view(mosaic.shape[1], *shape)


@dataclass(frozen=True)
class Place:
    """Affine map onto a mosaic whose edges are -1 and 1: offsets [P, 1, 1] or numbers, and scales."""

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
    """Patches and bumps at x, y in tiles (0..1 is one; wrapped, at least -64): [2, P, S, S]."""
    side = NOISE_PX + 1
    start = torch.full((1, 1, 1), 1 / side - 1, device=x.device)
    place = Place(start, start, 2 * NOISE_PX / side, 2 * NOISE_PX / side)
    return sample(atlases.noise[:, :2], (x + 64).frac_(), (y + 64).frac_(), place)


def grain_at(atlases: Atlases, batch: PatchBatch, start: np.ndarray, row0: int, planes: slice) -> torch.Tensor:
    """Noise from pixel to pixel [C, P, S, S]: pieces of the tile, moved by ``start`` [P] and fixed to the frame's pixels."""
    x = (batch.x0 + start.astype(np.int64)) % NOISE_PX
    y = (batch.y0 + row0 + start.astype(np.int64) * 3) % NOISE_PX
    high, wide, tile = batch.height, batch.width, atlases.grain[planes]
    if at_once(tile.device):
        corner = torch.from_numpy(np.stack([y, x])).to(tile.device)[..., None]
        rows = (corner[0] + torch.arange(high, device=tile.device)) % NOISE_PX
        columns = (corner[1] + torch.arange(wide, device=tile.device)) % NOISE_PX
        return tile[:, rows[:, :, None], columns[:, None, :]]
    if max(high, wide) > tile.shape[1] - NOISE_PX:
        repeats = -(-max(high, wide) // NOISE_PX) + 1
        tile = tile[:, :NOISE_PX, :NOISE_PX].repeat(1, repeats, repeats)
    return torch.stack([tile[:, j : j + high, i : i + wide] for i, j in zip(x.tolist(), y.tolist())], dim=1)
