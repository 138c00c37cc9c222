"""Planes of one picture read at the places of an affine map with OpenCV: cubic, in a third of the time of ``F.grid_sample``."""

from __future__ import annotations

import numpy as np
import torch
from numpy.typing import NDArray

from synth.opencv import cv2

# Planes read together: as many as one vector of the processor takes.
_TOGETHER = 4


def warped(
    planes: torch.Tensor, turn: NDArray[np.float64], first: NDArray[np.float64], size_px: tuple[int, int]
) -> torch.Tensor:
    """Planes [C, H, W] on the CPU at ``turn`` [2, 2] (columns for picture x and y) times a pixel's column and row, plus ``first``
    [2] (x, y of the top-left pixel's middle, counted from 0 at that of the planes'): [C, *size_px].

    Cubic convolution with a = -0.75; outside the planes their last pixel goes on.
    """
    affine = np.concatenate([turn, first[:, None]], 1)
    out = torch.empty((len(planes), *size_px))
    given, into = planes.numpy(), out.numpy()
    for start in range(0, len(given), _TOGETHER):
        part = slice(start, start + _TOGETHER)
        seen = cv2.warpAffine(
            cv2.merge(tuple(given[part])),
            affine,
            size_px[::-1],
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for channel, plane in enumerate(into[part]):
            cv2.extractChannel(seen, channel, dst=plane)
    return out
