"""The pixels of many things as flat lists, and the numbers of their things beside them: what drawing computes with.

All pixels of all things of a batch of pictures stand one after the other, thing by thing; one call works on all of them,
however many things there are. On a CPU a list is drawn in parts that stay in its cache.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import torch

from synth.at_once import at_once
from synth.spans import Array, Index, Spans, spans

# Pixels drawn at once: where they are dear they should stay in the cache.
_MOST_PX, _MOST_PX_AT_ONCE = 96_000, 24_000_000


@dataclass(frozen=True)
class PixelTable:
    """The things of one table and the runs of their pixels in pictures of ``width_px`` columns.

    ``numbers`` are columns [T] or [T, K] of the things, ``of_runs`` columns [S] of the runs; ``counters`` are whole numbers [S]
    at the first pixel of each run that count up along it.
    """

    runs: Spans
    numbers: Mapping[str, Array]
    of_runs: Mapping[str, Array]
    counters: Mapping[str, Index]
    device: torch.device

    def __iter__(self) -> Iterator[Pixels]:
        """The list in parts; parts end where runs do."""
        end = np.cumsum(self.runs.length)
        most = _MOST_PX_AT_ONCE if at_once(self.device) else _MOST_PX
        first = 0
        while first < len(self.runs):
            done = int(end[first - 1]) if first else 0
            last = max(int(np.searchsorted(end, done + most, side="right")), first + 1)
            yield Pixels(self, np.arange(first, last), done)
            first = last

    @cached_property
    def packed(self) -> tuple[torch.Tensor, dict[str, slice | int]]:
        """All columns of things [C, T] on the device after one copy, and where each is."""
        return _packed(self.numbers, self.device)

    @cached_property
    def packed_of_runs(self) -> tuple[torch.Tensor, dict[str, slice | int]]:
        """All columns of runs [C, S], in the same way."""
        return _packed(self.of_runs, self.device)

    @cached_property
    def packed_counters(self) -> torch.Tensor:
        """What all counters count from [R, S], less the number of the pixel, on the device after one copy."""
        table = np.stack(list(self.counters.values())) - self.runs.first
        return torch.from_numpy(table).to(self.device)


@dataclass(frozen=True)
class Turns:
    """Things of one table, sorted by the turns in which they are drawn: T of them in pictures of ``size_px`` (height, width).

    ``rows`` [T] of their table, ``picture``, ``turn``, ``rank`` (see ``synth.canvas.Drawn``) and ``rectangle`` [T, 4].
    """

    rows: Index
    picture: Index
    turn: Index
    rank: Index
    rectangle: Index
    size_px: tuple[int, int]
    layers: int
    device: torch.device

    def runs(self, edges: Array, reach_px: Array) -> Spans:
        """Runs of their pixels; where pixels are dear, of those inside edges [T, K, 3] widened by ``reach_px`` [T]."""
        if at_once(self.device):
            return spans(self.rectangle)
        return spans(self.rectangle, edges, reach_px)

    def centre_y(self, runs: Spans) -> Array:
        """Centres of the rows of runs from their thing's top [px]."""
        return runs.y - self.rectangle[runs.thing, 1] + 0.5

    def table(
        self,
        runs: Spans,
        numbers: Mapping[str, Array],
        of_runs: Mapping[str, Array],
        counters: Mapping[str, Index] | None = None,
    ) -> PixelTable:
        """The table of pixels. Added are the numbers ``rank``, and the counters ``at`` (place in planes [B, H, W] read as one
        row), ``layer_at`` (place in the first of the ``layers`` of [B, C, H, W]) and ``x`` (column from the thing's left)."""
        height, width = self.size_px
        in_picture = runs.y * width + runs.x
        x = runs.x - self.rectangle[runs.thing, 0]
        picture, area = self.picture[runs.thing], height * width
        places = {"at": picture * area + in_picture, "layer_at": picture * (self.layers * area) + in_picture, "x": x}
        return PixelTable(runs, {"rank": self.rank, **numbers}, of_runs, {**places, **(counters or {})}, self.device)

    def bounds(self, parts: Sequence[PixelList]) -> Index:
        """Where the pixels of each turn begin [L + 1] in the lists one after the other."""
        turn = np.concatenate([self.turn[p.things] for p in parts])
        count = np.bincount(turn, weights=np.concatenate([p.length for p in parts]))
        return np.concatenate([[0], np.cumsum(count.astype(np.int64))])


def _packed(columns: Mapping[str, Array], device: torch.device) -> tuple[torch.Tensor, dict[str, slice | int]]:
    blocks: list[Array] = []
    places: dict[str, slice | int] = {}
    start = 0
    for name, values in columns.items():
        block = np.asarray(values, dtype=np.float32).reshape(len(values), -1).T
        places[name] = start if np.ndim(values) == 1 else slice(start, start + len(block))
        blocks.append(block)
        start += len(block)
    return torch.from_numpy(np.concatenate(blocks)).to(device), places


class PixelList:
    """Pixels of some things of a table, thing by thing: ``things`` [T'] (rows of the table) have ``length`` [T'] of them each.

    ``pixels[name]`` is one of the table's columns for each pixel: float32 [N] or [K, N].
    """

    def __init__(self, table: PixelTable, things: Index, length: Index) -> None:
        self.table, self.things, self.length = table, things, length

    def __getitem__(self, name: str) -> torch.Tensor:
        raise NotImplementedError

    def any(self, mask: Array) -> bool:
        """Whether a mask [T] holds for any thing here."""
        return bool(mask[self.things].any())

    def part(self, mask: Array) -> Part | None:
        """The pixels of the things [T] of a mask, None where there are none.

        Where calls are dear they are all pixels: what is computed must do nothing for other things.
        """
        if not self.any(mask):
            return None
        chosen = mask[self.things]
        if at_once(self.table.device) or chosen.all():
            return Part(self, None, self.things, self.length)
        first, length = (np.cumsum(self.length) - self.length)[chosen], self.length[chosen]
        index = np.repeat(first - (np.cumsum(length) - length), length)
        index += np.arange(len(index))
        return Part(self, torch.from_numpy(index), self.things[chosen], length)

    def _kept(self, keep: torch.Tensor) -> tuple[Index, Index, Index]:
        """Places of the pixels [N] of a mask in this list, and their things and lengths."""
        mask = keep.numpy()
        length = np.add.reduceat(mask, np.cumsum(self.length) - self.length, dtype=np.int64)
        there = length > 0
        return np.flatnonzero(mask), self.things[there], length[there]


class Pixels(PixelList):
    """``count`` = N pixels of some runs of a table, the first of them number ``start`` of all."""

    def __init__(self, table: PixelTable, which: Index, start: int) -> None:
        self.which, self.start = which, start
        self.runs = table.runs.take(which)
        self.count = int(self.runs.length.sum())
        self._first = self.runs.first
        begin = np.flatnonzero(np.diff(self.runs.thing, prepend=-1))
        super().__init__(table, self.runs.thing[begin], np.diff(np.append(self._first[begin], self.count)))

    def __getitem__(self, name: str) -> torch.Tensor:
        table, of_things = self.table, name in self.table.numbers
        if not at_once(table.device):
            which, length = (self.things, self.length) if of_things else (self.which, self.runs.length)
            return _repeated((table.numbers if of_things else table.of_runs)[name][which], length)
        values, places = table.packed if of_things else table.packed_of_runs
        return values[places[name]].index_select(-1, self._thing if of_things else self._run)

    @cached_property
    def _thing(self) -> torch.Tensor:
        things = torch.from_numpy(np.stack([self.things, self.length])).to(self.table.device)
        return torch.repeat_interleave(things[0], things[1], output_size=self.count)

    @cached_property
    def _run(self) -> torch.Tensor:
        runs = torch.from_numpy(np.stack([self.which, self.runs.length])).to(self.table.device)
        return torch.repeat_interleave(runs[0], runs[1], output_size=self.count)

    @cached_property
    def _number(self) -> torch.Tensor:
        """Place of each pixel in the whole table's list: int64 [N]."""
        return torch.arange(self.start, self.start + self.count, device=self.table.device)

    def counter(self, name: str) -> torch.Tensor:
        """Whole numbers int64 [N] that count up along each run."""
        if not at_once(self.table.device):
            first = self.table.counters[name][self.which] - self._first - self.start
            return torch.from_numpy(np.repeat(first, self.runs.length)).add_(self._number)
        place = list(self.table.counters).index(name)
        return self.table.packed_counters[place].index_select(0, self._run) + self._number

    @property
    def x(self) -> torch.Tensor:
        """Centres of the pixels from their thing's left: float32 [N]."""
        return self.counter("x").float().add_(0.5)

    def whole(self) -> Part:
        """All of them."""
        return Part(self, None, self.things, self.length)

    def where(self, keep: torch.Tensor) -> Part | None:
        """The pixels of a mask [N], None where there are none; all where calls are dear."""
        return self.whole().where(keep)


class Part(PixelList):
    """M of the N pixels of a list: all of them where ``index`` is None, else those at ``index`` int64 [M]."""

    def __init__(self, of: PixelList, index: torch.Tensor | None, things: Index, length: Index) -> None:
        super().__init__(of.table, things, length)
        self._of, self.index = of, index
        self._last: torch.Tensor | None = None

    def __getitem__(self, name: str) -> torch.Tensor:
        if self.index is None:
            return self._of[name]
        return _repeated(self.table.numbers[name][self.things], self.length)

    def of(self, values: torch.Tensor) -> torch.Tensor:
        """Of values [..., N] of the list those of these pixels; not to be changed in place."""
        return values if self.index is None else values.index_select(-1, self.index)

    def put(self, into: torch.Tensor, values: torch.Tensor) -> None:
        """Write values [..., M] of these pixels into those [..., N] of the list."""
        if self.index is None:
            into.copy_(values)
        else:
            into.scatter_(-1, self.index.expand_as(values), values)

    def where(self, keep: torch.Tensor) -> Part | None:
        """Those of a mask [M], None where there are none; all where calls are dear. They are a part of the same list."""
        if at_once(self.table.device):
            return self
        at, things, length = self._kept(keep)
        if not len(at):
            return None
        last = torch.from_numpy(at)
        part = Part(self._of, last if self.index is None else self.index.index_select(0, last), things, length)
        part._last = last
        return part

    def still(self, values: torch.Tensor) -> torch.Tensor:
        """Of values of the pixels before ``where`` those that it has kept."""
        return values if self._last is None else values.index_select(-1, self._last)


def _repeated(values: Array, length: Index) -> torch.Tensor:
    """Rows [R] or [R, K], each so often: float32 [N] or [K, N]."""
    columns = np.ascontiguousarray(values.astype(np.float32).T)
    return torch.from_numpy(np.repeat(columns, length, axis=-1))
