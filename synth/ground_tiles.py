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

from synth import earth_tiles, foliage_tiles, plant_tiles, scattered_tiles, torus
from synth.laid_pieces import count
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


def asphalt(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Fine grain, wheel-worn lanes, stains, cracks and their black seals."""
    grain = torus.noise(rng, n, 0.0)
    broad = torus.standard(torus.noise(rng, n, 1.4, 4 * m, 4) + 1.2 * torus.streaks(rng, n, 1.4, 3 * m, 8, 0.0))
    border, _ = torus.cells(rng, n, rng.uniform(1.2, 3.0) * m, 0.95)
    wander = np.clip(torus.noise(rng, n, 1.3, 3 * m, 6), 0, 1)
    jagged = border + 1.2 * torus.noise(rng, n, 1.0, 0.3 * m)
    cracks = np.exp(-((jagged / rng.uniform(0.7, 1.8)) ** 2)) * wander
    stains, depth, _ = torus.domes(rng, n, count(n, 0.02, 3.1 * (0.12 * m) ** 2), (0.05 * m, 0.25 * m))
    stains = torus.blur(stains * depth, 0.03 * m)
    tone = 0.05 * grain + 0.035 * broad - 0.30 * cracks - 0.18 * stains
    return tone, 0.5 + 0.10 * broad, 0.02 * grain


def concrete(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Smooth with stains, rust and lichen."""
    broad = torus.standard(torus.noise(rng, n, 1.4, 3 * m, 3) + torus.streaks(rng, n, 1.4, 3 * m, 6, 0.0))
    fine = torus.noise(rng, n, 0.4)
    stains = np.clip(torus.patches(rng, n, 0.6 * m, 3.0), 0, 1)
    lichen, shade, _ = torus.domes(rng, n, count(n, 0.04, 3.1 * (0.02 * m) ** 2), (0.01 * m, 0.06 * m), power=3)
    tone = 0.035 * broad + 0.025 * fine - 0.2 * lichen * shade - 0.08 * stains
    return tone, 0.4 + 0.10 * broad + 0.3 * lichen + 0.2 * stains, 0.01 * fine


def bark(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Dead wood, peeling and grey."""
    strips = torus.streaks(rng, n, 0.9, 0.4 * m, 5, float(rng.uniform(0, math.pi)))
    peeled = torus.patches(rng, n, 0.3 * m, 3.0)
    return 0.12 * strips + 0.14 * peeled, 0.5 + 0.2 * peeled, 0.15 * strips


def sheeting(rng: np.random.Generator, n: int, m: float) -> Planes:
    """Roofing, tarpaulin or ground cloth: even, with ribs or folds."""
    ribs = 2 * math.pi * np.arange(n) * round(n / (rng.uniform(0.08, 0.4) * m)) / n
    folds = torus.noise(rng, n, 1.6, 2 * m, 0.1 * m)
    ribbed = (np.cos(ribs)[:, None] * np.ones(n)).astype(np.float32) * (1.0 if rng.random() < 0.6 else 0.0)
    dirt = torus.patches(rng, n, 1.0 * m, 1.5)
    tone = 0.04 * dirt + 0.02 * torus.noise(rng, n, 0.2)
    return tone, 0.5 + 0.1 * dirt, 0.10 * ribbed + 0.4 * torus.relief(0.02 * m * folds)


DRAW: dict[str, Draw] = {
    "mown_grass": plant_tiles.mown_grass,
    "weedy_grass": plant_tiles.weedy_grass,
    "wild_grass": plant_tiles.wild_grass,
    "dry_grass": plant_tiles.dry_grass,
    "clover": plant_tiles.clover,
    "reeds": plant_tiles.reeds,
    "broad_leaves": plant_tiles.broad_leaves,
    "leaf_litter": plant_tiles.leaf_litter,
    "bark_mulch": plant_tiles.bark_mulch,
    "brushwood": plant_tiles.brushwood,
    "soil": earth_tiles.soil,
    "mud": earth_tiles.mud,
    "sand": earth_tiles.sand,
    "gravel": earth_tiles.gravel,
    "rubble": earth_tiles.rubble,
    "water": earth_tiles.water,
    "shrubs": foliage_tiles.shrubs,
    "tree_crowns": foliage_tiles.tree_crowns,
    "asphalt": asphalt,
    "concrete": concrete,
    "bark": bark,
    "sheeting": sheeting,
    "stones": scattered_tiles.stones,
    "clods": scattered_tiles.clods,
    "bits": scattered_tiles.bits,
    "tufts": scattered_tiles.tufts,
    "sticks": scattered_tiles.sticks,
    "dead_leaves": scattered_tiles.dead_leaves,
}
