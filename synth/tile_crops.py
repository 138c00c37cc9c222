"""Pieces of ground tiles laid over a window of the frame: turned, mirrored, wrapped around."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import torch

from synth.at_once import at_once
from synth.ground_spec import GroundSpec, Layer
from synth.ground_tiles import STEPS_PER_OCTAVE, TILE_PX, VARIANTS, gsd_step, tile
from synth.opencv import cv2, with_opencv

Window = tuple[int, int, int, int]
# (kind, variant, step of scale) of a tile; (turn, mirror up-down, mirror left-right, rows, columns) of a piece of it.
Key = tuple[str, int, int]
Order = tuple[bool, bool, bool, int, int]


class TileCrops:
    """Cuts the tiles of grounds for one window (y0, x0, h, w), level by level.

    ``levels[k]`` are the k-th layers of the first grounds, as many as have one.
    """

    def __init__(
        self,
        window: Window,
        device: torch.device,
        levels: Sequence[Sequence[Layer]],
        specs: Sequence[GroundSpec],
        shadows: Sequence[tuple[float, float]],
        both: bool = False,
    ) -> None:
        self.window = window
        self.levels, self.specs, self.shadows = levels, specs, shadows
        self._reads: list[TileReads] | None = None
        if at_once(device):
            seconds = (False, True) if both else (False,)
            laid = [[tile_orders(layers, specs, shadows, second) for layers in levels] for second in seconds]
            self._reads = [TileReads(_atlas(device), pieces, window) for pieces in laid]

    def planes(self, k: int, box: Window, second: bool) -> list[torch.Tensor]:
        """Codes of tone, mix and relief of level ``k`` as float32 [B, 1, h, w] each; relief lit from where the shadows come.

        ``box`` (first row, first column, rows, columns) is the part of the window that is cut. ``second``: from another piece of
        each tile; on a GPU only if ``both`` was said.
        """
        if self._reads is not None:
            return self._reads[second].planes(k)
        place = (self.window[0] + box[0], self.window[1] + box[1], *box[2:])
        orders, keys = tile_orders(self.levels[k], self.specs, self.shadows, second)
        out = torch.empty((len(keys), 3, *box[2:]))
        for b, key in enumerate(keys):
            turn, flip_y, flip_x, oy, ox = orders[b]
            _crop(_tensor(*key), (turn, flip_y, flip_x), (oy, ox), place, out[b])
        return list(out.split(1, 1))


def tile_orders(
    layers: Sequence[Layer],
    specs: Sequence[GroundSpec],
    shadows: Sequence[tuple[float, float]],
    second: bool,
) -> tuple[list[Order], list[Key]]:
    """Which tile each layer takes and how it lies; the ``second`` piece is another tile of its kind, turned over and moved."""
    more = (TILE_PX * 5 // 13, TILE_PX * 7 // 17) if second else (0, 0)
    orders, keys = [], []
    for layer, spec, shadow in zip(layers, specs, shadows):
        turns = _turns(layer.turn != second, shadow)
        orders.append((*turns, layer.offset_px[0] + more[0], layer.offset_px[1] + more[1]))
        keys.append((layer.kind, (layer.variant + second) % VARIANTS, gsd_step(spec.gsd_m)))
    return orders, keys


class TileAtlas:
    """Every tile met so far on a device, four bytes to a pixel (tone, mix, relief, nothing): one read fetches all planes."""

    def __init__(self, device: torch.device) -> None:
        self.device = device
        self.numbers: dict[Key, int] = {}
        self.pixels = torch.empty((16, TILE_PX * TILE_PX), dtype=torch.int32, device=device)

    def number(self, key: Key) -> int:
        """Number of a tile, which is fetched if it is new."""
        if key not in self.numbers:
            number = len(self.numbers)
            if number == len(self.pixels):
                self.pixels = torch.cat([self.pixels, torch.empty_like(self.pixels)])
            planes = np.zeros((TILE_PX * TILE_PX, 4), np.int8)
            planes[:, :3] = tile(key[0], key[1], 2.0 ** (key[2] / STEPS_PER_OCTAVE)).reshape(3, -1).T
            self.pixels[number] = torch.from_numpy(planes.view(np.int32)[:, 0]).to(self.device)
            self.numbers[key] = number
        return self.numbers[key]


class TileReads:
    """Where in an atlas the pixels of every level of a batch lie, worked out in one go: a line number for each row, a place in it
    for each column, of each (level, picture)."""

    def __init__(self, atlas: TileAtlas, laid: Sequence[tuple[list[Order], list[Key]]], window: Window) -> None:
        y0, x0, h, w = window
        rows = [(*order, atlas.number(key)) for orders, keys in laid for order, key in zip(orders, keys, strict=True)]
        numbers = torch.from_numpy(np.array(rows, np.int32).reshape(-1, 6)).to(atlas.device)
        turn, flip_y, flip_x, oy, ox, number = numbers[:, :, None].unbind(1)
        turned = turn > 0
        y = torch.arange(y0, y0 + h, device=atlas.device, dtype=torch.int32) + oy
        x = torch.arange(x0, x0 + w, device=atlas.device, dtype=torch.int32) + ox
        # Turned: picture y runs along tile columns. A mirrored tile is read backwards.
        y = torch.where(torch.where(turned, flip_x, flip_y) > 0, -1 - y, y) % TILE_PX
        x = torch.where(torch.where(turned, flip_y, flip_x) > 0, -1 - x, x) % TILE_PX
        self.row = torch.where(turned, y, y * TILE_PX) + number * TILE_PX**2
        self.column = torch.where(turned, x * TILE_PX, x)
        self.pixels = atlas.pixels.view(-1)
        ends = np.cumsum([len(keys) for _, keys in laid])
        self.levels = [slice(int(end) - len(keys), int(end)) for (_, keys), end in zip(laid, ends, strict=True)]

    def planes(self, k: int) -> list[torch.Tensor]:
        """Codes of tone, mix and relief of a level, float32 [B, 1, h, w] each."""
        row, column = self.row[self.levels[k]], self.column[self.levels[k]]
        index = row[:, :, None] + column[:, None, :]
        codes = self.pixels.index_select(0, index.view(-1)).view(torch.int8)
        codes = codes.view(len(row), 1, row.shape[1], column.shape[1], 4)
        return [codes[..., plane].float() for plane in range(3)]


@lru_cache(maxsize=4)
def _atlas(device: torch.device) -> TileAtlas:
    return TileAtlas(device)


@lru_cache(maxsize=2048)
def _tensor(kind: str, variant: int, step: int) -> torch.Tensor:
    return torch.from_numpy(tile(kind, variant, 2.0 ** (step / STEPS_PER_OCTAVE)))


def _turns(turn: bool, shadow: tuple[float, float]) -> tuple[bool, bool, bool]:
    """(turn, mirror up-down, mirror left-right) that bring the tiles' light, from up and left, to where shadows point away from.

    A tile is mirrored first and then, if asked, turned over its main diagonal.
    """
    up_down, left_right = shadow[1] < 0, shadow[0] < 0
    return (turn, left_right, up_down) if turn else (turn, up_down, left_right)


def _crop(
    source: torch.Tensor, turns: tuple[bool, bool, bool], offset: tuple[int, int], window: Window, out: torch.Tensor
) -> None:
    """Lay ``source`` int8 [3, n, n], mirrored and turned, over the window into ``out`` float32 [3, h, w], around its edges."""
    turn, flip_y, flip_x = turns
    y0, x0, h, w = window
    y = 0
    while y < h:
        sy = (y0 + y + offset[0]) % TILE_PX
        rows = min(TILE_PX - sy, h - y)
        x = 0
        while x < w:
            sx = (x0 + x + offset[1]) % TILE_PX
            columns = min(TILE_PX - sx, w - x)
            down, across = ((sx, columns), (sy, rows)) if turn else ((sy, rows), (sx, columns))
            piece = _lines(_lines(source, 1, *down, flip_y), 2, *across, flip_x)
            _lay(piece, turns, out[:, y : y + rows, x : x + columns])
            x += columns
        y += rows


def _lines(source: torch.Tensor, side: int, start: int, length: int, flip: bool) -> torch.Tensor:
    """``length`` lines of a side from ``start`` on, counted from the other end where the side is to be flipped."""
    return source.narrow(side, source.shape[side] - start - length if flip else start, length)


def _lay(piece: torch.Tensor, turns: tuple[bool, bool, bool], out: torch.Tensor) -> None:
    """Planes int8 [3, h, w], mirrored and turned, into float32 ``out`` [3, h, w]."""
    turn, flip_y, flip_x = turns
    if with_opencv(piece.device):
        for plane, into in zip(piece.numpy(), out, strict=True):
            if flip_y or flip_x:
                plane = cv2.flip(plane, -1 if flip_y and flip_x else int(flip_x))
            into.copy_(torch.from_numpy(cv2.transpose(plane) if turn else plane))
        return
    sides = [side for side, flip in ((1, flip_y), (2, flip_x)) if flip]
    mirrored = piece.flip(sides) if sides else piece
    # Turned as numbers of four bytes: single bytes are turned at half the speed.
    out.copy_(mirrored.float().transpose(1, 2) if turn else mirrored)
