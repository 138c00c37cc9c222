"""Chips: the same for the same seed, with truth that agrees with the pixels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import torch

from mission.errors import InputError
from mission.mission_file import load_mission
from mission.recipe import Recipe, load_recipe
from mission.vocabulary import MARKS
from synth.chips import ChipBatch, ChipSource
from synth.compose import render_chips
from synth.marks import mark_atlas
from synth.other_things import OTHER, part_boxes
from synth.scene import empty_layout
from synth.truth import target_truth

# One kind of ground: its texture is made once.
_SAND = {"kinds": {"sand": 1.0}, "extra_kinds": [0, 0], "structures": 0, "trees": 0, "tree_shade": 0}
# Whoever cycles or pushes has something beside the body.
ALONE = {
    "standing": 4,
    "walking": 3,
    "waving": 1,
    "sitting": 1,
    "crouching": 1,
    "lying": 1,
    "kneeling": 1,
    "bending": 1,
}


def recipe(**sections: dict) -> Recipe:
    """The shipped recipe with some settings changed, on plain sand."""
    content = {"name": "test", "format": "recipe/1", "ground": _SAND, **sections}
    return Recipe.model_validate(content)


def source(seed: int = 3, chip_px: int = 160, **changes) -> ChipSource:
    return ChipSource(recipe(**changes), load_mission("harrow-fen"), seed=seed, chip_px=chip_px)


def equal(one: ChipBatch, other: ChipBatch) -> bool:
    return all(
        torch.equal(torch.nan_to_num(a), torch.nan_to_num(b))
        for a, b in zip(vars(one).values(), vars(other).values(), strict=True)
    )


def test_the_same_seed_gives_the_same_chips_and_another_seed_others() -> None:
    one, same, other = source(), source(), source(seed=4)
    first, second = one.batch(3), one.batch(3)
    assert equal(first, same.batch(3))
    assert equal(second, same.batch(3))
    assert not torch.equal(first.image, second.image)
    assert not torch.equal(first.image, other.batch(3).image)


def test_a_batch_is_as_described() -> None:
    batch = source(composition={"empty_share": 0.0, "person_share": 0.6}).batch(10)
    vocabulary = load_mission("harrow-fen").panels.vocabulary
    n = len(batch.chip)
    assert batch.image.shape == (10, 3, 160, 160) and batch.image.dtype == torch.uint8
    assert batch.box_px.shape == (n, 4) and batch.attributes.shape == (n, 4) and n >= 8
    assert (batch.chip[1:] >= batch.chip[:-1]).all() and batch.chip.max() < 10
    low, high = batch.box_px[:, :2], batch.box_px[:, 2:]
    assert (low >= 0).all() and (high <= 160).all() and (high > low).all()
    panels = batch.category == 0
    assert panels.any() and (~panels).any()
    sizes = torch.tensor([len(vocabulary.shapes), 11, len(vocabulary.marks), 11])
    assert (batch.attributes[panels] >= 0).all() and (batch.attributes[panels] < sizes).all()
    assert (batch.attributes[~panels] == -1).all()
    assert (batch.visible > 0.1).all() and (batch.visible <= 1).all()
    assert torch.isnan(batch.mark_turn_deg[~panels]).all()
    assert ((batch.mark_turn_deg[panels] >= 0) & (batch.mark_turn_deg[panels] < 360)).all()


@pytest.mark.parametrize(
    "content", [{"person_share": 1.0, "panels_per_chip": [0, 0]}, {"person_share": 0.0, "panels_per_chip": [1, 1]}]
)
def test_boxes_hold_the_pixels_of_their_targets(content: dict) -> None:
    """Boxes from projected outlines against the pixels that were drawn, one person or panel a chip, whole and uncovered."""
    made = source(
        seed=8,
        composition={"empty_share": 0.0, "decoys_per_chip": [0, 0], "persons_per_chip": [1, 1], **content},
        panels={"cover_share": 0, "blades_share": 0, "tape_share": 0, "weight_share": 0},
        persons={"postures": ALONE, "bag_share": 0, "bicycle_share": 0, "held_share": 0, "umbrella_share": 0},
    )  # fmt: skip
    scene = made.scene(16, 0)
    rendered = render_chips(scene, None, torch.device("cpu"), jpeg=False)
    truth = target_truth(scene.layout, scene.views, scene.outlines)
    checked = 0
    for k, row in enumerate(truth.row):
        rows_, columns = np.nonzero((rendered.owner[truth.picture[k]] == row).numpy())
        # Covered or cut-off ones have fewer pixels than their box says.
        if len(rows_) < 0.9 * truth.area_px2[k] or not len(rows_):
            continue
        found = np.array([columns.min(), rows_.min(), columns.max() + 1, rows_.max() + 1])
        # Sharp tips thinner than half a pixel are not counted as drawn.
        assert np.abs(found - truth.box_px[k]).max() < 2.6
        assert len(rows_) == pytest.approx(truth.area_px2[k], rel=0.11)
        checked += 1
    assert checked >= 10


def test_shares_of_empty_chips_follow_the_recipe() -> None:
    made = source(composition={"empty_share": 0.5})
    filled = np.zeros(400, dtype=bool)
    filled[made.scene(400, 0).layout.targets.picture] = True
    assert 0.42 < filled.mean() < 0.58


def test_typefaces_keep_to_their_side_of_the_split() -> None:
    mission = load_mission("harrow-fen")
    for side in ("training", "held-out"):
        made = ChipSource(recipe(decoys={"kinds": {"sign": 1.0}}), mission, seed=1, typefaces=side)
        glyph = made.scene(40, 0).layout.plates.glyph
        faces = set((glyph[glyph >= 0] // len(MARKS)).tolist())
        assert faces and faces <= set(mark_atlas().faces(side).tolist())


def test_focus_puts_one_panel_in_the_middle_of_every_chip() -> None:
    made = ChipSource(recipe(panels={"cover_share": 0}), load_mission("harrow-fen"), seed=2, chip_px=112, focus="panel")
    batch = made.batch(12)
    assert batch.chip.tolist() == list(range(12)) and (batch.category == 0).all()
    middle = (batch.box_px[:, :2] + batch.box_px[:, 2:]) / 2
    assert ((middle - 56).abs() < 20).all()


def test_scale_is_the_missions_times_the_recipes_share() -> None:
    mission = load_mission("harrow-fen")
    scene = source(composition={"ground_sample_share": [1.3, 1.3]}).scene(20, 0)
    middle = scene.views.ground(np.full((20, 2), 80.0), np.arange(20))
    scale = scene.views.px_per_m(middle, np.arange(20))
    assert np.allclose(1 / scale, 1.3 * mission.ground_sample_distance_m, rtol=1e-6)


def test_a_recipe_that_contradicts_the_mission_is_refused() -> None:
    with pytest.raises(InputError, match=r"'panels.mark_share' in the recipe must reach"):
        source(panels={"mark_share": [0.2, 0.4]})
    with pytest.raises(InputError, match=r"'panels.stroke_share' in the recipe must reach"):
        source(panels={"stroke_share": [0.05, 0.1]})


def test_every_kind_of_decoy_and_posture_can_be_drawn() -> None:
    full = load_recipe("field")
    made = ChipSource(
        full.model_copy(
            update={
                "composition": full.composition.model_copy(
                    update={
                        "empty_share": 0.0,
                        "person_share": 1.0,
                        "persons_per_chip": (2, 3),
                        "decoys_per_chip": (9, 9),
                    }
                ),
                "persons": full.persons.model_copy(update={"bicycle_share": 0.5}),
                "ground": recipe().ground,
            }
        ),
        load_mission("harrow-fen"),
        seed=0,
        chip_px=320,
    )
    batch = made.batch(12)
    assert (batch.category == 1).sum() >= 15
    spread = batch.image.float().std(dim=(1, 2, 3))
    assert (spread > 3).all()


def test_other_things_take_the_place_of_the_panel_in_their_share_of_chips() -> None:
    made = ChipSource(
        recipe(), load_mission("harrow-fen"), seed=6, chip_px=144, focus="panel", other_share=0.5
    )  # fmt: skip
    batch = made.batch(24)
    per_chip = torch.bincount(batch.chip, minlength=24)
    panels = batch.category == 0
    assert (torch.bincount(batch.chip[panels], minlength=24) <= 1).all() and (per_chip[batch.chip[panels]] == 1).all()
    assert 5 <= int(panels.sum()) <= 19 and int((batch.category == OTHER).sum()) >= 4
    low, high = batch.box_px[:, :2], batch.box_px[:, 2:]
    assert (low >= 0).all() and (high <= 144).all() and (high - low >= 4)[~panels].all()
    assert (batch.attributes[~panels] == -1).all() and torch.isnan(batch.mark_turn_deg[~panels]).all()
    assert (batch.chip[1:] >= batch.chip[:-1]).all()
    again = ChipSource(recipe(), load_mission("harrow-fen"), seed=6, chip_px=144, focus="panel", other_share=0.5)
    assert equal(batch, again.batch(24))


def test_boxes_of_other_things_hold_the_pixels_that_they_change() -> None:
    """Boards on sand: what differs from bare ground lies in their boxes in most chips (people's shadows do not)."""
    kinds = {"kinds": {"board": 1.0}}
    made = ChipSource(
        recipe(decoys=kinds), load_mission("harrow-fen"), seed=9, chip_px=144, focus="panel", other_share=1.0
    )  # fmt: skip
    scene = made.scene(16, 0)
    bare = replace(scene, layout=empty_layout())
    drawn, empty = (
        render_chips(s, None, torch.device("cpu"), jpeg=False).image.int() for s in (scene, bare)
    )  # fmt: skip
    picture, box = part_boxes(scene.layout, scene.views, scene.outlines)
    shares = []
    for chip in range(16):
        changed = (drawn[chip] - empty[chip]).abs().amax(0) > 40
        parts = box[picture == chip]
        if not bool(changed.any()) or not len(parts):
            continue
        rows, columns = torch.nonzero(changed).T
        inside = torch.zeros(len(rows), dtype=torch.bool)
        for x0, y0, x1, y1 in parts:
            inside |= (columns > x0 - 5) & (columns < x1 + 5) & (rows > y0 - 5) & (rows < y1 + 5)
        shares.append(float(inside.float().mean()))
    assert len(shares) >= 6 and np.median(shares) > 0.97
