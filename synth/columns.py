"""Columns of a table as the rasteriser wants them: sorted by batches of patches, on the device after one copy."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import torch

from synth.patches import Array, Index, PatchBatch, patch_batches


class PatchedTable:
    """The rows of a table of things, sorted into batches of patches; columns are handed over in that order.

    ``rows`` [N] into the table, ``corner`` [N, 2] (x0, y0) of their patches in pixels of the picture.
    """

    def __init__(self, box: Array, size_px: tuple[int, int], device: torch.device) -> None:
        self.device = device
        self.batches = list(patch_batches(box, size_px, device))
        self.rows: Index = np.concatenate([b.rows for b in self.batches]) if self.batches else np.zeros(0, np.int64)
        corners = [np.stack([b.x0, b.y0], axis=1) for b in self.batches]
        self.corner: Array = np.concatenate(corners) if corners else np.zeros((0, 2))

    def __len__(self) -> int:
        return len(self.rows)

    def each(self, **columns: Array) -> Iterator[tuple[PatchBatch, slice, dict[str, torch.Tensor]]]:
        """Batches, their place in ``rows``, and their columns: float32 [P, 1, 1] of a column [N], [K, P, 1, 1] of [N, K]."""
        if not self.batches:
            return
        blocks = [np.asarray(v, dtype=np.float32).reshape(len(self), -1).T for v in columns.values()]
        table = torch.from_numpy(np.concatenate(blocks)).to(self.device)[:, :, None, None]
        ends = np.cumsum([len(block) for block in blocks])
        places = [
            (name, end - len(block), end, np.ndim(values) > 1)
            for (name, values), block, end in zip(columns.items(), blocks, ends, strict=True)
        ]
        start = 0
        for batch in self.batches:
            stop = start + len(batch.rows)
            some = table[:, start:stop]
            yield (
                batch,
                slice(start, stop),
                {name: some[first:end] if several else some[first] for name, first, end, several in places},
            )
            start = stop
