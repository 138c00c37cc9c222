"""The readers' crops of one large frame, all of them with a few calls: what ``pipeline.crops.crops_of_frame`` cuts one by one.

A GPU waits at every number that a loop asks of it; here it is asked for none. The samples are those of torchvision's
aligned region sampling (``roi_align``), gathered from the frame's 8-bit pixels without a copy of it as floats; what lies
beyond the frame's edge repeats the edge's pixels.
"""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import Tensor

from mission.model_file import ReaderSettings
from pipeline.crops import crops_of_frame, square_around
from pipeline.reservoir import to_device

# Crops gathered together: 128 of 64 px take about 300 MB while they are sampled.
GATHERED = 128
TIGHT_SAMPLES, WIDE_SAMPLES = 2, 3


def crops_at_once(frame: Tensor, box_px: Tensor, settings: ReaderSettings) -> tuple[Tensor, Tensor]:
    """Tight [K, 3, T, T] and wide [K, 3, W, W] crops, float32 0..255, on the device of the uint8 frame [3, H, W], for boxes
    [K, 4] in ordinary memory. Boxes much larger than a crop, which are rare, are cut one by one."""
    side = (box_px[:, 2:] - box_px[:, :2]).amax(1) if len(box_px) else box_px.new_zeros(0)
    usual = side * settings.tight_extent < 4 * settings.tight_px
    height, width = frame.shape[-2:]
    limit = torch.tensor([width, height, width, height], dtype=box_px.dtype)
    tight_square = square_around(box_px[usual], settings.tight_extent)
    wide_square = torch.minimum(square_around(box_px[usual], settings.wide_extent).clamp(min=0), limit)
    tight = sampled_squares(frame, tight_square, settings.tight_px, TIGHT_SAMPLES)
    wide = sampled_squares(frame, wide_square, settings.wide_px, WIDE_SAMPLES)
    if bool(usual.all()):
        return tight, wide
    large = crops_of_frame(frame, box_px[~usual].to(frame.device), settings)
    order = torch.argsort(torch.cat([usual.nonzero(), (~usual).nonzero()])[:, 0]).to(frame.device)
    return torch.cat([tight, large[0]])[order], torch.cat([wide, large[1]])[order]


def sampled_squares(frame: Tensor, square_px: Tensor, cells: int, samples: int) -> Tensor:
    """Squares [K, 4] of a frame as [K, 3, cells, cells]: means of samples x samples bilinear samples in each cell."""
    if not len(square_px):
        return torch.zeros(0, 3, cells, cells, device=frame.device)
    height, width = frame.shape[-2:]
    step = (torch.arange(cells * samples, dtype=torch.float64) + 0.5) / (cells * samples)
    corner, side = square_px[:, :2].double(), (square_px[:, 2:] - square_px[:, :2]).double()
    # Pixel centres lie at (0.5, 0.5): half a pixel off the numbers that pixels are counted by.
    place = corner[:, :, None] + side[:, :, None] * step - 0.5  # [K, 2, S]
    place = torch.minimum(place.clamp(min=0), torch.tensor([width - 1.0, height - 1.0])[None, :, None].double())
    parts = [_bilinear(frame, some) for some in to_device(place.float(), frame.device).split(GATHERED)]
    return F.avg_pool2d(torch.cat(parts), samples)


def _bilinear(frame: Tensor, place: Tensor) -> Tensor:
    """The frame at the places (x, y) [K, 2, S], a grid of S x S each -> [K, 3, S, S]."""
    low = place.floor()
    share = place - low
    x, y = low.long().unbind(1)
    right, below = (x + 1).clamp(max=frame.shape[-1] - 1), (y + 1).clamp(max=frame.shape[-2] - 1)
    to_right, down = share[:, 0, None, :], share[:, 1, :, None]

    def row(at: Tensor) -> Tensor:
        here, there = (frame[:, at[:, :, None], column[:, None, :]].float() for column in (x, right))  # [3, K, S, S]
        return torch.lerp(here, there, to_right)

    return torch.lerp(row(y), row(below), down).transpose(0, 1)
