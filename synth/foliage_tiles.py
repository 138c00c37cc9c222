"""Texture of what has leaves: crowns of trees, shrubs, planted beds, floating leaves; see ``synth.ground_tiles`` for the planes.

A crown is a rough surface of boughs and sprays at several scales, on which leaves are laid from the deepest to the topmost.
Each leaf is as bright as its own tilt to the sun, the slope that it hangs on, and how deep it hangs; gaps stay dark.
"""

from __future__ import annotations

import math

import numpy as np

from synth import torus
from synth.laid_pieces import Pieces, count, lay, read
from synth.torus import Array

Planes = tuple[Array, Array, Array]


def billows(rng: np.random.Generator, n: int, size_px: float) -> Array:
    """Rounded swellings with creases between them, of many sizes below ``size_px``: 0 in the creases, about 1 on top."""
    bend = [0.12 * size_px * torus.noise(rng, n, 1.2, size_px, 2) for _ in range(2)]
    rough = torus.warp(np.abs(torus.noise(rng, n, 1.5, size_px, size_px / 6)), *bend)
    return 1 - np.exp(-1.6 * rough)


def foliage(
    rng: np.random.Generator,
    n: int,
    m: float,
    *,
    bough_m: float,
    leaf_m: tuple[float, float],
    gaps: float,
    slim: tuple[float, float] = (0.35, 0.6),
) -> Planes:
    """A surface of leaves: ``bough_m`` size of its largest swellings, ``leaf_m`` shortest and longest leaf, ``gaps`` how much
    of it is open, ``slim`` least and greatest breadth of a leaf as a share of its length."""
    boughs = torus.noise(rng, n, 1.3, 2 * bough_m * m, 0.4 * bough_m * m)
    form = 0.30 * bough_m * boughs + 0.45 * bough_m * billows(rng, n, bough_m * m)
    form = form + 0.16 * bough_m * billows(rng, n, 0.35 * bough_m * m)
    surface = (form * m).astype(np.float32)
    hidden = torus.blur(torus.cast_shadow(surface, max(3, round(0.8 * bough_m * m))), max(0.6, 0.02 * m))
    slope = torus.relief(torus.blur(surface, max(0.7, 0.04 * m)))
    deep = torus.standard(torus.blur(surface, 0.3 * bough_m * m) - surface)
    # Sprays: leaves hang in bunches, not evenly.
    bunches = torus.noise(rng, n, 0.7, 0.35 * bough_m * m, 1.5 * leaf_m[0] * m)
    size = math.sqrt(leaf_m[0] * leaf_m[1]) * m
    number = count(n, 1.7, 0.65 * size * max(size * sum(slim) / 2, 0.7))
    at = np.clip(1.1 - gaps * (0.7 * np.maximum(deep, -0.5) - 0.6 * bunches) + 0.2 * boughs, 0.0, 2.5) ** 1.5
    x, y = torus.places(rng, n, number, at)
    level = read(surface, x, y) + rng.uniform(-1, 1, number) * 1.2 * size
    order = np.argsort(level, kind="stable")
    x, y, level = x[order], y[order], level[order]
    length = leaf_m[0] * m * (leaf_m[1] / leaf_m[0]) ** rng.random(number)
    # Leaves of one spray hang much the same way.
    way = math.pi * torus.noise(rng, n, 1.0, 0.5 * bough_m * m, 2 * size)
    angle = read(way, x, y) + rng.normal(0, 0.9, number)
    depth, shadow = read(deep, x, y), read(hidden, x, y)
    tilt = rng.normal(0, 1, number)
    glint = np.clip(rng.normal(0, 1, number) - 1.2, 0, 2) * (1 - shadow)
    bright = 0.24 * tilt * (1 - 0.5 * shadow) + 0.35 * glint - 0.18 * depth
    yellow = 0.10 * tilt + 0.08 * rng.normal(0, 1, number) + 0.12 * glint - 0.06 * depth
    cover, tone, mix, height = lay(
        Pieces(x, y, angle, length, length * rng.uniform(*slim, number), np.stack([bright, yellow, level])), n
    )
    # Leaves shade those just below them.
    height = np.where(cover > 0.5, height, float(surface.min()))
    near = torus.blur(torus.cast_shadow(height, max(2, round(1.6 * size))), 0.4)
    broad = torus.noise(rng, n, 1.2, 2.5 * m, 0.3 * m)
    tone = tone - 0.7 * (1 - cover) + 0.05 * broad
    mix = 0.42 + mix + 0.07 * broad - 0.2 * (1 - cover)
    dark = np.maximum(hidden, 0.8 * near)
    return tone, mix, 1.0 * slope * cover - 0.75 * dark - 0.3 * (1 - cover)


def shrubs(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Small leaves on low bushes."""
    return foliage(rng, n, m, bough_m=rng.uniform(0.35, 0.7), leaf_m=(0.025, 0.07), gaps=rng.uniform(0.5, 1.0))


def tree_crowns(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Sprays of leaves on boughs, deep gaps between them."""
    return foliage(rng, n, m, bough_m=rng.uniform(0.7, 1.5), leaf_m=(0.04, 0.13), gaps=rng.uniform(0.6, 1.1))
