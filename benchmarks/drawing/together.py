"""Chips a second drawn by several processes on one device, beside one process in the same run.

python -m benchmarks.drawing.throughput --device cuda --processes 12 --batch 64      two minutes on one GPU

Each process opens a source of its own seed, draws a few batches to fill its caches, and waits until all have; then all draw for
the same seconds. Whole batches count, over the time that they took, up to the last that ended while all were drawing.
"""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import torch

from pipeline.drawing import one_thread_each
from synth.chips import ChipSource

_WARM_UP = 3
_SEED = 7
# A process that has not drawn its first batches by then never will.
_PATIENCE_S = 300.0


@dataclass(frozen=True)
class Drawn:
    """What one process drew: ``rate`` chips/s; ``first_s`` from before its start to its first batch; ``peak_mb`` of the GPU's
    memory (0 on a CPU)."""

    rate: float
    first_s: float
    peak_mb: float


def rate_until(ends_s: list[float], batch: int, seconds: float) -> float:
    """Chips a second of batches that ended so long after the common start, up to the last that ended within ``seconds``."""
    within = [end for end in ends_s if end <= seconds] or ends_s[:1]
    return batch * len(within) / within[-1]


def draw_together(
    opener: Callable[[int], ChipSource], processes: int, batch: int, seconds: float, first_seed: int = _SEED
) -> list[Drawn]:
    """What each of so many processes of one thread drew in the same ``seconds``; the k-th opens seed ``first_seed`` + k.

    RuntimeError where one of them fails.
    """
    context = multiprocessing.get_context("spawn")
    ready, found = context.Barrier(processes), context.Queue()
    started = time.time()
    workers = [
        context.Process(
            target=_draw, args=(partial(opener, first_seed + k), batch, seconds, started, ready, found), daemon=True
        )
        for k in range(processes)
    ]
    with one_thread_each():
        for worker in workers:
            worker.start()
    drawn = []
    try:
        for _ in workers:
            result = found.get(timeout=_PATIENCE_S + seconds)
            if not isinstance(result, Drawn):
                raise RuntimeError(f"A drawing process failed: {result}")
            drawn.append(result)
        return drawn
    finally:
        for worker in workers:
            if len(drawn) < processes:
                worker.terminate()
            worker.join()


def _draw(opener: Callable[[], ChipSource], batch: int, seconds: float, started: float, ready: Any, found: Any) -> None:
    torch.set_num_threads(1)
    try:
        chips = opener()
        on_gpu = chips.device.type == "cuda"

        def draw() -> None:
            chips.batch(batch)
            if on_gpu:
                torch.cuda.synchronize(chips.device)

        draw()
        first_s = time.time() - started
        for _ in range(_WARM_UP - 1):
            draw()
        ready.wait(_PATIENCE_S)
        start, ends = time.perf_counter(), [0.0]
        while ends[-1] < seconds:
            draw()
            ends.append(time.perf_counter() - start)
        peak_mb = torch.cuda.max_memory_reserved(chips.device) / 2**20 if on_gpu else 0.0
        found.put(Drawn(rate_until(ends[1:], batch, seconds), first_s, peak_mb))
    except Exception as error:
        ready.abort()
        found.put(f"{type(error).__name__}: {error}")


def compare(opener: Callable[[int], ChipSource], processes: int, batch: int, seconds: float) -> tuple[float, float]:
    """Chips a second of one process and of ``processes``, printed with their ratio and the time of the first batches."""
    one, many = (draw_together(opener, count, batch, seconds) for count in (1, processes))
    alone, together = (sum(drawn.rate for drawn in group) for group in (one, many))
    slowest = max(drawn.first_s for drawn in many)
    print(
        f"batches of {batch}: one process {alone:.1f} chips/s, {processes} processes {together:.1f} chips/s,"
        f" {together / alone:.2f} times as many; first batch {one[0].first_s:.1f} s after the start of one,"
        f" {min(drawn.first_s for drawn in many):.1f} to {slowest:.1f} s after the start of {processes}"
    )
    if many[0].peak_mb:
        print(f"    GPU memory: at most {max(drawn.peak_mb for drawn in many):.0f} MB a process, without the driver's")
    return alone, together
