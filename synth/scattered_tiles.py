"""Small things that lie singly on other ground: stones, tufts, sticks, fallen leaves, molehills and dung, bits of litter.

Planes as in ``synth.ground_tiles``, but ``tone`` says what shows: 0 between the things, and above that a rank for each thing, so
that a layer with a ragged border (``synth.ground_details.scattered``) shows all of them, the highest few, or none. The
shadow that a thing throws belongs to it.
"""

from __future__ import annotations

import math

import numpy as np

from synth import torus
from synth.laid_pieces import Pieces, lay
from synth.torus import Array

Planes = tuple[Array, Array, Array]
# Tone of the lowest and of the highest rank: a layer's border counts tones up to 0.375.
LEAST_RANK, MOST_RANK = 0.10, 0.37


def _number(n: int, m: float, each_m2: float) -> int:
    """How many things lie on a tile of n x n pixels, m to the metre."""
    return max(4, round(each_m2 * (n / m) ** 2))


def _planes(cover: Array, rank: Array, hue: Array, height: Array, lit: Array, reach: int) -> Planes:
    """Planes of things and their shadows; ``rank`` and ``hue`` (about 0) are 0 where nothing lies, ``height`` [px]."""
    shade = np.zeros_like(rank)
    code = LEAST_RANK * cover + (MOST_RANK - LEAST_RANK) * rank
    for k in range(1, reach + 1):
        step = (round(k * math.sqrt(0.5)),) * 2
        hides = np.roll(height, step, (0, 1)) > height + k
        shade = np.maximum(shade, np.where(hides, np.roll(code, step, (0, 1)), 0))
    dark = np.clip(shade / LEAST_RANK, 0, 1) * (1 - cover)
    return np.maximum(code, shade).astype(np.float32), 0.5 + hue, lit * cover - 0.9 * dark


def _domes(
    rng: np.random.Generator,
    n: int,
    m: float,
    each_m2: float,
    radius_m: tuple[float, float],
    square: float,
    flat: float,
    crumbs_m: float = 0.0,
) -> Planes:
    """Rounded bodies; ``crumbs_m`` is how far they are made up of smaller lumps [m]."""
    number = _number(n, m, each_m2)
    where = np.exp(0.8 * torus.noise(rng, n, 1.2, 2 * m, 0.2 * m))
    radius = (max(radius_m[0] * m, 0.6), radius_m[1] * m)
    cover, shade, height = torus.domes(rng, n, number, radius, power=2.4, flatten=0.5, square=square, at=where)
    rough = [(0.01 + crumbs_m) * m * torus.noise(rng, n, 0.8, 0.12 * m, 2) for _ in range(2)]
    cover, shade, height = (torus.warp(plane, *rough) for plane in (cover, shade, flat * height))
    if crumbs_m:
        height = height + crumbs_m * m * cover * torus.noise(rng, n, 0.6, 0.07 * m, 1.2)
    lit = (0.7 if crumbs_m == 0 else 1.1) * torus.relief(height)
    hue = cover * (((shade * 7.3) % 1) - 0.5)
    return _planes(cover, shade, hue, height, lit, max(2, round(flat * radius_m[1] * m)))


def stones(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Stones of two to twenty centimetres."""
    return _domes(rng, n, m, float(rng.uniform(5, 16)), (0.012, 0.1), 2.0, 0.8)


def clods(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Molehills, clods, dung: low heaps of one to four decimetres."""
    return _domes(rng, n, m, float(rng.uniform(0.6, 2.5)), (0.05, 0.2), 0.0, 0.6, crumbs_m=0.02)


def bits(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Bits of paper, plastic, bark, feathers and flower heads of a few centimetres."""
    return _domes(rng, n, m, float(rng.uniform(2, 8)), (0.01, 0.06), 4.0, 0.2)


def tufts(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Single tufts and weeds: blades or leaves out of one middle, one to four decimetres across."""
    number = _number(n, m, float(rng.uniform(3, 10)))
    leaves = int(rng.integers(14, 34))
    slim = float(rng.uniform(0.06, 0.2))
    at_x, at_y = torus.places(rng, n, number, np.exp(0.9 * torus.noise(rng, n, 1.2, 2 * m, 0.2 * m)))
    reach = (0.05 + 0.17 * rng.random(number) ** 2) * m
    angle = rng.uniform(0, 2 * math.pi, (number, 1)) + np.arange(leaves) * 2.4 + rng.normal(0, 0.3, (number, leaves))
    length = reach[:, None] * rng.uniform(0.25, 1.1, (number, leaves))
    # Blades come up side by side, not out of one point.
    root = 0.2 * reach[:, None] * rng.normal(0, 1, (2, number, leaves))
    x = at_x[:, None] + root[0] + 0.5 * length * np.cos(angle)
    y = at_y[:, None] + root[1] + 0.5 * length * np.sin(angle)
    rank = np.broadcast_to(rng.random((number, 1)), x.shape)
    hue = 0.25 * rng.normal(0, 1, (number, 1)) + 0.2 * rng.normal(0, 1, x.shape)
    # Blades on the side of the sun are lit, those behind the middle lie in its shade.
    lit = 0.25 * rng.normal(0, 1, x.shape) + 0.35 * (
        np.cos(angle) * torus.LIGHT_XY[0] + np.sin(angle) * torus.LIGHT_XY[1]
    )
    height = np.broadcast_to(0.5 * reach[:, None], x.shape) * rng.uniform(0.5, 1, x.shape)
    width = np.maximum(length * slim, 0.7)
    value = np.stack([plane.ravel() for plane in (rank, hue, lit, height)])
    cover, rank, hue, lit, height = lay(
        Pieces(x.ravel(), y.ravel(), angle.ravel(), length.ravel(), width.ravel(), value), n
    )
    return _planes(cover, rank, hue, height, lit, max(2, round(0.1 * m)))


def _flat(
    rng: np.random.Generator, n: int, m: float, each_m2: float, length_m: tuple[float, float], slim: tuple[float, float]
) -> Planes:
    number = _number(n, m, each_m2)
    x, y = torus.places(rng, n, number, np.exp(1.3 * torus.noise(rng, n, 1.2, 2 * m, 0.15 * m)))
    low, high = (math.log(length * m) for length in length_m)
    length = np.exp(rng.uniform(low, high, number))
    width = np.maximum(length * rng.uniform(*slim, number), 0.8)
    value = np.stack(
        [rng.random(number), 0.3 * rng.normal(0, 1, number), 0.2 * rng.normal(0, 1, number), 0.6 + 0.5 * width]
    )
    planes = lay(Pieces(x, y, rng.uniform(0, math.pi, number), length, width, value), n)
    bend = [0.02 * m * torus.noise(rng, n, 1.8, 0.9 * m, 0.2 * m) for _ in range(2)]
    cover, rank, hue, lit, height = (torus.warp(plane, *bend) for plane in planes)
    return _planes(cover, rank, hue, height, lit, 4)


def sticks(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Fallen twigs and branches, from a hand to a metre long."""
    return _flat(rng, n, m, float(rng.uniform(1.5, 6)), (0.12, 1.1), (0.02, 0.07))


def dead_leaves(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Fallen leaves, singly and in drifts."""
    return _flat(rng, n, m, float(rng.uniform(10, 40)), (0.04, 0.13), (0.35, 0.75))
