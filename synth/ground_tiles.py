"""Fine texture of each kind of ground as tiles that repeat without seams.

A tile has three planes: ``tone`` (relative brightness of the material, mean 0), ``mix`` (0..1 between the two colours of
the material) and ``relief`` (relative change of the direct sun on its facets, light from up and left, mean 0). Planes are
kept in eight bits; a tile is drawn once, for one ground sample distance, stored, and cropped from then on.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from synth import foliage_tiles, torus
from synth.tile_drawing import drawn_by_all_cores
from synth.tile_store import missing, shared_out, stored
from synth.torus import Array

TILE_PX = 512
VARIANTS = 2
STEPS_PER_OCTAVE = 4
# Eight-bit code of each plane: value = code * scale + offset.
TONE_SCALE = RELIEF_SCALE = 1.2 / 127
MIX_SCALE, MIX_OFFSET = 0.5 / 127, 0.5

Planes = tuple[Array, Array, Array]
Draw = Callable[[np.random.Generator, int, float], Planes]


def tile(kind: str, variant: int, gsd_m: float) -> NDArray[np.int8]:
    """Tile of a kind: int8 [3, TILE_PX, TILE_PX] (tone, mix, relief) at about ``gsd_m`` metres a pixel."""
    return _tile(kind, variant, gsd_step(gsd_m))


def gsd_step(gsd_m: float) -> int:
    """Scales are drawn in steps of a quarter of an octave, so that neighbouring ones share tiles."""
    return round(STEPS_PER_OCTAVE * math.log2(max(gsd_m, 1e-4)))


def make_ready(keys: Iterable[tuple[str, int, int]], *, all_cores: bool = False) -> None:
    """Have tiles (kind, variant, step of scale) in the store before they are needed one by one.

    Processes that need the same ones at the same time share them out. ``all_cores``: processes are started for it where more
    than a few are missing; worth it for a process that draws alone.
    """
    by_name = {name: key for key in keys if (name := _name(*key)) not in _asked}
    # Once is enough, also where the store keeps nothing.
    _asked.update(by_name)
    lacking = missing(by_name)
    if not lacking:
        return
    with drawn_by_all_cores([by_name[name] for name in lacking] if all_cores else []):
        shared_out(lacking, lambda name: _tile(*by_name[name]))


_asked: set[str] = set()


def _name(kind: str, variant: int, step: int) -> str:
    return f"{kind}-{variant}-{step}"


@lru_cache(maxsize=192)
def _tile(kind: str, variant: int, step: int) -> NDArray[np.int8]:
    return stored(_name(kind, variant, step), (3, TILE_PX, TILE_PX), lambda: _drawn(kind, variant, step))


def _drawn(kind: str, variant: int, step: int) -> NDArray[np.int8]:
    seed = int.from_bytes(hashlib.sha256(f"{kind}/{variant}/{step}".encode()).digest()[:8], "little")
    tone, mix, relief = DRAW[kind](np.random.default_rng(seed), TILE_PX, 1 / 2.0 ** (step / STEPS_PER_OCTAVE))
    # What is finer than a pixel averages out, on facets more than in colour.
    tone, mix, relief = torus.blur(tone, 0.45), torus.blur(mix, 0.45), torus.blur(relief, 0.75)
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


def mown_grass(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Short blades, fine clumps, worn and lush patches, a few pale flecks."""
    _, shade, ridge = torus.strokes(rng, n, _count(n, 1.3, 0.065 * m * 1.2), (0.04 * m, 0.09 * m), (0.8, 1.4), bend=0.5)
    clumps = torus.noise(rng, n, 0.9, 0.6 * m, 2)
    patches = torus.patches(rng, n, 1.2 * m, 1.2)
    flecks, _, _ = torus.domes(rng, n, _count(n, 0.003, 4), (0.012 * m, 0.022 * m))
    tone = 0.20 * (shade - 0.5) + 0.05 * ridge + 0.06 * clumps + 0.05 * patches + 0.12 * flecks
    mix = 0.42 + 0.10 * torus.noise(rng, n, 1.2, 2.5 * m, 3) - 0.12 * patches + 0.14 * (shade - 0.5) + 0.4 * flecks
    return tone, mix, 0.45 * torus.relief(0.014 * m * (0.6 * clumps + 0.7 * ridge))


def wild_grass(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Tufts of long blades leaning several ways, dark gaps between them, other herbs in patches."""
    lean = float(rng.uniform(0, 2 * math.pi))
    tufts = torus.standard(torus.noise(rng, n, 1.1, 0.9 * m, 0.08 * m) + torus.streaks(rng, n, 1.1, 0.5 * m, 2.5, lean))
    _, shade, ridge = torus.strokes(
        rng,
        n,
        _count(n, 1.6, 0.22 * m * 1.4),
        (0.1 * m, 0.35 * m),
        (0.8, 1.8),
        direction=lean,
        spread=1.1,
        bend=0.9,
    )
    herbs = torus.patches(rng, n, 0.9 * m, 3.0)
    gaps = np.clip(-tufts - 0.9, 0, 1.5)
    tone = 0.32 * (shade - 0.5) + 0.09 * tufts + 0.10 * ridge - 0.28 * gaps + 0.06 * herbs
    mix = 0.45 + 0.3 * (shade - 0.5) + 0.08 * torus.noise(rng, n, 1.2, 2 * m, 4) + 0.16 * herbs
    return tone, mix, 0.55 * torus.relief(0.06 * m * tufts + 0.03 * m * ridge)


def dry_grass(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Pale dead blades over darker thatch, laid by the wind, bare spots."""
    lean = float(rng.uniform(0, 2 * math.pi))
    tufts = torus.standard(
        torus.noise(rng, n, 1.0, 0.8 * m, 0.06 * m) + 0.8 * torus.streaks(rng, n, 1.0, 0.6 * m, 3, lean)
    )
    cover, shade, ridge = torus.strokes(
        rng,
        n,
        _count(n, 1.1, 0.2 * m * 1.2),
        (0.08 * m, 0.3 * m),
        (0.7, 1.4),
        bend=0.7,
        direction=lean,
        spread=0.9,
    )
    bare = np.clip(torus.patches(rng, n, 0.7 * m, 3.0) - 0.3, 0, 1)
    tone = 0.26 * (cover * (0.4 + shade) - 0.6) * (1 - 0.7 * bare) + 0.11 * tufts + 0.05 * torus.noise(rng, n, 0.5)
    mix = 0.30 + 0.45 * cover * shade - 0.3 * bare + 0.10 * torus.noise(rng, n, 1.2, 2 * m, 3)
    return tone, mix, 0.5 * torus.relief(0.04 * m * tufts + 0.02 * m * ridge)


def clover(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Round leaves of three centimetres and pale flower heads."""
    patch = 0.5 * torus.noise(rng, n, 1.2, 1.5 * m, 0.15 * m) + 0.7 * torus.patches(rng, n, 0.8 * m, 2.0)
    _, shade, height = torus.domes(
        rng, n, _count(n, 1.8, 3.1 * (0.016 * m) ** 2), (0.01 * m, 0.022 * m), at=np.exp(0.6 * patch)
    )
    heads, _, _ = torus.domes(rng, n, _count(n, 0.015, 5), (0.010 * m, 0.02 * m), at=np.clip(patch, 0, 3) + 1e-6)
    tone = 0.32 * (shade - 0.5) + 0.05 * torus.standard(height) + 0.09 * patch + 0.5 * heads
    mix = 0.36 + 0.3 * (shade - 0.5) + 0.10 * patch + 0.6 * heads
    return tone, mix, 0.4 * torus.relief(height + 0.02 * m * patch)


def soil(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Earth with crumbs and clods, damp and dry patches, traces of rain and wheels."""
    traces = torus.streaks(rng, n, 1.2, 1.5 * m, 4, float(rng.uniform(0, math.pi)))
    damp = torus.patches(rng, n, 1.5 * m, 1.5)
    broad = torus.standard(torus.noise(rng, n, 1.25, 2.5 * m, 0) + 0.7 * traces)
    fine = torus.noise(rng, n, 0.55, 0.3 * m)
    at = np.exp(1.2 * torus.noise(rng, n, 1.1, 1.5 * m, 0.1 * m))
    cover, shade, height = torus.domes(
        rng, n, _count(n, 0.10, 3.1 * (0.03 * m) ** 2), (0.012 * m, 0.09 * m), power=3.2, square=1.5, at=at
    )
    tone = 0.06 * broad + 0.04 * fine + 0.06 * damp + 0.2 * cover * (shade - 0.45)
    surface = height + 0.014 * m * broad + 0.005 * m * fine
    dark = torus.cast_shadow(surface, max(2, round(0.06 * m)))
    mix = 0.5 + 0.08 * torus.noise(rng, n, 1.3, 3 * m, 2) + 0.14 * damp + 0.06 * fine
    return tone, mix, 0.55 * torus.relief(surface) - 0.3 * dark


def mud(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Smooth wet or drying earth, wheel and foot marks, some cracking."""
    broad = torus.standard(
        torus.noise(rng, n, 1.5, 2.5 * m, 3) + torus.streaks(rng, n, 1.3, 2 * m, 5, float(rng.uniform(0, math.pi)))
    )
    border, shade = torus.cells(rng, n, 0.25 * m)
    where = np.clip(torus.noise(rng, n, 1.4, 2 * m, 10) * 0.8, 0, 1)
    cracks = np.exp(-((border / 0.8) ** 2)) * where
    fine = torus.noise(rng, n, 0.6, 0.4 * m)
    wet = torus.patches(rng, n, 1.0 * m, 2.5)
    tone = 0.06 * broad + 0.03 * fine - 0.30 * cracks + 0.05 * (shade - 0.5) * where + 0.08 * wet
    mix = 0.5 + 0.10 * torus.noise(rng, n, 1.4, 2.5 * m, 3) + 0.15 * wet
    dents = torus.noise(rng, n, 0.9, 0.35 * m, 0.08 * m)
    return tone, mix, 0.5 * torus.relief(0.025 * m * broad + 0.012 * m * dents)


def sand(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Fine sand with wind ripples of ten centimetres, footprints, scattered shells."""
    broad = torus.noise(rng, n, 1.5, 3 * m, 2)
    period = n / max(1, round(n / (rng.uniform(0.08, 0.2) * m)))
    y, x = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    tilt = int(rng.integers(-2, 3))
    phase = 2 * math.pi * (y / period + tilt * x / n) + 1.6 * torus.noise(rng, n, 1.4, 1.2 * m, 0.3 * m)
    strength = np.clip(0.3 + 0.8 * torus.noise(rng, n, 1.5, 3 * m, 0.5 * m), 0, 1.4)
    ripples = strength * (np.sin(phase) + 0.3 * np.sin(2 * phase + 0.6))
    prints, _, _ = torus.domes(rng, n, _count(n, 0.05, 3.1 * (0.1 * m) ** 2), (0.05 * m, 0.13 * m), flatten=0.4)
    shells, pale, _ = torus.domes(rng, n, _count(n, 0.0015, 3), (0.008 * m, 0.025 * m))
    fine = torus.noise(rng, n, 0.3)
    tone = 0.03 * broad + 0.03 * fine - 0.03 * prints + 0.4 * shells * (pale - 0.6)
    mix = 0.5 + 0.10 * broad + 0.08 * torus.patches(rng, n, 1.5 * m, 1.5)
    surface = 0.010 * m * ripples + 0.02 * m * broad - 0.03 * m * torus.blur(prints, 0.02 * m)
    return tone, mix, 0.5 * torus.relief(surface)


def gravel(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Stones of one to ten centimetres with shadows between them."""
    cover, shade, height = torus.domes(
        rng, n, _count(n, 2.2, 3.1 * (0.022 * m) ** 2), (0.01 * m, 0.05 * m), power=2.6, square=2.0
    )
    broad = torus.standard(torus.noise(rng, n, 1.2, 2 * m, 4) + 0.8 * torus.streaks(rng, n, 1.2, 2 * m, 5, 0.4))
    dark = torus.cast_shadow(height, max(1, round(0.04 * m)))
    tone = 0.65 * cover * (shade - 0.5) - 0.28 * (1 - cover) + 0.05 * broad + 0.05 * torus.noise(rng, n, 0.2)
    mix = 0.5 + 0.4 * cover * (shade - 0.5) + 0.08 * broad
    return tone, mix, 0.5 * torus.relief(height) - 0.3 * dark


def rubble(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Broken stone of all sizes on earth."""
    ground, base, _ = soil(rng, n, m)
    heaps = torus.noise(rng, n, 1.1, 2 * m, 0.2 * m)
    rough = torus.noise(rng, n, 0.8, 0.3 * m)
    cover, shade, height = torus.domes(
        rng,
        n,
        _count(n, 0.5, 3.1 * (0.05 * m) ** 2),
        (0.02 * m, 0.2 * m),
        power=3.0,
        flatten=0.45,
        square=6,
        at=np.exp(1.3 * heaps),
    )
    # Chipped rims: outlines and heights read through a small random displacement.
    dx, dy = (0.012 * m * torus.noise(rng, n, 0.7, 0.15 * m, 2) for _ in range(2))
    cover, shade, height = (torus.warp(layer, dx, dy) for layer in (cover, shade, height))
    flat = np.minimum(height, 0.05 * m + 0.05 * m * shade)
    tone = (1 - cover) * ground + cover * (0.55 * (shade - 0.4) + 0.06 * rough)
    mix = (1 - cover) * base * 0.5 + cover * (0.5 + 0.5 * (shade * 5 % 1))
    surface = flat + 0.010 * m * rough
    dark = torus.cast_shadow(surface, max(2, round(0.12 * m)))
    return tone, mix, 0.5 * torus.relief(surface) - 0.45 * dark


def asphalt(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Fine grain, wheel-worn lanes, stains, cracks and their black seals."""
    grain = torus.noise(rng, n, 0.0)
    broad = torus.standard(torus.noise(rng, n, 1.4, 4 * m, 4) + 1.2 * torus.streaks(rng, n, 1.4, 3 * m, 8, 0.0))
    border, _ = torus.cells(rng, n, rng.uniform(1.2, 3.0) * m, 0.95)
    wander = np.clip(torus.noise(rng, n, 1.3, 3 * m, 6), 0, 1)
    jagged = border + 1.2 * torus.noise(rng, n, 1.0, 0.3 * m)
    cracks = np.exp(-((jagged / rng.uniform(0.7, 1.8)) ** 2)) * wander
    stains, depth, _ = torus.domes(rng, n, _count(n, 0.02, 3.1 * (0.12 * m) ** 2), (0.05 * m, 0.25 * m))
    stains = torus.blur(stains * depth, 0.03 * m)
    tone = 0.05 * grain + 0.035 * broad - 0.30 * cracks - 0.18 * stains
    return tone, 0.5 + 0.10 * broad, 0.02 * grain


def concrete(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Smooth with stains, rust and lichen."""
    broad = torus.standard(torus.noise(rng, n, 1.4, 3 * m, 3) + torus.streaks(rng, n, 1.4, 3 * m, 6, 0.0))
    fine = torus.noise(rng, n, 0.4)
    stains = np.clip(torus.patches(rng, n, 0.6 * m, 3.0), 0, 1)
    lichen, shade, _ = torus.domes(rng, n, _count(n, 0.04, 3.1 * (0.02 * m) ** 2), (0.01 * m, 0.06 * m), power=3)
    tone = 0.035 * broad + 0.025 * fine - 0.2 * lichen * shade - 0.08 * stains
    return tone, 0.4 + 0.10 * broad + 0.3 * lichen + 0.2 * stains, 0.01 * fine


def leaf_litter(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Fallen leaves of four to ten centimetres, twigs, dark gaps."""
    drift = torus.noise(rng, n, 1.2, 1.5 * m, 0.2 * m)
    cover, shade, height = torus.domes(
        rng,
        n,
        _count(n, 1.6, 3.1 * (0.035 * m) ** 2),
        (0.02 * m, 0.06 * m),
        flatten=0.35,
        at=np.exp(0.8 * drift),
    )
    twig, bright, ridge = torus.strokes(
        rng, n, _count(n, 0.09, 0.3 * m * 1.4), (0.1 * m, 0.7 * m), (0.7, 1.9), bend=0.3
    )
    broad = torus.noise(rng, n, 1.2, 2 * m, 3)
    tone = 0.75 * cover * (shade - 0.5) - 0.35 * (1 - cover) + 0.06 * broad + 0.35 * twig * (bright - 0.2)
    mix = 0.5 + 0.8 * cover * (((shade * 7) % 1) - 0.5) + 0.08 * broad
    return tone, mix, 0.45 * torus.relief(0.5 * height + ridge)


def brushwood(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Dead sticks of all thicknesses over earth and dry stalks, with their shadows."""
    ground, base, lit = soil(rng, n, m)
    where = np.clip(0.75 + 0.6 * torus.noise(rng, n, 1.2, 2.5 * m, 0.2 * m), 0, 1)
    tone, mix, height = 0.9 * ground, 0.5 * base, np.zeros((n, n), np.float32)
    sizes = ((0.4, (0.15, 0.6), (0.8, 1.3)), (0.22, (0.3, 1.5), (1.0, 2.2)), (0.12, (0.8, 3.0), (2.0, 5.0)))
    for cover_times, length, width in sizes:
        size = (length[0] * m, length[1] * m)
        count = _count(n, cover_times, sum(size) / 2 * sum(width) / 2)
        cover, shade, ridge = torus.strokes(rng, n, count, size, width, bend=0.15)
        cover = cover * where
        tone = tone * (1 - cover) + cover * (0.55 * (shade - 0.25))
        mix = mix * (1 - cover) + cover * (0.55 + 0.45 * shade)
        height = np.maximum(height, cover * (1.0 + 1.2 * ridge * width[1]))
    dark = torus.cast_shadow(height, max(2, round(0.05 * m)))
    return tone, mix, lit * (1 - np.clip(height, 0, 1)) + 0.4 * torus.relief(height) - 0.55 * dark


def bark(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Dead wood, peeling and grey."""
    strips = torus.streaks(rng, n, 0.9, 0.4 * m, 5, float(rng.uniform(0, math.pi)))
    peeled = torus.patches(rng, n, 0.3 * m, 3.0)
    return 0.12 * strips + 0.14 * peeled, 0.5 + 0.2 * peeled, 0.15 * strips


def water(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Dark water with fine ripples; floating leaves or drifting bits on it."""
    angle = float(rng.uniform(0, math.pi))
    swell = torus.streaks(rng, n, 1.0, 0.25 * m, 3, angle)
    broad = torus.noise(rng, n, 1.6, 4 * m, 10)
    calm = np.clip(0.5 + torus.patches(rng, n, 1.5 * m, 1.5), 0, 1)
    gather = torus.noise(rng, n, 1.3, 2 * m, 0.3 * m) - 0.5
    pads, shade, _ = torus.domes(
        rng, n, _count(n, rng.uniform(0, 0.5), 3.1 * (0.08 * m) ** 2), (0.03 * m, 0.16 * m), flatten=0.8, at=np.exp(2.0 * gather)
    )  # fmt: skip
    tone = (1 - pads) * (0.08 * swell * (1 - 0.7 * calm) + 0.06 * broad) + pads * (0.7 + 0.5 * (shade - 0.5))
    mix = (1 - pads) * (0.15 + 0.05 * broad) + pads * (0.85 + 0.2 * (shade - 0.5))
    return tone, mix, 0.10 * swell * (1 - pads) * (1 - calm)


def sheeting(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Roofing, tarpaulin or ground cloth: even, with ribs or folds."""
    ribs = 2 * math.pi * np.arange(n) * round(n / (rng.uniform(0.08, 0.4) * m)) / n
    folds = torus.noise(rng, n, 1.6, 2 * m, 0.1 * m)
    ribbed = (np.cos(ribs)[:, None] * np.ones(n)).astype(np.float32) * (1.0 if rng.random() < 0.6 else 0.0)
    dirt = torus.patches(rng, n, 1.0 * m, 1.5)
    tone = 0.04 * dirt + 0.02 * torus.noise(rng, n, 0.2)
    return tone, 0.5 + 0.1 * dirt, 0.10 * ribbed + 0.4 * torus.relief(0.02 * m * folds)


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
    "shrubs": foliage_tiles.shrubs,
    "tree_crowns": foliage_tiles.tree_crowns,
    "bark": bark,
    "water": water,
    "sheeting": sheeting,
}
