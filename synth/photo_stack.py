"""Pictures of different sizes in one flat tensor, read bilinearly at any places, mirrored beyond their borders.

One call serves a whole batch on any device, whatever pictures its entries come from.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from numpy.typing import NDArray


class PictureStack:
    """Pictures [h, w, channels] of one type, end to end on a device."""

    def __init__(self, pictures: Sequence[NDArray[np.uint8] | NDArray[np.float32]], device: torch.device) -> None:
        self.channels = pictures[0].shape[2]
        self._values = torch.cat([torch.from_numpy(np.array(p)).flatten() for p in pictures]).to(device)
        sizes = [p.shape[0] * p.shape[1] for p in pictures]
        starts = np.concatenate([[0], np.cumsum(sizes)[:-1]]).tolist()
        self._table = torch.tensor(
            [[start, p.shape[0], p.shape[1]] for start, p in zip(starts, pictures, strict=True)], device=device
        )

    def read(self, which: torch.Tensor, x: torch.Tensor, y: torch.Tensor) -> torch.Tensor:
        """Values float32 [B, channels, h, w] of pictures ``which`` [B] at ``x``, ``y`` [B, h, w] in pixels from the edge."""
        start, height, width = (column.view(-1, 1, 1) for column in self._table[which].unbind(1))
        left, top = torch.floor(x - 0.5), torch.floor(y - 0.5)
        fx, fy = ((x - 0.5) - left)[:, None], ((y - 0.5) - top)[:, None]
        column, row = left.long(), top.long()
        columns = [_mirrored(column + k, width) for k in (0, 1)]
        rows = [start + _mirrored(row + k, height) * width for k in (0, 1)]
        upper = torch.lerp(self._at(rows[0] + columns[0]), self._at(rows[0] + columns[1]), fx)
        lower = torch.lerp(self._at(rows[1] + columns[0]), self._at(rows[1] + columns[1]), fx)
        return torch.lerp(upper, lower, fy)

    def _at(self, pixel: torch.Tensor) -> torch.Tensor:
        place = pixel[:, None] * self.channels + torch.arange(self.channels, device=pixel.device).view(1, -1, 1, 1)
        return self._values[place].float()


def _mirrored(index: torch.Tensor, size: torch.Tensor) -> torch.Tensor:
    """Indices beyond a picture's border run back into it."""
    folded = index % (2 * size)
    return torch.where(folded < size, folded, 2 * size - 1 - folded)
