"""Pieces of ground tiles laid over a window of the frame: turned, mirrored, wrapped around."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import torch
from numpy.typing import NDArray

from synth.ground_spec import GroundSpec, Layer
from synth.ground_tiles import TILE_PX, gsd_step, tile

Window = tuple[int, int, int, int]


class TileCrops:
    """Cuts the tiles of layers for one window (y0, x0, h, w).

    ``piece`` [B, 1, h, w] 0..1 mixes two pieces of each tile over large frames; None takes one piece only.
    """

    def __init__(self, window: Window, device: torch.device, piece: torch.Tensor | None = None) -> None:
        self.window = window
        self.device = device
        self.piece = piece

    def planes(
        self, layers: Sequence[Layer], specs: Sequence[GroundSpec], shadows: Sequence[tuple[float, float]]
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Codes of tone, mix and relief as float32 [B, 1, h, w] each; relief lit from where the shadows come."""
        cut = self._cut(layers, specs, shadows, (0, 0), False)
        if self.piece is not None:
            other = self._cut(layers, specs, shadows, (TILE_PX * 5 // 13, TILE_PX * 7 // 17), True)
            cut = cut.lerp_(other, self.piece)
        tone, mix, relief = cut.unbind(1)
        return tone[:, None], mix[:, None], relief[:, None]

    def _cut(
        self,
        layers: Sequence[Layer],
        specs: Sequence[GroundSpec],
        shadows: Sequence[tuple[float, float]],
        more: tuple[int, int],
        turned: bool,
    ) -> torch.Tensor:
        orders = [
            (layer.turn != turned, *_flips(shadow), layer.offset_px[0] + more[0], layer.offset_px[1] + more[1])
            for layer, shadow in zip(layers, shadows, strict=True)
        ]
        keys = [(layer.kind, layer.variant, gsd_step(spec.gsd_m)) for layer, spec in zip(layers, specs, strict=True)]
        if self.device.type == "cpu":
            out = np.empty((len(layers), 3, *self.window[2:]), np.float32)
            for b, layer in enumerate(layers):
                _crop(tile(layer.kind, layer.variant, specs[b].gsd_m), orders[b], self.window, out[b])
            return torch.from_numpy(out)
        return self._gather(keys, orders)

    def _gather(
        self, keys: list[tuple[str, int, int]], orders: list[tuple[bool, bool, bool, int, int]]
    ) -> torch.Tensor:
        names = list(dict.fromkeys(keys))
        tiles = torch.stack([_on_device(*name, self.device) for name in names])
        y0, x0, h, w = self.window
        numbers = torch.tensor(orders, device=self.device, dtype=torch.int64)
        turn, flip_y, flip_x, oy, ox = (numbers[:, i, None] for i in range(5))
        y = torch.arange(y0, y0 + h, device=self.device) + oy
        x = torch.arange(x0, x0 + w, device=self.device) + ox
        y = torch.where(flip_y > 0, -1 - y, y) % TILE_PX
        x = torch.where(flip_x > 0, -1 - x, x) % TILE_PX
        row = torch.where(turn > 0, y, y * TILE_PX)
        column = torch.where(turn > 0, x * TILE_PX, x)
        which = torch.tensor([names.index(key) for key in keys], device=self.device)
        index = row[:, None, :, None] + column[:, None, None, :]
        plane = (which[:, None] * 3 + torch.arange(3, device=self.device)) * (TILE_PX * TILE_PX)
        return tiles.view(-1)[index + plane[:, :, None, None]].float()


@lru_cache(maxsize=256)
def _on_device(kind: str, variant: int, step: int, device: torch.device) -> torch.Tensor:
    return torch.from_numpy(tile(kind, variant, 2.0 ** (step / 10))).to(device)


def _flips(shadow: tuple[float, float]) -> tuple[bool, bool]:
    """Mirror (up-down, left-right) that brings the tiles' light, from up and left, to the side the shadow falls away from."""
    return shadow[1] < 0, shadow[0] < 0


def _crop(
    source: NDArray[np.int8], order: tuple[bool, bool, bool, int, int], window: Window, out: NDArray[np.float32]
) -> None:
    """Lay ``source`` [3, n, n] over the window into ``out`` [3, h, w]."""
    turn, flip_y, flip_x, oy, ox = order
    y0, x0, h, w = window
    # Mirrored pixel i is n - 1 - (i + offset): the view is mirrored and the wrap stays at i + offset.
    view = source.transpose(0, 2, 1) if turn else source
    view = view[:, ::-1] if flip_y else view
    view = view[:, :, ::-1] if flip_x else view
    y = 0
    while y < h:
        sy = (y0 + y + oy) % TILE_PX
        rows = min(TILE_PX - sy, h - y)
        x = 0
        while x < w:
            sx = (x0 + x + ox) % TILE_PX
            columns = min(TILE_PX - sx, w - x)
            out[:, y : y + rows, x : x + columns] = view[:, sy : sy + rows, sx : sx + columns]
            x += columns
        y += rows
