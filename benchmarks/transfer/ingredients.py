"""The rows of the transfer table: what is changed in the chips, or in how a model learns from them.

A row is the base recipe with a few settings replaced, on real ground of the flights that do not judge it, on procedural
ground, or on a share of each. There are three blocks. Rows that leave out one flight at a time say how well models carry
over. Rows that leave out three flights at once are held against ``two-flights``. Rows that change what is drawn are on
procedural ground, where one training serves all flights, and are held against ``procedural-few``, which sees as many chips.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from mission.errors import must
from mission.recipe import DECOYS, Recipe

Part = Literal["detector", "readers"]


@dataclass(frozen=True)
class Row:
    """One ingredient switched. ``real_share`` of the chips lie on photographs of the flights that are not judged.

    ``settings`` and ``typefaces`` change what is drawn; ``empty_share`` (None: as drawn) only which of the drawn chips are
    used; ``detector`` and ``readers`` change settings of the networks, ``learning`` what is done with a batch. ``chips``: at
    most so many different ones; ``parts``: what the row can say something about. A row with a ``reading`` of its own trains
    nothing: the networks of ``real`` read differently.
    """

    says: str
    real_share: float = 0.8
    settings: Mapping[str, Any] = field(default_factory=dict)
    typefaces: Literal["training", "held-out", "all"] = "training"
    empty_share: float | None = None
    detector: Mapping[str, Any] = field(default_factory=dict)
    readers: Mapping[str, Any] = field(default_factory=dict)
    learning: Literal["plain", "hard-negatives", "amplitude-exchange"] = "plain"
    chips: int | None = None
    parts: tuple[Part, ...] = ("detector",)
    reading: Literal["plain", "second-look", "adapted"] = "plain"
    leaves_out: Literal["one", "three"] = "one"

    @property
    def draws_its_own(self) -> bool:
        """Whether the row needs chips that no other row draws."""
        return bool(self.settings) or self.typefaces != "training"


#: Chips of the rows that draw their own.
FEW = 4096
#: What every row shares: panels 15 to 200 px across, seen up to 40 degrees aslant, two fifths of the chips without a target,
#: things that are none in most chips; on drawn ground more trees, for edges of foliage were taken for people.
BASE = {
    "composition.ground_sample_share": (0.45, 1.6),
    "composition.tilt_deg": (0.0, 40.0),
    "composition.empty_share": 0.4,
    "composition.decoys_per_chip": (0, 6),
    "ground.real_share": 1.0,
    "ground.trees": 0.4,
}
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
#: Trunks so narrow that five of them hold about as many numbers as the shared one.
_SEPARATE = {"trunk": "separate", "widths": (20, 44, 52), "template_width": 112}
_FAITHFUL_WHITE = {"capture.white_balance_error": 0.0, "capture.white_balance_miss": 0.0}

_BOTH: tuple[Part, ...] = ("detector", "readers")


def _few(says: str, settings: Mapping[str, Any], parts: tuple[Part, ...] = ("detector",), **more: Any) -> Row:
    return Row(says, 0.0, settings, chips=FEW, parts=parts, **more)


def _two(says: str, **more: Any) -> Row:
    return Row(says, leaves_out="three", **more)


def _trunk(says: str, learning: str) -> Row:
    return _two(says, detector={"trunk": "efficientnet-lite0", "trunk_learning": learning})


ROWS: dict[str, Row] = {
    "real": Row("four fifths on photographs of the other flights", parts=_BOTH),
    "second-look": Row("real, the readers' panel-or-not joined in by half", reading="second-look", parts=()),
    "adapted": Row("real, statistics re-estimated on the flight", reading="adapted", parts=()),
    "procedural": Row("procedural ground only", 0.0, parts=_BOTH),
    "two-flights": _two("as real, on photographs of two flights", parts=_BOTH),
    "half-real": _two("half of the chips on photographs", real_share=0.5),
    "only-real": _two("all chips on photographs", real_share=1.0),
    "empty-0": _two("no chip empty", empty_share=0.0),
    "empty-80": _two("four fifths of the chips empty", empty_share=0.8),
    "hard-negatives": _two("empty chips chosen by what they were taken for", learning="hard-negatives"),
    "amplitude-exchange": _two("low frequencies exchanged with photographs", learning="amplitude-exchange"),
    "trunk-frozen": _trunk("ImageNet trunk, frozen", "frozen"),
    "trunk-upper": _trunk("ImageNet trunk, upper stages learn", "upper"),
    "trunk-free": _trunk("ImageNet trunk, all learns", "free"),
    "separate-readers": _two("four readers in the place of one trunk", readers=_SEPARATE, parts=("readers",)),
    "full-resolution": _two("the detector sees every pixel", detector={"shrink": 1}),
    "two-flights-few": _two("as two-flights, from as few chips as the next row", chips=FEW),
    "no-blending": _two("things pasted into photographs", settings={"ground.blending": {"none": 1.0}}, chips=FEW),
    "procedural-few": _few("procedural, as few chips as the rows below", {}, _BOTH),
    "no-clutter": _few("nothing lies about but panels and people", {"composition.decoys_per_chip": (0, 0)}),
    "no-boards": _few(
        "no plain boards, no signs",
        {"decoys.kinds": {k: 1.0 for k in DECOYS if k not in ("board", "sign", "ground_mark")}},
    ),
    "few-kinds": _few("mown grass and soil only", {"ground.kinds": {"mown_grass": 1.0, "soil": 1.0}}),
    "no-structures": _few("nothing made, no trees", {"ground.structures": 0.0, "ground.trees": 0.0}),
    "plain-sensor": _few("sharp, clean, plain tone", _PLAIN_SENSOR, _BOTH),
    "faithful-white": _few("no white-balance error", _FAITHFUL_WHITE, _BOTH),
    "new-panels": _few("clean, flat panels: no dirt, gloss, folds, blades, cover", _NEW_PANELS, _BOTH),
    "few-typefaces": _few("marks from the small set of typefaces", {}, ("readers",), typefaces="held-out"),
    "narrow-paints": _few("paints at their anchors", {"panels.paint_spread": 0.0}, ("readers",)),
    "straight-down": _few("seen from straight above", {"composition.tilt_deg": (0.0, 5.0)}, _BOTH),
}


def recipe_of(row: Row) -> Recipe:
    """The base recipe with a row's settings put in, validated anew."""
    content = Recipe(name="transfer").model_dump()
    for place, value in {**BASE, **row.settings}.items():
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
