"""Things that are no target: every kind is drawn, of a believable size, and none bears a single letter on a panel of its own."""

from __future__ import annotations

import numpy as np
import pytest

from mission.mission_file import load_mission
from mission.recipe import DECOYS, Recipe
from synth.clutter import sample_decoys
from synth.decoy_places import Place
from synth.lettering import fit_in_shapes, typeset
from synth.outlines import outline_atlas
from synth.scene import Layout

# Longest side [m] of one thing: the middle one of many (common practice, no source).
USUAL_M = {
    "cone": (0.15, 0.9), "bird": (0.2, 1.6), "animal": (0.4, 3.0), "parasol": (0.8, 3.6), "tent": (1.5, 4.6),
    "bicycle": (1.5, 1.8), "pram": (1.1, 1.6), "bin_on_wheels": (0.45, 1.2), "pallet": (1.1, 1.6), "bench": (1.2, 2.2),
    "ball": (0.06, 0.8), "bucket": (0.2, 0.7), "round_lid": (0.15, 0.8), "number_plate": (0.2, 1.6), "banner": (0.6, 5.0),
}  # fmt: skip


def lay(kind: str, count: int = 40, seed: int = 5) -> Layout:
    recipe = Recipe.model_validate({"format": "recipe/1", "name": "x", "decoys": {"kinds": {kind: 1.0}}})
    rng = np.random.default_rng(seed)
    picture = np.arange(count)
    return sample_decoys(rng, picture, np.zeros((count, 3)), load_mission("harrow-fen"), recipe)


def extent_m(layout: Layout, picture: int) -> float:
    """Longest side of the bounding box on the ground of everything in a picture."""
    plates, limbs, facets = (t.picture == picture for t in (layout.plates, layout.limbs, layout.facets))
    reach = 0.5 * (np.abs(layout.plates.along) + np.abs(layout.plates.up))[plates]
    low = [
        layout.plates.origin[plates] - reach,
        (layout.limbs.ends - layout.limbs.radii_m[..., None])[limbs].reshape(-1, 3),
    ]
    high = [
        layout.plates.origin[plates] + reach,
        (layout.limbs.ends + layout.limbs.radii_m[..., None])[limbs].reshape(-1, 3),
    ]
    corners = layout.facets.corners[facets].reshape(-1, 3)
    return float((np.concatenate([*high, corners]).max(0) - np.concatenate([*low, corners]).min(0))[:2].max())


@pytest.mark.parametrize("kind", DECOYS)
def test_every_kind_is_made_and_repeatable(kind: str) -> None:
    one, same = lay(kind), lay(kind)
    parts = [one.plates, one.limbs, one.facets]
    assert set(np.concatenate([t.picture for t in parts])) == set(range(40))
    for table, again in zip(parts, (same.plates, same.limbs, same.facets), strict=True):
        for name, values in vars(table).items():
            assert np.array_equal(values, vars(again)[name], equal_nan=True) and np.isfinite(values).all()
    assert not len(one.targets.picture)
    assert all(t.albedo.min() > 0 and t.albedo.max() <= 1.0 for t in parts if len(t.albedo))
    assert (one.limbs.radii_m > 0).all()


@pytest.mark.parametrize("kind", DECOYS)
def test_one_thing_and_none_are_made_as_well_as_many(kind: str) -> None:
    for count in (1, 3):  # three is also the length of a colour
        assert len(np.unique(lay(kind, count).plates.picture)) <= count
    assert not len(lay(kind, 0).plates.picture)


@pytest.mark.parametrize(("kind", "limits_m"), USUAL_M.items())
def test_things_have_their_usual_size(kind: str, limits_m: tuple[float, float]) -> None:
    layout = lay(kind, 60)
    sizes = [extent_m(layout, k) for k in range(60)]
    if kind in ("bird", "animal"):  # flocks are wider
        sizes = sorted(sizes)[:25]
    assert limits_m[0] < np.median(sizes) < limits_m[1]


@pytest.mark.parametrize("kind", ["sign", "number_plate", "banner", "labelled_box", "road_lettering"])
def test_lettered_things_bear_two_characters_at_least(kind: str) -> None:
    plates = lay(kind, 80).plates
    lettered = plates.glyph >= 0
    counts = np.bincount(plates.picture[lettered], minlength=80)
    assert set(counts) - {0} and counts[counts > 0].min() >= 2
    assert (counts > 0).mean() > (0.6 if kind == "road_lettering" else 0.99)  # the others are arrows


@pytest.mark.parametrize("kind", ["pictured_board", "board", "round_lid", "blanket", "towel", "cone"])
def test_pictures_hold_no_character(kind: str) -> None:
    assert (lay(kind, 80).plates.glyph < 0).all()


def test_bands_stay_on_their_boards() -> None:
    layout = lay("pictured_board", 300)
    boards = {}
    for k in range(len(layout.plates.picture)):
        boards.setdefault(int(layout.plates.picture[k]), k)
    for k in range(len(layout.facets.picture)):
        board = boards[int(layout.facets.picture[k])]
        along, up = layout.plates.along[board], layout.plates.up[board]
        off = layout.facets.corners[k] - layout.plates.origin[board]
        for axis in (along, up):
            assert np.abs(off @ axis / (axis @ axis)).max() < 0.5 + 1e-6
    assert len(layout.facets.picture) > 100


def test_blocks_of_letters_lie_inside_their_shapes() -> None:
    mission = load_mission("harrow-fen")
    outlines, recipe = outline_atlas(mission.panels.vocabulary), Recipe(format="recipe/1", name="x")
    rng = np.random.default_rng(2)
    place = Place(rng, np.arange(70), np.zeros((70, 3)), mission, recipe, outlines, "training")
    shape, setting = np.arange(70) % 7, typeset(place)
    at, letter = fit_in_shapes(place, shape, setting, np.zeros(70), np.full(70, 0.8))
    half = 0.5 * setting.block * letter[:, None]
    corners = at[:, None] + half[:, None] * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    assert outlines.distance(shape, corners).max() < 0.01
    # Letters keep clear of one another along a line.
    for k in range(70):
        mine = setting.which == k
        line = setting.at[mine][setting.at[mine][:, 1] == setting.at[mine][0, 1]]
        assert (np.diff(line[:, 0]) > 0.1).all()
