"""Seconds from the start of a process to its first batch of chips, with an empty and with a warm store of texture tiles.

python -m benchmarks.drawing.first_batch [--device cpu] [--batch 256] [--draw-workers K]

With ``--draw-workers`` the chips are drawn by K processes on cores, as ``panelscout fit`` has it; without, by this process on
the device, which has missing tiles drawn by all cores. Both go through the store of a folder that is removed afterwards.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from functools import partial

import torch

_START = "BENCHMARK_STARTED_AT_S"


def from_start(device: str, batch: int, chip_px: int, draw_workers: int) -> dict[str, float]:
    """Seconds to the first batch with an ``empty`` and with a ``warm`` store."""
    words = ["--device", device, "--batch", str(batch), "--chip", str(chip_px), "--draw-workers", str(draw_workers)]
    seconds = {}
    with tempfile.TemporaryDirectory(prefix="panelscout-first-batch-") as cache:
        for state in ("empty", "warm"):
            environment = os.environ | {"XDG_CACHE_HOME": cache, _START: str(time.time())}
            command = [sys.executable, "-m", "benchmarks.drawing.first_batch", *words]
            done = subprocess.run(command, env=environment, stdout=subprocess.PIPE, text=True, check=True)
            seconds[state] = float(done.stdout.split()[-1])
    return seconds


def _draw_one(options: argparse.Namespace) -> None:
    from benchmarks.drawing.throughput import source

    if options.draw_workers:
        from pipeline.drawing import DrawnByWorkers

        opener = partial(source, options.chip, None)
        with DrawnByWorkers(opener, options.draw_workers, options.batch, options.chip) as drawn:
            drawn.batch(options.batch)
    else:
        image = source(options.chip, None, options.device).batch(options.batch).image
        if image.is_cuda:
            torch.cuda.synchronize(image.device)


def main() -> None:
    parser = argparse.ArgumentParser(description="Time the first batch of chips.")
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--batch", type=int, default=256)
    parser.add_argument("--chip", type=int, default=320, help="side of a chip, px")
    parser.add_argument("--draw-workers", type=int, default=0)
    options = parser.parse_args()
    if _START in os.environ:
        _draw_one(options)
        print(time.time() - float(os.environ[_START]))
        return
    seconds = from_start(options.device, options.batch, options.chip, options.draw_workers)
    drawn_by = f"{options.draw_workers} processes" if options.draw_workers else options.device
    print(
        f"first batch of {options.batch} chips of {options.chip} px, drawn by {drawn_by}: {seconds['empty']:.1f} s after the"
        f" start with an empty store of tiles, {seconds['warm']:.1f} s with a warm one"
    )


if __name__ == "__main__":
    main()
