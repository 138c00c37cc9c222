from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext

import numpy as np
import pytest
import torch

from synth.capture import CaptureSpec
from synth.mosaic import PLANES, demosaic, interleaved, phases_of, sample_mosaic, summed_mosaic
from synth.opencv import without_opencv
from synth.optics import blur, kernel_radius_px, kernel_terms, vignette

CAPTURES = [
    CaptureSpec(seed=0, blur_sigma_px=0.0),
    CaptureSpec(seed=0, blur_sigma_px=0.45),
    CaptureSpec(seed=0, blur_sigma_px=1.3, smear_px=(0.0, 2.5)),
    CaptureSpec(seed=0, blur_sigma_px=0.7, smear_px=(1.1, -0.8)),
]


def _scene(count: int = 1, height: int = 40, width: int = 56) -> torch.Tensor:
    return torch.rand((count, 3, height, width), generator=torch.Generator().manual_seed(1))


@pytest.mark.parametrize("capture", CAPTURES)
def test_kernel_keeps_brightness(capture: CaptureSpec) -> None:
    terms = kernel_terms(capture)
    kernel = terms.down.T @ terms.across
    assert kernel.sum() == pytest.approx(1, abs=1e-9)
    assert kernel.min() > -0.02  # hardly any ringing
    assert terms.radius_px == kernel_radius_px(capture)


def test_sharp_capture_changes_nothing() -> None:
    scene = _scene()
    assert blur(scene, [CAPTURES[0]]) is scene


@pytest.mark.parametrize("capture", CAPTURES)
def test_blur_equals_a_plain_convolution(capture: CaptureSpec) -> None:
    terms = kernel_terms(capture)
    kernel, r = terms.down.T @ terms.across, terms.radius_px
    scene = _scene()[0, 0].numpy()
    padded = np.pad(scene, r, mode="edge")
    expected = np.zeros_like(scene)
    for dy in range(2 * r + 1):
        for dx in range(2 * r + 1):
            expected += kernel[dy, dx] * padded[dy : dy + scene.shape[0], dx : dx + scene.shape[1]]
    np.testing.assert_allclose(blur(_scene(), [capture])[0, 0].numpy(), expected, atol=1e-5)


@pytest.mark.parametrize("way", [nullcontext, without_opencv])
def test_mosaic_equals_blurring_and_picking(way: Callable[[], AbstractContextManager[None]]) -> None:
    scene = _scene(len(CAPTURES))
    blurred = blur(scene, CAPTURES)
    expected = torch.stack([blurred[:, c, row::2, column::2] for c, row, column in PLANES], 1)
    with way():
        torch.testing.assert_close(sample_mosaic(scene, CAPTURES), expected, atol=1e-5, rtol=0)


def test_both_ways_of_sampling_the_mosaic_agree() -> None:
    scene = _scene(len(CAPTURES))
    torch.testing.assert_close(sample_mosaic(scene, CAPTURES), summed_mosaic(scene, CAPTURES), atol=1e-5, rtol=0)


def test_phases_hold_the_picture() -> None:
    scene = _scene(2)
    assert torch.equal(interleaved(phases_of(scene)), scene)


# The masks of Malvar, He & Cutler (ICASSP 2004, figure 2; from memory), in eighths.
GREEN_AT_COLOUR = ((0, 0, -1, 0, 0), (0, 0, 2, 0, 0), (-1, 2, 4, 2, -1), (0, 0, 2, 0, 0), (0, 0, -1, 0, 0))
COLOUR_IN_ROW = ((0, 0, 0.5, 0, 0), (0, -1, 0, -1, 0), (-1, 4, 5, 4, -1), (0, -1, 0, -1, 0), (0, 0, 0.5, 0, 0))
COLOUR_AT_OTHER = ((0, 0, -1.5, 0, 0), (0, 2, 0, 2, 0), (-1.5, 0, 6, 0, -1.5), (0, 2, 0, 2, 0), (0, 0, -1.5, 0, 0))


def _mask(colour: int, own: int, row: int) -> np.ndarray:
    if colour == 1:
        return np.array(GREEN_AT_COLOUR) / 8
    if own == 1:
        in_row = np.array(COLOUR_IN_ROW) / 8
        return in_row if (colour == 0) == (row == 0) else in_row.T
    return np.array(COLOUR_AT_OTHER) / 8


def test_demosaic_equals_the_published_masks_pixel_by_pixel() -> None:
    raw = np.random.default_rng(0).random((20, 24))
    planes = torch.from_numpy(np.stack([raw[row::2, column::2] for _, row, column in PLANES]))[None]
    full = demosaic(planes)[0].numpy()
    own_colour = np.array([[0, 1], [1, 2]])
    for y in range(4, 16):
        for x in range(4, 20):
            own = int(own_colour[y % 2, x % 2])
            near = raw[y - 2 : y + 3, x - 2 : x + 3]
            for colour in range(3):
                expected = raw[y, x] if colour == own else float((_mask(colour, own, y % 2) * near).sum())
                assert full[colour, y, x] == pytest.approx(expected, abs=1e-9)


def test_demosaic_returns_flat_fields_and_ramps_unchanged() -> None:
    y, x = torch.meshgrid(torch.arange(24.0), torch.arange(32.0), indexing="ij")
    for colour in ((0.2, 0.5, 0.8), (0.6, 0.1, 0.3)):
        flat = torch.tensor(colour).view(1, 3, 1, 1).expand(1, 3, 24, 32)
        torch.testing.assert_close(demosaic(sample_mosaic(flat, CAPTURES[:1])), flat.contiguous(), atol=1e-5, rtol=0)
    ramp = (0.1 + 0.01 * x + 0.02 * y).expand(1, 3, -1, -1)
    full = demosaic(sample_mosaic(ramp, CAPTURES[:1]))
    torch.testing.assert_close(full[..., 4:-4, 4:-4], ramp[..., 4:-4, 4:-4], atol=1e-5, rtol=0)


def test_vignette_is_full_at_the_axis_and_lowest_in_the_corner() -> None:
    capture = CaptureSpec(seed=0, vignetting=0.3)
    light = vignette([capture], torch.zeros(1, 3, 100, 150), 0, (100, 150))[0, 0]
    assert float(light[50, 75]) == pytest.approx(1, abs=1e-3)
    assert float(light[0, 0]) == pytest.approx(0.7, abs=0.01)
    window = vignette([capture], torch.zeros(1, 3, 20, 150), 40, (100, 150))[0, 0]
    torch.testing.assert_close(window, light[40:60])
