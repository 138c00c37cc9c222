"""From radiance to the picture that the camera stores: electrons, raw counts, demosaic, white balance, tone, JPEG.

``develop`` is the chain; each step is one small function and works on a whole frame, on a strip of it, or on a batch of
chips. Randomness is the sensor noise alone, fixed by the capture's seed and the row of the frame, so that a picture does
not depend on how the work was divided.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import torch
import torch.nn.functional as F

from synth.capture import CaptureSpec
from synth.jpeg import store_as_jpeg
from synth.light import scalars
from synth.mosaic import demosaic, sample_mosaic
from synth.optics import kernel_radius_px, vignette
from synth.tone import finish

# Rows of a frame whose noise comes from one generator.
NOISE_ROWS = 64
# Raw counts that a dark pixel reads, so that noise is not cut off (common practice, no source).
BLACK_COUNTS = 64


def develop(
    radiance: torch.Tensor,
    captures: Sequence[CaptureSpec],
    *,
    first_row: int = 0,
    frame_size_px: tuple[int, int] | None = None,
    jpeg: bool = True,
) -> torch.Tensor:
    """Stored picture uint8 [B, 3, H, W] of scene radiance float32 [B, 3, H, W].

    A strip of a frame names its even ``first_row`` and the ``frame_size_px`` (height, width); strips are handed over with
    :func:`margin_px` further rows above and below and cropped afterwards (``develop_frame`` does it), and encoded as a
    whole later (``jpeg=False``).
    """
    if radiance.device.type == "cpu" and len(radiance) > 1:
        one = [
            develop(
                radiance[i : i + 1],
                captures[i : i + 1],
                first_row=first_row,
                frame_size_px=frame_size_px,
                jpeg=jpeg,
            )
            for i in range(len(radiance))
        ]
        return torch.cat(one)
    h, w = radiance.shape[-2:]
    even = F.pad(radiance, (0, w % 2, 0, h % 2), mode="replicate") if h % 2 or w % 2 else radiance
    raw = expose(even, captures, first_row=first_row, frame_size_px=frame_size_px)
    rgb = demosaic(white_balance(raw, captures))
    picture = finish(rgb, captures)[..., :h, :w]
    return store_as_jpeg(picture, captures) if jpeg else picture


def margin_px(capture: CaptureSpec) -> int:
    """Rows that a strip needs beyond itself on each side: an even number."""
    reach = kernel_radius_px(capture) + 2 + 2 + 2  # lens, demosaic, sharpening, and one pair of the filter array
    return reach + reach % 2


def develop_frame(
    radiance_of_rows: Callable[[int, int], torch.Tensor],
    capture: CaptureSpec,
    frame_size_px: tuple[int, int],
    strip_px: int = 256,
) -> torch.Tensor:
    """A whole frame uint8 [3, H, W] on the CPU, strip by strip, before JPEG.

    ``radiance_of_rows(first, last)`` returns radiance [1, 3, last - first, W] of those rows of the frame.
    """
    height, width = frame_size_px
    margin = margin_px(capture)
    frame = torch.empty((3, height, width), dtype=torch.uint8)
    for top in range(0, height, strip_px):
        bottom = min(top + strip_px, height)
        first, last = max(top - margin, 0), min(bottom + margin, height)
        strip = develop(
            radiance_of_rows(first, last), [capture], first_row=first, frame_size_px=frame_size_px, jpeg=False
        )
        frame[:, top:bottom] = strip[0, :, top - first : bottom - first].cpu()
    return frame


def expose(
    radiance: torch.Tensor,
    captures: Sequence[CaptureSpec],
    *,
    first_row: int = 0,
    frame_size_px: tuple[int, int] | None = None,
) -> torch.Tensor:
    """Raw signal [B, 4, H / 2, W / 2], black at 0 and full scale at 1 (noise goes a little below 0)."""
    planes = sample_mosaic(radiance, captures)
    passed = vignette(captures, radiance, first_row, frame_size_px)
    if passed.shape[-1] > 1:
        passed = torch.cat([passed[..., row::2, column::2] for row, column in ((0, 0), (0, 1), (1, 0), (1, 1))], 1)
    electrons = planes.mul_(passed * (scalars(captures, "exposure", planes) * scalars(captures, "full_well_e", planes)))
    return quantise(add_noise(electrons, captures, first_row), captures)


def add_noise(electrons: torch.Tensor, captures: Sequence[CaptureSpec], first_row: int = 0) -> torch.Tensor:
    """Shot and read noise on electrons [B, 4, H / 2, W / 2]: variance = electrons + read_noise^2.

    The linear camera model of EMVA 1288; the Poisson law is taken as Gaussian, which holds above some 20 electrons.
    """
    deviation = electrons.clamp_min(0).add_(scalars(captures, "read_noise_e", electrons).square()).sqrt_()
    return electrons + deviation.mul_(_normal_rows(captures, first_row, electrons))


def _normal_rows(captures: Sequence[CaptureSpec], first_row: int, like: torch.Tensor) -> torch.Tensor:
    """Standard normal numbers for planes [B, 4, h, w]: one generator for each capture and each block of frame rows."""
    h, w = like.shape[-2:]
    block_rows = NOISE_ROWS // 2
    first, last = first_row // 2, first_row // 2 + h
    generator = torch.Generator(device=like.device)
    images = []
    for capture in captures:
        blocks = []
        for block in range(first // block_rows, (last - 1) // block_rows + 1):
            generator.manual_seed((capture.seed ^ (0x9E3779B97F4A7C15 * (block + 1))) & 0x7FFFFFFFFFFFFFFF)
            blocks.append(torch.randn((4, block_rows, w), generator=generator, device=like.device))
        start = first % block_rows
        images.append(torch.cat(blocks, 1)[:, start : start + h])
    return torch.stack(images)


def quantise(electrons: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """Raw counts of electrons, black level taken off, as a share of full scale (``full_well_e`` electrons are 1)."""
    full = torch.tensor(
        [2**c.bits - 1 - BLACK_COUNTS for c in captures], dtype=electrons.dtype, device=electrons.device
    )
    full = full.view(-1, 1, 1, 1)
    counts = (electrons * (full / scalars(captures, "full_well_e", electrons))).round_()
    return torch.minimum(counts.clamp_(min=-BLACK_COUNTS), full).div_(full)


def white_balance(raw: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """Raw planes times the camera's gains (none below 1, so that what is clipped stays white), cut off at 1."""
    gains = []
    for capture in captures:
        red, green, blue = (g / min(capture.white_gain) for g in capture.white_gain)
        gains.append((red, green, green, blue))
    return (raw * torch.tensor(gains, dtype=raw.dtype, device=raw.device).view(-1, 4, 1, 1)).clamp_(max=1.0)
