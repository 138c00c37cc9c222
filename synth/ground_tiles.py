"""Fine texture of each kind of ground as tiles that repeat without seams.

A tile has three planes: ``tone`` (relative brightness of the material, mean 0), ``mix`` (0..1 between the two colours of
the material) and ``relief`` (relative change of the direct sun on its facets, light from up and left, mean 0). Planes are
kept in eight bits; a tile is drawn once per process, for one ground sample distance, and cropped from then on.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from synth import torus
from synth.torus import Array

TILE_PX = 512
VARIANTS = 3
# Eight-bit code of each plane: value = code * scale + offset.
TONE_SCALE = RELIEF_SCALE = 1.2 / 127
MIX_SCALE, MIX_OFFSET = 0.5 / 127, 0.5

Planes = tuple[Array, Array, Array]
Draw = Callable[[np.random.Generator, int, float], Planes]


def tile(kind: str, variant: int, gsd_m: float) -> NDArray[np.int8]:
    """Tile of a kind: int8 [3, TILE_PX, TILE_PX] (tone, mix, relief) at about ``gsd_m`` metres a pixel."""
    return _tile(kind, variant, gsd_step(gsd_m))


def gsd_step(gsd_m: float) -> int:
    """Scales are drawn in steps of a tenth of an octave, so that neighbouring ones share tiles."""
    return round(10 * math.log2(max(gsd_m, 1e-4)))


@lru_cache(maxsize=192)
def _tile(kind: str, variant: int, step: int) -> NDArray[np.int8]:
    seed = int.from_bytes(hashlib.sha256(f"{kind}/{variant}/{step}".encode()).digest()[:8], "little")
    tone, mix, relief = DRAW[kind](np.random.default_rng(seed), TILE_PX, 1 / 2.0 ** (step / 10))
    coded = np.stack(
        [
            (tone - tone.mean()) / TONE_SCALE,
            (np.clip(mix, 0, 1) - MIX_OFFSET) / MIX_SCALE,
            (relief - relief.mean()) / RELIEF_SCALE,
        ]
    )
    return np.clip(np.rint(coded), -127, 127).astype(np.int8)


def _count(n: int, cover: float, area_px: float) -> int:
    """How many bodies of an area cover the tile that many times."""
    return max(8, min(int(cover * n * n / max(area_px, 1.0)), 60000))


def _short_grass(rng: np.random.Generator, n: int, m: float, roughness: float = 1.0) -> Planes:
    length = (0.04 * m, 0.09 * m)
    _, shade, ridge = torus.strokes(rng, n, _count(n, 1.6, 0.065 * m * 1.2), length, (0.8, 1.4), bend=0.5)
    clumps = torus.noise(rng, n, 0.9, 0.6 * m, 2)
    broad = torus.noise(rng, n, 1.3, 3 * m, 6)
    tone = 0.22 * (shade - 0.5) + 0.06 * ridge + roughness * (0.075 * clumps + 0.05 * broad)
    mix = 0.42 + 0.16 * torus.noise(rng, n, 1.2, 2.5 * m, 3) + 0.14 * (shade - 0.5)
    height = 0.02 * m * (0.6 * clumps + 0.7 * ridge) * roughness
    return tone, mix, 0.5 * torus.relief(height)


def mown_grass(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Short blades, fine clumps, a few pale flecks."""
    tone, mix, lit = _short_grass(rng, n, m, 0.8)
    flecks, _, _ = torus.domes(rng, n, _count(n, 0.004, 4), (0.012 * m, 0.025 * m))
    return tone + 0.15 * flecks, mix + 0.5 * flecks, lit


def wild_grass(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Tufts of long blades leaning several ways, dark gaps between them."""
    tufts = torus.noise(rng, n, 1.1, 0.9 * m, 0.10 * m)
    lean = float(rng.uniform(0, 2 * math.pi))
    _, shade, ridge = torus.strokes(
        rng, n, _count(n, 2.0, 0.22 * m * 1.4), (0.1 * m, 0.35 * m), (0.8, 1.8), direction=lean, spread=1.1, bend=0.9
    )
    gaps = np.clip(-tufts - 0.9, 0, 1.5)
    tone = 0.30 * (shade - 0.5) + 0.10 * tufts + 0.10 * ridge - 0.28 * gaps + 0.05 * torus.noise(rng, n, 0.4)
    mix = 0.45 + 0.3 * (shade - 0.5) + 0.14 * torus.noise(rng, n, 1.2, 2 * m, 4)
    return tone, mix, 0.55 * torus.relief(0.06 * m * tufts + 0.03 * m * ridge)


def dry_grass(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Pale dead blades over darker thatch."""
    tufts = torus.noise(rng, n, 1.0, 0.8 * m, 0.06 * m)
    cover, shade, ridge = torus.strokes(
        rng, n, _count(n, 1.1, 0.2 * m * 1.2), (0.08 * m, 0.3 * m), (0.7, 1.4), bend=0.7
    )
    tone = 0.26 * (cover * (0.4 + shade) - 0.6) + 0.11 * tufts + 0.06 * torus.noise(rng, n, 0.5)
    mix = 0.25 + 0.45 * cover * shade + 0.12 * torus.noise(rng, n, 1.2, 2 * m, 3)
    return tone, mix, 0.5 * torus.relief(0.04 * m * tufts + 0.02 * m * ridge)


def clover(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Round leaves of three centimetres and pale flower heads."""
    patch = torus.noise(rng, n, 1.2, 1.5 * m, 0.15 * m)
    _, shade, height = torus.domes(rng, n, _count(n, 1.8, 3.1 * (0.016 * m) ** 2), (0.01 * m, 0.022 * m), at=np.exp(0.6 * patch))
    heads, _, _ = torus.domes(rng, n, _count(n, 0.015, 5), (0.010 * m, 0.02 * m), at=np.clip(patch, 0, 3))
    tone = 0.3 * (shade - 0.5) + 0.05 * torus.standard(height) + 0.08 * patch + 0.5 * heads
    mix = 0.4 + 0.3 * (shade - 0.5) + 0.12 * patch + 0.6 * heads
    return tone, mix, 0.4 * torus.relief(height + 0.02 * m * patch)


def soil(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Earth with crumbs and clods, damp and dry patches."""
    broad = torus.noise(rng, n, 1.25, 2.5 * m, 0)
    fine = torus.noise(rng, n, 0.45, 0.3 * m)
    at = np.exp(0.9 * torus.noise(rng, n, 1.1, 1.5 * m, 0.1 * m))
    cover, shade, height = torus.domes(rng, n, _count(n, 0.16, 3.1 * (0.03 * m) ** 2), (0.012 * m, 0.09 * m), power=3.2, at=at)
    tone = 0.085 * broad + 0.055 * fine + 0.18 * cover * (shade - 0.45)
    surface = height + 0.02 * m * broad + 0.008 * m * fine
    dark = torus.cast_shadow(surface, max(2, round(0.06 * m)))
    mix = 0.5 + 0.17 * torus.noise(rng, n, 1.3, 3 * m, 2) + 0.08 * fine
    return tone, mix, 0.6 * torus.relief(surface) - 0.3 * dark


def mud(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Smooth wet or drying earth, wheel and foot marks, some cracking."""
    broad = torus.noise(rng, n, 1.5, 2.5 * m, 3)
    border, shade = torus.cells(rng, n, 0.25 * m)
    where = np.clip(torus.noise(rng, n, 1.4, 2 * m, 10) * 0.8, 0, 1)
    cracks = np.exp(-((border / 0.8) ** 2)) * where
    fine = torus.noise(rng, n, 0.6, 0.4 * m)
    tone = 0.09 * broad + 0.035 * fine - 0.30 * cracks + 0.05 * (shade - 0.5) * where
    mix = 0.5 + 0.18 * torus.noise(rng, n, 1.4, 2.5 * m, 3)
    dents = torus.noise(rng, n, 0.9, 0.35 * m, 0.08 * m)
    return tone, mix, 0.5 * torus.relief(0.025 * m * broad + 0.012 * m * dents)


def sand(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Fine sand with wind ripples of ten centimetres, footprints, scattered shells."""
    broad = torus.noise(rng, n, 1.5, 3 * m, 2)
    period = n / max(1, round(n / (rng.uniform(0.08, 0.2) * m)))
    y, x = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    tilt = int(rng.integers(-2, 3))
    warp = torus.noise(rng, n, 1.4, 1.2 * m, 0.3 * m)
    phase = 2 * math.pi * (y / period + tilt * x / n) + 1.6 * warp
    strength = np.clip(0.5 + 0.7 * torus.noise(rng, n, 1.5, 3 * m, 0.5 * m), 0, 1.4)
    ripples = strength * (np.sin(phase) + 0.3 * np.sin(2 * phase + 0.6))
    prints, _, _ = torus.domes(rng, n, _count(n, 0.03, 3.1 * (0.1 * m) ** 2), (0.05 * m, 0.13 * m), flatten=0.4)
    fine = torus.noise(rng, n, 0.3)
    tone = 0.045 * broad + 0.03 * fine - 0.04 * prints
    mix = 0.5 + 0.15 * broad
    surface = 0.010 * m * ripples + 0.02 * m * broad - 0.03 * m * torus.blur(prints, 0.02 * m)
    return tone, mix, 0.5 * torus.relief(surface)


def gravel(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Stones of one to six centimetres with shadows between them."""
    cover, shade, height = torus.domes(rng, n, _count(n, 2.4, 3.1 * (0.018 * m) ** 2), (0.008 * m, 0.035 * m), power=2.4)
    broad = torus.noise(rng, n, 1.2, 2 * m, 4)
    dark = torus.cast_shadow(height, max(1, round(0.03 * m)))
    tone = 0.42 * cover * (shade - 0.5) - 0.20 * (1 - cover) + 0.06 * broad + 0.05 * torus.noise(rng, n, 0.2)
    mix = 0.5 + 0.35 * cover * (shade - 0.5) + 0.1 * broad
    return tone, mix, 0.45 * torus.relief(height) - 0.25 * dark


def rubble(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Broken stone of all sizes on earth."""
    ground, base, _ = soil(rng, n, m)
    at = np.exp(1.1 * torus.noise(rng, n, 1.1, 2 * m, 0.2 * m))
    cover, shade, height = torus.domes(rng, n, _count(n, 0.55, 3.1 * (0.05 * m) ** 2), (0.02 * m, 0.22 * m), power=2.8, flatten=0.5, at=at)
    rough = torus.noise(rng, n, 0.9, 0.3 * m)
    tone = (1 - cover) * ground + cover * (0.5 * (shade - 0.35) + 0.07 * rough)
    mix = (1 - cover) * base * 0.6 + cover * (0.6 + 0.4 * shade)
    surface = height * 0.7 + 0.012 * m * rough
    dark = torus.cast_shadow(surface, max(2, round(0.15 * m)))
    return tone, mix, 0.55 * torus.relief(surface) - 0.4 * dark


def asphalt(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Fine grain, stains, cracks and a repaired strip now and then."""
    grain = torus.noise(rng, n, 0.0)
    broad = torus.noise(rng, n, 1.4, 4 * m, 4)
    border, _ = torus.cells(rng, n, rng.uniform(1.2, 3.0) * m, 0.95)
    wander = np.clip(torus.noise(rng, n, 1.3, 3 * m, 6), 0, 1)
    cracks = np.exp(-(((border + 0.8 * torus.noise(rng, n, 1.0, 0.3 * m)) / 1.0) ** 2)) * wander
    stains, depth, _ = torus.domes(rng, n, _count(n, 0.02, 3.1 * (0.12 * m) ** 2), (0.05 * m, 0.25 * m))
    stains = torus.blur(stains * depth, 0.03 * m)
    tone = 0.05 * grain + 0.05 * broad - 0.30 * cracks - 0.18 * stains
    return tone, 0.5 + 0.13 * broad, 0.02 * grain


def concrete(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Smooth with stains, rust and lichen."""
    broad = torus.noise(rng, n, 1.5, 4 * m, 3)
    fine = torus.noise(rng, n, 0.4)
    lichen, shade, _ = torus.domes(rng, n, _count(n, 0.04, 3.1 * (0.02 * m) ** 2), (0.01 * m, 0.06 * m), power=3)
    tone = 0.06 * broad + 0.025 * fine - 0.2 * lichen * shade
    return tone, 0.45 + 0.15 * broad + 0.3 * lichen, 0.01 * fine


def leaf_litter(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Fallen leaves of four to ten centimetres, twigs, dark gaps."""
    at = np.exp(0.7 * torus.noise(rng, n, 1.2, 1.5 * m, 0.2 * m))
    cover, shade, height = torus.domes(rng, n, _count(n, 1.8, 3.1 * (0.03 * m) ** 2), (0.018 * m, 0.055 * m), flatten=0.35, at=at)
    twig, bright, ridge = torus.strokes(rng, n, _count(n, 0.07, 0.3 * m * 1.2), (0.1 * m, 0.5 * m), (0.7, 1.5), bend=0.3)
    broad = torus.noise(rng, n, 1.2, 2 * m, 3)
    tone = 0.45 * cover * (shade - 0.5) - 0.3 * (1 - cover) + 0.07 * broad + 0.25 * twig * (bright - 0.2)
    mix = 0.5 + 0.5 * cover * (((shade * 7) % 1) - 0.5) + 0.1 * broad
    return tone, mix, 0.4 * torus.relief(0.5 * height + ridge)


def brushwood(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Dead sticks of all thicknesses over earth and dry stalks, with their shadows."""
    ground, base, lit = soil(rng, n, m)
    where = np.clip(0.75 + 0.6 * torus.noise(rng, n, 1.2, 2.5 * m, 0.2 * m), 0, 1)
    tone, mix, height = 0.9 * ground, 0.5 * base, np.zeros((n, n), np.float32)
    for cover_times, length, width in ((0.5, (0.15, 0.6), (0.8, 1.3)), (0.25, (0.3, 1.5), (1.0, 2.2)), (0.12, (0.8, 3.0), (2.0, 5.0))):
        size = (length[0] * m, length[1] * m)
        cover, shade, ridge = torus.strokes(rng, n, _count(n, cover_times, sum(size) / 2 * sum(width) / 2), size, width, bend=0.35)
        cover = cover * where
        tone = tone * (1 - cover) + cover * (0.55 * (shade - 0.25))
        mix = mix * (1 - cover) + cover * (0.55 + 0.45 * shade)
        height = np.maximum(height, cover * (1.0 + 1.2 * ridge * width[1]))
    dark = torus.cast_shadow(height, max(2, round(0.05 * m)))
    return tone, mix, lit * (1 - np.clip(height, 0, 1)) + 0.4 * torus.relief(height) - 0.55 * dark


def _foliage(rng: np.random.Generator, n: int, m: float, leaf: tuple[float, float], depth: float) -> Planes:
    clumps = torus.noise(rng, n, 1.15, 1.3 * m, 0.12 * m)
    boughs = torus.noise(rng, n, 1.3, 3.0 * m, 0.5 * m)
    at = np.exp(0.9 * clumps + 0.5 * boughs)
    cover, shade, height = torus.domes(
        rng, n, _count(n, 1.6, 3.1 * (sum(leaf) / 2 * m) ** 2), (leaf[0] * m, leaf[1] * m), flatten=0.4, at=at
    )
    surface = (0.16 * clumps + 0.22 * boughs) * m * depth + 0.8 * height
    hollow = surface - torus.blur(surface, 0.25 * m)
    tone = 0.38 * cover * (shade - 0.5) - 0.45 * (1 - cover) + 0.22 * torus.standard(hollow)
    mix = 0.42 + 0.3 * (shade - 0.5) * cover + 0.10 * clumps + 0.12 * boughs
    dark = torus.blur(torus.cast_shadow(surface, max(3, round(0.35 * m))), 0.6)
    return tone, mix, 0.42 * torus.relief(0.7 * surface) - 0.55 * dark


def shrubs(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Small leaves in dense low clumps."""
    return _foliage(rng, n, m, (0.012, 0.03), 0.6)


def tree_crowns(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Leaf clumps on boughs, deep gaps between them."""
    return _foliage(rng, n, m, (0.018, 0.06), 1.0)


def water(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Dark water, ripples catching the sky, drifting bits."""
    swell = torus.noise(rng, n, 1.2, 0.8 * m, 0.05 * m)
    swell = torus.standard(swell + np.roll(swell, round(0.06 * m), 1) + np.roll(swell, round(0.12 * m), 1))
    broad = torus.noise(rng, n, 1.5, 4 * m, 10)
    bits, shade, _ = torus.domes(rng, n, _count(n, 0.006, 5), (0.008 * m, 0.03 * m), at=np.exp(1.5 * broad))
    tone = 0.10 * swell + 0.10 * broad + 0.8 * bits * shade
    return tone, 0.4 + 0.12 * broad + 0.4 * bits, 0.12 * swell


def sheeting(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Roofing, tarpaulin or ground cloth: even, with ribs or folds."""
    ribs = 2 * math.pi * np.arange(n) * round(n / (rng.uniform(0.08, 0.4) * m)) / n
    folds = torus.noise(rng, n, 1.6, 2 * m, 0.1 * m)
    ribbed = (np.cos(ribs)[:, None] * np.ones(n)).astype(np.float32) * (1.0 if rng.random() < 0.6 else 0.0)
    dirt = torus.noise(rng, n, 1.3, 3 * m, 2)
    return 0.05 * dirt + 0.02 * torus.noise(rng, n, 0.2), 0.5 + 0.1 * dirt, 0.10 * ribbed + 0.4 * torus.relief(0.02 * m * folds)


DRAW: dict[str, Draw] = {
    "mown_grass": mown_grass,
    "wild_grass": wild_grass,
    "dry_grass": dry_grass,
    "clover": clover,
    "soil": soil,
    "mud": mud,
    "sand": sand,
    "gravel": gravel,
    "rubble": rubble,
    "asphalt": asphalt,
    "concrete": concrete,
    "leaf_litter": leaf_litter,
    "brushwood": brushwood,
    "shrubs": shrubs,
    "tree_crowns": tree_crowns,
    "water": water,
    "sheeting": sheeting,
}
