"""Many small pictures drawn together: things are sorted into patches of a few sizes, drawn by the batch, then laid in order.

A patch is a window of one picture; its pixel (row, column) covers picture pixels [y0 + row, y0 + row + 1).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from synth.at_once import at_once

Array = NDArray[Any]
Index = NDArray[Any]

# On a CPU patches fit closely, because pixels cost time; on a GPU there are few sizes, because launches do.
_SIZES = np.array([12, 20, 28, 40, 52, 64, 80, 96, 128, 160, 192, 256, 320, 384, 512, 768])
_FEW_SIZES = np.array([24, 48, 96, 192, 384, 768])
# Patches up to this side are square, so that there are few sizes; larger ones fit more closely.
_SQUARE_PX = 64
# Pixels drawn at once: on a CPU a batch should stay in the cache, a GPU wants few launches.
_MOST_PX = {"cpu": 128_000, "cuda": 24_000_000}


@dataclass(frozen=True)
class PatchBatch:
    """Rows of one table that are drawn together in patches of ``height`` x ``width`` pixels, with their corners (x0, y0) [P]."""

    rows: Index
    x0: Index
    y0: Index
    height: int
    width: int

    def places(
        self, picture: Index, size_px: tuple[int, int], device: torch.device
    ) -> tuple[torch.Tensor, torch.Tensor]:
        """Flat pixel numbers [P, h, w] in pictures of ``size_px``, held inside them, and whether each is inside."""
        height, width = size_px
        corner = torch.from_numpy(np.stack([self.y0, self.x0, picture * (height * width)])).to(device)
        y0, x0, base = corner[..., None, None]
        y = y0 + torch.arange(self.height, device=device).view(-1, 1)
        x = x0 + torch.arange(self.width, device=device)
        inside = (y < height) & (x < width)
        return base + y.clamp_(max=height - 1) * width + x.clamp_(max=width - 1), inside

    def axes(self, device: torch.device) -> tuple[torch.Tensor, torch.Tensor]:
        """Pixel centres from the patch's corner: x [1, 1, w] and y [1, h, 1]."""
        x = torch.arange(self.width, device=device, dtype=torch.float32) + 0.5
        y = torch.arange(self.height, device=device, dtype=torch.float32) + 0.5
        return x.view(1, 1, -1), y.view(1, -1, 1)


def patch_batches(box: Array, size_px: tuple[int, int], device: torch.device) -> Iterator[PatchBatch]:
    """Sort boxes [N, 4] (x0, y0, x1, y1) that touch a picture of ``size_px`` (height, width) into batches of patches."""
    if not len(box):
        return
    height, width = size_px
    x0 = np.clip(np.floor(box[:, 0]), 0, width - 1).astype(np.int64)
    y0 = np.clip(np.floor(box[:, 1]), 0, height - 1).astype(np.int64)
    wide = np.clip(np.ceil(box[:, 2]), 1, width).astype(np.int64) - x0
    high = np.clip(np.ceil(box[:, 3]), 1, height).astype(np.int64) - y0
    side = np.maximum(wide, high)
    near = not at_once(device)
    sizes, square = (_SIZES, side <= _SQUARE_PX) if near else (_FEW_SIZES, np.ones(len(side), dtype=bool))
    wide, high = (_rounded_up(np.where(square, side, v), sizes) for v in (wide, high))
    key = high * 100_000 + wide
    for k in np.unique(key):
        rows = np.flatnonzero(key == k)
        h, w = divmod(int(k), 100_000)
        step = max(1, _MOST_PX["cpu" if near else "cuda"] // (h * w))
        for start in range(0, len(rows), step):
            part = rows[start : start + step]
            yield PatchBatch(part, x0[part], y0[part], h, w)


def _rounded_up(side: Index, sizes: Index) -> Index:
    place = np.searchsorted(sizes, side)
    return np.where(place < len(sizes), sizes[np.minimum(place, len(sizes) - 1)], side)


@dataclass(frozen=True)
class Drawn:
    """Patches ready to be laid: ``value`` [P, C, S, S] over ``cover`` [P, S, S], in pictures and in an order of laying."""

    batch: PatchBatch
    picture: Index
    order: Array
    owner: Index
    value: torch.Tensor
    cover: torch.Tensor


class Canvas:
    """The pictures being drawn: ``layers`` [B, C, H, W], and whose pixel it is: ``owner`` [B, H, W], -1 for nobody's."""

    def __init__(self, layers: torch.Tensor) -> None:
        self.layers = layers
        count, _, height, width = layers.shape
        self.owner = torch.full((count, height, width), -1, dtype=torch.int32, device=layers.device)

    @property
    def size_px(self) -> tuple[int, int]:
        """Height and width."""
        return int(self.layers.shape[2]), int(self.layers.shape[3])

    def windows(self, plane: torch.Tensor, batch: PatchBatch, picture: Index) -> torch.Tensor:
        """Patches [P, S, S] of a plane [B, H, W]; beyond the border its last pixels are repeated."""
        at, _ = batch.places(picture, self.size_px, plane.device)
        return plane.reshape(-1)[at]

    def darken(self, plane: torch.Tensor, batch: PatchBatch, picture: Index, kept: torch.Tensor) -> None:
        """Multiply a plane [B, H, W] by patches ``kept`` [P, h, w]."""
        height, width = self.size_px
        if at_once(plane.device):
            self._darken_at_once(plane, batch, picture, kept)
            return
        for i in range(len(batch.rows)):
            y, x = int(batch.y0[i]), int(batch.x0[i])
            h, w = min(batch.height, height - y), min(batch.width, width - x)
            plane[int(picture[i]), y : y + h, x : x + w].mul_(kept[i, :h, :w])

    def _darken_at_once(self, plane: torch.Tensor, batch: PatchBatch, picture: Index, kept: torch.Tensor) -> None:
        """The same in one launch: products over all patches that meet at a pixel."""
        at, inside = batch.places(picture, self.size_px, plane.device)
        factors = torch.ones(plane.numel(), device=plane.device)
        factors.scatter_reduce_(0, at.reshape(-1), torch.where(inside, kept, 1.0).reshape(-1), "prod")
        plane.mul_(factors.view(plane.shape))

    def lay(self, drawn: Sequence[Drawn]) -> None:
        """Lay patches over the pictures in their order."""
        if not drawn:
            return
        picture, order = (np.concatenate([getattr(d, name) for d in drawn]) for name in ("picture", "order"))
        sequence = np.lexsort((order, picture))
        if at_once(self.layers.device):
            self._lay_at_once(drawn, sequence)
            return
        which = np.concatenate([np.full(len(d.order), i) for i, d in enumerate(drawn)])
        row = np.concatenate([np.arange(len(d.order)) for d in drawn])
        for i in sequence:
            self._lay_one(drawn[int(which[i])], int(row[i]))

    def _lay_one(self, drawn: Drawn, i: int) -> None:
        height, width = self.size_px
        batch, b = drawn.batch, int(drawn.picture[i])
        y, x = int(batch.y0[i]), int(batch.x0[i])
        h, w = min(batch.height, height - y), min(batch.width, width - x)
        cover = drawn.cover[i, :h, :w]
        self.layers[b, :, y : y + h, x : x + w].lerp_(drawn.value[i, :, :h, :w], cover)
        self.owner[b, y : y + h, x : x + w].masked_fill_(cover > 0.5, int(drawn.owner[i]))

    def _lay_at_once(self, drawn: Sequence[Drawn], sequence: Index) -> None:
        """The same with few launches, however many things lie over each other.

        All covered pixels of all patches are sorted by pixel and order; what one shows of itself is its cover times what
        those after it leave free, a running product over each pixel's own (sums of logarithms in double precision).
        """
        device, size_px = self.layers.device, self.size_px
        rank = np.empty(len(sequence), dtype=np.int64)
        rank[sequence] = np.arange(len(sequence))
        things = torch.from_numpy(np.stack([rank, np.concatenate([d.owner for d in drawn])])).to(device)
        pixels, covers, values, numbers = [], [], [], []
        for d, number in zip(drawn, torch.arange(len(rank), device=device).split([len(d.order) for d in drawn])):
            at, inside = d.batch.places(d.picture, size_px, device)
            there = inside & (d.cover > 0)
            pixels.append(at[there])
            covers.append(d.cover[there])
            values.append(d.value.transpose(0, 1)[:, there])
            numbers.append(number.view(-1, 1, 1).expand(at.shape)[there])
        pixel, number = torch.cat(pixels), torch.cat(numbers)
        if not len(pixel):
            return
        order = (pixel * len(rank) + things[0][number]).argsort()
        pixel, cover, number = pixel[order], torch.cat(covers)[order].double(), number[order]
        left = torch.log1p(-cover.clamp_(max=1 - 1e-9)).cumsum(0)
        last = torch.cat([pixel[1:] != pixel[:-1], pixel.new_ones(1, dtype=torch.bool)]).nonzero()[:, 0]
        length = torch.diff(last, prepend=last.new_full((1,), -1))
        share = cover * torch.exp(left[last].repeat_interleave(length, output_size=len(pixel)) - left)
        shown = torch.diff(_ends((torch.cat(values, 1)[:, order] * share).cumsum(1), last), dim=1)
        kept = torch.exp(torch.diff(_ends(left[None], last)))
        flat = self.layers.transpose(0, 1).flatten(1)
        flat[:, pixel[last]] = (flat[:, pixel[last]] * kept + shown).float()
        self.layers.copy_(flat.view(self.layers.transpose(0, 1).shape).transpose(0, 1))
        # Whose pixel it is: the last that covers more than half of it.
        position = torch.arange(len(pixel), device=device)
        half = torch.where(cover > 0.5, position, -1).cummax(0).values[last]
        owned = half > last - length
        whose = things[1].int()[number[half.clamp(min=0)]]
        owner = self.owner.view(-1)
        owner[pixel[last]] = torch.where(owned, whose, owner[pixel[last]])


def _ends(sums: torch.Tensor, last: torch.Tensor) -> torch.Tensor:
    """Running sums [C, N] at the ends of segments [C, S + 1], 0 before the first."""
    return torch.cat([sums.new_zeros((len(sums), 1)), sums[:, last]], 1)
