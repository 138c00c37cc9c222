"""The pictures being drawn, and how lists of pixels are laid over them, turn by turn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import torch

from synth.at_once import at_once
from synth.pixels import Part, Pixels, PixelTable, Turns
from synth.spans import Array, Index

# More pixels than this are laid layer by layer on a CPU, whose cache does not hold those of all layers.
_ONE_LAYER_PX = 16_000


@dataclass(frozen=True)
class Drawn:
    """Pixels ready to be laid: ``value`` [C, N] over ``cover`` [N] at places ``at`` int64 [N] of planes [B, H, W], read as one
    row.

    ``layer_at`` [N] are the same places in the first layer of [B, C, H, W]. ``rank`` [N] says what lies over what (> 0, distinct
    for each thing of a picture), ``bounds`` [L + 1] where the pixels of each turn begin: no two of a turn are at one place.
    """

    at: torch.Tensor
    layer_at: torch.Tensor
    rank: torch.Tensor
    value: torch.Tensor
    cover: torch.Tensor
    bounds: Index

    @staticmethod
    def of(turns: Turns, table: PixelTable, paint: Callable[[Pixels], Painted | None]) -> list[Drawn]:
        """What ``paint`` makes of the pixels of a table, part by part; none at all where it makes nothing."""
        painted = [p for pixels in table if (p := paint(pixels)) is not None]
        if not painted:
            return []
        at, layer_at, rank, value, cover = (
            torch.cat([getattr(p, name) for p in painted], -1) for name in ("at", "layer_at", "rank", "value", "cover")
        )
        return [Drawn(at, layer_at, rank, value, cover, turns.bounds([p.pixels for p in painted]))]


class Painted:
    """Value [C, n] and cover [n] of a part of some pixels, and where they go."""

    def __init__(self, pixels: Pixels, part: Part, value: torch.Tensor, cover: torch.Tensor) -> None:
        self.pixels, self.value, self.cover = part, value, cover
        self.at, self.layer_at = (part.of(pixels.counter(name)) for name in ("at", "layer_at"))
        self.rank = part["rank"]


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

    def lay(self, drawn: Sequence[Drawn], owner: Array) -> None:
        """Lay pixels over the pictures in their turns. ``owner`` [R] is whose a pixel is that rank 1, 2 … covers by half."""
        drawn = [d for d in drawn if len(d.at)]
        if not drawn:
            return
        flat, size = self.layers.view(-1), self.layers[0, 0].numel()
        channel = torch.arange(self.layers.shape[1], device=flat.device)[:, None] * size
        for turn in range(max(len(d.bounds) for d in drawn) - 1):
            for d in drawn:
                part = turn_of(d.bounds, turn)
                if part is None:
                    continue
                at, value, cover = d.layer_at[part], d.value[:, part], d.cover[part]
                if len(at) > _ONE_LAYER_PX and not at_once(flat.device):
                    for k, of_layer in enumerate(value):
                        layer = flat[k * size :]
                        layer.scatter_(0, at, layer.index_select(0, at).lerp_(of_layer, cover))
                    continue
                place = (at + channel).view(-1)
                under = flat.index_select(0, place).view(len(channel), -1)
                flat.scatter_(0, place, under.lerp_(value, cover).view(-1))
        self._own(drawn, owner)

    def _own(self, drawn: Sequence[Drawn], owner: Array) -> None:
        """Whose pixel it is: the last that covers more than half of it."""
        at = torch.cat([d.at for d in drawn])
        rank = torch.cat([d.rank * (d.cover > 0.5) for d in drawn])
        highest = torch.zeros(self.owner.numel(), dtype=rank.dtype, device=at.device)
        highest.scatter_reduce_(0, at, rank, "amax")
        whose = torch.from_numpy(np.concatenate([[-1], owner]).astype(np.int32)).to(at.device)
        # All pixels that meet at one place write the same there.
        self.owner.view(-1).scatter_(0, at, whose.index_select(0, highest.index_select(0, at).long()))


def turn_of(bounds: Index, turn: int) -> slice | None:
    """Pixels of a turn, None where there are none."""
    if turn + 1 >= len(bounds) or bounds[turn] == bounds[turn + 1]:
        return None
    return slice(int(bounds[turn]), int(bounds[turn + 1]))


def multiply(plane: torch.Tensor, at: torch.Tensor, kept: torch.Tensor, bounds: Index) -> None:
    """Multiply factors ``kept`` [N] into a contiguous tensor at places ``at`` [N] of its elements, turn by turn."""
    flat = plane.view(-1)
    for turn in range(len(bounds) - 1):
        part = turn_of(bounds, turn)
        if part is not None:
            flat.scatter_(0, at[part], flat.index_select(0, at[part]).mul_(kept[part]))
