"""The colour filter array: blurred radiance sampled through it, and full colour made from the samples again.

Raw samples are kept as four planes [B, 4, H / 2, W / 2]: red, green beside red, green beside blue, blue (RGGB; red at row
0, column 0 of the frame).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F

from synth.capture import CaptureSpec
from synth.optics import lens_batch, weighted_sum

# (colour channel, row parity, column parity) of the four planes.
PLANES = ((0, 0, 0), (1, 0, 1), (1, 1, 0), (2, 1, 1))

# Gradient-corrected linear interpolation: H. Malvar, L. He, R. Cutler, ICASSP 2004, figure 2 (from memory; a test holds
# that flat fields and linear ramps come back unchanged). Weights are in eighths.
_GREEN_AT_COLOUR = ((0, 0, -1, 0, 0), (0, 0, 2, 0, 0), (-1, 2, 4, 2, -1), (0, 0, 2, 0, 0), (0, 0, -1, 0, 0))
_COLOUR_IN_ITS_ROW = (
    (0, 0, 0.5, 0, 0),
    (0, -1, 0, -1, 0),
    (-1, 4, 5, 4, -1),
    (0, -1, 0, -1, 0),
    (0, 0, 0.5, 0, 0),
)
_COLOUR_AT_OTHER = (
    (0, 0, -1.5, 0, 0),
    (0, 2, 0, 2, 0),
    (-1.5, 0, 6, 0, -1.5),
    (0, 2, 0, 2, 0),
    (0, 0, -1.5, 0, 0),
)


def sample_mosaic(radiance: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """Lens, smear and colour filter in one go: planes [B, 4, H / 2, W / 2] of radiance [B, 3, H, W] (H and W even).

    Only the samples that the filter array keeps are computed; the result equals :func:`synth.optics.blur` followed by
    picking them.
    """
    lens = lens_batch(captures, radiance)
    r = lens.radius_px
    h, w = radiance.shape[-2:]
    out = torch.empty((len(radiance), 4, h // 2, w // 2), dtype=radiance.dtype, device=radiance.device)
    if r == 0:
        for i, (colour, row, column) in enumerate(PLANES):
            out[:, i] = radiance[:, colour, row::2, column::2]
        return out
    padded = F.pad(radiance, (r, r, r, r), mode="replicate")
    taps = range(2 * r + 1)
    for i, (colour, row, column) in enumerate(PLANES):
        source = padded[:, colour]
        total = None
        for k in range(lens.down.shape[1]):
            rows = weighted_sum([source[:, row + t : row + t + h : 2] for t in taps], lens.down[:, k])
            halves = (rows[..., 0::2].contiguous(), rows[..., 1::2].contiguous())
            shifts = [divmod(column + t, 2) for t in taps]
            term = weighted_sum([halves[odd][..., s : s + w // 2] for s, odd in shifts], lens.across[:, k])
            total = term if total is None else total.add_(term)
        assert total is not None
        out[:, i] = total
    return out


@lru_cache(maxsize=1)
def _demosaic_weights() -> np.ndarray:
    """The 5 x 5 masks as one convolution of half-size planes: [12 = colour * 4 + phase, 4 planes, 3, 3]."""
    weights = np.zeros((3, 4, 4, 3, 3), np.float32)
    plane_at = {(row, column): i for i, (_, row, column) in enumerate(PLANES)}
    for colour in range(3):
        for phase, (own, row, column) in enumerate(PLANES):
            mask = np.array(_mask(colour, own, row)) / 8
            for dy in range(-2, 3):
                for dx in range(-2, 3):
                    (sy, py), (sx, px) = divmod(row + dy, 2), divmod(column + dx, 2)
                    weights[colour, phase, plane_at[py, px], sy + 1, sx + 1] += mask[dy + 2, dx + 2]
    return weights.reshape(12, 4, 3, 3)


def _mask(colour: int, own: int, row: int) -> tuple[tuple[float, ...], ...]:
    if colour == own:
        return tuple(tuple(8.0 if (y, x) == (2, 2) else 0.0 for x in range(5)) for y in range(5))
    if colour == 1:
        return _GREEN_AT_COLOUR
    if own == 1:
        in_row = (colour == 0) == (row == 0)  # red lies in even rows, blue in odd ones
        return _COLOUR_IN_ITS_ROW if in_row else tuple(zip(*_COLOUR_IN_ITS_ROW, strict=True))
    return _COLOUR_AT_OTHER


def demosaic(planes: torch.Tensor) -> torch.Tensor:
    """Full colour [B, 3, H, W] from planes [B, 4, H / 2, W / 2]."""
    weights = torch.from_numpy(_demosaic_weights()).to(planes.device)
    b, _, h, w = planes.shape
    phases = F.conv2d(F.pad(planes, (1, 1, 1, 1), mode="replicate"), weights)
    return phases.view(b, 3, 2, 2, h, w).permute(0, 1, 4, 2, 5, 3).reshape(b, 3, 2 * h, 2 * w)
