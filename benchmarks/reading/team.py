"""Images a second that training takes in with one GPU and with several, the same batch on each: what a second GPU is worth.

    python -m benchmarks.reading.team [--sizes 1 2] [--model default] [--seconds 20] [--limit-s 400] [--out FILE]

PyTorch's launcher starts one process a GPU, as it does for ``panelscout fit``; each learns with the library's own loop from
kept chips that lie on its GPU, so that drawing limits nothing. The rate is that of the last two thirds of the time, from the
loop's own reports, which wait for the GPU. The first number of processes is the baseline of the others.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import torch
import torch.distributed as dist

from benchmarks.ledger import note
from benchmarks.transfer.pool import write_chips
from mission.mission_file import load_mission
from mission.model_file import ModelFile, load_model_file
from pipeline.bundle import build_detector
from pipeline.chip_supply import chips_a_draw, open_supply
from pipeline.drawing import draw_many
from pipeline.fit import PARTS
from pipeline.processors import choose_device, prepare
from pipeline.readers import Readers
from pipeline.reservoir import Objects, Reservoir, select_chips
from pipeline.tasks import DetectorTask, ReaderTask
from pipeline.team import Team, World
from pipeline.tensor_files import read_tensors
from pipeline.training import Budget, Report, Schedule, train
from pipeline.training_data import training_data
from synth.chips import ChipBatch

RECIPE, MISSION = "plain", "harrow-fen"
SETTLED = 1 / 3
REPORT_S = 1.0


class KeptChips:
    """Gives the chips of a file, always the same ones."""

    def __init__(self, path: Path) -> None:
        tensors, _ = read_tensors(path)
        objects = Objects(tensors["chip"].numpy(), tensors["facts"].numpy())
        self.chips = objects.on(torch.device("cpu"), tensors["image"])

    def __len__(self) -> int:
        return len(self.chips.image)

    def batch(self, n: int, /) -> ChipBatch:
        """The first n."""
        return self.chips if n == len(self) else select_chips(self.chips, torch.arange(n))


def settings_of(model: ModelFile, part: str):
    """How a part is trained."""
    return model.detector_training if part == "detector" else model.reader_training


def keep_chips(model: ModelFile, part: str, path: Path, count: int, workers: int) -> None:
    """Draw the chips that all processes will learn from."""
    settings = settings_of(model, part)
    data = training_data(RECIPE, model, mission=MISSION, seed=0)
    size = chips_a_draw(settings)
    source = open_supply(data, settings, None if part == "detector" else "panel", workers)
    try:
        write_chips(path, [draw_many(source, -(-count // size), size)])
    finally:
        source.close()


def member(given: argparse.Namespace) -> None:
    """One process of a launch: train, and let the first one write what was reached."""
    world, model = World.here(), load_model_file(given.model)
    chosen = choose_device(world.device(given.device))
    prepare(chosen)
    if chosen.is_cpu:
        torch.set_num_threads(1)
    settings, chips = settings_of(model, given.member), KeptChips(given.chips)
    torch.manual_seed(0)
    vocabulary = load_mission(MISSION).panels.vocabulary
    network = build_detector(model.detector) if given.member == "detector" else Readers(model.readers, vocabulary)
    network = network.to(chosen.device).to(memory_format=torch.channels_last)  # type: ignore[call-overload]
    task = DetectorTask(chips.chips) if given.member == "detector" else ReaderTask(chips.chips, 0)
    reservoir = Reservoir(
        chips, capacity=len(chips), uses_per_chip=2**40, mirrored=given.member == "detector", seed=world.rank,
        device=chosen.device, draw_chips=len(chips), window_px=settings.window_px,
    )  # fmt: skip
    reports: list[Report] = []
    with world.joined(chosen):
        group = dist.new_group(list(range(world.size))) if world.size > 1 else None
        train(
            task, network, reservoir, settings, Budget(seconds=given.seconds), chosen, on_progress=reports.append,
            schedule=Schedule(report_s=REPORT_S, validations=1), team=Team(world.rank, world.size, group),
        )  # fmt: skip
    if world.rank == 0:
        settled = [one for one in reports if one.elapsed_s >= SETTLED * given.seconds and one.losses]
        first, last = settled[0], settled[-1]
        rate = (last.step - first.step) * settings.batch * world.size / max(1e-9, last.elapsed_s - first.elapsed_s)
        name = "CPU" if chosen.is_cpu else torch.cuda.get_device_name(chosen.device)
        line = {"part": given.member, "processes": world.size, "batch_each": settings.batch, "images_a_second": rate}
        given.result.write_text(
            json.dumps({**line, "steps": last.step, "device": name, "torch": str(torch.__version__)})
        )


def launched(given: argparse.Namespace, part: str, size: int, chips: Path, result: Path) -> dict[str, Any]:
    """What a launch of so many processes reached."""
    command = [sys.executable, "-m", "torch.distributed.run", "--standalone", "--nproc-per-node", str(size), "-m"]
    command += ["benchmarks.reading.team", "--member", part, "--chips", str(chips), "--result", str(result)]
    command += ["--seconds", str(given.seconds), "--model", given.model, "--device", given.device]
    environment = {**os.environ, "OMP_NUM_THREADS": os.environ.get("OMP_NUM_THREADS", "4")}
    subprocess.run(command, check=True, env=environment)
    return json.loads(result.read_text())


def measure(given: argparse.Namespace) -> None:
    """Launch all sizes for each part and print the table."""
    until, lines = time.monotonic() + given.limit_s, []
    model = load_model_file(given.model)
    with tempfile.TemporaryDirectory() as scratch:
        for part in given.parts:
            chips, result = Path(scratch) / f"{part}.safetensors", Path(scratch) / "result.json"
            keep_chips(model, part, chips, max(given.kept, settings_of(model, part).batch), given.draw_workers)
            baseline = None
            for size in given.sizes:
                if time.monotonic() + 2 * given.seconds > until:
                    print(f"no time left for {part} with {size}")
                    continue
                line = launched(given, part, size, chips, result)
                baseline = baseline or line["images_a_second"]
                lines.append(line | {"ratio": line["images_a_second"] / baseline})
    print("| part | processes | images a second | ratio |\n" + "|" + " --- |" * 4)
    for line in lines:
        print(f"| {line['part']} | {line['processes']} | {line['images_a_second']:.0f} | {line['ratio']:.2f} |")
    note(given.out, *lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", type=int, nargs="+", default=[1, 2], help="numbers of processes, the baseline first")
    parser.add_argument("--parts", nargs="+", choices=PARTS, default=list(PARTS))
    parser.add_argument("--model", default="default")
    parser.add_argument("--seconds", type=float, default=20.0, help="of training for each number and part")
    parser.add_argument("--kept", type=int, default=512, help="chips of each part to learn from")
    parser.add_argument("--draw-workers", type=int, default=max(1, (os.cpu_count() or 1) - 2))
    parser.add_argument("--limit-s", type=float, default=400.0)
    parser.add_argument("--device", default="auto")
    parser.add_argument("--out", type=Path, help="add what was measured to this file, a line of JSON each")
    inner = parser.add_argument_group("given by the program to the processes that it launches")
    inner.add_argument("--member", choices=PARTS, help=argparse.SUPPRESS)
    inner.add_argument("--chips", type=Path, help=argparse.SUPPRESS)
    inner.add_argument("--result", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    (member if given.member else measure)(given)


if __name__ == "__main__":
    main()
