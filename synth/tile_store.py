"""Texture tiles kept on disk between processes: a tile costs half a second to draw and a millisecond to read.

The folder is the user's cache (``XDG_CACHE_HOME``, else ``~/.cache``) and may be deleted at any time. Its name holds a
fingerprint of the code that draws the tiles and of numpy's version, so that an old tile is never taken for a new one.
Processes that meet the same missing tiles share them out (:func:`shared_out`): each is drawn by one of them.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from mission.atomic import replacing

try:
    import fcntl
except ImportError:  # a system without record locks: tiles are then drawn by whoever meets them
    fcntl = None

_DRAWING_CODE = ("torus.py", "laid_pieces.py", "*_tiles.py")
_POLL_S = 0.01
#: A tile that another process does not finish within this time (it may have been halted) is drawn here as well.
PATIENCE_S = 10.0


@lru_cache(maxsize=1)
def _fingerprint() -> str:
    fingerprint = hashlib.sha256(np.__version__.encode())
    for pattern in _DRAWING_CODE:
        for path in sorted(Path(__file__).parent.glob(pattern)):
            fingerprint.update(path.read_bytes())
    return fingerprint.hexdigest()[:16]


def _folder() -> Path:
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return cache / "panelscout" / f"tiles-{_fingerprint()}"


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


def missing(names: Iterable[str]) -> list[str]:
    """Those of the names that are not in the store; none where there is no store."""
    try:
        folder = _folder()
        return [name for name in dict.fromkeys(names) if not (folder / f"{name}.npy").exists()]
    except (OSError, RuntimeError):
        return []


def shared_out(names: Iterable[str], draw: Callable[[str], object]) -> None:
    """Have every missing tile drawn (``draw`` puts it into the store) by one process of all that ask at the same time.

    A tile that another process is drawing is left to it, and waited for when nothing else is left to do. A process that dies
    loses its claims with its life (POSIX record locks). Where claims cannot be made nothing is done here.
    """
    claims = _claims()
    left, since = missing(names), time.monotonic()
    while claims is not None and left:
        others = []
        for name in left:
            if not _claim(claims, name):
                others.append(name)
                continue
            try:
                if missing([name]):  # or it was finished between our looking and our claiming
                    draw(name)
                since = time.monotonic()
            finally:
                _give_up(claims, name)
        left = missing(others)
        if time.monotonic() - since > PATIENCE_S:
            return  # whoever needs what is left draws it
        if left:
            time.sleep(_POLL_S)


@contextmanager
def first_claim(name: str) -> Iterator[bool]:
    """Whether the caller is, until it leaves, the one process of all that share the store to claim a name."""
    claims = _claims()
    first = claims is None or _claim(claims, name)
    try:
        yield first
    finally:
        if first and claims is not None:
            _give_up(claims, name)


_open_claims: dict[Path, int] = {}


def _claims() -> int | None:
    """The file whose bytes stand for tiles, kept open: closing it anywhere in the process would give up every claim."""
    if fcntl is None:
        return None
    try:
        path = _folder() / "claims"
        if path not in _open_claims or not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            _open_claims[path] = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        return _open_claims[path]
    except (OSError, RuntimeError):
        return None


def _byte(name: str) -> int:
    # Two names on one byte only make one of them wait.
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:4], "little")


def _claim(claims: int, name: str) -> bool:
    assert fcntl is not None
    try:
        fcntl.lockf(claims, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, _byte(name))
    except OSError:
        return False
    return True


def _give_up(claims: int, name: str) -> None:
    assert fcntl is not None
    fcntl.lockf(claims, fcntl.LOCK_UN, 1, _byte(name))
