"""Seconds to read a whole frame, by stage, as multiples of decoding its JPEG.

    python -m benchmarks.reading.frame_time [--bundle default] [--frames 3] [--threads 2]

The frame is a drawn one of 5520 x 3680 px of the mission harrow-fen, panels and all. "As read" is what one frame adds to
``panelscout read`` without previews: the next frame is decoded while this one is computed.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import torch

from mission.mission_file import load_mission
from mission.recipe import load_recipe
from mission.sightings import KEPT_MIN_CONFIDENCE, KEPT_MOST_PER_FRAME
from pipeline.bundle import load_bundle
from pipeline.frame_reader import LARGEST_TILE_PX, FrameReader, overlap_px
from pipeline.frames_to_read import frames_to_read, load_frame
from pipeline.read import read
from pipeline.tiles import detect_frame
from synth.frames import render_frame_set


def best_s(work: Callable[[], object], repeats: int) -> float:
    """Least wall time of several runs [s]."""
    times = []
    for _ in range(repeats):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return min(times)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--bundle", default="default")
    parser.add_argument("--frames", type=int, default=4)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--device", default="auto")
    parser.add_argument("--repeats", type=int, default=3)
    given = parser.parse_args()
    torch.set_num_threads(given.threads)
    mission, bundle = load_mission("harrow-fen"), load_bundle(given.bundle, given.device)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "frames"
        render_frame_set(load_recipe("demo-judging"), mission, folder, frames=given.frames, seed=5)
        source = frames_to_read(folder, mission)
        frame = source.frames[0]
        pixels = load_frame(frame)
        tensor = torch.from_numpy(pixels).permute(2, 0, 1).to(bundle.device)
        reader = FrameReader(bundle, mission, source.category_ids, bundle.working_confidence)
        tiling: dict[str, Any] = {
            "overlap_px": overlap_px(mission.ground_sample_distance_m), "largest_tile_px": LARGEST_TILE_PX, "batch": 1,
            "at_least": KEPT_MIN_CONFIDENCE, "at_most": KEPT_MOST_PER_FRAME,
        }  # fmt: skip
        boxes = torch.tensor(
            [[x, y, x + 50.0, y + 50.0] for x, y in np.random.default_rng(1).uniform(200, 3000, (60, 2))]
        )
        decode_s = best_s(lambda: load_frame(frame), given.repeats)
        stages = {
            "find, in tiles": best_s(lambda: detect_frame(bundle.detect, tensor, **tiling), given.repeats),
            "read 60 crops": best_s(lambda: bundle.read_attributes(tensor, boxes), given.repeats),
            "a frame's sightings": best_s(lambda: reader.sightings(frame, pixels), given.repeats),
        }
        began = time.perf_counter()
        read(bundle, folder, Path(scratch) / "out", mission=mission, previews=False)
        stages["as read, a frame"] = (time.perf_counter() - began) / given.frames
    print(f"{frame.width_px} x {frame.height_px} px, {given.threads} threads, {bundle.device}, bundle {bundle.name}")
    print(f"{'decode the JPEG':24} {decode_s:6.2f} s   1.00 x")
    for name, seconds in stages.items():
        print(f"{name:24} {seconds:6.2f} s  {seconds / decode_s:5.2f} x")
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak_mb:.0f} MiB, drawing the frames included")


if __name__ == "__main__":
    main()
