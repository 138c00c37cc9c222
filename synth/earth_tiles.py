"""Texture of bare ground and water: soil, mud, sand, gravel, rubble, ponds; planes as in ``ground_tiles``."""

from __future__ import annotations

import math

import numpy as np

from synth import torus
from synth.laid_pieces import Pieces, count, lay
from synth.torus import Array

Planes = tuple[Array, Array, Array]


def soil(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Earth with grains, crumbs and clods, bits of straw, damp and dry patches, traces of rain and wheels."""
    traces = torus.streaks(rng, n, 1.1, 1.5 * m, 4, float(rng.uniform(0, math.pi)))
    damp = torus.patches(rng, n, 1.5 * m, 1.2)
    rough = torus.noise(rng, n, 0.75, 0.5 * m)
    grain = torus.noise(rng, n, 0.1)
    lumps = np.exp(1.3 * torus.noise(rng, n, 0.9, 1.0 * m, 0.05 * m))
    cover, shade, height = torus.domes(
        rng, n, count(n, 0.22, 3.1 * (0.02 * m) ** 2), (0.008 * m, 0.08 * m), power=3.0, square=1.5, at=lumps
    )
    straw, pale, _ = torus.strokes(rng, n, count(n, 0.02, 0.1 * m), (0.05 * m, 0.2 * m), (0.6, 1.0), bend=0.3)
    surface = height + 0.008 * m * rough + 0.010 * m * traces
    dark = torus.cast_shadow(surface, max(2, round(0.06 * m)))
    tone = (
        0.055 * grain + 0.05 * rough + 0.03 * traces + 0.025 * damp + 0.2 * cover * (shade - 0.45) + 0.3 * straw * pale
    )
    mix = 0.48 + 0.05 * torus.noise(rng, n, 1.1, 3 * m, 2) + 0.12 * damp + 0.05 * rough + 0.4 * straw * pale
    return tone, mix, 0.55 * torus.relief(surface) - 0.35 * dark


def mud(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Wet earth pressed by feet and wheels, smooth and dark where water stood, cracked where it has dried."""
    along = float(rng.uniform(0, math.pi))
    ruts = torus.streaks(rng, n, 1.2, 1.2 * m, 6, along)
    rough = torus.noise(rng, n, 0.9, 0.5 * m, 2)
    wet = torus.patches(rng, n, 0.8 * m, 2.5)
    # Footprints of some 28 x 10 cm, sunk in, with a raised rim.
    number = count(n, float(rng.uniform(0.05, 0.35)), 0.7 * 0.28 * 0.1 * m * m)
    x, y = torus.places(rng, n, number, np.exp(1.5 * torus.noise(rng, n, 1.2, 2 * m, 0.3 * m)))
    way = along + rng.normal(0, 0.6, number)
    size = rng.uniform(0.85, 1.1, number) * m
    prints = lay(Pieces(x, y, way, 0.28 * size, 0.11 * size, np.ones((1, number))), n)[0]
    sunk = torus.blur(prints, max(0.7, 0.015 * m))
    rim = np.clip(torus.blur(prints, 0.04 * m) - sunk, 0, 1)
    surface = 0.03 * m * ruts + 0.010 * m * rough - 0.05 * m * sunk + 0.04 * m * rim
    tone = 0.03 * ruts + 0.035 * rough + 0.03 * torus.noise(rng, n, 0.2) - 0.10 * sunk - 0.08 * np.maximum(wet, 0)
    if rng.random() < 0.4:
        border, shade = torus.cells(rng, n, float(rng.uniform(0.08, 0.3)) * m)
        dried = np.clip(torus.noise(rng, n, 1.3, 2 * m, 0.1 * m), 0, 1)
        jagged = border + 0.6 * rough
        tone = tone + dried * (0.05 * (shade - 0.5) - 0.30 * np.exp(-((jagged / 0.8) ** 2)))
    mix = 0.5 + 0.05 * ruts - 0.18 * wet + 0.05 * rough
    return tone, mix, 0.6 * torus.relief(surface) - 0.25 * torus.cast_shadow(surface, max(2, round(0.06 * m)))


def sand(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Fine sand with wind ripples of ten centimetres in places, trodden in others, scattered shells and bits."""
    broad = torus.noise(rng, n, 1.4, 3 * m, 2)
    period = n / max(1, round(n / (rng.uniform(0.08, 0.2) * m)))
    y, x = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    tilt = int(rng.integers(-2, 3))
    phase = 2 * math.pi * (y / period + tilt * x / n) + 2.2 * torus.noise(rng, n, 1.4, 1.2 * m, 0.3 * m)
    strength = np.clip(rng.uniform(-0.6, 0.5) + 0.8 * torus.noise(rng, n, 1.3, 3 * m, 0.4 * m), 0, 1.3)
    ripples = strength * (np.sin(phase) + 0.3 * np.sin(2 * phase + 0.6))
    trodden = torus.noise(rng, n, 0.9, 0.3 * m, 0.06 * m) * np.clip(1.2 - strength, 0, 1)
    shells, pale, _ = torus.domes(rng, n, count(n, 0.003, 3), (0.008 * m, 0.025 * m))
    fine = torus.noise(rng, n, 0.15)
    tone = 0.02 * broad + 0.04 * fine + 0.02 * trodden + 0.5 * shells * (pale - 0.6)
    mix = 0.5 + 0.05 * broad + 0.08 * torus.patches(rng, n, 1.5 * m, 1.5)
    return tone, mix, 0.5 * torus.relief(0.010 * m * ripples + 0.012 * m * broad + 0.008 * m * trodden)


def gravel(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Stones of half a centimetre to ten, the small ones between the large, with the shadows that they throw."""
    worn = torus.noise(rng, n, 1.1, 2 * m, 0.1 * m)
    largest = float(rng.uniform(0.03, 0.09))
    cover, shade, height = torus.domes(
        rng, n, count(n, 1.5, 3.1 * (0.016 * m) ** 2), (0.006 * m, largest * m), power=2.8, square=3.0, flatten=0.5,
        at=np.exp(0.5 * worn),
    )  # fmt: skip
    grain = torus.noise(rng, n, 0.1)
    surface = np.minimum(height, 0.5 * largest * m + 0.02 * m * shade)
    dark = torus.cast_shadow(surface, max(1, round(0.05 * m)))
    tone = 0.6 * cover * (shade - 0.5) - 0.2 * (1 - cover) + 0.04 * worn + 0.09 * grain
    mix = 0.5 + 0.6 * cover * ((shade * 7) % 1 - 0.5) + 0.06 * worn
    return tone, mix, 0.5 * torus.relief(surface) - 0.4 * dark


def rubble(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Broken stone, brick and concrete of all sizes in heaps on earth and dust."""
    ground, base, lit = soil(rng, n, m)
    heaps = torus.noise(rng, n, 1.1, 2 * m, 0.2 * m)
    rough = torus.noise(rng, n, 0.8, 0.3 * m)
    cover, shade, height = torus.domes(
        rng, n, count(n, 1.1, 3.1 * (0.04 * m) ** 2), (0.012 * m, 0.22 * m), power=2.8, flatten=0.4, square=7,
        at=np.exp(1.4 * heaps),
    )  # fmt: skip
    # Chipped rims: outlines and heights read through a small random displacement.
    shift = [0.012 * m * torus.noise(rng, n, 0.7, 0.15 * m, 2) for _ in range(2)]
    cover, shade, height = (torus.warp(layer, *shift) for layer in (cover, shade, height))
    surface = np.minimum(height, 0.04 * m + 0.08 * m * shade) + 0.008 * m * rough
    dark = torus.cast_shadow(surface, max(2, round(0.15 * m)))
    # Each piece is broken at a slant of its own.
    slant = (shade * 13) % 1 - 0.5
    tone = (1 - cover) * ground + cover * (0.6 * (shade - 0.45) + 0.05 * rough)
    mix = (1 - cover) * 0.6 * base + cover * (0.2 + 0.8 * ((shade * 5) % 1))
    return tone, mix, 0.4 * torus.relief(surface) + cover * 0.8 * slant + (1 - cover) * 0.5 * lit - 0.55 * dark


def water(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Dark water with crossing ripples and glints, weed below the surface, leaves afloat in places."""
    angle = float(rng.uniform(0, math.pi))
    ripples = torus.streaks(rng, n, 0.9, 0.3 * m, 3, angle) + 0.6 * torus.streaks(rng, n, 0.9, 0.2 * m, 2, angle + 0.9)
    calm = np.clip(float(rng.uniform(0, 1)) + 0.6 * torus.patches(rng, n, 1.5 * m, 1.5), 0, 1)
    ripples = torus.standard(ripples) * (1 - 0.8 * calm)
    glints = np.clip(ripples - float(rng.uniform(1.3, 3.5)), 0, 1.5)
    weed = np.clip(torus.patches(rng, n, 0.7 * m, 1.5), 0, 1) * float(rng.uniform(0, 0.25))
    cover_times = float(rng.uniform(0, 1)) ** 2 * 0.8
    number = count(n, cover_times, 0.6 * (0.13 * m) ** 2)
    x, y = torus.places(rng, n, number, np.exp(2.2 * torus.noise(rng, n, 1.2, 2 * m, 0.2 * m)))
    length = m * (0.04 + 0.18 * rng.random(number) ** 1.5)
    value = np.stack([rng.normal(0, 1, number), rng.normal(0, 1, number)])
    afloat = Pieces(x, y, rng.uniform(0, math.pi, number), length, length * rng.uniform(0.55, 0.95, number), value)
    shift = [0.012 * m * torus.noise(rng, n, 1.5, 0.2 * m, 0.06 * m) for _ in range(2)]
    cover, own, hue = (torus.warp(layer, *shift) for layer in lay(afloat, n))
    bits, pale, _ = torus.domes(rng, n, count(n, 0.002, 3), (0.006 * m, 0.02 * m))
    tone = (1 - cover) * (0.07 * ripples + 1.2 * glints + 0.5 * bits * pale) + cover * (0.75 + 0.16 * own)
    mix = (1 - cover) * (0.10 + weed + 0.15 * glints) + cover * (0.85 + 0.12 * hue)
    return tone, mix, (1 - cover) * 0.05 * ripples
