"""The transfer loop: rows of ingredients, trained on flights and judged on those that were left out.

    python -m benchmarks.transfer.run --rows real procedural empty-0 --out networks --limit-s 400
    python -m benchmarks.transfer.verdict networks --out results.jsonl
    python -m benchmarks.transfer.table results.jsonl

Processes draw one pool of chips for all rows while a process for each block of rows learns from it, all rows side by side.
A row with real ground is trained once for each flight (``--flights``) that is left out, or once without the three of
LEFT_OUT_TOGETHER; a row on procedural ground once. ``--ship`` also trains the networks of a model file on every flight, on
the same chips. Processes are dealt out to the GPUs of the machine by what they have to do.
"""

from __future__ import annotations

import argparse
import os
import shutil
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
import torch.multiprocessing as processes

from benchmarks.transfer.ingredients import row_named
from benchmarks.transfer.judge import FLIGHT_NAMES
from benchmarks.transfer.learn import Plan, Run, Shelves, learn, parts_for
from benchmarks.transfer.pool import MISSION, Drawing, Part, draw
from mission.errors import must
from mission.mission_file import load_mission
from mission.model_file import ModelFile, load_model_file
from pipeline.processors import choose_device, prepare

#: What rows that leave out three flights are judged on; the other two serve them as ground.
LEFT_OUT_TOGETHER = ("park", "allotment", "bush")
MODEL = Path(__file__).parent / "model.yaml"
#: Chips at most on each flight's ground and on procedural ground, for the detectors and for the readers.
CHIPS = {"detector.flight": 8192, "detector.procedural": 12288, "readers.flight": 8192, "readers.procedural": 12288}


@dataclass(frozen=True)
class Learner:
    """A process that trains some runs of one model file side by side, each of so many steps (None: by the clock)."""

    runs: tuple[Run, ...]
    model: str
    steps: int | None = None

    @property
    def work(self) -> float:
        """Rough cost, to deal processes out by: a model file that is not the rows' own one counts three times."""
        return len(self.runs) * (self.steps or 1000) * (1.0 if self.model == str(MODEL) else 3.0)


def planned(
    rows: Sequence[str], seeds: Sequence[int], flights: Sequence[str] = FLIGHT_NAMES, once: Sequence[str] = ()
) -> Iterator[Run]:
    """All trainings asked for, first seeds first; ``flights`` are those that judge, rows of ``once`` take the first seed only."""
    for name in flights:
        if name not in FLIGHT_NAMES:
            raise must("flights", f"be of {', '.join(FLIGHT_NAMES)}", name)
    for number, seed in enumerate(seeds):
        for name in rows:
            row = row_named(name)
            if number and name in once:
                continue
            groups = [(flight,) for flight in flights] if row.leaves_out == "one" else [LEFT_OUT_TOGETHER]
            for part in row.parts:
                for group in groups if row.real_share > 0 else [tuple(flights)]:
                    grounds = tuple(f for f in FLIGHT_NAMES if f not in group) if row.real_share > 0 else ()
                    yield Run(name, part, seed, group, grounds)


def shipped(seed: int) -> tuple[Run, ...]:
    """The two trainings on everything, half of it drawn ground: neither carries over better, and users' ground is neither."""
    return tuple(Run("half-real", part, seed, (), FLIGHT_NAMES) for part in ("detector", "readers"))


def by_block(runs: Sequence[Run]) -> list[tuple[Run, ...]]:
    """Runs of a seed that take from the same parts of the pool together: a process holds each part once."""
    blocks: dict[tuple[bool, str, str, int], list[Run]] = {}
    for run in runs:
        row = row_named(run.row)
        blocks.setdefault((row.real_share > 0, row.leaves_out, run.part, run.seed), []).append(run)
    return [tuple(block) for block in blocks.values()]


def is_large(run: Run) -> bool:
    """Whether a run belongs to the rows that leave out one flight at a time, or to ``procedural``, their rival."""
    row = row_named(run.row)
    return row.leaves_out == "one" and row.chips is None


def learners_for(runs: Sequence[Run], given: argparse.Namespace) -> list[Learner]:
    """The processes that train all runs; ``--large`` and ``--large-steps`` are for the rows that leave out one flight."""
    large = [run for run in runs if is_large(run)]
    rest = [run for run in runs if not is_large(run)]
    found = [Learner(some, given.large or given.model, given.large_steps or given.steps) for some in by_block(large)]
    return found + [Learner(some, given.model, given.steps) for some in by_block(rest)]


def dealt_out(learners: Sequence[Learner], device: str, gpus: int) -> list[str]:
    """The device of each process: with several GPUs and nothing asked for, the one with the least to do so far."""
    if device != "auto" or gpus < 2:
        return [device] * len(learners)
    load, chosen = [0.0] * gpus, [""] * len(learners)
    for place in sorted(range(len(learners)), key=lambda i: -learners[i].work):
        number = load.index(min(load))
        load[number] += learners[place].work
        chosen[place] = f"cuda:{number}"
    return chosen


def drawing_devices(device: str, workers: int) -> list[str]:
    """The device of each drawing process; "cuda" takes all GPUs in turn."""
    gpus = torch.cuda.device_count() if device == "cuda" else 0
    return [f"cuda:{number % gpus}" if gpus else device for number in range(workers)]


def work(learner: Learner, device: str, given: argparse.Namespace, chips: dict[str, int], until: float) -> None:
    """Body of a learning process."""
    torch.set_num_threads(1)
    chosen = choose_device(device)
    prepare(chosen)
    sizes = load_model_file(learner.model)
    asked = {run: parts_for(run, sizes, chips) for run in learner.runs}
    shelves = Shelves(
        sorted({p for parts in asked.values() for p in parts}, key=lambda p: p.name), given.pool, chosen.device,
        given.renewed,
    )  # fmt: skip
    started = time.time()
    shelves.wait(given.begin_with, started + (until - started) / 3)
    print(f"{len(learner.runs)} trainings begin on {device} after {time.time() - started:.0f} s", flush=True)
    model = None if learner.model == str(MODEL) else learner.model
    failed = learn(
        learner.runs, sizes, load_mission(MISSION), shelves, asked.__getitem__, chosen,
        Plan(given.out, until, learner.steps, model), lambda text: print(text, flush=True),
    )  # fmt: skip
    shelves.ended = True
    held = {part.name: shelf.held for part, shelf in shelves.by_part.items()}
    print(f"chips held: {held}", *failed, sep="\n", flush=True)
    if failed:
        raise SystemExit(1)


def run_all(learners: Sequence[Learner], given: argparse.Namespace, until: float) -> int:
    """Draw and learn; returns how many learning processes failed."""
    sizes: dict[str, ModelFile] = {learner.model: load_model_file(learner.model) for learner in learners}
    more = {name: given.procedural_times if name.endswith("procedural") else 1.0 for name in CHIPS}
    chips = {name: max(64, round(number * given.chips_share * more[name])) for name, number in CHIPS.items()}
    parts: dict[Part, None] = {}
    for learner in learners:
        for run in learner.runs:
            parts |= dict.fromkeys(parts_for(run, sizes[learner.model], chips))
    drawing = Drawing(
        given.pool, given.photographs, given.seeds[0], drawing_devices(given.draw_device, given.workers),
        until - given.tail_s, given.renewed,
    )  # fmt: skip
    drawers, _counter = draw(list(parts), drawing)
    context = processes.get_context("spawn")
    devices = dealt_out(learners, given.device, torch.cuda.device_count())
    started = [
        context.Process(target=work, args=(one, device, given, chips, until - given.tail_s))
        for one, device in zip(learners, devices, strict=True)
    ]  # fmt: skip
    for process in started:
        process.start()
    for process in started:
        process.join(max(1.0, until - time.time()))
    for process in drawers:
        process.join(5.0)
    for process in [*started, *drawers]:
        if process.is_alive():
            process.terminate()
    return sum(process.exitcode != 0 for process in started)


def shards(out: Path, folder: Path, largest_mib: float = 15.0) -> list[Path]:
    """The networks of ``out`` in tar files of at most so many MiB, for links that carry only so much."""
    import tarfile

    files = sorted(out.glob("*.safetensors"), key=lambda f: -f.stat().st_size)
    groups: list[tuple[int, list[Path]]] = []
    for file in files:
        size = file.stat().st_size
        place = next((i for i, (s, _) in enumerate(groups) if s + size < largest_mib * 2**20), None)
        if place is None:
            groups.append((size, [file]))
        else:
            groups[place] = (groups[place][0] + size, [*groups[place][1], file])
    written = []
    for number, (_, members) in enumerate(groups):
        path = folder / f"networks-{number}.tar"
        with tarfile.open(path, "w") as archive:
            for member in members:
                archive.add(member, member.name)
        written.append(path)
    return written


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    shared = Path(os.environ.get("PANELSCOUT_SHARED", "../shared")) / "data/aerial"
    parser.add_argument("--rows", nargs="*", default=[])
    parser.add_argument("--ship", metavar="MODEL", help="also train this model file on every flight")
    parser.add_argument("--out", type=Path, required=True, help="folder for the networks")
    parser.add_argument("--pool", type=Path, default=Path("/tmp/chip-pool"), help="folder for the drawn chips")
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--once", nargs="+", default=[], metavar="ROW", help="rows that take the first seed only")
    parser.add_argument("--parts", nargs="+", default=["detector", "readers"], choices=("detector", "readers"))
    parser.add_argument("--steps", type=int, help="of each training; without it all go on to the end of the time")
    parser.add_argument("--large", metavar="MODEL", help="model file of the rows that leave out one flight at a time")
    parser.add_argument("--large-steps", type=int, help="steps of these")
    parser.add_argument("--flights", nargs="+", default=list(FLIGHT_NAMES), help="leave out and judge on these only")
    parser.add_argument("--photographs", type=Path, default=shared)
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 1) - 4), help="processes that draw")
    parser.add_argument("--draw-device", default="cpu", help="cpu, or cuda: a process draws ten times as much there")
    parser.add_argument("--renewed", action="store_true", help="draw on and on: new chips take the places of old ones")
    parser.add_argument("--procedural-times", type=float, default=1.0, help="scales the pool of drawn ground once more")
    parser.add_argument("--device", default="auto")
    parser.add_argument("--model", default=str(MODEL), help="the fixed networks")
    parser.add_argument("--begin-with", type=int, default=512, help="chips of each part before learning begins")
    parser.add_argument("--chips-share", type=float, default=1.0, help="scales the pool")
    parser.add_argument("--limit-s", type=float, default=400.0, help="all ends within this time")
    parser.add_argument("--tail-s", type=float, default=15.0, help="of which this is kept for writing")
    parser.add_argument("--shards", type=Path, help="folder for the networks in tar files of 15 MiB")
    return parser.parse_args()


def main() -> None:
    begun = time.time()
    given: Any = arguments()
    given.out.mkdir(parents=True, exist_ok=True)
    asked = planned(given.rows, given.seeds, given.flights, given.once)
    learners = learners_for([run for run in asked if run.part in given.parts], given)
    if given.ship:
        learners += [
            Learner((run,), given.ship, given.large_steps) for run in shipped(given.seeds[0]) if run.part in given.parts
        ]
    print(f"{sum(len(one.runs) for one in learners)} trainings in {len(learners)} processes", flush=True)
    failed = run_all(learners, given, begun + given.limit_s)
    if given.shards:
        given.shards.mkdir(parents=True, exist_ok=True)
        shards(given.out, given.shards)
    print(f"{shutil.disk_usage(given.pool).free / 2**30:.0f} GiB free; {time.time() - begun:.0f} s in all", flush=True)
    raise SystemExit(1 if failed else 0)


if __name__ == "__main__":
    main()
