"""Chips of which some lie on photographs: the share is kept, things agree with truth on both, and nothing else changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import torch
from PIL import Image

from mission.mission_file import load_mission
from mission.recipe import Recipe
from synth.chips import ChipSource
from synth.ground import GroundSpec
from synth.mixed_ground import render_mixed
from synth.photo_ground import GroundBank, PhotoGroundSpec

_SAND = {"kinds": {"sand": 1.0}, "extra_kinds": [0, 0], "structures": 0, "trees": 0, "tree_shade": 0}
MISSION = load_mission("harrow-fen")


@pytest.fixture(scope="module")
def bank(tmp_path_factory: pytest.TempPathFactory) -> GroundBank:
    folder = tmp_path_factory.mktemp("photographs")
    coarse = np.random.default_rng(0).integers(60, 140, (30, 40, 3), dtype=np.uint8)
    Image.fromarray(coarse).resize((600, 450)).save(folder / "field.png")
    gsd_m = MISSION.ground_sample_distance_m
    return GroundBank.from_folder(folder, gsd_m, mission_gsd_m=gsd_m)


def _source(bank: GroundBank | None, chip_px: int = 96, **ground: object) -> ChipSource:
    content = {"format": "recipe/1", "name": "mixed", "ground": _SAND | ground}
    return ChipSource(Recipe.model_validate(content), MISSION, seed=4, chip_px=chip_px, ground=bank)


def test_the_share_of_photographs_is_the_recipes(bank: GroundBank) -> None:
    for share in (0.0, 0.25, 1.0):
        source = _source(bank, real_share=share)
        grounds = [g for n in range(2) for g in source.scene(100, n).grounds]
        real = np.mean([isinstance(g, PhotoGroundSpec) for g in grounds])
        assert abs(real - share) <= 4 * np.sqrt(share * (1 - share) / 200)  # four standard deviations
    assert all(isinstance(g, GroundSpec) for g in _source(None, real_share=1.0).scene(20, 0).grounds)


def test_a_mixed_batch_is_its_parts_drawn_alone(bank: GroundBank) -> None:
    source = _source(bank, real_share=0.5)
    scene, cpu = source.scene(8, 0), torch.device("cpu")
    real = np.array([isinstance(g, PhotoGroundSpec) for g in scene.grounds])
    assert 2 <= real.sum() <= 6
    mixed = render_mixed(scene, bank, cpu)
    again = source.render(source.scene(8, 0)).image
    assert torch.equal(mixed.image, again)
    for kind in (True, False):
        # The same scene with all its grounds of one kind: the pictures that were of that kind already are unchanged.
        only = _source(bank, real_share=float(kind))
        own = [g if isinstance(g, PhotoGroundSpec) == kind else None for g in scene.grounds]
        spare = [g for g in only.scene(8, 0).grounds if isinstance(g, PhotoGroundSpec) == kind]
        grounds = tuple(g if g is not None else spare[0] for g in own)
        alone = render_mixed(replace(scene, grounds=grounds), bank, cpu)
        rows = torch.from_numpy(np.flatnonzero(real == kind))
        difference = (alone.image[rows].int() - mixed.image[rows].int()).abs()
        assert difference.max() <= 1 and torch.equal(alone.owner, mixed.owner)


def test_blendings_are_drawn_by_weight_and_unknown_ones_are_refused(bank: GroundBank) -> None:
    source = _source(bank, real_share=1.0, blending={"none": 1.0, "feathered": 3.0})
    specs = [g for n in range(4) for g in source.scene(100, n).grounds]
    share = np.mean([isinstance(g, PhotoGroundSpec) and g.blending == "none" for g in specs])
    assert share == pytest.approx(0.25, abs=0.09)
    with pytest.raises(ValueError, match="name known blendings"):
        _source(bank, blending={"glued": 1.0})


def test_some_chips_are_seen_obliquely() -> None:
    content = {"format": "recipe/1", "name": "views", "ground": _SAND}
    content["composition"] = {"tilt_deg": [0, 2], "oblique_share": 0.3, "oblique_deg": [30, 45]}
    source = ChipSource(Recipe.model_validate(content), MISSION, seed=1, chip_px=96)
    _, views, _ = source._views(np.random.default_rng(0), 1000)
    tilt = np.degrees(np.arccos(np.clip(-views.rotation[:, 2, 2], -1, 1)))
    assert np.mean(tilt > 15) == pytest.approx(0.3, abs=0.06)
    assert tilt.max() < 46
