"""Things that are no target: every kind is drawn, of a believable size, and none bears a single letter on a panel of its own."""

from __future__ import annotations

import numpy as np
import pytest

from mission.mission_file import load_mission
from mission.recipe import DECOYS, Recipe
from synth.clutter import choose_decoys, sample_decoys
from synth.decoy_places import Place
from synth.lettering import fit_in_shapes, typeset, typeset_short
from synth.outlines import outline_atlas
from synth.scene import Layout

# Longest side [m] of one thing: the middle one of many (common practice, no source).
USUAL_M = {
    "cone": (0.15, 0.9), "bird": (0.2, 1.6), "animal": (0.4, 3.0), "parasol": (0.8, 3.6), "tent": (1.5, 4.6),
    "bicycle": (1.5, 1.8), "pram": (1.1, 1.6), "bin_on_wheels": (0.45, 1.2), "pallet": (1.1, 1.6), "bench": (1.2, 2.2),
    "ball": (0.06, 0.8), "bucket": (0.2, 0.7), "round_lid": (0.15, 0.8), "number_plate": (0.2, 1.6), "banner": (0.6, 5.0),
    "short_sign": (0.4, 2.2), "broad_cone": (0.35, 1.7), "ringed_thing": (0.3, 1.4), "bush": (0.3, 1.8), "stump": (0.3, 2.4),
    "clothing": (0.4, 1.8),
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


@pytest.mark.parametrize("kind", ["sign", "number_plate", "banner", "labelled_box", "road_lettering", "short_sign"])
def test_lettered_things_bear_two_characters_at_least(kind: str) -> None:
    plates = lay(kind, 80).plates
    lettered = plates.glyph >= 0
    counts = np.bincount(plates.picture[lettered], minlength=80)
    assert set(counts) - {0} and counts[counts > 0].min() >= 2
    assert (counts > 0).mean() > (0.6 if kind == "road_lettering" else 0.99)  # the others are arrows


@pytest.mark.parametrize(
    "kind", ["pictured_board", "board", "round_lid", "blanket", "towel", "cone", "broad_cone", "ringed_thing"]
)
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


def test_short_signs_bear_two_to_four_characters_on_their_plates() -> None:
    layout = lay("short_sign", 200)
    plates, lettered = layout.plates, layout.plates.glyph >= 0
    counts = np.bincount(plates.picture[lettered], minlength=200)
    assert counts.min() == 2 and counts.max() == 4 and 0.4 < (counts == 2).mean() < 0.75
    # Every letter's middle lies within the plate of its picture, where there is one.
    plated = 0
    for k in range(200):
        mine = np.flatnonzero((plates.picture == k) & ~lettered & (plates.thickness_m > 0))
        if len(mine):
            board = mine[np.argmax([np.linalg.norm(plates.along[i]) for i in mine])]
            along, up = plates.along[board], plates.up[board]
            off = plates.origin[lettered & (plates.picture == k)] - plates.origin[board]
            assert np.abs(off @ along / (along @ along)).max() < 0.5 and np.abs(off @ up / (up @ up)).max() < 0.75
            plated += 1
    assert plated > 170


def test_blocks_of_short_texts_hold_their_letters() -> None:
    mission = load_mission("harrow-fen")
    outlines, recipe = outline_atlas(mission.panels.vocabulary), Recipe(format="recipe/1", name="x")
    place = Place(np.random.default_rng(4), np.arange(90), np.zeros((90, 3)), mission, recipe, outlines, "training")
    setting = typeset_short(place)
    assert setting.size is not None and 0.4 <= setting.size.min() < 0.71 and setting.size.max() == 1.0
    half = setting.block[setting.which] / 2
    assert (np.abs(setting.at[:, 1]) + setting.size / 2 <= half[:, 1] + 1e-9).all()
    assert (np.abs(setting.at[:, 0]) < half[:, 0]).all()


def test_shadows_alone_show_nothing_but_their_shadow() -> None:
    layout = lay("lone_shadow")
    assert (layout.limbs.shown == 0).all() and (layout.limbs.casts >= 0.6).all() and not len(layout.plates.picture)


def test_what_is_mistaken_most_stands_for_no_panel_most_often() -> None:
    """The weights of MISTAKABLE come on top of the recipe's, and a kind that the recipe leaves out stays out."""
    recipe = Recipe.model_validate(
        {"format": "recipe/1", "name": "x", "decoys": {"kinds": {"short_sign": 1.0, "car": 1.0, "lone_shadow": 1.0}}}
    )
    rng, count = np.random.default_rng(3), 3000
    lying, standing = (
        np.bincount(choose_decoys(rng, np.arange(count), np.zeros((count, 3)), recipe, mistakable=m).kind, minlength=len(DECOYS))
        for m in (False, True)
    )  # fmt: skip
    known = {name: DECOYS.index(name) for name in ("short_sign", "car", "lone_shadow")}
    assert lying[known["car"]] == pytest.approx(count / 3, rel=0.1)
    assert (
        standing[known["short_sign"]] > 8 * standing[known["car"]] > 0 and standing[known["lone_shadow"]] < 0.05 * count
    )
    assert standing.sum() == count == sum(standing[k] for k in known.values())


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
