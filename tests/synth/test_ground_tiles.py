from dataclasses import replace

import numpy as np
import pytest
import torch

from mission.recipe_light import GroundSettings
from synth.ground import paint_ground
from synth.ground_details import SCATTERED, clumps_of, scattered
from synth.ground_draw import LayerDraw, sample_ground
from synth.ground_kinds import KINDS
from synth.ground_spec import GroundSpec, Layer, Mask
from synth.ground_structures import puddles
from synth.ground_tiles import DRAW
from synth.laid_pieces import Pieces, lay
from synth.scattered_tiles import LEAST_RANK

GSD_M = 0.02


def _piece(x: list[float], y: list[float], value: list[float], size: float = 9.0) -> Pieces:
    count = len(x)
    return Pieces(
        np.array(x), np.array(y), np.zeros(count), np.full(count, size), np.full(count, size), np.array(value)[None]
    )


def test_a_piece_at_the_edge_goes_on_at_the_other_side() -> None:
    middle = lay(_piece([16.0], [16.0], [0.5]), 32)
    corner = lay(_piece([0.0], [0.0], [0.5]), 32)
    assert middle[0].sum() > 40
    np.testing.assert_array_equal(np.roll(middle, (-16, -16), (1, 2)), corner)


def test_later_pieces_lie_on_earlier_ones() -> None:
    # More pieces than are laid at once; those of one layer may lie in any order, so the last stands well apart.
    x, y = [16.0] * 60, [16.0] * 60
    value = [*np.linspace(0.1, 0.3, 59), 0.9]
    for order, top in ((value, 0.9), (value[::-1], 0.1)):
        cover, own = lay(_piece(x, y, order), 32)
        assert cover[16, 16] == pytest.approx(1)
        assert own[16, 16] == pytest.approx(top, abs=0.011)


@pytest.mark.parametrize("m", [30.0, 160.0])
@pytest.mark.parametrize("kind", ["tree_crowns", "wild_grass", "leaf_litter", "mud", "water"])
def test_textures_hold_at_any_scale(kind: str, m: float) -> None:
    once, again = (DRAW[kind](np.random.default_rng(5), 128, m) for _ in range(2))
    for plane, same in zip(once, again, strict=True):
        assert plane.shape == (128, 128)
        assert np.isfinite(plane).all()
        np.testing.assert_array_equal(plane, same)
    tone, mix, _ = once
    assert 0.02 < tone.std() < 0.6
    assert -0.3 < mix.mean() < 1.1


def test_crowns_are_brighter_on_the_side_of_the_sun() -> None:
    """Light comes from up and left: what faces it is lit, what lies behind a bough is dark."""
    _, _, relief = DRAW["tree_crowns"](np.random.default_rng(2), 256, 60.0)
    relief = relief - relief.mean()
    step = 6
    along, across = (float((relief * np.roll(relief, shift, (0, 1))).mean()) for shift in ((step, step), (step, -step)))
    # Dark follows bright along the light, so values that far apart differ more than across it.
    assert along < across


def _border(kind: str, other: str) -> np.ndarray:
    """Share of the upper kind along x, over the border of two flat colours: mean of rows."""
    known = KINDS[kind]
    black, white = (0.05, 0.05, 0.05), (0.8, 0.8, 0.8)
    upper = Layer(
        kind, white, white, Mask("half", (3.0, 0.0), np.pi / 2), tone=known.tone, relief=0.0,
        soft_m=known.soft_m, ragged_m=known.ragged_m,
    )  # fmt: skip
    spec = GroundSpec(GSD_M, (Layer(other, black, black, tone=0.0, relief=0.0), upper), blotch=0.0)
    return paint_ground([spec], 300, 300).albedo[0, 0].mean(0).numpy()


def _width_m(profile: np.ndarray) -> float:
    share = (profile - profile.min()) / (profile.max() - profile.min())
    inside = (share > 0.1) & (share < 0.9)
    # Outside of its border the texture of the upper kind itself never falls below this.
    return float(inside.sum()) * GSD_M


@pytest.mark.parametrize("kind", ["mown_grass", "soil", "sand", "clover"])
def test_natural_borders_fade_over_decimetres(kind: str) -> None:
    assert 0.1 < _width_m(_border(kind, "soil")) < 1.0


def test_borders_of_paving_are_crisp() -> None:
    assert _width_m(_border("concrete", "soil")) <= 0.06


def test_a_puddle_lies_in_wet_earth() -> None:
    draw = LayerDraw(np.random.default_rng(3), GroundSettings(), GSD_M, (200, 200))
    wet, pool = puddles(draw)
    assert wet.mask.seed == pool.mask.seed
    assert wet.mask.level < pool.mask.level
    assert max(wet.colour) < min(pool.colour)


def test_every_kind_of_ground_can_be_drawn_as_the_main_one() -> None:
    specs = [
        sample_ground(np.random.default_rng(1), GroundSettings(kinds={kind: 1}), GSD_M, (64, 64))
        for kind in GroundSettings().kinds
    ]
    assert [spec.main_kind for spec in specs] == list(GroundSettings().kinds)


def test_frayed_crowns_keep_their_place() -> None:
    """The finer field moves the rim about, not the body as a whole."""
    smooth = Mask("crowns", (0, 0), size_m=(0.8, 0.8), period_m=(3.0, 0), level=1.0, seed=4)
    frayed = Mask(**{**vars(smooth), "fray_m": 0.12, "fray_scale_m": 0.3})
    covers = []
    for mask in (smooth, frayed):
        body = Layer("shrubs", (0.8, 0.8, 0.8), (0.8, 0.8, 0.8), mask, tone=0.0, relief=0.0, soft_m=0.02)
        ground = Layer("soil", (0.05, 0.05, 0.05), (0.05, 0.05, 0.05), tone=0.0, relief=0.0)
        covers.append(paint_ground([GroundSpec(GSD_M, (ground, body), blotch=0.0)], 300, 300).albedo[0, 0] > 0.4)
    one, other = covers
    assert 0.02 < float((one != other).float().mean()) / float(one.float().mean()) < 0.6
    assert float(torch.logical_and(one, other).sum()) > 0.7 * float(one.sum())


_EVERYWHERE = GroundSettings(scattered=1.0, patchiness=(0.5, 0.5))


@pytest.mark.parametrize("kind", sorted({kind for kinds in SCATTERED.values() for kind in kinds}))
def test_scattered_things_lie_singly(kind: str) -> None:
    """Most of the ground between them stays bare, and all of a thing shows before the next shows at all."""
    tone, _, relief = DRAW[kind](np.random.default_rng(3), 256, 70.0)
    assert 0.5 < float((tone == 0).mean()) < 0.999
    assert LEAST_RANK < float(tone.max()) <= 0.3751
    assert float(np.abs(relief[tone == 0]).max()) < 1e-6


def test_scattered_things_never_run_together_into_a_patch() -> None:
    """However a field of ranks swings, ground on which no thing lies is not covered."""
    for seed in range(12):
        draw = LayerDraw(np.random.default_rng(seed), _EVERYWHERE, GSD_M, (300, 300))
        (things,) = scattered(draw, "soil")
        things = replace(things, colour=(0.8, 0.8, 0.8), other=(0.8, 0.8, 0.8), tone=0.0)
        ground = Layer("soil", (0.05, 0.05, 0.05), (0.05, 0.05, 0.05), tone=0.0, relief=0.0)
        albedo = paint_ground([GroundSpec(GSD_M, (ground, things), blotch=0.0)], 600, 600).albedo[0, 0]
        covered = albedo > 0.06
        assert float(covered.float().mean()) < 0.3
        # A patch of it would hold a square of half a metre; the largest thing is a heap of four decimetres with its shadow.
        squares = torch.nn.functional.avg_pool2d(covered[None].float(), 40, 4)
        assert float(squares.max()) < 1


def test_spots_add_contrast_over_decimetres() -> None:
    ground = Layer("soil", (0.2, 0.2, 0.2), (0.2, 0.2, 0.2), tone=0.0, relief=0.0)
    draw = LayerDraw(np.random.default_rng(1), _EVERYWHERE, GSD_M, (300, 300))
    spots = clumps_of(draw, "wild_grass")
    assert abs(spots["clumps"]) > 0.05
    even = GroundSpec(GSD_M, (ground,), blotch=0.05)
    patchy = replace(
        even, clumps=spots["clumps"], clump_scale_m=spots["clump_scale_m"], clump_level=spots["clump_level"]
    )
    one, other = (float(paint_ground([spec], 300, 300).albedo[0, 0].std()) for spec in (even, patchy))
    assert other > 2 * one
