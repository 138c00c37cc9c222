"""Small flat pieces laid over one another on a torus: leaves, blades, chips, each with values of its own."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synth import torus
from synth.torus import Array

_OVERSAMPLE = 2
_LAYERS, _SIZES = 24, 3


@dataclass(frozen=True)
class Pieces:
    """Pieces in the order in which they are laid: places [N] and sizes [N] in pixels, direction [rad], ``value`` [K, N]."""

    x: Array
    y: Array
    angle: Array
    length: Array
    width: Array
    value: Array


def lay(pieces: Pieces, n: int) -> Array:
    """Pieces over one another on a torus: cover and their values, [1 + K, n, n] (0 where there is none)."""
    m = n * _OVERSAMPLE
    top = np.full(m * m, -1, dtype=np.int32)
    # Nearly as deep as each other: among those the order does not matter, so they may go by size.
    for layer in np.array_split(np.arange(len(pieces.x)), _LAYERS):
        by_size = layer[np.argsort(pieces.length[layer] * pieces.width[layer])]
        for group in np.array_split(by_size, _SIZES):
            if len(group):
                _stamp(top, m, pieces, group)
    shown = top >= 0
    planes = np.zeros((1 + len(pieces.value), m * m), np.float32)
    planes[0] = shown
    planes[1:, shown] = pieces.value[:, top[shown]]
    return np.stack([torus.shrink(plane.reshape(m, m), _OVERSAMPLE) for plane in planes])


def _stamp(top: NDArray[np.int32], m: int, pieces: Pieces, group: NDArray[np.int64]) -> None:
    """Write the numbers of some pieces to where they lie."""
    length, width = (np.maximum(size[group, None] * _OVERSAMPLE, 1.0) for size in (pieces.length, pieces.width))
    steps = [max(2, math.ceil(float(size.max()) / 0.85)) for size in (length, width)]
    along, across = np.meshgrid(*(np.linspace(-0.5, 0.5, count) for count in steps), indexing="ij")
    # Broad in the middle, pointed at both ends.
    u, v = along.ravel() * length, (across * np.sqrt(np.maximum(1 - 4 * along**2, 0.04))).ravel() * width
    c, s = np.cos(pieces.angle[group, None]), np.sin(pieces.angle[group, None])
    # Numbers are cut off towards 0 where they become whole: a whole tile more keeps them positive.
    x = (pieces.x[group, None] * _OVERSAMPLE + u * c - v * s + m).astype(np.int32) % m
    y = (pieces.y[group, None] * _OVERSAMPLE + u * s + v * c + m).astype(np.int32) % m
    top[(y * m + x).ravel()] = np.repeat(group, u.shape[1])


def read(field: Array, x: Array, y: Array) -> Array:
    """The field at the pixels that points lie in."""
    n = len(field)
    return field[np.floor(y).astype(np.int64) % n, np.floor(x).astype(np.int64) % n]


def count(n: int, cover: float, area_px: float) -> int:
    """How many pieces of an area cover the tile that many times."""
    return max(8, min(int(cover * n * n / max(area_px, 1.0)), 120000))
