"""OpenCV where it is installed, one thread of it: a machine that only learns may lack it, and then PyTorch does all the drawing.

What it does here PyTorch does too, in twice the time on a CPU; tests hold the two equal.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import torch

from synth.at_once import at_once

cv2: Any
try:
    import cv2
except ImportError:
    cv2 = None
else:
    # Drawing is divided among processes: threads of theirs would only wait for one another.
    cv2.setNumThreads(1)

_left_out = False


def with_opencv(device: torch.device) -> bool:
    """Whether pictures on a device are worked on by OpenCV."""
    return cv2 is not None and not _left_out and not at_once(device)


def warps_exactly(device: torch.device) -> bool:
    """Whether OpenCV may read pictures on a device at places between pixels: before 5 it took the nearest 32nd of one."""
    return with_opencv(device) and int(cv2.__version__.split(".")[0]) >= 5


@contextmanager
def without_opencv() -> Iterator[None]:
    """Within it a CPU works as where OpenCV is not installed."""
    global _left_out
    before, _left_out = _left_out, True
    try:
        yield
    finally:
        _left_out = before
