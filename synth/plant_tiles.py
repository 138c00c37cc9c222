"""Texture of low plants and what falls from them: grasses, herbs, reeds, leaves and bark on the ground.

Planes as in ``synth.ground_tiles``.
"""

from __future__ import annotations

import math

import numpy as np

from synth import torus
from synth.laid_pieces import Pieces, count, lay, read
from synth.torus import Array

Planes = tuple[Array, Array, Array]


def mown_grass(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Short blades, fine clumps, worn and lush patches, a few pale flecks."""
    _, shade, ridge = torus.strokes(rng, n, count(n, 1.3, 0.065 * m * 1.2), (0.04 * m, 0.09 * m), (0.8, 1.4), bend=0.5)
    clumps = torus.noise(rng, n, 0.9, 0.6 * m, 2)
    patches = torus.patches(rng, n, 1.2 * m, 1.2)
    flecks, _, _ = torus.domes(rng, n, count(n, 0.003, 4), (0.012 * m, 0.022 * m))
    tone = 0.20 * (shade - 0.5) + 0.05 * ridge + 0.06 * clumps + 0.04 * patches + 0.12 * flecks
    mix = 0.42 + 0.10 * torus.noise(rng, n, 1.2, 2.5 * m, 3) - 0.14 * patches + 0.14 * (shade - 0.5) + 0.4 * flecks
    return tone, mix, 0.45 * torus.relief(0.014 * m * (0.6 * clumps + 0.7 * ridge))


def weedy_grass(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Mown grass with rosettes of broader leaves in it, in places many, and small pale flowers."""
    tone, mix, lit = mown_grass(rng, n, m)
    where = np.exp(1.6 * torus.noise(rng, n, 1.2, 2.0 * m, 0.15 * m))
    plants = count(n, float(rng.uniform(0.15, 0.6)), 3.1 * (0.07 * m) ** 2)
    at_x, at_y = torus.places(rng, n, plants, where)
    reach = (0.03 + 0.09 * rng.random(plants) ** 2) * m
    leaves = 9
    angle = rng.uniform(0, 2 * math.pi, (plants, 1)) + np.arange(leaves) * 2.4 + rng.normal(0, 0.3, (plants, leaves))
    length = reach[:, None] * rng.uniform(0.6, 1.1, (plants, leaves))
    x, y = at_x[:, None] + 0.5 * length * np.cos(angle), at_y[:, None] + 0.5 * length * np.sin(angle)
    bright = 0.16 * rng.normal(0, 1, (plants, leaves)) + 0.12 * rng.normal(0, 1, (plants, 1))
    hue = np.broadcast_to(-0.25 + 0.15 * rng.normal(0, 1, (plants, 1)), bright.shape)
    width = length * rng.uniform(0.3, 0.5, length.shape)
    value = np.stack([bright.ravel(), hue.ravel()])
    rosettes = Pieces(x.ravel(), y.ravel(), angle.ravel(), length.ravel(), width.ravel(), value)
    cover, own, colour = lay(rosettes, n)
    flowers, _, _ = torus.domes(rng, n, count(n, 0.002, 3), (0.008 * m, 0.016 * m), at=where)
    dark = np.clip(torus.blur(cover, 0.02 * m) - cover, 0, 1)
    tone = tone * (1 - cover) + own + 0.02 * cover - 0.25 * dark + 0.5 * flowers
    return tone, mix + colour + 0.7 * flowers, lit * (1 - 0.5 * cover) - 0.3 * dark


def blades(
    rng: np.random.Generator,
    n: int,
    m: float,
    *,
    length_m: tuple[float, float],
    tuft_m: float,
    cover: float,
    spread: float,
    swirl: float,
    shadow: float,
) -> tuple[Array, Array, Array, Array]:
    """Long blades on tufts, leaning where the wind laid them: cover 0..1, tone, mix about 0, relief with the shadows among them.

    ``spread`` [rad] how much blades of one tuft differ, ``swirl`` [rad] how much the lean changes over metres.
    """
    tufts = torus.standard(torus.noise(rng, n, 1.0, 2.2 * tuft_m * m, 0.25 * tuft_m * m))
    rise = 0.5 * tuft_m * m * np.tanh(tufts)
    long_px = (length_m[0] * m, length_m[1] * m)
    mean, wide = (long_px[0] + long_px[1]) / 2, max(0.8, 0.007 * m)
    number = count(n, cover, 0.65 * mean * wide)
    x, y = torus.places(rng, n, number, np.exp(0.5 * tufts))
    level = read(rise, x, y) + rng.normal(0, 0.12 * tuft_m * m, number)
    order = np.argsort(level, kind="stable")
    x, y, level = x[order], y[order], level[order]
    way = float(rng.uniform(0, 2 * math.pi)) + swirl * torus.noise(rng, n, 1.4, 4 * m, 0.4 * m)
    angle = read(way, x, y) + rng.normal(0, spread, number)
    height = torus.standard(level)
    gleam = np.clip(rng.normal(0, 1, number) - 1.0, 0, 2)
    own = 0.15 * rng.normal(0, 1, number) + 0.17 * height + 0.16 * gleam
    hue = 0.16 * rng.normal(0, 1, number) + 0.05 * height + 0.10 * gleam
    pieces = Pieces(
        x,
        y,
        angle,
        rng.uniform(*long_px, number),
        wide * rng.uniform(0.8, 1.7, number),
        np.stack([own, hue, level]),
    )
    covered, tone, mix, top = lay(pieces, n)
    top = np.where(covered > 0.5, top, float(rise.min()))
    dark = torus.cast_shadow(top, max(2, round(0.5 * tuft_m * m)))
    relief = 0.5 * torus.relief(torus.blur(rise, max(0.6, 0.03 * m))) - shadow * torus.blur(dark, 0.5)
    return covered, tone, mix, relief


def wild_grass(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Long grass: tufts of blades leaning several ways with shadows among them, herbs in patches."""
    cover, tone, mix, relief = blades(
        rng, n, m, length_m=(0.08, 0.35), tuft_m=0.3, cover=2.0, spread=0.6, swirl=0.8, shadow=0.6
    )
    herbs = torus.patches(rng, n, 0.9 * m, 2.0)
    broad = torus.noise(rng, n, 1.2, 2 * m, 0.2 * m)
    tone = tone - 0.30 * (1 - cover) + 0.03 * herbs
    return tone, 0.42 + mix + 0.07 * broad + 0.12 * herbs - 0.15 * (1 - cover), relief


def dry_grass(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Pale dead blades over darker thatch and earth, laid by the wind, bare spots."""
    thatch = torus.noise(rng, n, 0.6, 0.5 * m)
    bare = np.clip(torus.patches(rng, n, 0.7 * m, 2.0) - 0.2, 0, 1)
    cover, tone, mix, relief = blades(
        rng, n, m, length_m=(0.08, 0.35), tuft_m=0.25, cover=1.3, spread=0.8, swirl=1.2, shadow=0.32
    )
    cover = cover * (1 - 0.85 * bare)
    tone = cover * (tone + 0.08) + (1 - cover) * (-0.16 + 0.06 * thatch)
    mix = 0.22 + cover * (0.28 + mix) - 0.2 * bare + 0.07 * torus.noise(rng, n, 1.2, 2 * m, 3)
    return tone, mix, relief * (1 - 0.6 * bare) + 0.2 * torus.relief(0.01 * m * thatch)


def reeds(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Tall stalks, last year's pale ones among the green, leaning together over darkness."""
    cover, tone, mix, relief = blades(
        rng, n, m, length_m=(0.4, 1.3), tuft_m=0.7, cover=1.5, spread=0.35, swirl=0.6, shadow=0.75
    )
    pale = torus.patches(rng, n, 0.8 * m, 1.2)
    return 1.5 * tone - 0.6 * (1 - cover), 0.42 + 1.5 * mix + 0.18 * pale - 0.25 * (1 - cover), relief


def clover(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Small round leaves among grass, in swathes, with pale flower heads."""
    tone, mix, lit = mown_grass(rng, n, m)
    swathe = torus.standard(torus.noise(rng, n, 1.0, 1.0 * m, 0.1 * m) + 0.8 * torus.patches(rng, n, 0.8 * m, 1.5))
    number = count(n, 1.1, 2.0 * (0.022 * m) ** 2)
    x, y = torus.places(rng, n, number, np.exp(1.2 * swathe))
    length = (0.014 + 0.016 * rng.random(number)) * m
    value = np.stack([0.18 * rng.normal(0, 1, number), -0.12 + 0.10 * rng.normal(0, 1, number)])
    leaves = Pieces(x, y, rng.uniform(0, math.pi, number), length, 0.85 * length, value)
    cover, own, colour = lay(leaves, n)
    bloom = np.exp(2.0 * torus.noise(rng, n, 1.1, m, 0.1 * m))
    heads, bright, _ = torus.domes(rng, n, count(n, 0.02, 4), (0.008 * m, 0.016 * m), at=bloom)
    edge = np.clip(torus.blur(cover, 0.02 * m) - cover, 0, 1)
    tone = tone * (1 - cover) + own + 0.02 * swathe * cover + heads * (0.25 + 0.3 * bright)
    return tone, 0.30 + 0.4 * (mix - 0.42) + colour + 0.45 * heads, lit - 0.2 * edge


def broad_leaves(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Large leaves of a bed, over one another, tilted to all sides, dark between."""
    largest = float(rng.uniform(0.12, 0.32))
    rise = largest * m * torus.noise(rng, n, 1.2, 1.2 * m, 1.2 * largest * m)
    number = count(n, 2.2, 0.5 * (0.7 * largest * m) ** 2)
    bunches = torus.noise(rng, n, 0.8, 5 * largest * m, largest * m)
    x, y = torus.places(rng, n, number, np.exp(1.3 * bunches))
    level = read(rise, x, y) + rng.normal(0, 0.3 * largest * m, number)
    order = np.argsort(level, kind="stable")
    x, y, level = x[order], y[order], level[order]
    length = largest * m * rng.uniform(0.25, 1.0, number)
    tilt = rng.normal(0, 1, number)
    value = np.stack([0.20 * tilt + 0.10 * torus.standard(level), 0.16 * tilt + 0.14 * rng.normal(0, 1, number), level])
    pieces = Pieces(x, y, rng.uniform(0, math.pi, number), length, length * rng.uniform(0.6, 0.95, number), value)
    # Wavy rims: outlines read through a small random displacement.
    shift = [0.09 * largest * m * torus.noise(rng, n, 1.5, 1.2 * largest * m, 0.35 * largest * m) for _ in range(2)]
    cover, tone, mix, top = (torus.warp(layer, *shift) for layer in lay(pieces, n))
    top = np.where(cover > 0.5, top, float(rise.min()))
    # A leaf bends: its halves turn differently to the sun.
    curl = torus.noise(rng, n, 1.3, largest * m, 2) * cover
    dark = torus.cast_shadow(top, max(2, round(0.25 * m)))
    tone = tone + 0.08 * curl - 0.65 * (1 - cover)
    return tone, 0.45 + mix - 0.25 * (1 - cover), 0.18 * curl - 0.6 * torus.blur(dark, 0.6)


def _scatter(
    rng: np.random.Generator,
    n: int,
    m: float,
    *,
    length_m: tuple[float, float],
    slim: tuple[float, float],
    cover: float,
    at: Array,
) -> tuple[Array, Array, Array, Array]:
    """Flat pieces dropped at random: cover, two random numbers each (mean 0, deviation 1, 0 where there is none), shadows."""
    mean = (length_m[0] + length_m[1]) / 2 * m
    number = count(n, cover, 0.65 * mean * max(mean * sum(slim) / 2, 0.7))
    x, y = torus.places(rng, n, number, at)
    length = rng.uniform(*length_m, number) * m
    level = np.linspace(0, 0.05 * m, number) + rng.normal(0, 0.006 * m, number)
    value = np.stack([rng.normal(0, 1, number), rng.normal(0, 1, number), level])
    turned = rng.uniform(0, math.pi, number)
    covered, one, other, top = lay(Pieces(x, y, turned, length, length * rng.uniform(*slim, number), value), n)
    dark = torus.cast_shadow(np.where(covered > 0.5, top, -0.01 * m), max(2, round(0.03 * m)))
    return covered, one, other, dark


def leaf_litter(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Fallen leaves of four to twelve centimetres, pale and dark, curled, with twigs; bare earth or old leaf between."""
    drift = torus.noise(rng, n, 1.2, 1.5 * m, 0.2 * m)
    cover, own, hue, dark = _scatter(
        rng, n, m, length_m=(0.04, 0.12), slim=(0.3, 0.65), cover=1.6, at=np.exp(0.7 * drift)
    )
    twig, bright, ridge = torus.strokes(rng, n, count(n, 0.05, 0.3 * m * 1.4), (0.1 * m, 0.7 * m), (0.7, 1.6), bend=0.3)
    old = torus.noise(rng, n, 0.4, 0.3 * m)
    tone = cover * 0.22 * own + (1 - cover) * (-0.32 + 0.08 * old) + 0.03 * drift + 0.3 * twig * (bright - 0.3)
    mix = 0.45 + cover * 0.20 * hue + 0.05 * drift - 0.1 * (1 - cover)
    return tone, mix, 0.12 * own * cover - 0.45 * torus.blur(dark, 0.4) + 0.3 * torus.relief(ridge)


def bark_mulch(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Chips of bark and wood two to nine centimetres long, spread thick."""
    drift = torus.noise(rng, n, 1.1, 1.0 * m, 0.1 * m)
    cover, own, hue, dark = _scatter(
        rng, n, m, length_m=(0.02, 0.09), slim=(0.25, 0.6), cover=1.8, at=np.exp(0.3 * drift)
    )
    pale = np.clip(own - 1.3, 0, 1.5)
    tone = cover * (0.18 * own + 0.25 * pale) - 0.35 * (1 - cover) + 0.04 * drift
    return tone, 0.42 + 0.16 * hue * cover + 0.3 * pale * cover + 0.04 * drift, 0.1 * own * cover - 0.5 * dark


def brushwood(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Dead sticks of all thicknesses over dry stalks and earth, with their shadows."""
    tone, mix, lit = dry_grass(rng, n, m)
    tone, mix = 0.8 * tone - 0.1, 0.6 * mix
    where = np.clip(0.75 + 0.6 * torus.noise(rng, n, 1.2, 2.5 * m, 0.2 * m), 0, 1)
    height = np.zeros((n, n), np.float32)
    sizes = ((0.35, (0.15, 0.6), (0.8, 1.3)), (0.20, (0.3, 1.5), (1.0, 2.2)), (0.10, (0.8, 3.0), (2.0, 5.0)))
    for cover_times, length, width in sizes:
        size = (length[0] * m, length[1] * m)
        number = count(n, cover_times, sum(size) / 2 * sum(width) / 2)
        cover, shade, ridge = torus.strokes(rng, n, number, size, width, bend=0.2)
        cover = cover * where
        tone = tone * (1 - cover) + cover * (0.55 * (shade - 0.25))
        mix = mix * (1 - cover) + cover * (0.55 + 0.45 * shade)
        height = np.maximum(height, cover * (1.0 + 1.2 * ridge * width[1]))
    dark = torus.cast_shadow(height, max(2, round(0.05 * m)))
    return tone, mix, lit * (1 - np.clip(height, 0, 1)) + 0.4 * torus.relief(height) - 0.55 * dark
