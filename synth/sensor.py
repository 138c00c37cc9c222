"""From radiance to the picture that the camera stores: electrons, raw counts, demosaic, white balance, tone, JPEG.

``develop`` is the chain; each step is one small function and works on a whole frame, on a strip of it, or on a batch of
chips. Randomness is the sensor noise alone, fixed by the capture's seed and the row of the frame, so that a picture does
not depend on how the work was divided (but for the rounding of sums).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F

from synth.at_once import at_once
from synth.capture import CaptureSpec
from synth.jpeg import pixels_of, store_as_jpeg, store_packed
from synth.light import beside
from synth.mosaic import demosaic_phases, interleaved, phases_of, sample_mosaic
from synth.one_picture import finish_one
from synth.opencv import with_opencv
from synth.optics import kernel_radius_px, vignette
from synth.tone import WHITE_STEP, finish

# Rows of a frame whose noise is one piece of the table: a chip takes one.
NOISE_ROWS = 512
# Normal numbers kept; a frame's noise is cut out of them at places that its seed tells.
_NORMALS = 1 << 22
# Raw counts that a dark pixel reads, so that noise is not cut off (common practice, no source).
BLACK_COUNTS = 64
_WORD = 2**64 - 1
# Pixels developed together on a CPU: more leave its cache, fewer pay more for each call.
_TOGETHER_PX = 210_000


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
    h, w = radiance.shape[-2:]
    step = together(radiance)
    if len(radiance) > step:
        parts = [slice(i, i + step) for i in range(0, len(radiance), step)]
        return torch.cat(
            [
                develop(radiance[p], captures[p], first_row=first_row, frame_size_px=frame_size_px, jpeg=jpeg)
                for p in parts
            ]
        )
    even = F.pad(radiance, (0, w % 2, 0, h % 2), mode="replicate") if h % 2 or w % 2 else radiance
    counts = raw_counts(even, captures, first_row=first_row, frame_size_px=frame_size_px)
    balanced = white_balance(counts, captures, WHITE_STEP)
    if with_opencv(radiance.device):
        pictures = torch.empty(even.shape, dtype=torch.uint8)
        for one, capture, pixels in zip(balanced, captures, pictures.numpy(), strict=True):
            finish_one(one, capture, pixels)
        return store_as_jpeg(pictures[..., :h, :w], captures) if jpeg else pictures[..., :h, :w]
    picture = interleaved(finish(demosaic_phases(balanced, torch.int32), captures))[..., :h, :w]
    return store_packed(picture, captures) if jpeg else pixels_of(picture)


def together(pictures: torch.Tensor) -> int:
    """How many of the pictures [B, C, H, W] to work on at once: all on a GPU, what the cache holds on a CPU."""
    if at_once(pictures.device):
        return len(pictures)
    return max(1, _TOGETHER_PX // (pictures.shape[-2] * pictures.shape[-1]))


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
    counts = raw_counts(radiance, captures, first_row=first_row, frame_size_px=frame_size_px)
    return counts.div_(beside(counts, [full_scale(c) for c in captures]))


def full_scale(capture: CaptureSpec) -> int:
    """Raw counts above black of ``full_well_e`` electrons."""
    return 2**capture.bits - 1 - BLACK_COUNTS


def raw_counts(
    radiance: torch.Tensor,
    captures: Sequence[CaptureSpec],
    *,
    first_row: int = 0,
    frame_size_px: tuple[int, int] | None = None,
) -> torch.Tensor:
    """Whole raw counts float32 [B, 4, H / 2, W / 2], the black level taken off, cut off at full scale."""
    full = [full_scale(c) for c in captures]
    if frame_size_px is None:
        passed = [1 - c.vignetting * c.off_axis**2 for c in captures]
        scale = [f * c.exposure * p for f, c, p in zip(full, captures, passed, strict=True)]
        counts = sample_mosaic(radiance, captures, scale)
    else:
        counts = sample_mosaic(radiance, captures, [f * c.exposure for f, c in zip(full, captures, strict=True)])
        light = vignette(captures, radiance, first_row, frame_size_px)
        counts.mul_(phases_of(light).flatten(1, 2))
    add_noise(counts, captures, first_row).round_()
    if len(captures) == 1:
        return counts.clamp_(-BLACK_COUNTS, full[0])
    return torch.minimum(counts.clamp_(min=-BLACK_COUNTS), beside(counts, full), out=counts)


def add_noise(counts: torch.Tensor, captures: Sequence[CaptureSpec], first_row: int = 0) -> torch.Tensor:
    """Shot and read noise added to counts [B, 4, H / 2, W / 2] in place, K counts to an electron.

    Variance = K counts + (K read_noise)^2: the linear camera model of EMVA 1288; the Poisson law is taken as Gaussian, which
    holds above some 20 electrons.
    """
    gain = [full_scale(c) / c.full_well_e for c in captures]
    read = [(g * c.read_noise_e) ** 2 for g, c in zip(gain, captures, strict=True)]
    deviation = torch.empty_like(counts)
    if at_once(counts.device):
        dark = beside(counts, read)
        torch.maximum(torch.addcmul(dark, counts, beside(counts, gain)), dark, out=deviation).sqrt_()
    else:
        # Numbers in the place of tensors: a CPU takes several times as long over two operands of unlike shapes.
        for one, into, k, least in zip(counts, deviation, gain, read, strict=True):
            torch.mul(one, k, out=into).add_(least).clamp_(min=least).sqrt_()
    return _add_normal_numbers(counts, deviation, captures, first_row)


def _add_normal_numbers(
    planes: torch.Tensor, deviation: torch.Tensor, captures: Sequence[CaptureSpec], first_row: int
) -> torch.Tensor:
    """Add to planes [B, 4, h, w], in place, ``deviation`` times standard normal numbers that hang on the capture's seed and the
    row of the frame alone.

    Each block of rows takes a piece of one table of normal numbers: any two pieces are unrelated in what lies where, and
    cutting costs nothing beside drawing.
    """
    h, w = planes.shape[-2:]
    block_rows = NOISE_ROWS // 2
    first, last = first_row // 2, first_row // 2 + h
    blocks = range(first // block_rows, (last - 1) // block_rows + 1)
    length = 4 * block_rows * w
    table = _normal_numbers(planes.device, 1 << max(_NORMALS.bit_length() - 1, (2 * length).bit_length()))
    start = _starts([c.seed for c in captures], blocks, len(table) - length)
    if not at_once(planes.device):
        for i, (picture, spread) in enumerate(zip(planes, deviation, strict=True)):
            for k, block in enumerate(blocks):
                top, bottom = max(block * block_rows, first), min((block + 1) * block_rows, last)
                piece = table[start[i, k] : start[i, k] + length].view(4, block_rows, w)
                rows = slice(top - first, bottom - first)
                picture[:, rows].addcmul_(
                    spread[:, rows], piece[:, top - block * block_rows : bottom - block * block_rows]
                )
        return planes
    rows = np.arange(first, last)
    at = start[:, rows // block_rows - blocks[0]] + rows % block_rows * w
    at = at[:, None] + np.arange(4)[:, None] * (block_rows * w)
    places = torch.from_numpy(at).to(planes.device)[..., None] + torch.arange(w, device=planes.device)
    return planes.addcmul_(deviation, table[places])


@lru_cache(maxsize=4)
def _normal_numbers(device: torch.device, count: int) -> torch.Tensor:
    """Normal numbers [count] of mean 0 and deviation 1 exactly, the same on every device."""
    numbers = torch.randn(count, generator=torch.Generator().manual_seed(count))
    return ((numbers - numbers.mean()) / numbers.std()).to(device)


def _starts(seeds: Sequence[int], blocks: range, places: int) -> np.ndarray:
    """Places 0..places - 1 [seeds, blocks], spread by SplitMix64's finaliser (G. Steele et al., OOPSLA 2014; from memory)."""
    found = [[_spread(seed + (block + 1) * 0x9E3779B97F4A7C15) % places for block in blocks] for seed in seeds]
    return np.array(found, dtype=np.int64)


def _spread(number: int) -> int:
    number &= _WORD
    number = (number ^ (number >> 30)) * 0xBF58476D1CE4E5B9 & _WORD
    number = (number ^ (number >> 27)) * 0x94D049BB133111EB & _WORD
    return number ^ (number >> 31)


def white_balance(counts: torch.Tensor, captures: Sequence[CaptureSpec], white: float = 1.0) -> torch.Tensor:
    """Raw counts times the camera's gains, in place, full scale at ``white`` and cut off there (no gain is below 1, so that what
    is clipped stays white)."""
    gains = []
    for capture in captures:
        least = min(capture.white_gain) * full_scale(capture)
        red, green, blue = (white * g / least for g in capture.white_gain)
        gains.append((red, green, green, blue))
    return counts.mul_(beside(counts, gains, 4)).clamp_(max=white)
