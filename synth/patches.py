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
    near = device.type == "cpu"
    sizes, square = (_SIZES, side <= _SQUARE_PX) if near else (_FEW_SIZES, np.ones(len(side), dtype=bool))
    wide, high = (_rounded_up(np.where(square, side, v), sizes) for v in (wide, high))
    key = high * 100_000 + wide
    for k in np.unique(key):
        rows = np.flatnonzero(key == k)
        h, w = divmod(int(k), 100_000)
        step = max(1, _MOST_PX.get(device.type, _MOST_PX["cuda"]) // (h * w))
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
        height, width = self.size_px
        device = plane.device
        rows = np.minimum(batch.y0[:, None] + np.arange(batch.height), height - 1)
        columns = np.minimum(batch.x0[:, None] + np.arange(batch.width), width - 1)
        base = torch.from_numpy((picture[:, None] * height + rows) * width).to(device)
        return plane.reshape(-1)[base[:, :, None] + torch.from_numpy(columns).to(device)[:, None, :]]

    def darken(self, plane: torch.Tensor, batch: PatchBatch, picture: Index, kept: torch.Tensor) -> None:
        """Multiply a plane [B, H, W] by patches ``kept`` [P, h, w]."""
        height, width = self.size_px
        if plane.device.type != "cpu":
            self._darken_at_once(plane, batch, picture, kept)
            return
        for i in range(len(batch.rows)):
            y, x = int(batch.y0[i]), int(batch.x0[i])
            h, w = min(batch.height, height - y), min(batch.width, width - x)
            plane[int(picture[i]), y : y + h, x : x + w].mul_(kept[i, :h, :w])

    def _darken_at_once(self, plane: torch.Tensor, batch: PatchBatch, picture: Index, kept: torch.Tensor) -> None:
        """The same in one launch: products over all patches that meet at a pixel."""
        factors = torch.ones(plane.numel() + 1, device=plane.device)
        factors.scatter_reduce_(0, self._places(batch, picture).reshape(-1), kept.reshape(-1), "prod")
        plane.mul_(factors[:-1].view(plane.shape))

    def _places(self, batch: PatchBatch, picture: Index) -> torch.Tensor:
        """Flat pixel numbers [P, h, w] of patches; what falls outside gets the number after the last."""
        count, _, height, width = self.layers.shape
        y = batch.y0[:, None] + np.arange(batch.height)
        x = batch.x0[:, None] + np.arange(batch.width)
        inside = (y < height)[:, :, None] & (x < width)[:, None, :]
        at = (picture[:, None] * height + y)[:, :, None] * width + x[:, None, :]
        return torch.from_numpy(np.where(inside, at, count * height * width)).to(self.layers.device)

    def lay(self, drawn: Sequence[Drawn]) -> None:
        """Lay patches over the pictures in their order."""
        if not drawn:
            return
        picture = np.concatenate([d.picture for d in drawn])
        order = np.concatenate([d.order for d in drawn])
        which = np.concatenate([np.full(len(d.order), i) for i, d in enumerate(drawn)])
        row = np.concatenate([np.arange(len(d.order)) for d in drawn])
        sequence = np.lexsort((order, picture))
        if self.layers.device.type == "cpu":
            for i in sequence:
                self._lay_one(drawn[int(which[i])], int(row[i]))
        else:
            self._lay_by_levels(drawn, picture[sequence], which[sequence], row[sequence])

    def _lay_one(self, drawn: Drawn, i: int) -> None:
        height, width = self.size_px
        batch, b = drawn.batch, int(drawn.picture[i])
        y, x = int(batch.y0[i]), int(batch.x0[i])
        h, w = min(batch.height, height - y), min(batch.width, width - x)
        cover = drawn.cover[i, :h, :w]
        self.layers[b, :, y : y + h, x : x + w].lerp_(drawn.value[i, :, :h, :w], cover)
        self.owner[b, y : y + h, x : x + w].masked_fill_(cover > 0.5, int(drawn.owner[i]))

    def _lay_by_levels(self, drawn: Sequence[Drawn], picture: Index, which: Index, row: Index) -> None:
        """The same with few launches: the k-th thing of every picture is laid at once."""
        start = np.r_[0, np.flatnonzero(np.diff(picture)) + 1]
        level = np.arange(len(picture)) - np.repeat(start, np.diff(np.r_[start, len(picture)]))
        count, channels, height, width = self.layers.shape
        device = self.layers.device
        flat = self.layers.permute(1, 0, 2, 3).reshape(channels, -1)
        flat = torch.cat([flat, flat[:, :1]], dim=1)  # one spare pixel takes what falls outside
        owner = torch.cat([self.owner.reshape(-1), self.owner.new_full((1,), -1)])
        spare = count * height * width
        for k in range(int(level.max()) + 1):
            for n, d in enumerate(drawn):
                chosen = row[(level == k) & (which == n)]
                if not len(chosen):
                    continue
                part = PatchBatch(chosen, d.batch.x0[chosen], d.batch.y0[chosen], d.batch.height, d.batch.width)
                at = self._places(part, d.picture[chosen])
                pick = torch.from_numpy(chosen).to(device)
                cover = d.cover[pick]
                flat[:, at] = torch.lerp(flat[:, at], d.value[pick].transpose(0, 1), cover)
                ids = torch.from_numpy(d.owner[chosen].astype(np.int32)).to(device).view(-1, 1, 1)
                owner[at] = torch.where(cover > 0.5, ids, owner[at])
        self.layers.copy_(flat[:, :spare].view(channels, count, height, width).permute(1, 0, 2, 3))
        self.owner.copy_(owner[:spare].view(count, height, width))
