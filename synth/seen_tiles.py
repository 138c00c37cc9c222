"""Ground tiles read where a frame's pixels see them: each pixel takes the nearest of the tile's finer pixels.

The finer tile has ``FINE`` pixels to one, by cubic interpolation. All of them are equally far from the tile's own, so that a
turned frame is equally sharp everywhere; what is read lies at most a quarter of a pixel off along each side.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import torch

from synth.ground_spec import GroundSpec, Layer
from synth.ground_tiles import STEPS_PER_OCTAVE, TILE_PX, tile
from synth.tile_crops import Window, tile_orders

FINE = 2
_FINE_PX = TILE_PX * FINE
# Cubic convolution: R. Keys, IEEE Transactions on Acoustics, Speech and Signal Processing 29 (1981), with a = -0.75.
_CUBIC = -0.75


class SeenTiles:
    """Reads the tiles of one ground, as ``TileCrops`` does, at ``places`` [2, h, w] (x, y): pixels from ``start`` on."""

    def __init__(
        self,
        places: torch.Tensor,
        start: tuple[int, int],
        levels: Sequence[Sequence[Layer]],
        spec: GroundSpec,
        shadow: tuple[float, float],
    ) -> None:
        self.x, self.y = places.mul(FINE).floor_().int()
        self.start = start
        self.levels, self.spec, self.shadow = levels, spec, shadow

    def planes(self, k: int, box: Window, second: bool) -> list[torch.Tensor]:
        """Codes of tone, mix and relief of level ``k``, float32 [1, 1, h, w] each, in a part (first row, first column, rows,
        columns) of the places."""
        ((turn, flip_y, flip_x, oy, ox),), (key,) = tile_orders(self.levels[k], [self.spec], [self.shadow], second)
        part = (slice(box[0], box[0] + box[2]), slice(box[1], box[1] + box[3]))
        # Turned: y runs along tile columns. A mirrored tile is read backwards.
        flips = (flip_x, flip_y) if turn else (flip_y, flip_x)
        row = _wrapped(self.y[part], oy + self.start[1], flips[0])
        column = _wrapped(self.x[part], ox + self.start[0], flips[1])
        index = row.mul_(_FINE_PX).add_(column)
        codes = _finer(*key, turn).index_select(0, index.view(-1)).view(torch.int8).view(1, 1, *box[2:], 4)
        return [codes[..., plane].float() for plane in range(3)]


def _wrapped(at: torch.Tensor, offset_px: int, flip: bool) -> torch.Tensor:
    """Lines of a finer tile, around its edge, from the other end where it is mirrored."""
    line = (at + (offset_px * FINE) % _FINE_PX).bitwise_and_(_FINE_PX - 1)
    return line.bitwise_xor_(_FINE_PX - 1) if flip else line


@lru_cache(maxsize=32)
def _finer(kind: str, variant: int, step: int, turn: bool) -> torch.Tensor:
    """Finer pixels of a tile, turned over if asked, in four bytes each (tone, mix, relief, nothing); a run's stay in here."""
    planes = torch.from_numpy(tile(kind, variant, 2.0 ** (step / STEPS_PER_OCTAVE))).float()
    fine = _stretched(_stretched(planes, 2), 1).round_().clamp_(-127, 127).to(torch.int8)
    packed = torch.zeros((_FINE_PX, _FINE_PX, 4), dtype=torch.int8)
    packed[..., :3] = fine.permute(0, 2, 1).permute(1, 2, 0) if turn else fine.permute(1, 2, 0)
    return packed.view(torch.int32).view(-1)


def _stretched(planes: torch.Tensor, side: int) -> torch.Tensor:
    """Planes [3, h, w] that wrap around, ``FINE`` times as long along a side."""
    parts = []
    for k in range(FINE):
        off = (k + 0.5) / FINE - 0.5
        first = int(np.floor(off))
        parts.append(sum(_weight(t - off) * planes.roll(-t, side) for t in range(first - 1, first + 3)))
    return torch.stack(parts, side + 1).flatten(side, side + 1)


def _weight(distance: float) -> float:
    d = abs(distance)
    if d <= 1:
        return (_CUBIC + 2) * d**3 - (_CUBIC + 3) * d**2 + 1
    return _CUBIC * (d**3 - 5 * d**2 + 8 * d - 4) if d < 2 else 0.0
