"""Chips a second and core, stage by stage, beside pasting panels on photographs; one whole frame; two processes against one.

python -m benchmarks.drawing.throughput [--batches 4] [--repeats 5]      some two minutes on two quiet cores
python -m benchmarks.drawing.throughput --device cuda --batch 256        on a GPU: see ``benchmarks.drawing.on_device``
python -m benchmarks.drawing.throughput --device cuda --processes 12     several on one GPU: see ``benchmarks.drawing.together``

Seconds are those of the thread's own work, the least of the repeats; texture tiles are drawn before the clock starts. On a busy
machine everything is slower, the baseline too: trust the ratios, which are measured in turns.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import time
from collections.abc import Callable
from functools import partial
from typing import TypeVar

import torch

from benchmarks.drawing.on_device import device_name, measure
from benchmarks.drawing.together import compare
from mission.mission_file import load_mission
from mission.recipe import load_recipe
from synth.chips import ChipSource
from synth.compose import developed, ground_canvas
from synth.flight import plan_frame, plan_run
from synth.frame_picture import draw_frame
from synth.outlines import outline_atlas
from synth.raster import Atlases, draw
from synth.sketch import sketch

Made = TypeVar("Made")
_CPU = torch.device("cpu")
_BATCH = 16
# (chip's side [px], focus)
_SHAPES = ((320, None), (256, None), (144, "panel"))


def source(chip_px: int, focus: str | None, device: str = "cpu", seed: int = 7) -> ChipSource:
    """Chips of the recipe and the mission that everything is measured with."""
    recipe, mission = load_recipe("field"), load_mission("harrow-fen")
    return ChipSource(recipe, mission, seed=seed, device=device, chip_px=chip_px, focus=focus)  # type: ignore[arg-type]


def _seeded(device: str, seed: int) -> ChipSource:
    return source(320, None, device, seed)


class Clock:
    """Least seconds of each stage of each batch."""

    def __init__(self) -> None:
        self.least: dict[tuple[str, int], float] = {}

    def time(self, stage: str, batch: int, work: Callable[[], Made]) -> Made:
        """Do the work and remember how long it took."""
        start = time.thread_time()
        done = work()
        seconds = time.thread_time() - start
        self.least[stage, batch] = min(seconds, self.least.get((stage, batch), seconds))
        return done

    def milliseconds(self, stage: str, items: int) -> float:
        """Of one item."""
        return 1e3 * sum(s for (name, _), s in self.least.items() if name == stage) / items


def time_stages(clock: Clock, shape: str, chips: ChipSource, batch: int) -> None:
    """One batch, whole and stage by stage."""
    clock.time(shape, batch, lambda: chips.render(chips.scene(_BATCH, batch)))
    scene = clock.time(f"{shape} sample", batch, lambda: chips.scene(_BATCH, batch))
    side = chips.chip_px
    drawing = clock.time(
        f"{shape} project", batch, lambda: sketch(scene.layout, scene.views, scene.captures, scene.outlines)
    )
    canvas = clock.time(f"{shape} ground", batch, lambda: ground_canvas(scene, side, side, _CPU))
    atlases = Atlases(scene.outlines, _CPU)
    clock.time(f"{shape} things", batch, lambda: draw(canvas, drawing, atlases, canvas.light))
    clock.time(f"{shape} camera", batch, lambda: developed(canvas, scene.captures, jpeg=True))


def frame_seconds() -> tuple[float, float]:
    """Seconds and peak memory [MB] of one whole frame, tiles warm."""
    recipe, mission = load_recipe("field"), load_mission("harrow-fen")
    run = plan_run(recipe, mission, 7, 0, None)
    frame = plan_frame(recipe, mission, 7, 0, run)
    outline_atlas(mission.panels.vocabulary)
    times = []
    for _ in range(2):
        start = time.thread_time()
        draw_frame(run, frame, mission, None)
        times.append(time.thread_time() - start)
    return min(times), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description="Time the drawing of chips and frames.")
    parser.add_argument("--batches", type=int, default=4, help="batches of 16 chips of each shape")
    parser.add_argument("--repeats", type=int, default=5, help="of each batch; the quickest counts")
    parser.add_argument(
        "--seconds", type=float, default=10.0, help="of drawing by one and by two processes; 0: left out"
    )
    on_device = parser.add_argument_group("on one device, in the place of all that")
    on_device.add_argument("--device", help="cpu or cuda")
    on_device.add_argument("--batch", type=int, default=256)
    on_device.add_argument("--draw-workers", type=int, default=0, help="also time the first batch of so many processes")
    on_device.add_argument("--processes", type=int, default=1, help="only so many drawing together, beside one")
    options = parser.parse_args()
    torch.set_num_threads(1)
    if options.device and options.processes > 1:
        print(f"{device_name(options.device)}, torch {torch.__version__}, chips of 320 px")
        compare(partial(_seeded, options.device), options.processes, options.batch, options.seconds)
        return
    if options.device:
        shapes = (_SHAPES[0], _SHAPES[2])
        measure(source, shapes, options.device, options.batch, options.seconds, draw_workers=options.draw_workers)
        return
    compare_with_pasting(options)


def compare_with_pasting(options: argparse.Namespace) -> None:
    """Stages on one core beside the baseline, a frame, two processes."""
    # Needs albumentations and OpenCV, which a machine with a GPU may lack.
    from benchmarks.drawing.pasted import PastedPanels

    clock, pasted = Clock(), PastedPanels(seed=7)
    sources = {f"{px} px" + (f", {focus} in the middle" if focus else ""): source(px, focus) for px, focus in _SHAPES}
    for chips in sources.values():
        for batch in range(options.batches):
            chips.render(chips.scene(_BATCH, batch))
    for _ in range(options.repeats):
        for batch in range(options.batches):
            clock.time("pasted", batch, lambda: [pasted.chip() for _ in range(_BATCH)])
            for shape, chips in sources.items():
                time_stages(clock, shape, chips, batch)
    items = options.batches * _BATCH
    baseline = clock.milliseconds("pasted", items)
    print(f"pasted on a photograph, 320 px: {baseline:6.2f} ms a chip, {1e3 / baseline:6.1f} chips/s and core")
    for shape in sources:
        whole = clock.milliseconds(shape, items)
        print(
            f"{shape}: {whole:6.2f} ms a chip, {1e3 / whole:6.1f} chips/s and core, {whole / baseline:.2f} of pasting one"
        )
        for stage in ("sample", "project", "ground", "things", "camera"):
            part = clock.milliseconds(f"{shape} {stage}", items)
            print(f"    {stage:8s} {part:6.2f} ms  {part / whole:5.0%}")
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        seconds, peak_mb = pool.apply(frame_seconds)
    print(f"frame of 5520 x 3680 px: {seconds:.1f} s of work, peak {peak_mb:.0f} MB with the libraries")
    if options.seconds:
        compare(partial(_seeded, "cpu"), 2, _BATCH, options.seconds)


if __name__ == "__main__":
    main()
