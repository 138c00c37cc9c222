"""Freed memory kept by the process, so that drawing need not ask the system for it again.

The C library hands large blocks back as they are freed and gets fresh, empty pages for the next ones; where pages are dear
(virtual machines) that costs a quarter of a frame's time. A process then keeps as much as it needed at its busiest.
"""

from __future__ import annotations

import ctypes
from functools import lru_cache

# mallopt(3) of the GNU C library: parameters and the sizes [bytes] up to which blocks are kept.
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
_MOST_BYTES = 2**31 - 1
_BLOCK_BYTES = (2**28, 2**25)
"""Some versions take no more than 32 MiB."""


@lru_cache(maxsize=1)
def keep_freed_memory() -> bool:
    """Ask the C library to keep it, once; False where it has no such call."""
    try:
        library = ctypes.CDLL(None)
        mallopt = library.mallopt
    except (AttributeError, OSError, TypeError):
        return False
    kept = any(mallopt(_MMAP_THRESHOLD, size) for size in _BLOCK_BYTES)
    return bool(mallopt(_TRIM_THRESHOLD, _MOST_BYTES)) and kept
