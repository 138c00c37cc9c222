"""Which pixels a thing may touch: runs of pixels in the rows of its picture, found on the host from boxes and half planes.

Things of all pictures of a batch are handled together. Things whose boxes meet are drawn one after the other: ``levels``
says who can share a turn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Index = NDArray[Any]

#: No run is longer, so that a run never crosses more than one border of the grain's tile.
LONGEST_PX = 128
_TURNS_AT_ONCE = 32


@dataclass(frozen=True)
class Spans:
    """Runs of pixels: ``thing`` [S] (row of its table, ascending), row ``y``, first column ``x`` and ``length`` [S], all > 0."""

    thing: Index
    y: Index
    x: Index
    length: Index

    @property
    def first(self) -> Index:
        """Number of the first pixel of each run among all."""
        return np.cumsum(self.length) - self.length

    def __len__(self) -> int:
        return len(self.thing)

    def take(self, which: Any) -> Spans:
        """Some of the runs."""
        return Spans(self.thing[which], self.y[which], self.x[which], self.length[which])


def rectangles(box: Array, size_px: tuple[int, int]) -> Index:
    """Whole pixels [N, 4] (x0, y0, x1, y1) of boxes [N, 4] that touch a picture of ``size_px`` (height, width)."""
    height, width = size_px
    low = np.clip(np.floor(box[:, :2]), 0, [width - 1, height - 1]).astype(np.int64)
    high = np.clip(np.ceil(box[:, 2:]), 1, [width, height]).astype(np.int64)
    return np.concatenate([low, np.maximum(high, low + 1)], axis=1)


def spans(rectangle: Index, edges: Array | None = None, reach_px: Array | None = None) -> Spans:
    """Runs of the pixels in rectangles [N, 4] whose centres lie at most ``reach_px`` [N] outside all edges [N, K, 3].

    Edges are half planes a x + b y + c > 0 outside, (a, b) of unit length; (0, 0, c) stands for none.
    """
    high = rectangle[:, 3] - rectangle[:, 1]
    thing = np.repeat(np.arange(len(rectangle)), high)
    y = np.arange(len(thing)) - np.repeat(np.cumsum(high) - high - rectangle[:, 1], high)
    x0, x1 = rectangle[thing, 0], rectangle[thing, 2]
    if edges is not None and reach_px is not None:
        x0, x1 = narrowed(thing, y, x0, x1, edges, reach_px)
    kept = x1 > x0
    return _cut(Spans(thing[kept], y[kept], x0[kept], (x1 - x0)[kept]))


def narrowed(thing: Index, y: Index, x0: Index, x1: Index, edges: Array, reach_px: Array) -> tuple[Index, Index]:
    """Columns [x0, x1) of runs in rows y, less those whose centres lie outside the edges of their thing by more than that."""
    a, b = edges[..., 0], edges[..., 1]
    room = reach_px[:, None] - edges[..., 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing, slope = room / a, -b / a
    right, left = a > 1e-6, a < -1e-6
    middle = y + 0.5
    for k in range(edges.shape[1]):
        for side, far, nearest in ((right[:, k], np.inf, np.minimum), (left[:, k], -np.inf, np.maximum)):
            if not side.any():
                continue
            at = np.where(side, crossing[:, k], far)[thing] + np.where(side, slope[:, k], 0.0)[thing] * middle
            if far > 0:
                x1 = nearest(x1, np.floor(np.clip(at, -1e6, 1e6) + 0.5).astype(np.int64))
            else:
                x0 = nearest(x0, np.ceil(np.clip(at, -1e6, 1e6) - 0.5).astype(np.int64))
    return x0, x1


def _cut(runs: Spans) -> Spans:
    """Runs of at most LONGEST_PX."""
    pieces = -(-runs.length // LONGEST_PX)
    if not len(runs) or pieces.max() == 1:
        return runs
    which = np.repeat(np.arange(len(runs)), pieces)
    piece = np.arange(len(which)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    done = piece * LONGEST_PX
    return Spans(
        runs.thing[which], runs.y[which], runs.x[which] + done, np.minimum(runs.length[which] - done, LONGEST_PX)
    )


def levels(picture: Index, order: Array, rectangle: Index) -> Index:
    """Turn [N] of each thing: things of one turn have no pixel in common, what lies over another has a later turn.

    ``rectangle`` [N, 4] are whole pixels in pictures [N]; ``order`` says what lies over what (of equals the later row).
    """
    turn = np.zeros(len(picture), dtype=np.int64)
    if not len(picture):
        return turn
    sequence = np.lexsort((order, picture))
    _, first, count = np.unique(picture[sequence], return_index=True, return_counts=True)
    # Pictures of about as many things are handled together.
    size = np.int64(4) ** np.ceil(np.log2(count) / 2).astype(np.int64)
    for most in np.unique(size):
        mine = np.flatnonzero(size == most)
        place = np.arange(min(most, count[mine].max()))
        there = place < count[mine, None]
        place = first[mine, None] + place
        row = sequence[np.where(there, place, first[mine, None])]
        turn[row[there]] = _turns(rectangle[row], there)[there]
    return turn


def _turns(rectangle: Index, there: NDArray[np.bool_]) -> Index:
    """Turns [B, M] of things in their order; rectangles [B, M, 4]."""
    x0, y0, x1, y1 = np.moveaxis(rectangle.astype(np.int32), 2, 0)
    after = np.ones(there.shape, dtype=np.int32)
    for start in range(0, there.shape[1], _TURNS_AT_ONCE):
        part = np.s_[:, start : start + _TURNS_AT_ONCE, None]
        end = start + _TURNS_AT_ONCE
        # [B, some, M]: what those of this part meet.
        meets = (x0[part] < x1[:, None, :end]) & (x1[part] > x0[:, None, :end])
        meets &= (y0[part] < y1[:, None, :end]) & (y1[part] > y0[:, None, :end])
        meets &= there[:, None, :end]
        for i in range(max(start, 1), min(end, there.shape[1])):
            after[:, i] += (meets[:, i - start, :i] * after[:, :i]).max(axis=1)
    return after.astype(np.int64) - 1
