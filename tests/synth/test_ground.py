import os
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import torch

from mission.recipe_light import GROUND_KINDS, GroundSettings
from synth import ground_fields
from synth.at_once import at_once_everywhere
from synth.ground import paint_ground, sample_ground
from synth.ground_details import SCATTERED
from synth.ground_fields import Nodes, PlacedMask, mask_fields
from synth.ground_kinds import KINDS, NEIGHBOURS
from synth.ground_spec import GroundSpec, Joints, Layer, Mask, Waves
from synth.ground_tiles import DRAW, TILE_PX, tile

SHARED = Path(os.environ.get("PANELSCOUT_SHARED", Path(__file__).resolve().parents[2] / ".." / "shared"))
FEW_KINDS = GroundSettings(kinds={"soil": 1, "mown_grass": 1, "concrete": 1}, structures=0.8, trees=0.5)
GSD_M = 0.0138


def _grounds(count: int, seed: int = 0, extent_px: tuple[int, int] = (160, 200)) -> list[GroundSpec]:
    rng = np.random.default_rng(seed)
    return [sample_ground(rng, FEW_KINDS, GSD_M, extent_px) for _ in range(count)]


def test_every_kind_is_known_everywhere() -> None:
    scattered = {kind for kinds in SCATTERED.values() for kind in kinds}
    assert set(GROUND_KINDS) | {"bark"} | scattered == set(KINDS) == set(DRAW)
    assert set(SCATTERED) <= set(GROUND_KINDS) and not scattered & set(GROUND_KINDS)
    assert set(NEIGHBOURS) == set(GROUND_KINDS)
    assert {kind for kinds in NEIGHBOURS.values() for kind in kinds} <= set(GROUND_KINDS)


@pytest.mark.parametrize("kind", ["mown_grass", "gravel", "tree_crowns", "asphalt", "reeds", "broad_leaves"])
def test_tiles_have_contrast_and_no_seam(kind: str) -> None:
    planes = tile(kind, 0, GSD_M).astype(np.float32)
    assert planes.shape == (3, TILE_PX, TILE_PX)
    tone = planes[0]
    assert tone.std() > 2
    for plane in planes:
        for axis in (0, 1):
            steps = np.abs(plane - np.roll(plane, 1, axis)).mean(
                1 - axis
            )  # the first runs from the last line to the first
            assert steps[0] <= np.sort(steps)[-3]
    assert np.array_equal(tile(kind, 0, GSD_M), tile(kind, 0, GSD_M))
    assert not np.array_equal(tile(kind, 0, GSD_M), tile(kind, 1, GSD_M))


def test_values_are_reflectances_and_shares_of_light() -> None:
    layer = paint_ground(_grounds(4), 160, 200)
    assert layer.albedo.shape == (4, 3, 160, 200)
    assert layer.shade.shape == layer.light.shape == (4, 1, 160, 200)
    assert 0 < float(layer.albedo.min()) <= float(layer.albedo.max()) <= 1
    assert float(layer.shade.min()) >= 0
    assert float(layer.light.min()) >= 0
    assert layer.albedo.std((2, 3)).min() > 0.002


def test_same_generator_same_ground() -> None:
    one, two = _grounds(2, seed=5), _grounds(2, seed=5)
    assert one == two
    assert torch.equal(paint_ground(one, 64, 64).albedo, paint_ground(two, 64, 64).albedo)


@pytest.mark.parametrize("window", [(0, 0, 60, 50), (37, 21, 64, 101), (101, 3, 59, 197), (-10, -30, 40, 60)])
def test_windows_of_a_ground_match_the_whole(window: tuple[int, int, int, int]) -> None:
    y0, x0, h, w = window
    for spec in _grounds(3, seed=1):
        large = paint_ground([spec], 160, 200, window=(-40, -40, 240, 280))
        part = paint_ground([spec], 160, 200, window=window)
        for name in ("albedo", "shade", "light"):
            expected = getattr(large, name)[..., y0 + 40 : y0 + 40 + h, x0 + 40 : x0 + 40 + w]
            torch.testing.assert_close(getattr(part, name), expected, atol=2e-5, rtol=0)


def test_strips_of_a_large_frame_match() -> None:
    (spec,) = _grounds(1, seed=2, extent_px=(900, 1200))
    both = paint_ground([spec], 900, 1200, window=(300, 0, 128, 1200))
    upper = paint_ground([spec], 900, 1200, window=(300, 0, 64, 1200))
    lower = paint_ground([spec], 900, 1200, window=(364, 0, 64, 1200))
    torch.testing.assert_close(torch.cat([upper.albedo, lower.albedo], 2), both.albedo, atol=2e-5, rtol=0)


def test_repetition_of_tiles_does_not_show_in_large_frames() -> None:
    spec = GroundSpec(GSD_M, (Layer("soil", (0.2, 0.15, 0.1), (0.3, 0.25, 0.2)),))
    image = paint_ground([spec], 2000, 2000, window=(0, 0, 200, 1400)).albedo[0, 1]
    one, next_one = image[:, 100:500], image[:, 100 + TILE_PX : 500 + TILE_PX]
    correlation = float(torch.corrcoef(torch.stack([one.flatten(), next_one.flatten()]))[0, 1])
    assert correlation < 0.8  # the same tile twice would give 1


def test_a_batch_painted_together_equals_one_by_one() -> None:
    """The path for GPUs (all grounds at once, tiles by number) against the one for CPUs."""
    lines = Layer("asphalt", (0.7, 0.7, 0.7), (0.7, 0.7, 0.7), Mask("band", (1.0, 1.0), size_m=(0.1, 0)), within=1)
    gaps = Layer(
        "concrete", (0, 0, 0), (0, 0, 0), Mask("boxes", (1.0, 1.0), size_m=(0.2, 4), period_m=(0.7, 0)), drawn=False
    )
    dashed = GroundSpec(GSD_M, (Layer("soil", (0.2, 0.15, 0.1), (0.3, 0.25, 0.2)), gaps, lines))
    paved = Layer("concrete", (0.5, 0.5, 0.5), (0.4, 0.4, 0.4), joints=Joints(0.3, (0.4, 0.6), 0.02, 0.4))
    specs = [*_grounds(9, seed=3), dashed, GroundSpec(GSD_M, (paved,), waves=Waves(0.5, 0.6, 0.1, 0.2))]
    assert any(spec.waves for spec in specs) and any(layer.joints for spec in specs for layer in spec.layers)
    one_by_one = paint_ground(specs, 96, 120)
    with at_once_everywhere():
        together = paint_ground(specs, 96, 120)
        window = paint_ground(specs, 96, 120, window=(30, 11, 50, 101))
        large = paint_ground(specs[:2], 96, 1200, window=(30, 11, 50, 101))
    for name in ("albedo", "shade", "light"):
        whole = getattr(together, name)
        torch.testing.assert_close(whole, getattr(one_by_one, name), atol=2e-5, rtol=0)
        torch.testing.assert_close(getattr(window, name), whole[..., 30:80, 11:112], atol=2e-5, rtol=0)
    mixed = paint_ground(specs[:2], 96, 1200, window=(30, 11, 50, 101))
    torch.testing.assert_close(large.albedo, mixed.albedo, atol=2e-5, rtol=0)


def test_bodies_worked_out_one_by_one_equal_those_of_near_cells(monkeypatch: pytest.MonkeyPatch) -> None:
    nodes = Nodes((0, 0, 160, 200), torch.device("cpu"))
    masks = [
        Mask("crowns", at_m=(0.3, 0.1), size_m=(0.3, 0.5), period_m=(1.3, 0), level=0.8, seed=7),
        Mask("sticks", size_m=(0.5, 0.06), period_m=(1.3, 0), level=0.9, seed=11),
    ]
    placed = [PlacedMask(mask, GSD_M) for mask in masks]
    few, _ = mask_fields(placed, [], nodes)
    monkeypatch.setattr(ground_fields, "_MANY_BODIES", 0)
    near, _ = mask_fields(placed, [], nodes)
    assert (few > 0).any()
    torch.testing.assert_close(few, near, atol=1e-3, rtol=0)


def test_a_standing_thing_throws_its_shadow_away_from_the_sun() -> None:
    mask = Mask("boxes", at_m=(1.2, 1.2), size_m=(0.3, 0.3))
    box = Layer("sheeting", (0.3, 0.3, 0.3), (0.3, 0.3, 0.3), mask, height_m=1.0, soft_m=0.01)
    spec = GroundSpec(GSD_M, (Layer("soil", (0.2, 0.15, 0.1), (0.2, 0.15, 0.1), relief=0.0), box), blotch=0.0)
    light = paint_ground([spec], 160, 160, shadow_px_per_m=[(40.0, 0.0)]).light[0, 0]
    assert float(light[80, 80]) == pytest.approx(1)  # its top is lit
    assert float(light[80, 115]) < 0.2  # beside it, away from the sun
    assert float(light[80, 45]) == pytest.approx(1)  # towards the sun
    assert float(light[120, 80]) == pytest.approx(1)


def test_masks_lie_where_they_say() -> None:
    nodes = Nodes((0, 0, 120, 120), torch.device("cpu"))
    masks = [
        Mask("boxes", at_m=(0.9, 0.9), size_m=(0.3, 0.15)),
        Mask("band", at_m=(0.9, 0.9), angle=0.0, size_m=(0.1, 0)),
        Mask("half", at_m=(0.9, 0.9), angle=0.0),
    ]
    fields, _ = mask_fields([PlacedMask(mask, 0.015) for mask in masks], [], nodes)
    box, band, half = nodes.enlarge(fields[None])[0]
    assert float(box[60, 60]) == pytest.approx(9.5, abs=1.1)
    assert float(box[60, 80]) == pytest.approx(-0.5, abs=1.1)  # 20.5 px from the middle, half size 20 px
    assert abs(float(band[60, 10])) < 1
    assert float(band[80, 10]) == pytest.approx(20.5, abs=0.1)
    assert float(half[10, 60]) < 0 < float(half[100, 60])


def _slope(image: np.ndarray) -> float:
    """Slope of the radial power spectrum of a grey square between 0.01 and 0.35 cycles per pixel."""
    n = len(image)
    window = np.hanning(n)[:, None] * np.hanning(n)
    power = np.abs(np.fft.fft2((image - image.mean()) * window)) ** 2
    f = np.hypot(np.fft.fftfreq(n)[:, None], np.fft.fftfreq(n))
    edges = np.geomspace(0.01, 0.35, 12)
    profile = [power[(f >= a) & (f < b)].mean() for a, b in zip(edges[:-1], edges[1:], strict=True)]
    return float(np.polyfit(np.log(np.sqrt(edges[1:] * edges[:-1])), np.log(profile), 1)[0])


@lru_cache(maxsize=1)
def _rendered_squares(count: int) -> list[np.ndarray]:
    from mission.recipe_light import CaptureSettings
    from synth.capture import sample_capture
    from synth.light import illuminate
    from synth.sensor import develop

    rng = np.random.default_rng(9)
    squares = []
    for _ in range(count):
        spec = sample_ground(rng, _open_ground(), GSD_M, (256, 256))
        capture = sample_capture(rng, CaptureSettings())
        layer = paint_ground([spec], 256, 256)
        picture = develop(illuminate(layer.albedo, layer.shade, [capture]), [capture])[0]
        squares.append(picture.float().mean(0).numpy())
    return squares


def _open_ground() -> GroundSettings:
    return GroundSettings(kinds={"mown_grass": 1, "soil": 1, "gravel": 1, "dry_grass": 1, "mud": 1})


def test_spectrum_slope_is_that_of_natural_scenes() -> None:
    """Power of natural scenes falls about as f^-2, between f^-1 and f^-3 (Field, JOSA A 4, 1987; from memory)."""
    slopes = [_slope(square) for square in _rendered_squares(16)]
    assert -2.9 < float(np.median(slopes)) < -1.5
    assert min(slopes) > -3.6
    assert max(slopes) < -0.7


def test_spectrum_slope_against_real_aerial_photographs() -> None:
    folder = SHARED / "data" / "aerial"
    if not folder.is_dir():
        pytest.skip(f"no real aerial photographs at {folder}")
    from mission.photographs import list_photographs, load_photograph

    rng = np.random.default_rng(0)
    real = []
    for path in (list_photographs(folder / flight)[0] for flight in ("building-site", "park")):
        grey = load_photograph(path).astype(np.float32).mean(2)
        for _ in range(12):
            y, x = (int(rng.integers(side - 256)) for side in grey.shape)
            real.append(_slope(grey[y : y + 256, x : x + 256]))
    ours = [_slope(square) for square in _rendered_squares(16)]
    low, high = np.percentile(real, [5, 95])
    assert low - 0.3 < float(np.median(ours)) < high + 0.3
    assert abs(float(np.median(ours)) - float(np.median(real))) < 0.5
