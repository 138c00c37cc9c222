"""The colour filter array: blurred radiance sampled through it, and full colour made from the samples again.

Raw samples are kept as four planes [B, 4, H / 2, W / 2]: red, green beside red, green beside blue, blue (RGGB; red at row
0, column 0 of the frame). Full colour stays in phases [B, 3, 4, H / 2, W / 2] (the four places of a filter cell, row by row)
for as long as steps work on pixels alone, because planes are read in one run and interleaved pixels are not.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F

from synth.at_once import at_once
from synth.capture import CaptureSpec
from synth.opencv import cv2, with_opencv
from synth.optics import KernelTerms, kernel_terms, lens_batch, weighted_sum

# (colour channel, row parity, column parity) of the four planes.
PLANES = ((0, 0, 0), (1, 0, 1), (1, 1, 0), (2, 1, 1))
# Samples that a band matrix makes at once down and across: wider ones hold more zeros, narrower ones cost more calls.
_BAND_ROWS, _BAND_COLUMNS = 8, 16


def sample_mosaic(
    radiance: torch.Tensor, captures: Sequence[CaptureSpec], scale: Sequence[float] | None = None
) -> torch.Tensor:
    """Lens, smear and colour filter in one go: planes [B, 4, H / 2, W / 2] of radiance [B, 3, H, W] (H and W even).

    Only the samples that the filter array keeps are computed; the result equals :func:`synth.optics.blur` followed by
    picking them, times ``scale`` [B].
    """
    factors = [1.0] * len(captures) if scale is None else scale
    if at_once(radiance.device):
        return summed_mosaic(radiance, captures, scale)
    out = torch.empty((len(radiance), 4, radiance.shape[2] // 2, radiance.shape[3] // 2))
    sample = _sample_whole if with_opencv(radiance.device) else _sample_bands
    for i, (capture, factor) in enumerate(zip(captures, factors, strict=True)):
        sample(radiance[i], kernel_terms(capture), factor, out[i])
    return out


def _sample_whole(radiance: torch.Tensor, terms: KernelTerms, factor: float, out: torch.Tensor) -> None:
    """One picture [3, H, W] into planes [4, H / 2, W / 2]: all of it blurred, which is quicker than what is kept alone."""
    seen = [_blurred(np.ascontiguousarray(plane), terms, factor) for plane in radiance.numpy()]
    h, w = out.shape[1:]
    for plane, (colour, row, column) in zip(out.numpy(), PLANES, strict=True):
        cv2.extractChannel(seen[colour][row::2].reshape(h, w, 2), column, dst=plane)


def _blurred(plane: np.ndarray, terms: KernelTerms, factor: float) -> np.ndarray:
    total = None
    for down, across in zip(terms.down * factor, terms.across, strict=True):
        part = cv2.sepFilter2D(plane, cv2.CV_32F, across, down, borderType=cv2.BORDER_REPLICATE)
        total = part if total is None else cv2.add(total, part, dst=total)
    assert total is not None
    return total


def _sample_bands(radiance: torch.Tensor, terms: KernelTerms, factor: float, out: torch.Tensor) -> None:
    """One picture [3, H, W] into planes [4, H / 2, W / 2]: along y, then along x.

    Both are products of a small band matrix with overlapping pieces of the picture, which leave out every other row and
    column; that is quicker than adding up shifted pictures tap by tap.
    """
    r = terms.radius_px
    h, w = out.shape[1:]
    high, wide = -(-h // _BAND_ROWS), -(-w // _BAND_COLUMNS)
    below, right = 2 * (high * _BAND_ROWS - h), 2 * (wide * _BAND_COLUMNS - w)
    padded = F.pad(radiance[None], (r, r + right, r, r + below), mode="replicate")[0].contiguous()
    width = padded.shape[2]
    for k in range(len(terms.down)):
        down = _band(terms.down[k] * factor, _BAND_ROWS).expand(high, -1, -1)
        across = _band(terms.across[k], _BAND_COLUMNS).T.expand(wide, -1, -1)
        for plane, (colour, row, column) in enumerate(PLANES):
            start = (colour * padded.shape[1] + row) * width
            rows = padded.as_strided((high, down.shape[2], width), (2 * _BAND_ROWS * width, width, 1), start)
            kept = torch.bmm(down, rows).view(-1, width)
            columns = kept.as_strided((wide, len(kept), across.shape[1]), (2 * _BAND_COLUMNS, width, 1), column)
            found = torch.bmm(columns, across).transpose(0, 1)
            if below or right:
                found = found.reshape(len(kept), -1)[:h, :w]
            into = out[plane].view(found.shape)
            if k:
                into.add_(found)
            else:
                into.copy_(found)


def _band(taps: np.ndarray, count: int) -> torch.Tensor:
    """Matrix [count, 2 * count - 2 + taps] that weighs a line of samples with taps, at every other sample."""
    width = 2 * count - 2 + len(taps)
    band = np.zeros((count, width), np.float32)
    for i in range(count):
        band[i, 2 * i : 2 * i + len(taps)] = taps
    return torch.from_numpy(band)


def summed_mosaic(
    radiance: torch.Tensor, captures: Sequence[CaptureSpec], scale: Sequence[float] | None = None
) -> torch.Tensor:
    """:func:`sample_mosaic` as sums of shifted planes, every capture of a batch at once (few launches on a GPU)."""
    lens = lens_batch(captures, radiance, scale)
    r = lens.radius_px
    h, w = radiance.shape[-2:]
    out = torch.empty((len(radiance), 4, h // 2, w // 2), dtype=radiance.dtype, device=radiance.device)
    padded = F.pad(radiance, (r, r, r, r), mode="replicate")
    taps = range(2 * r + 1)
    for i, (colour, row, column) in enumerate(PLANES):
        source = padded[:, colour]
        total = None
        for k in range(lens.down.shape[1]):
            rows = weighted_sum([source[:, row + t : row + t + h : 2] for t in taps], lens.down[:, k])
            term = weighted_sum([rows[..., column + t : column + t + w : 2] for t in taps], lens.across[:, k])
            total = term if total is None else total.add_(term)
        assert total is not None
        out[:, i] = total
    return out


def demosaic(planes: torch.Tensor) -> torch.Tensor:
    """Full colour [B, 3, H, W] from planes [B, 4, H / 2, W / 2]."""
    return interleaved(demosaic_phases(planes))


def demosaic_phases(planes: torch.Tensor, dtype: torch.dtype | None = None) -> torch.Tensor:
    """Full colour in phases [B, 3, 4, H / 2, W / 2] from planes [B, 4, H / 2, W / 2], in another type (cut off) if asked.

    Gradient-corrected linear interpolation, as one convolution from the four planes to the eight phases that were not sampled.
    """
    padded = F.pad(planes, (1, 1, 1, 1), mode="replicate")
    missing = convolved(padded, _interpolation(planes.dtype, planes.device))
    b, _, h, w = planes.shape
    phases = torch.empty((b, 12, h, w), dtype=dtype or planes.dtype, device=planes.device)
    # Red, its three; green's first, its two, its last; blue's three, blue.
    phases[:, ::11], phases[:, 5:7] = planes[:, ::3], planes[:, 1:3]
    phases[:, 1:5], phases[:, 7:11] = missing[:, :4], missing[:, 4:]
    return phases.unflatten(1, (3, 4))


def convolved(image: torch.Tensor, weight: torch.Tensor) -> torch.Tensor:
    """Convolution in full single precision: the short formats that GPUs take by default would round raw counts."""
    if image.device.type == "cpu":
        return F.conv2d(image, weight)
    with torch.backends.cudnn.flags(enabled=True, benchmark=False, deterministic=True, allow_tf32=False):
        return F.conv2d(image, weight)


def interleaved(phases: torch.Tensor) -> torch.Tensor:
    """Phases [..., 4, h, w] as pictures [..., 2 h, 2 w]."""
    h, w = phases.shape[-2:]
    cells = phases.unflatten(-3, (2, 2)).movedim((-4, -3), (-3, -1))
    return cells.reshape(*phases.shape[:-3], 2 * h, 2 * w)


def phases_of(pictures: torch.Tensor) -> torch.Tensor:
    """Pictures [..., H, W] (even) as phases [..., 4, H / 2, W / 2]."""
    return torch.stack([pictures[..., row::2, column::2] for row in (0, 1) for column in (0, 1)], -3)


# From H. Malvar, L. He, R. Cutler, ICASSP 2004, figure 2 (from memory), in eighths: green where another colour was sampled, a
# colour beside its own samples in the row, and red where blue was sampled or the other way round.
GREEN_AT_COLOUR = ((0, 0, -1, 0, 0), (0, 0, 2, 0, 0), (-1, 2, 4, 2, -1), (0, 0, 2, 0, 0), (0, 0, -1, 0, 0))
COLOUR_IN_ROW = ((0, 0, 0.5, 0, 0), (0, -1, 0, -1, 0), (-1, 4, 5, 4, -1), (0, -1, 0, -1, 0), (0, 0, 0.5, 0, 0))
COLOUR_AT_OTHER = ((0, 0, -1.5, 0, 0), (0, 2, 0, 2, 0), (-1.5, 0, 6, 0, -1.5), (0, 2, 0, 2, 0), (0, 0, -1.5, 0, 0))


@lru_cache(maxsize=8)
def _interpolation(dtype: torch.dtype, device: torch.device) -> torch.Tensor:
    """Weights [8, 4, 3, 3]: from planes to the (colour, phase) not sampled, the published masks cut up by the filter array."""
    weight = np.zeros((3, 4, 4, 3, 3))
    for colour in range(3):
        for phase, (own, row, column) in enumerate(PLANES):
            mask = np.zeros((5, 5))
            if own == colour:
                continue
            if colour == 1:
                mask[:] = GREEN_AT_COLOUR
            elif own == 1:
                mask[:] = COLOUR_IN_ROW
                if (colour == 0) != (row == 0):
                    mask = mask.T
            else:
                mask[:] = COLOUR_AT_OTHER
            for dy in range(-2, 3):
                for dx in range(-2, 3):
                    (cell_y, at_row), (cell_x, at_column) = divmod(row + dy, 2), divmod(column + dx, 2)
                    weight[colour, phase, 2 * at_row + at_column, cell_y + 1, cell_x + 1] += mask[dy + 2, dx + 2] / 8
    missing = [4 * colour + phase for colour in range(3) for phase in range(4) if PLANES[phase][0] != colour]
    return torch.from_numpy(weight.reshape(12, 4, 3, 3)[missing]).to(device, dtype)
