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
from synth.optics import KernelTerms, kernel_terms, lens_batch, weighted_sum

# (colour channel, row parity, column parity) of the four planes.
PLANES = ((0, 0, 0), (1, 0, 1), (1, 1, 0), (2, 1, 1))


def sample_mosaic(radiance: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """Lens, smear and colour filter in one go: planes [B, 4, H / 2, W / 2] of radiance [B, 3, H, W] (H and W even).

    Only the samples that the filter array keeps are computed; the result equals :func:`synth.optics.blur` followed by
    picking them.
    """
    if at_once(radiance.device):
        return summed_mosaic(radiance, captures)
    out = torch.empty((len(radiance), 4, radiance.shape[2] // 2, radiance.shape[3] // 2))
    for i, capture in enumerate(captures):
        _sample_one(radiance[i : i + 1], kernel_terms(capture), out[i])
    return out


def _sample_one(radiance: torch.Tensor, terms: KernelTerms, out: torch.Tensor) -> None:
    """One picture [1, 3, H, W] into planes [4, H / 2, W / 2]: along x from columns that are sorted by parity, so that every tap
    reads memory in one run, then along y."""
    r = terms.radius_px
    padded = F.pad(radiance, (r, r, r, r), mode="replicate")[0] if r else radiance[0]
    parity = [padded[:, :, side::2].contiguous() for side in (0, 1)]
    h, w = out.shape[1:]
    taps = range(2 * r + 1)
    for k, (down, across) in enumerate(zip(terms.down.tolist(), terms.across.tolist(), strict=True)):
        for plane, (colour, row, column) in enumerate(PLANES):
            rows: torch.Tensor | None = None
            for t in taps:
                start, side = divmod(column + t, 2)
                part = parity[side][colour, :, start : start + w]
                rows = part * across[t] if rows is None else rows.add_(part, alpha=across[t])
            assert rows is not None
            for t in taps:
                part = rows[row + t : row + t + 2 * h - 1 : 2]
                if k or t:
                    out[plane].add_(part, alpha=down[t])
                else:
                    torch.mul(part, down[t], out=out[plane])


def summed_mosaic(radiance: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """:func:`sample_mosaic` as sums of shifted planes, every capture of a batch at once (few launches on a GPU)."""
    lens = lens_batch(captures, radiance)
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


def demosaic_phases(planes: torch.Tensor) -> torch.Tensor:
    """Full colour in phases [B, 3, 4, H / 2, W / 2] from planes [B, 4, H / 2, W / 2].

    Gradient-corrected linear interpolation: H. Malvar, L. He, R. Cutler, ICASSP 2004, figure 2 (from memory; weights are in
    eighths there), as one convolution from the four planes to the twelve phases.
    """
    padded = F.pad(planes, (1, 1, 1, 1), mode="replicate")
    return convolved(padded, _interpolation(planes.dtype, planes.device)).unflatten(1, (3, 4))


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


_GREEN_AT_COLOUR = ((0, 0, -1, 0, 0), (0, 0, 2, 0, 0), (-1, 2, 4, 2, -1), (0, 0, 2, 0, 0), (0, 0, -1, 0, 0))
_COLOUR_IN_ROW = ((0, 0, 0.5, 0, 0), (0, -1, 0, -1, 0), (-1, 4, 5, 4, -1), (0, -1, 0, -1, 0), (0, 0, 0.5, 0, 0))
_COLOUR_AT_OTHER = ((0, 0, -1.5, 0, 0), (0, 2, 0, 2, 0), (-1.5, 0, 6, 0, -1.5), (0, 2, 0, 2, 0), (0, 0, -1.5, 0, 0))


@lru_cache(maxsize=8)
def _interpolation(dtype: torch.dtype, device: torch.device) -> torch.Tensor:
    """Weights [12, 4, 3, 3]: from planes to (colour, phase), the published masks cut up by the filter array."""
    weight = np.zeros((3, 4, 4, 3, 3))
    for colour in range(3):
        for phase, (own, row, column) in enumerate(PLANES):
            mask = np.zeros((5, 5))
            if own == colour:
                mask[2, 2] = 8
            elif colour == 1:
                mask[:] = _GREEN_AT_COLOUR
            elif own == 1:
                mask[:] = _COLOUR_IN_ROW
                if (colour == 0) != (row == 0):
                    mask = mask.T
            else:
                mask[:] = _COLOUR_AT_OTHER
            for dy in range(-2, 3):
                for dx in range(-2, 3):
                    (cell_y, at_row), (cell_x, at_column) = divmod(row + dy, 2), divmod(column + dx, 2)
                    weight[colour, phase, 2 * at_row + at_column, cell_y + 1, cell_x + 1] += mask[dy + 2, dx + 2] / 8
    return torch.from_numpy(weight.reshape(12, 4, 3, 3)).to(device, dtype)
