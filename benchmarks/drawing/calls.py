"""Calls into torch that drawing makes, stage by stage: on a GPU each is a launch of some microseconds.

python -m benchmarks.drawing.calls [--batch 256] [--chip 320] [--functions 10]      half a minute; runs on a CPU, the GPU's way

Views are left out, since they launch nothing; questions (``.item()``, ``.tolist()``, sizes that hang on values) are counted
beside, since each makes the host wait. Functions are those of ``synth`` that called last.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from typing import Any, TypeVar

import torch
from torch.utils._python_dispatch import TorchDispatchMode

from mission.mission_file import load_mission
from mission.recipe import load_recipe
from synth.at_once import at_once_everywhere
from synth.chips import ChipSource
from synth.compose import developed, ground_canvas
from synth.raster import Atlases, draw
from synth.sketch import sketch

Made = TypeVar("Made")
# Calls that give another view of what is there.
_VIEWS = {
    "_reshape_alias", "_unsafe_view", "alias", "as_strided", "detach", "diagonal", "empty", "empty_like", "empty_strided",
    "expand", "movedim", "narrow", "permute", "select", "slice", "split", "split_with_sizes", "squeeze", "t", "transpose",
    "unbind", "unflatten", "unfold", "unsqueeze", "view", "view_as",
}  # fmt: skip
# Calls whose answer the host needs.
_QUESTIONS = {
    "_local_scalar_dense", "_unique2", "equal", "is_nonzero", "masked_select", "nonzero", "unique", "unique_consecutive",
}  # fmt: skip


class CallCount(TorchDispatchMode):
    """Counts calls by stage and by the function of ours that made them."""

    def __init__(self) -> None:
        super().__init__()
        self.stage = ""
        self.calls: Counter[tuple[str, str]] = Counter()
        self.questions: Counter[tuple[str, str]] = Counter()

    def __torch_dispatch__(self, func: Any, types: Any, args: Any = (), kwargs: Any = None) -> Any:
        name = func.overloadpacket.__name__
        if name not in _VIEWS:
            where = (self.stage, _caller())
            self.calls[where] += 1
            if name in _QUESTIONS or (name.startswith("index") and _has_mask(args)):
                self.questions[where] += 1
        return func(*args, **(kwargs or {}))


def _has_mask(args: Any) -> bool:
    """Whether something is picked by a mask, whose count the host must know."""
    places = args[1] if len(args) > 1 and isinstance(args[1], (list, tuple)) else ()
    return any(isinstance(p, torch.Tensor) and p.dtype in (torch.bool, torch.uint8) for p in places)


def _caller() -> str:
    frame = sys._getframe(2)
    while frame is not None:
        module = frame.f_globals.get("__name__", "")
        if module.startswith("synth."):
            return f"{module.removeprefix('synth.')}.{frame.f_code.co_name}"
        frame = frame.f_back
    return "elsewhere"


def count_calls(chips: ChipSource, batch: int) -> CallCount:
    """Draw a batch the GPU's way once to fill caches, and once more counting."""
    counted = CallCount()
    with at_once_everywhere():
        for mode in (None, counted):
            _draw(chips, batch, mode)
    return counted


def _draw(chips: ChipSource, batch: int, count: CallCount | None) -> None:
    def stage(name: str, work: Callable[[], Made]) -> Made:
        if count is None:
            return work()
        count.stage = name
        with count:
            return work()

    side, device = chips.chip_px, chips.device
    scene = stage("sample", lambda: chips.scene(batch, 0))
    drawing = stage("project", lambda: sketch(scene.layout, scene.views, scene.captures, scene.outlines))
    canvas = stage("ground", lambda: ground_canvas(scene, side, side, device))
    atlases = Atlases(scene.outlines, device)
    stage("things", lambda: draw(canvas, drawing, atlases, canvas.light))
    stage("camera", lambda: developed(canvas, scene.captures, jpeg=True))


def main() -> None:
    parser = argparse.ArgumentParser(description="Count the calls into torch that drawing chips makes.")
    parser.add_argument("--batch", type=int, default=256, help="chips drawn together")
    parser.add_argument("--chip", type=int, default=320, help="side of a chip [px]")
    parser.add_argument("--functions", type=int, default=10, help="functions shown of each stage")
    options = parser.parse_args()
    torch.set_num_threads(1)
    chips = ChipSource(load_recipe("field"), load_mission("harrow-fen"), seed=7, chip_px=options.chip)
    counted = count_calls(chips, options.batch)
    total = sum(counted.calls.values())
    print(f"{options.batch} chips of {options.chip} px: {total} calls, {total / options.batch:.1f} a chip")
    for stage in dict.fromkeys(name for name, _ in counted.calls):
        own = Counter({function: n for (name, function), n in counted.calls.items() if name == stage})
        asked = sum(n for (name, _), n in counted.questions.items() if name == stage)
        print(f"{stage:8s} {own.total():6d} calls, {own.total() / options.batch:6.2f} a chip, {asked} questions")
        for function, n in own.most_common(options.functions):
            more = counted.questions[stage, function]
            print(f"    {n:6d}  {function}" + (f"  ({more} questions)" if more else ""))


if __name__ == "__main__":
    main()
