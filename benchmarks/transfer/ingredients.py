"""The rows of the transfer table: what is changed in the recipe that a model is trained by.

A row is the library's default recipe with a few settings replaced, on real ground of the other flights (``real``), on
procedural ground (``procedural``) or on a share of each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from mission.errors import must
from mission.recipe import DECOYS, Recipe


@dataclass(frozen=True)
class Row:
    """One ingredient switched. ``real_share`` of the chips lie on photographs of the flights that are not judged."""

    says: str
    real_share: float = 1.0
    settings: Mapping[str, Any] = field(default_factory=dict)
    typefaces: Literal["training", "held-out", "all"] = "training"


PROCEDURAL = 0.0
_PLAIN_SENSOR = {
    "capture.smear": (0.0, 0.0), "capture.blur_sigma_px": (0.5, 0.5), "capture.vignetting": (0.0, 0.0),
    "capture.read_noise_e": (1.0, 1.0), "capture.full_well_e": (40000, 40000), "capture.noise_reduction": (0.0, 0.0),
    "capture.tones": {"srgb": 1.0}, "capture.saturation": (1.0, 1.0), "capture.sharpening": (0.0, 0.0),
    "capture.jpeg_quality": (95, 97), "capture.haze": (0.0, 0.0),
}  # fmt: skip
_NEW_PANELS = {
    f"panels.{name}": 0.0
    for name in (
        "gloss",
        "dirt",
        "fade",
        "wrinkle",
        "fold_share",
        "tape_share",
        "weight_share",
        "blades_share",
        "cover_share",
    )
}
_FAITHFUL_WHITE = {"capture.white_balance_error": 0.0, "capture.white_balance_miss": 0.0}

ROWS: dict[str, Row] = {
    "real": Row("real ground of the other flights, defaults"),
    "procedural": Row("procedural ground only, defaults", PROCEDURAL),
    "half-real": Row("half of the chips on real ground", 0.5),
    "mostly-real": Row("nine tenths of the chips on real ground", 0.9),
    "empty-0": Row("no chip empty", settings={"composition.empty_share": 0.0}),
    "empty-50": Row("half of the chips empty", settings={"composition.empty_share": 0.5}),
    "empty-80": Row("four fifths of the chips empty", settings={"composition.empty_share": 0.8}),
    "procedural-empty-0": Row("procedural, no chip empty", PROCEDURAL, {"composition.empty_share": 0.0}),
    "procedural-empty-80": Row("procedural, four fifths empty", PROCEDURAL, {"composition.empty_share": 0.8}),
    "no-clutter": Row("nothing lies about but panels and people", settings={"composition.decoys_per_chip": (0, 0)}),
    "procedural-no-clutter": Row("procedural, no clutter", PROCEDURAL, {"composition.decoys_per_chip": (0, 0)}),
    "boards-only": Row("clutter of plain boards only", settings={"decoys.kinds": {"board": 1.0}}),
    "no-boards": Row(
        "clutter without plain boards and signs",
        settings={"decoys.kinds": {k: 1.0 for k in DECOYS if k not in ("board", "sign", "ground_mark")}},
    ),
    "more-clutter": Row("twice the clutter", settings={"composition.decoys_per_chip": (0, 8)}),
    "few-kinds": Row("procedural: mown grass and soil", PROCEDURAL, {"ground.kinds": {"mown_grass": 1.0, "soil": 1.0}}),
    "no-structures": Row("procedural: nothing made, no trees", PROCEDURAL, {"ground.structures": 0.0, "ground.trees": 0.0}),
    "one-kind-a-chip": Row("procedural: kinds not blended", PROCEDURAL, {"ground.extra_kinds": (0, 0)}),
    "narrow-ground-colours": Row("procedural: colours of each kind hardly vary", PROCEDURAL, {"ground.colour_spread": 0.2}),
    "wide-ground-colours": Row("procedural: colours of each kind vary twice as much", PROCEDURAL, {"ground.colour_spread": 2.0}),
    "few-typefaces": Row("marks from the small set of typefaces", typefaces="held-out"),
    "all-typefaces": Row("marks from all typefaces", typefaces="all"),
    "new-panels": Row("clean, flat panels: no dirt, gloss, folds, blades, cover", settings=_NEW_PANELS),
    "no-blades": Row("no blades over the rim, nothing covers", settings={"panels.blades_share": 0.0, "panels.cover_share": 0.0}),
    "no-shade": Row("no shade across panels", settings={"panels.shade_share": 0.0, "ground.tree_shade": 0.0}),
    "plain-sensor": Row("procedural: sharp, clean, plain tone", PROCEDURAL, _PLAIN_SENSOR),
    "faithful-white": Row("procedural: no white-balance error", PROCEDURAL, _FAITHFUL_WHITE),
    "real-plain-sensor": Row("real ground; sharp, clean, plain tone", settings=_PLAIN_SENSOR),
    "real-faithful-white": Row("real ground; no white-balance error", settings=_FAITHFUL_WHITE),
    "upright": Row("marks upright in their shapes", settings={"panels.upright_share": 1.0}),
    "oblique": Row("chips seen up to 45 degrees aslant", settings={"composition.tilt_deg": (0, 45)}),
    "procedural-oblique": Row("procedural, up to 45 degrees aslant", PROCEDURAL, {"composition.tilt_deg": (0, 45)}),
    "wide-scale": Row("scale of chips from half to double", settings={"composition.ground_sample_share": (0.5, 2.0)}),
    "narrow-scale": Row("scale of chips fixed", settings={"composition.ground_sample_share": (1.0, 1.0)}),
    "more-people": Row("people in two thirds of the chips", settings={"composition.person_share": 0.67}),
    "standing-only": Row("people stand", settings={"persons.postures": {"standing": 1.0}}),
}  # fmt: skip


def recipe_of(row: Row, base: Recipe) -> Recipe:
    """The base recipe with a row's settings put in, validated anew."""
    content = base.model_dump()
    for place, value in row.settings.items():
        section, _, key = place.partition(".")
        if key not in content.get(section, {}):
            raise must("setting", "be one of the recipe's", place)
        content[section][key] = value
    return Recipe.model_validate(content)


def row_named(name: str) -> Row:
    """A row by its name; InputError naming the known ones otherwise."""
    if name not in ROWS:
        raise must("row", f"be one of {', '.join(ROWS)}", name)
    return ROWS[name]
