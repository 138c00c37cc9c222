"""Processes that draw missing texture tiles on all cores, for one that would otherwise draw them alone (drawing on a GPU).

Each is ``python -m synth.tile_drawing KIND VARIANT STEP ...``: it imports little more than numpy and is there in a third of
a second. Which draws what is settled by claims in the store, so that any number of them, of any process, shares the work.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from synth.tile_store import first_claim

Key = tuple[str, int, int]
#: Fewer tiles than this for each process are drawn before it has started.
_TILES_EACH = 2


@contextmanager
def drawn_by_all_cores(keys: Sequence[Key]) -> Iterator[None]:
    """Processes that draw these tiles while the caller does its share; when it has done, so have they, or they are ended.

    Of callers at the same time one has such processes: the others are enough hands themselves.
    """
    count = min(_cores() - 1, len(keys) // _TILES_EACH)
    if count < 1:
        yield
        return
    helpers: list[subprocess.Popen[bytes]] = []
    try:
        with first_claim("helpers") as first:
            helpers += [_start(keys) for _ in range(count if first else 0)]
            yield
    finally:
        for helper in helpers:
            helper.terminate()
        for helper in helpers:
            helper.wait()


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _start(keys: Sequence[Key]) -> subprocess.Popen[bytes]:
    root = str(Path(__file__).resolve().parent.parent)
    path = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
    words = [str(part) for key in keys for part in key]
    return subprocess.Popen(
        [sys.executable, "-m", "synth.tile_drawing", *words],
        env=os.environ | {"PYTHONPATH": path, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def _keys(words: Sequence[str]) -> list[Key]:
    triples = zip(words[0::3], words[1::3], words[2::3], strict=True)
    return [(kind, int(variant), int(step)) for kind, variant, step in triples]


if __name__ == "__main__":
    from synth.ground_tiles import make_ready

    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that no half-written tile is left
    make_ready(_keys(sys.argv[1:]))
