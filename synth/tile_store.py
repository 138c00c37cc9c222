"""Texture tiles kept on disk between processes: a tile costs half a second to draw and a millisecond to read.

The folder is the user's cache (``XDG_CACHE_HOME``, else ``~/.cache``) and may be deleted at any time. Its name holds a
fingerprint of the code that draws the tiles and of numpy's version, so that an old tile is never taken for a new one.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from mission.atomic import replacing

_DRAWING_CODE = ("torus.py", "ground_tiles.py", "foliage_tiles.py")


@lru_cache(maxsize=1)
def _folder() -> Path:
    fingerprint = hashlib.sha256(np.__version__.encode())
    for name in _DRAWING_CODE:
        fingerprint.update((Path(__file__).parent / name).read_bytes())
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return cache / "panelscout" / f"tiles-{fingerprint.hexdigest()[:16]}"


def stored(name: str, shape: tuple[int, ...], draw: Callable[[], NDArray[np.int8]]) -> NDArray[np.int8]:
    """The tile of that name from the store, or drawn and put there; a store that cannot be used is passed over."""
    try:
        path = _folder() / f"{name}.npy"
        # Mapped, not read: many processes share one copy in memory, and pages that nobody looks at stay on disk.
        tile = np.load(path, mmap_mode="c", allow_pickle=False)
        if tile.shape == shape and tile.dtype == np.int8:
            return tile
    except (OSError, ValueError, EOFError, RuntimeError):
        pass  # not there yet, damaged, or no home to keep it in
    tile = draw()
    try:
        with replacing(_folder() / f"{name}.npy") as temporary, temporary.open("wb") as file:
            np.save(file, tile, allow_pickle=False)
    except (OSError, RuntimeError):
        pass  # a full disk or a read-only home costs time, not the picture
    return tile
