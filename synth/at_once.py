"""Whether a batch is worked on at once or piece by piece.

A GPU pays for every call and hardly for pixels, so there all pictures go together; a CPU pays for every pixel that has left its
cache, so there some loops stay. Every such choice asks here, so that the way of a GPU can be followed on a CPU: by tests, which
hold the two ways equal, and by ``benchmarks.drawing.calls``, which counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import torch

_everywhere = False


def at_once(device: torch.device) -> bool:
    """Whether pictures on a device are worked on all together."""
    return _everywhere or device.type != "cpu"


@contextmanager
def at_once_everywhere() -> Iterator[None]:
    """Within it a CPU works as a GPU would."""
    global _everywhere
    before, _everywhere = _everywhere, True
    try:
        yield
    finally:
        _everywhere = before
