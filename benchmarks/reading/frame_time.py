"""Milliseconds to read a whole frame, by stage, as multiples of decoding its JPEG.

    python -m benchmarks.reading.frame_time [--bundle default] [--device cuda] [--repeats 20] [--threads 2] [--out FILE]

The frame is a drawn one of 5520 x 3680 px of the mission harrow-fen, panels and all. Median of the repeats after a warm-up, and
the fifth to ninety-fifth percentile; a GPU is waited for before and after each. On a GPU everything is measured in plain numbers
(the baseline) and in 16-bit ones, in which it reads. "Whole chain" goes from pixels in memory (page-locked, as the thread that
decodes leaves them) to sightings; "as read" is what one frame adds to ``panelscout read`` without previews, where the next
frame is decoded while this one is computed.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import torch

from benchmarks.ledger import note
from mission.mission_file import load_mission
from mission.recipe import load_recipe
from mission.sightings import KEPT_MIN_CONFIDENCE, KEPT_MOST_PER_FRAME
from pipeline.bundle import Bundle, load_bundle
from pipeline.frame_reader import LARGEST_TILE_PX, FrameReader, overlap_px
from pipeline.frames_to_read import FramesToRead, frames_to_read, load_frame
from pipeline.processors import page_locked
from pipeline.read import read
from pipeline.tiles import detect_frame, largest_tile_px
from synth.frames import render_frame_set

CROPS = 60


def times_ms(work: Callable[[], object], repeats: int, device: torch.device) -> list[float]:
    """Wall times of several runs [ms], after one tenth as many (at least one) that do not count."""
    times = []
    for _ in range(repeats + max(1, repeats // 10)):
        if device.type == "cuda":
            torch.cuda.synchronize(device)
        began = time.perf_counter()
        work()
        if device.type == "cuda":
            torch.cuda.synchronize(device)
        times.append(1000 * (time.perf_counter() - began))
    return times[-repeats:]


@contextmanager
def in_numbers(bundle: Bundle, bfloat16: bool, tried_out: bool) -> Iterator[None]:
    """A bundle that computes in 16-bit numbers or does not, with each convolution's kernel chosen by trying or by rule."""
    before = bundle.processor, torch.backends.cudnn.benchmark
    bundle.processor, torch.backends.cudnn.benchmark = replace(bundle.processor, bfloat16=bfloat16), tried_out
    try:
        yield
    finally:
        bundle.processor, torch.backends.cudnn.benchmark = before


def stages(
    bundle: Bundle, source: FramesToRead, reader: FrameReader, pixels: np.ndarray
) -> dict[str, Callable[[], Any]]:
    """The parts of reading one frame, each ready to be run again and again."""
    frame, mission, device = source.frames[0], reader.mission, bundle.device
    assert mission is not None
    there = torch.from_numpy(pixels).permute(2, 0, 1)
    tensor = there.to(device)
    tiling: dict[str, Any] = {
        "overlap_px": overlap_px(mission.ground_sample_distance_m), "batch": 1,
        "largest_tile_px": largest_tile_px(device, LARGEST_TILE_PX),
        "at_least": KEPT_MIN_CONFIDENCE, "at_most": KEPT_MOST_PER_FRAME,
    }  # fmt: skip
    boxes = torch.tensor(
        [[x, y, x + 50.0, y + 50.0] for x, y in np.random.default_rng(1).uniform(200, 3000, (CROPS, 2))]
    )
    moved = {} if device.type == "cpu" else {"to the device": lambda: there.to(device, non_blocking=True)}
    return moved | {
        "find": lambda: detect_frame(bundle.detect, tensor, **tiling),
        f"read {CROPS} crops": lambda: bundle.read_attributes(tensor, boxes),
        "whole chain": lambda: reader.sightings(frame, pixels),
    }  # fmt: skip


def summary(times: list[float], decode_ms: float) -> dict[str, float]:
    """Median, fifth and ninety-fifth percentile [ms], and the median in units of decoding."""
    low, middle, high = np.percentile(times, [5, 50, 95])
    return {
        "median_ms": float(middle),
        "p5_ms": float(low),
        "p95_ms": float(high),
        "decodings": float(middle / decode_ms),
    }


def measured(given: argparse.Namespace, scratch: Path) -> tuple[str, list[dict[str, Any]]]:
    """What was measured on, and a line a stage."""
    mission, bundle = load_mission("harrow-fen"), load_bundle(given.bundle, given.device)
    render_frame_set(load_recipe("demo-judging"), mission, scratch / "frames", frames=given.frames, seed=5)
    source = frames_to_read(scratch / "frames", mission)
    frame, device = source.frames[0], bundle.device
    pixels = page_locked(load_frame(frame), device)
    decode = times_ms(lambda: load_frame(frame), min(5, given.repeats), torch.device("cpu"))
    lines = [{"numbers": "", "stage": "decode the JPEG", **summary(decode, float(np.median(decode)))}]
    reader = FrameReader(bundle, mission, source.category_ids, bundle.working_confidence)
    on_gpu = device.type == "cuda"
    ways = {"float32": (False, False)}
    if on_gpu:
        ways |= {"bfloat16": (True, False), "bfloat16, kernels tried out": (True, True)}
    for name, (low, tried_out) in ways.items():
        with in_numbers(bundle, low, tried_out):
            for stage, work in stages(bundle, source, reader, pixels).items():
                if time.monotonic() < given.until:
                    times = times_ms(work, given.repeats, device)
                    lines.append({"numbers": name, "stage": stage, **summary(times, lines[0]["median_ms"])})
    began = time.perf_counter()
    read(bundle, scratch / "frames", scratch / "out", mission=mission, previews=False)
    whole = [1000 * (time.perf_counter() - began) / given.frames]
    as_used = "bfloat16" if bundle.processor.bfloat16 else "float32"
    lines.append({"numbers": as_used, "stage": "as read, a frame", **summary(whole, lines[0]["median_ms"])})
    name = torch.cuda.get_device_name(device) if on_gpu else f"CPU, {given.threads} threads"
    found = len(reader.sightings(frame, pixels))
    return f"{frame.width_px} x {frame.height_px} px, {name}, bundle {bundle.name}, {found} sightings", lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--bundle", default="default")
    parser.add_argument("--frames", type=int, default=4)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--device", default="auto")
    parser.add_argument("--repeats", type=int, default=20)
    parser.add_argument("--limit-s", type=float, default=300.0, help="no further stage is begun after so many seconds")
    parser.add_argument("--out", type=Path, help="add what was measured to this file, a line of JSON a stage")
    given = parser.parse_args()
    given.until = time.monotonic() + given.limit_s
    torch.set_num_threads(given.threads)
    with tempfile.TemporaryDirectory() as scratch:
        heading, lines = measured(given, Path(scratch))
    print(heading)
    for line in lines:
        figures = f"{line['median_ms']:9.2f} ms  {line['p5_ms']:9.2f} {line['p95_ms']:9.2f}  {line['decodings']:6.2f} x"
        print(f"{line['numbers']:28} {line['stage']:18} {figures}")
    print(
        f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB, drawing the frames included"
    )
    note(given.out, *({"measured": heading, **line} for line in lines))


if __name__ == "__main__":
    main()
