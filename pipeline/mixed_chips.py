"""Several sources of chips as one, each with its share of every batch."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.reservoir import Source, join_chips
from synth.chips import ChipBatch


class MixedChips:
    """Batches of which each source draws its share; the n-th batch of a seed is the same whoever draws it.

    ``parts``: (share, source) with shares above 0, taken relative to their sum. How many chips each source draws is
    rounded at random, so that shares hold over many batches however small they are.
    """

    def __init__(self, parts: Sequence[tuple[float, Source]], seed: int) -> None:
        total = sum(share for share, _ in parts)
        self.shares = [share / total for share, _ in parts]
        self.sources = [source for _, source in parts]
        self.seed, self.number = seed, 0

    def batch(self, n: int, /) -> ChipBatch:
        """The next n chips, those of each source together."""
        counts = self._counts(n)
        drawn: ChipBatch | None = None
        for source, count in zip(self.sources, counts, strict=True):
            if count == 0:
                continue
            source.number = self.number  # type: ignore[attr-defined]
            chips = source.batch(count)
            drawn = chips if drawn is None else join_chips(drawn, chips)
        self.number += 1
        assert drawn is not None
        return drawn

    def _counts(self, n: int) -> list[int]:
        offset = np.random.default_rng([self.seed, self.number]).random()
        ends = [int(np.floor(n * share + offset)) for share in np.cumsum(self.shares)]
        ends[-1] = n
        return np.diff([0, *np.minimum(ends, n)]).tolist()
