"""Pieces of ground tiles laid over a window of the frame: turned, mirrored, wrapped around."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import torch

from synth.at_once import at_once
from synth.ground_spec import GroundSpec, Layer
from synth.ground_tiles import STEPS_PER_OCTAVE, TILE_PX, gsd_step, tile

Window = tuple[int, int, int, int]
# (kind, variant, step of scale) of a tile; (turn, mirror up-down, mirror left-right, rows, columns) of a piece of it.
Key = tuple[str, int, int]
Order = tuple[bool, bool, bool, int, int]


class TileCrops:
    """Cuts the tiles of layers for one window (y0, x0, h, w).

    ``piece`` [B, 1, h, w] 0..1 mixes two pieces of each tile over large frames; None takes one piece only.
    """

    def __init__(self, window: Window, device: torch.device, piece: torch.Tensor | None = None) -> None:
        self.window = window
        self.device = device
        self.piece = piece

    def planes(
        self,
        layers: Sequence[Layer],
        specs: Sequence[GroundSpec],
        shadows: Sequence[tuple[float, float]],
        box: Window | None = None,
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Codes of tone, mix and relief as float32 [B, 1, h, w] each; relief lit from where the shadows come.

        ``box`` (first row, first column, rows, columns) is the part of the window that is cut; all of it if left out.
        """
        top, left, rows, columns = box or (0, 0, *self.window[2:])
        place = (self.window[0] + top, self.window[1] + left, rows, columns)
        cut = self._cut(layers, specs, shadows, place, False)
        if self.piece is not None:
            other = self._cut(layers, specs, shadows, place, True)
            cut = cut.lerp_(other, self.piece[..., top : top + rows, left : left + columns])
        tone, mix, relief = cut.unbind(1)
        return tone[:, None], mix[:, None], relief[:, None]

    def _cut(
        self,
        layers: Sequence[Layer],
        specs: Sequence[GroundSpec],
        shadows: Sequence[tuple[float, float]],
        place: Window,
        second: bool,
    ) -> torch.Tensor:
        orders, keys = _orders(layers, specs, shadows, second)
        if at_once(self.device):
            return gather(keys, orders, place, self.device)
        out = torch.empty((len(layers), 3, *place[2:]))
        for b, key in enumerate(keys):
            turn, flip_y, flip_x, oy, ox = orders[b]
            _crop(_on_device(*key, self.device), (turn, flip_y, flip_x), (oy, ox), place, out[b])
        return out


def _orders(
    layers: Sequence[Layer],
    specs: Sequence[GroundSpec],
    shadows: Sequence[tuple[float, float]],
    second: bool,
) -> tuple[list[Order], list[Key]]:
    """Which tile each layer takes and how it lies; the ``second`` piece is the same tile turned over and moved."""
    more = (TILE_PX * 5 // 13, TILE_PX * 7 // 17) if second else (0, 0)
    orders = [
        (*_turns(layer.turn != second, shadow), layer.offset_px[0] + more[0], layer.offset_px[1] + more[1])
        for layer, shadow in zip(layers, shadows, strict=True)
    ]
    keys = [(layer.kind, layer.variant, gsd_step(spec.gsd_m)) for layer, spec in zip(layers, specs, strict=True)]
    return orders, keys


def gather(keys: list[Key], orders: list[Order], place: Window, device: torch.device) -> torch.Tensor:
    """Pieces of several tiles at once, by index: float32 [B, 3, h, w] of a place of the frame."""
    names = list(dict.fromkeys(keys))
    tiles = torch.stack([_on_device(*name, device) for name in names])
    y0, x0, h, w = place
    numbers = torch.tensor(orders, device=device, dtype=torch.int64)
    turn, flip_y, flip_x, oy, ox = (numbers[:, i, None] for i in range(5))
    y = torch.arange(y0, y0 + h, device=device) + oy
    x = torch.arange(x0, x0 + w, device=device) + ox
    # Turned: picture y runs along tile columns. A mirrored tile is read backwards.
    y = torch.where(torch.where(turn > 0, flip_x, flip_y) > 0, -1 - y, y) % TILE_PX
    x = torch.where(torch.where(turn > 0, flip_y, flip_x) > 0, -1 - x, x) % TILE_PX
    row = torch.where(turn > 0, y, y * TILE_PX)
    column = torch.where(turn > 0, x * TILE_PX, x)
    which = torch.tensor([names.index(key) for key in keys], device=device)
    index = row[:, None, :, None] + column[:, None, None, :]
    plane = (which[:, None] * 3 + torch.arange(3, device=device)) * (TILE_PX * TILE_PX)
    return tiles.view(-1)[index + plane[:, :, None, None]].float()


@lru_cache(maxsize=2048)
def _on_device(kind: str, variant: int, step: int, device: torch.device) -> torch.Tensor:
    return torch.from_numpy(tile(kind, variant, 2.0 ** (step / STEPS_PER_OCTAVE))).to(device)


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
            piece = _mirrored(_mirrored(source, 1, *down, flip_y), 2, *across, flip_x)
            # Turned as numbers of four bytes: single bytes are turned at half the speed.
            out[:, y : y + rows, x : x + columns] = piece.float().transpose(1, 2) if turn else piece
            x += columns
        y += rows


def _mirrored(source: torch.Tensor, side: int, start: int, length: int, flip: bool) -> torch.Tensor:
    """``length`` lines of a side from ``start`` on, counted from the other end where the side is flipped."""
    if not flip:
        return source.narrow(side, start, length)
    return source.narrow(side, source.shape[side] - start - length, length).flip(side)
