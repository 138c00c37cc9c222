from dataclasses import replace

import numpy as np
import pytest
import torch

from mission.recipe_light import CaptureSettings
from synth.capture import CaptureSpec, sample_capture
from synth.jpeg import pixels_of
from synth.light import illuminate
from synth.mosaic import phases_of
from synth.opencv import with_opencv, without_opencv
from synth.sensor import develop, develop_frame, expose, margin_px
from synth.tone import WHITE_STEP, adjust_detail, encode, finish, tone_curve


def _captures(count: int, seed: int = 0) -> list[CaptureSpec]:
    rng = np.random.default_rng(seed)
    return [sample_capture(rng, CaptureSettings()) for _ in range(count)]


def _scene(count: int, height: int = 64, width: int = 80) -> torch.Tensor:
    scene = torch.rand((count, 3, height // 8, width // 8), generator=torch.Generator().manual_seed(2))
    return torch.nn.functional.interpolate(scene, size=(height, width), mode="bilinear") * 0.6


def test_same_seed_same_picture_and_other_seed_other_noise() -> None:
    (capture,) = _captures(1)
    one = develop(_scene(1), [capture])
    assert torch.equal(one, develop(_scene(1), [capture]))
    other = develop(_scene(1), [replace(capture, seed=capture.seed + 1)])
    assert not torch.equal(one, other)


def test_a_batch_equals_its_pictures_one_by_one() -> None:
    captures, scene = _captures(3), _scene(3)
    together = develop(scene, captures)
    for i, capture in enumerate(captures):
        assert torch.equal(together[i], develop(scene[i : i + 1], [capture])[0])


def _finished(scene: torch.Tensor, captures: list[CaptureSpec]) -> torch.Tensor:
    return pixels_of(finish((phases_of(scene) * WHITE_STEP).int(), captures).flatten(1, 2))


@pytest.mark.parametrize("batched", [expose, _finished, encode])
def test_steps_treat_each_capture_of_a_batch_alone(batched) -> None:  # type: ignore[no-untyped-def]
    captures, scene = _captures(3), _scene(3)
    together = batched(scene.clone(), captures)
    for i, capture in enumerate(captures):
        alone = batched(scene[i : i + 1].clone(), [capture])[0]
        off = (together[i].float() - alone.float()).abs()
        if together.dtype == torch.uint8:  # a last digit may round either way
            assert off.max() <= 1 and (off > 0).float().mean() < 1e-3
        else:
            assert off.max() < 1e-4


@pytest.mark.parametrize("strip_px", [32, 64, 96, 1000])
def test_a_frame_does_not_depend_on_its_strips(strip_px: int) -> None:
    capture = replace(_captures(1, seed=4)[0], smear_px=(0.3, 1.2), sharpening=1.0, vignetting=0.3)
    scene = _scene(1, 200, 120)
    whole = develop(scene, [capture], frame_size_px=(200, 120), jpeg=False)[0]
    strips = develop_frame(lambda first, last: scene[:, :, first:last], capture, (200, 120), strip_px)
    # Sums may round differently in pieces of another size: a grey level in a pixel of ten thousand.
    off = (strips.int() - whole.int()).abs()
    assert off.max() <= 1 and (off > 0).float().mean() < 1e-3


@pytest.mark.parametrize(("jpeg", "differing", "most"), [(False, 3e-4, 1), (True, 1e-2, 255)])
@pytest.mark.parametrize("height_width", [(64, 80), (61, 77), (320, 320)])
def test_with_and_without_opencv_pictures_are_the_same(
    height_width: tuple[int, int], jpeg: bool, differing: float, most: int
) -> None:
    captures = [*_captures(4, seed=5), CaptureSpec(seed=9)]
    scene = _scene(5, 320, 320)[..., : height_width[0], : height_width[1]] * 1.8
    assert with_opencv(scene.device)
    found = develop(scene, captures, jpeg=jpeg)
    with without_opencv():
        expected = develop(scene, captures, jpeg=jpeg)
    # Sums are rounded in another order: a grey level in a pixel of thousands, which JPEG spreads over the block it flips.
    off = (found.int() - expected.int()).abs()
    assert off.max() <= most and (off > 0).float().mean() < differing
    assert off.float().square().mean().sqrt() < 0.1


def test_what_is_smoother_than_its_noise_and_brighter_than_white_is_the_same_without_opencv() -> None:
    # Ringing of the interpolation at the edge between black and burnt-out white leaves the range of counts at both ends.
    scene = torch.zeros((1, 3, 48, 64))
    scene[..., 20:, 31:] = 30.0
    capture = CaptureSpec(seed=3, blur_sigma_px=0.0, white_gain=(2.1, 1.0, 1.6), noise_reduction=1.0, sharpening=1.5)
    found = develop(scene, [capture], jpeg=False)
    with without_opencv():
        expected = develop(scene, [capture], jpeg=False)
    assert (found.int() - expected.int()).abs().max() <= 1


def test_margin_is_even_and_covers_the_kernel() -> None:
    for capture in _captures(20):
        assert margin_px(capture) % 2 == 0


def test_odd_sizes_are_kept() -> None:
    picture = develop(_scene(1, 64, 80)[..., :61, :77], _captures(1))
    assert picture.shape == (1, 3, 61, 77)
    assert picture.dtype == torch.uint8


def test_brighter_light_gives_brighter_pictures_and_white_stays_neutral() -> None:
    capture = replace(CaptureSpec(seed=0), exposure=0.9, white_gain=(1.3, 1.0, 1.7), full_well_e=30000.0)
    sun = (0.8 / 1.3, 0.8, 0.8 / 1.7)
    capture = replace(capture, sun_rgb=sun, sky_rgb=(0.2 / 1.3, 0.2, 0.2 / 1.7))
    levels = []
    for albedo in (0.05, 0.2, 0.5, 0.9):
        flat = torch.full((1, 3, 32, 32), albedo)
        mean = develop(illuminate(flat, torch.ones(1, 1, 32, 32), [capture]), [capture]).float().mean((0, 2, 3))
        assert float(mean.max() - mean.min()) < 2
        levels.append(float(mean.mean()))
    assert levels == sorted(levels)
    assert levels[0] < 90 < levels[-1]


def test_overexposure_clips_to_white() -> None:
    capture = replace(CaptureSpec(seed=0), exposure=6.0, white_gain=(1.4, 1.0, 1.6))
    assert int(develop(torch.full((1, 3, 16, 16), 0.9), [capture], jpeg=False).min()) == 255


def test_shade_darkens_and_haze_lifts() -> None:
    (capture,) = [replace(c, haze=0.0) for c in _captures(1)]
    flat, shade = torch.full((1, 3, 8, 8), 0.3), torch.ones(1, 1, 8, 8)
    lit, shaded = illuminate(flat, shade, [capture]), illuminate(flat, 0 * shade, [capture])
    assert (shaded < lit).all()
    assert float(shaded.mean()) > 0
    dark = torch.full((1, 3, 8, 8), 0.01)
    assert (illuminate(dark, shade, [replace(capture, haze=0.1)]) > illuminate(dark, shade, [capture])).all()


def test_noise_reduction_smooths_and_sharpening_raises_detail() -> None:
    noise = 100 + 2 * torch.randn((1, 1, 64, 64), generator=torch.Generator().manual_seed(0)).expand(-1, 3, -1, -1)
    plain = CaptureSpec(seed=0, full_well_e=3000.0)

    def deviation(capture: CaptureSpec) -> float:
        return float(adjust_detail(noise.clone(), [capture]).std())

    assert deviation(replace(plain, noise_reduction=0.8)) < 0.8 * deviation(plain)
    assert deviation(replace(plain, sharpening=1.0)) > 1.3 * deviation(plain)


@pytest.mark.parametrize("name", ["srgb", "soft", "contrasty", "deep", "flat"])
def test_tone_curves_rise_and_end_at_white(name: str) -> None:
    curve = tone_curve(name, np.linspace(0, 1, 2000))
    assert (np.diff(curve) >= 0).all()
    assert curve[-1] == pytest.approx(1)
    assert 0 <= curve[0] < 0.05
