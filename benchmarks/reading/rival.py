"""An honest rival: torchvision's FCOS, trained for the same wall time on the same chips, judged on the same strange frames.

    python -m benchmarks.reading.rival train --networks DIR --minutes 3 [--draw-s 120] [--device cuda]
    python -m benchmarks.reading.rival judge --networks DIR --out FILE [--judged DIR] [--workers 2]

``train`` first draws a pool of chips, or takes a kept one, by the recipe of the transfer table's row ``two-flights``: the flights
of the judge's frames are left out of the ground. Then each detector in turn has the device to itself for the same number of
seconds. ``judge`` lets both answer the frames of the flights left out, panels and people alone (no readers, no second look).
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import torch

from benchmarks.ledger import note
from benchmarks.transfer.judge import FLIGHT_NAMES, flight_named
from benchmarks.transfer.learn import Plan, Run, Shelves, learn, parts_for
from benchmarks.transfer.measure import figures
from benchmarks.transfer.pool import MISSION, Drawing, draw
from benchmarks.transfer.run import CHIPS, LEFT_OUT_TOGETHER
from benchmarks.transfer.verdict import answer, facts_of, judge_frames, load
from mission.frame_set import read_frame_set
from mission.mission_file import load_mission
from mission.model_file import load_model_file
from pipeline.processors import choose_device, prepare

RIVAL = str(Path(__file__).parent / "rival.yaml")
ROW = "two-flights"
COLUMNS = {
    "ap50": "panel AP50", "recall_at_0.2": "recall at 0.2", "recall_at_1": "at 1", "recall_at_5": "at 5",
    "recall_at_1_untouched": "at 1, untouched", "person_ap50": "person AP50", "person_recall_at_1": "people at 1",
}  # fmt: skip


def run_of(seed: int, left_out: Sequence[str]) -> Run:
    """The training that both are given."""
    return Run(ROW, "detector", seed, tuple(left_out), tuple(f for f in FLIGHT_NAMES if f not in left_out))


def names_of(ours: str) -> dict[str, str]:
    """Name of each in the results -> its model file."""
    return {"ours": ours, "fcos": RIVAL}


def train(given: argparse.Namespace) -> None:
    """Draw the pool and train both, one after the other."""
    begun = time.time()
    chosen = choose_device(given.device)
    prepare(chosen)
    run = run_of(given.seed, given.left_out)
    chips = {name: max(64, round(number * given.chips_share)) for name, number in CHIPS.items()}
    sizes = {name: load_model_file(model) for name, model in names_of(given.ours).items()}
    parts = {name: parts_for(run, one, chips) for name, one in sizes.items()}
    drawing = Drawing(
        given.pool, given.photographs, given.seed, ["cpu"] * given.draw_workers, begun + given.draw_s
    )  # fmt: skip
    drawers, _counter = draw(
        sorted({part for some in parts.values() for part in some}, key=lambda part: part.name), drawing
    )
    for process in drawers:
        process.join()
    print(f"drawn for {time.time() - begun:.0f} s", flush=True)
    for name, model in names_of(given.ours).items():
        out = given.networks / name
        out.mkdir(parents=True, exist_ok=True)
        shelves = Shelves(sorted(parts[name], key=lambda part: part.name), given.pool, chosen.device)
        for shelf in shelves.by_part.values():
            shelf.take_in()
        failed = learn(
            [run], sizes[name], load_mission(MISSION), shelves, lambda _, name=name: parts[name], chosen,
            Plan(out, time.time() + 60.0 * given.minutes, None, model), lambda text: print(text, flush=True),
        )  # fmt: skip
        if failed:
            raise SystemExit("\n".join(failed))
        del shelves
        if not chosen.is_cpu:
            torch.cuda.empty_cache()
        facts = facts_of(out / f"{run.name}.safetensors")
        print(
            f"{name}: {facts['steps']} steps of {facts['batch']} on {facts['chips']} chips in {facts['seconds']} s",
            flush=True,
        )


@dataclass(frozen=True)
class Judged:
    """One network on one flight."""

    name: str
    network: Path
    flight: str
    judged: Path
    device: str


def verdict(one: Judged) -> dict[str, Any]:
    """Its figures, and how long an area of 2000 x 1500 px took (on a CPU, one thread)."""
    torch.set_num_threads(1)
    detector, facts = load(one.network, RIVAL).to(one.device), facts_of(one.network)
    vocabulary = load_mission(MISSION).panels.vocabulary
    times: list[float] = []

    def say_of(pixels: np.ndarray) -> dict[str, Any]:
        began = time.perf_counter()
        said = answer(pixels, detector, None, vocabulary)
        times.append((time.perf_counter() - began) * 3e6 / (pixels.shape[0] * pixels.shape[1]))
        return said

    drawn, plain = (
        judge_frames(read_frame_set(one.judged / f"{one.flight}{which}"), say_of) for which in ("", "-untouched")
    )
    found = figures(drawn["panel"], plain["panel"], drawn["person"], plain["person"], flight_named(one.flight).gsd_m)
    count = sum(p.numel() for p in detector.parameters())
    kept = {name: facts[name] for name in ("seed", "steps", "batch", "chips", "seen", "seconds", "device")}
    return {"network": one.name, "flight": one.flight, "parameters": count, "s_a_frame": float(np.median(times)),
            **kept, **found}  # fmt: skip


def table(results: list[dict[str, Any]]) -> str:
    """Markdown: a line a network, mean of the flights and the worst in brackets; figures never reached are left out."""
    heading = ["network", "parameters", "steps", "chips seen", "s a frame", *COLUMNS.values()]
    lines = ["| " + " | ".join(heading) + " |", "|" + " --- |" * len(heading)]
    for name in sorted({r["network"] for r in results}, reverse=True):
        mine = [r for r in results if r["network"] == name]
        cells = [name, f"{mine[0]['parameters'] / 1e6:.1f} M", *(str(mine[0][key]) for key in ("steps", "seen"))]
        cells.append(f"{np.mean([r['s_a_frame'] for r in mine]):.2f}")
        for figure in COLUMNS:
            known = [r[figure] for r in mine if r[figure] is not None]
            cells.append(f"{np.mean(known):.2f} ({min(known):.2f})" if known else "–")
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def judge(given: argparse.Namespace) -> None:
    """Judge what ``train`` wrote and print the table."""
    found = [(path.parent.name, path) for path in sorted(given.networks.glob("*/*.safetensors"))]
    flights = given.flights or facts_of(found[0][1])["left_out"]
    todo = [Judged(name, path, flight, given.judged, given.device) for flight in flights for name, path in found]
    results = []
    with ProcessPoolExecutor(given.workers, mp_context=get_context("spawn")) as pool:
        for result in pool.map(verdict, todo):
            results.append(result)
            note(given.out, result)
    print(table(results))


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    shared = Path(os.environ.get("PANELSCOUT_SHARED", "../shared")) / "data/aerial"
    steps = parser.add_subparsers(required=True)
    one = steps.add_parser("train")
    one.set_defaults(work=train)
    one.add_argument("--networks", type=Path, required=True, help="folder to write them to")
    one.add_argument("--minutes", type=float, default=3.0, help="of training for each")
    one.add_argument("--draw-s", type=float, default=120.0, help="of drawing before that")
    one.add_argument("--draw-workers", type=int, default=max(1, (os.cpu_count() or 1) - 1))
    one.add_argument("--pool", type=Path, default=Path("/tmp/chip-pool"))
    one.add_argument("--chips-share", type=float, default=1.0, help="scales the pool")
    one.add_argument("--photographs", type=Path, default=shared)
    one.add_argument("--left-out", nargs="+", default=list(LEFT_OUT_TOGETHER), choices=FLIGHT_NAMES)
    one.add_argument("--ours", default="default", help="model file of our detector")
    one.add_argument("--device", default="auto")
    one.add_argument("--seed", type=int, default=1)
    two = steps.add_parser("judge")
    two.set_defaults(work=judge)
    two.add_argument("--networks", type=Path, required=True, help="the folder that was written")
    two.add_argument(
        "--out", type=Path, required=True, help="file that a line of JSON a network and flight is added to"
    )
    two.add_argument(
        "--judged", type=Path, default=Path(".transfer/judged"), help="frame sets of benchmarks.transfer.judge"
    )
    two.add_argument("--flights", nargs="+", choices=FLIGHT_NAMES, help="only these of those left out")
    two.add_argument("--workers", type=int, default=2)
    two.add_argument("--device", default="cpu", help="cpu (one thread a worker) or cuda:NUMBER")
    return parser.parse_args()


def main() -> None:
    given = arguments()
    given.work(given)


if __name__ == "__main__":
    main()
