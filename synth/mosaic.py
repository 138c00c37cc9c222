"""The colour filter array: blurred radiance sampled through it, and full colour made from the samples again.

Raw samples are kept as four planes [B, 4, H / 2, W / 2]: red, green beside red, green beside blue, blue (RGGB; red at row
0, column 0 of the frame).
"""

from __future__ import annotations

from collections.abc import Sequence

import torch
import torch.nn.functional as F

from synth.capture import CaptureSpec
from synth.optics import lens_batch, weighted_sum

# (colour channel, row parity, column parity) of the four planes.
PLANES = ((0, 0, 0), (1, 0, 1), (1, 1, 0), (2, 1, 1))


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


def demosaic(planes: torch.Tensor) -> torch.Tensor:
    """Full colour [B, 3, H, W] from planes [B, 4, H / 2, W / 2].

    Gradient-corrected linear interpolation: H. Malvar, L. He, R. Cutler, ICASSP 2004, figure 2 (from memory; weights are in
    eighths there). Written out as sums of shifted planes, so that every pixel is worked out alike whatever the window.
    """
    b, _, h, w = planes.shape
    padded = F.pad(planes, (1, 1, 1, 1), mode="replicate")

    def at(plane: int, row: int, column: int) -> torch.Tensor:
        return padded[:, plane, 1 + row : 1 + row + h, 1 + column : 1 + column + w]

    red, green1, green2, blue = (planes[:, i] for i in range(4))
    sides = [at(i, 0, -1) + at(i, 0, 1) for i in range(4)]
    ends = [at(i, -1, 0) + at(i, 1, 0) for i in range(4)]
    # Greens on the diagonals of a green, and the four greens around a red and around a blue.
    corners1 = at(2, -1, 0) + at(2, -1, 1) + at(2, 0, 0) + at(2, 0, 1)
    corners2 = at(1, 0, -1) + at(1, 0, 0) + at(1, 1, -1) + at(1, 1, 0)
    around_red = green1 + at(1, 0, -1) + green2 + at(2, -1, 0)
    around_blue = green2 + at(2, 0, 1) + green1 + at(1, 1, 0)
    cross_red, cross_blue = sides[0] + ends[0], sides[3] + ends[3]
    base1 = (green1 * 5).sub_(corners1)
    base2 = (green2 * 5).sub_(corners2)
    out = torch.empty((b, 3, 2 * h, 2 * w), dtype=planes.dtype, device=planes.device)
    out[:, 0, 0::2, 0::2] = red
    out[:, 1, 0::2, 1::2] = green1
    out[:, 1, 1::2, 0::2] = green2
    out[:, 2, 1::2, 1::2] = blue
    out[:, 1, 0::2, 0::2] = (red * 4).add_(around_red, alpha=2).sub_(cross_red).mul_(1 / 8)
    out[:, 1, 1::2, 1::2] = (blue * 4).add_(around_blue, alpha=2).sub_(cross_blue).mul_(1 / 8)
    out[:, 0, 0::2, 1::2] = _at_green(base1, red + at(0, 0, 1), sides[1], ends[1])
    out[:, 0, 1::2, 0::2] = _at_green(base2, red + at(0, 1, 0), ends[2], sides[2])
    out[:, 2, 0::2, 1::2] = _at_green(base1, blue + at(3, -1, 0), ends[1], sides[1])
    out[:, 2, 1::2, 0::2] = _at_green(base2, blue + at(3, 0, -1), sides[2], ends[2])
    reds = red + at(0, 0, 1) + at(0, 1, 0) + at(0, 1, 1)
    blues = blue + at(3, 0, -1) + at(3, -1, 0) + at(3, -1, -1)
    out[:, 0, 1::2, 1::2] = (blue * 6).add_(reds, alpha=2).sub_(cross_blue, alpha=1.5).mul_(1 / 8)
    out[:, 2, 0::2, 0::2] = (red * 6).add_(blues, alpha=2).sub_(cross_red, alpha=1.5).mul_(1 / 8)
    return out


def _at_green(base: torch.Tensor, pair: torch.Tensor, along: torch.Tensor, across: torch.Tensor) -> torch.Tensor:
    """A colour at a green sample: its two neighbours, corrected by how green bends ``along`` their line and ``across`` it."""
    return (base + pair * 4).sub_(along).add_(across, alpha=0.5).mul_(1 / 8)
