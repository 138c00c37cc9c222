"""What lies about and is no target: boards, signs, marks on the ground, cars, boxes, cones, stones, litter …

They are simple, but at one to three centimetres a pixel they must be taken for what they are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from mission.mission_file import Mission
from mission.recipe import DECOYS, Recipe
from synth import (
    animals,
    cone_decoys,
    flat_decoys,
    leisure_decoys,
    lettered_decoys,
    person_like,
    pictured_boards,
    plate_decoys,
    ring_decoys,
    standing_decoys,
)
from synth.decoy_places import Place
from synth.marks import Typefaces
from synth.outlines import outline_atlas
from synth.scene import Array, Index, Layout, empty_layout, join_layouts

# Distance [m] from its middle within which a thing would lie on a panel; small things need half a metre.
_CLEAR_M = {
    "car": 3.2,
    "tarpaulin": 0.0,
    "box": 1.0,
    "furniture": 1.3,
    "board": 1.1,
    "sign": 1.2,
    "bag": 0.8,
    "barrel": 0.9,
    "hose": 0.9,
    "banner": 0.4,
    "road_lettering": 0.0,
    "sports_line": 0.0,
    "blanket": 1.2,
    "towel": 0.9,
    "tent": 1.8,
    "parasol": 1.8,
    "animal": 1.2,
    "bench": 1.2,
    "pallet": 0.9,
    "flower_bed": 1.3,
    "pictured_board": 0.9,
    "labelled_box": 0.8,
    "pram": 0.8,
    "bicycle": 0.9,
    "short_sign": 1.2,
    "broad_cone": 0.9,
    "ringed_thing": 0.9,
    "bush": 0.9,
    "stump": 1.0,
    "lone_shadow": 0.0,
}
#: How many times as often a kind stands for "not a panel" as it lies about. More of what was mistaken most on photographs and
#: on drawn chips, less of what never was (benchmarks.reading.mistaken).
MISTAKABLE: dict[str, float] = {
    **{"short_sign": 3.0, "broad_cone": 2.5, "ringed_thing": 2.0, "pictured_board": 1.5, "sign": 1.5, "banner": 2.0},
    **{
        "labelled_box": 1.5,
        "round_lid": 1.3,
        "marker_disc": 1.3,
        "number_plate": 1.2,
        "ground_mark": 1.3,
        "clothing": 0.6,
    },
    **dict.fromkeys(("box", "case", "barrel", "post", "bag", "furniture", "stump", "bush", "tarpaulin"), 0.5),
    **dict.fromkeys(("car", "road_marking", "sports_line", "hose", "bicycle", "pram", "bench", "tent", "pallet"), 0.3),
    # Bare ground stands for itself.
    "lone_shadow": 0.05,
}


def sample_decoys(
    rng: np.random.Generator,
    picture: Index,
    ground: Array,
    mission: Mission,
    recipe: Recipe,
    typefaces: Typefaces | None = None,
    *,
    targets: tuple[Index, Array] | None = None,
) -> Layout:
    """Things that are no target at ``ground`` [N, 3] of pictures [N], kinds drawn by the recipe's weights.

    ``targets`` are pictures and places that most of them keep clear of.
    """
    chosen = choose_decoys(rng, picture, ground, recipe, targets=targets)
    return lay_decoys(rng, chosen, mission, recipe, typefaces)


@dataclass(frozen=True)
class Decoys:
    """Which things lie where: ``picture`` [N], ``ground`` [N, 3], ``kind`` [N] rows of DECOYS."""

    picture: Index
    ground: Array
    kind: Index

    @property
    def names(self) -> tuple[str, ...]:
        """The kind of each in words."""
        return tuple(DECOYS[k] for k in self.kind)


def choose_decoys(
    rng: np.random.Generator,
    picture: Index,
    ground: Array,
    recipe: Recipe,
    *,
    targets: tuple[Index, Array] | None = None,
    mistakable: bool = False,
) -> Decoys:
    """Kinds of things by the recipe's weights, less those that would lie on a target.

    ``mistakable``: what is often taken for a panel comes more often than the recipe says (``MISTAKABLE``).
    """
    if not len(picture):
        return Decoys(picture, ground, np.zeros(0, dtype=np.int64))
    weight = np.array([recipe.decoys.kinds.get(name, 0.0) for name in DECOYS])
    if mistakable:
        weight = weight * np.array([MISTAKABLE.get(name, 1.0) for name in DECOYS])
    kind = rng.choice(len(DECOYS), len(picture), p=weight / weight.sum())
    if targets is not None and len(targets[0]):
        room = np.array([_CLEAR_M.get(name, 0.5) for name in DECOYS])[kind] * (rng.random(len(kind)) > 0.08)
        away = np.linalg.norm(ground[:, None, :2] - targets[1][None, :, :2], axis=2)
        away = np.where(picture[:, None] == targets[0][None], away, np.inf).min(axis=1)
        keep = away >= room
        picture, ground, kind = picture[keep], ground[keep], kind[keep]
    return Decoys(picture, ground, kind)


def lay_decoys(
    rng: np.random.Generator, decoys: Decoys, mission: Mission, recipe: Recipe, typefaces: Typefaces | None = None
) -> Layout:
    """The things themselves."""
    picture, ground, kind = decoys.picture, decoys.ground, decoys.kind
    if not len(picture):
        return empty_layout()
    outlines = outline_atlas(mission.panels.vocabulary)
    parts = []
    for k in np.unique(kind):
        mine = kind == k
        place = Place(rng, picture[mine], ground[mine], mission, recipe, outlines, typefaces or recipe.panels.typefaces)
        parts.append(_KINDS[DECOYS[k]](place))
    return join_layouts(parts)


_KINDS: dict[str, Callable[[Place], Layout]] = {
    "board": flat_decoys.board,
    "sign": lettered_decoys.sign,
    "ground_mark": lettered_decoys.ground_mark,
    "number_plate": lettered_decoys.number_plate,
    "banner": lettered_decoys.banner,
    "labelled_box": lettered_decoys.labelled_box,
    "road_lettering": lettered_decoys.road_lettering,
    "pictured_board": pictured_boards.pictured_board,
    "tarpaulin": flat_decoys.tarpaulin,
    "litter": flat_decoys.litter,
    "stone": flat_decoys.stone,
    "road_marking": flat_decoys.road_marking,
    "sports_line": flat_decoys.sports_line,
    "drain_cover": flat_decoys.drain_cover,
    "car": standing_decoys.car,
    "box": standing_decoys.box,
    "barrel": standing_decoys.barrel,
    "post": standing_decoys.post,
    "bag": standing_decoys.bag,
    "hose": standing_decoys.hose,
    "furniture": standing_decoys.furniture,
    "case": standing_decoys.case,
    "cone": cone_decoys.cone,
    "marker_disc": cone_decoys.marker_disc,
    "bucket": cone_decoys.bucket,
    "ball": cone_decoys.ball,
    "round_lid": cone_decoys.round_lid,
    "bin_on_wheels": cone_decoys.bin_on_wheels,
    "bird": animals.bird,
    "animal": animals.animal,
    "parasol": leisure_decoys.parasol,
    "tent": leisure_decoys.tent,
    "blanket": leisure_decoys.blanket,
    "towel": leisure_decoys.towel,
    "bench": leisure_decoys.bench,
    "pallet": leisure_decoys.pallet,
    "pram": leisure_decoys.pram,
    "bicycle": leisure_decoys.bicycle,
    "flower_bed": leisure_decoys.flower_bed,
    "short_sign": plate_decoys.short_sign,
    "broad_cone": ring_decoys.broad_cone,
    "ringed_thing": ring_decoys.ringed_thing,
    "bush": person_like.bush,
    "stump": person_like.stump,
    "clothing": person_like.clothing,
    "lone_shadow": person_like.lone_shadow,
}
