"""What makes a ground uneven on the scale of a step: spots that are dry, worn, damp or lush, and small things scattered on it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from synth.ground_kinds import EARTHS, GRASSES, KINDS, MADE
from synth.ground_spec import Layer, Mask

if TYPE_CHECKING:
    from synth.ground_draw import LayerDraw

# What lies scattered on a main ground, by how often (common practice, no source).
_ON_GRASS = ("tufts", "tufts", "tufts", "clods", "clods", "sticks", "dead_leaves", "bits", "stones")
_ON_EARTH = ("stones", "stones", "stones", "tufts", "tufts", "sticks", "clods", "dead_leaves", "bits")
SCATTERED: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(GRASSES, _ON_GRASS),
    **dict.fromkeys(EARTHS, _ON_EARTH),
    **dict.fromkeys(MADE, ("stones", "dead_leaves", "dead_leaves", "sticks", "bits", "bits", "tufts")),
    "leaf_litter": ("sticks", "sticks", "tufts", "stones"),
    "brushwood": ("tufts", "tufts", "stones"),
    "bark_mulch": ("tufts", "tufts", "stones", "dead_leaves", "bits"),
    "sheeting": ("dead_leaves", "bits"),
}


def clumps_of(draw: LayerDraw, main: str) -> dict[str, float]:
    """Fields of a ``GroundSpec`` about its spots: how strong, how large, how many."""
    rng, known = draw.rng, KINDS[main]
    # Most grounds are fairly even, a few are very patchy; stronger spots than these look like camouflage.
    drawn = known.patchy * rng.uniform(*draw.settings.patchiness) * rng.random()
    strength = drawn / (1 + drawn)
    return {
        "clumps": strength * rng.choice([-1.0, 1.0]),
        "clump_scale_m": math.exp(rng.uniform(math.log(0.15), math.log(0.9))),
        "clump_level": rng.normal(0, 0.7),
        "clump_lean": 3.0 * strength * max(-1.5, min(rng.normal(0, 1), 1.5)),
    }


def scattered(draw: LayerDraw, main: str) -> list[Layer]:
    """Small things that lie singly on the main ground, more here and fewer there."""
    rng = draw.rng
    if main not in SCATTERED or rng.random() >= draw.settings.scattered:
        return []
    kind = rng.choice(SCATTERED[main])
    # The field moves a border through the ranks of the things (``synth.scattered_tiles``), of which it has about 4 deviations: it
    # never reaches what lies between the things.
    soft_m = max(_SCATTER_SOFT_M, draw.gsd_m)
    mask = Mask(
        "patch",
        level=3.8 + 0.7 * abs(rng.normal()),
        bend_m=2.0 * soft_m,
        bend_scale_m=math.exp(rng.uniform(math.log(0.6), math.log(6))),
        seed=draw.seed(),
    )
    return [draw.layer(kind, mask, tone=0.3, relief=1.0, soft_m=soft_m, ragged_m=5.0 * soft_m, mix_blotch=0.05)]


# Width over which a thing of the next rank appears.
_SCATTER_SOFT_M = 0.02
