"""The transfer loop: rows of ingredients, trained on flights and judged on the one that was left out.

    python -m benchmarks.transfer.run --rows real procedural empty-0 --out results.jsonl

Each row is trained once per group of flights that is left out (``--leave-out``; by default every flight alone, so five
trainings); rows without real ground are trained once and judged on all. Results are appended as they come, one line a
flight; what is there already is not run again. Trainings are spread over all GPUs, ``--at-once`` on each.
``python -m benchmarks.transfer.table results.jsonl`` prints the table.
"""

from __future__ import annotations

import argparse
import json
import os
import queue
import time
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import torch
import torch.multiprocessing as processes

from benchmarks.transfer.ingredients import row_named
from benchmarks.transfer.judge import FLIGHT_NAMES, judge_flight
from benchmarks.transfer.trial import SIZES, Job, run_job
from mission.errors import must


def planned(given: argparse.Namespace) -> Iterator[Job]:
    """All trainings asked for, first seeds first."""
    groups = [tuple(text.split(",")) for text in given.leave_out or FLIGHT_NAMES]
    for name in [flight for group in groups for flight in group]:
        if name not in FLIGHT_NAMES:
            raise must("leave-out", f"name flights ({', '.join(FLIGHT_NAMES)})", name)
    every = tuple(flight for group in groups for flight in group)
    for seed in given.seeds:
        for row in given.rows:
            real = row_named(row).real_share > 0
            for group in groups if real else [every]:
                grounds = tuple(f for f in FLIGHT_NAMES if f not in group)
                yield Job(
                    row, seed, group, grounds, given.photographs, given.judged, given.sizes, given.speed,
                    tuple(given.parts), given.sheets,
                )  # fmt: skip


def already_done(out: Path) -> set[tuple[Any, ...]]:
    """(row, seed, flight, left out, sizes, speed) of the results that stand in a file."""
    if not out.exists():
        return set()
    lines = [json.loads(line) for line in out.read_text().splitlines() if line.strip()]
    return {(r["row"], r["seed"], r["flight"], tuple(r["left_out"]), r["sizes"], r["speed"]) for r in lines}


def work(device: str, jobs: Any, results: Any, started: float, limit_s: float) -> None:
    """A worker process: takes trainings until none is left or the next would not end in time."""
    torch.set_num_threads(max(1, torch.get_num_threads() // 4) if device != "cpu" else 1)
    longest = 0.0
    while True:
        try:
            job = jobs.get(timeout=1.0)
        except queue.Empty:
            break
        begun = time.monotonic()
        left_s = limit_s - (time.time() - started)
        if left_s < longest * 1.1:
            results.put(("skipped", job, f"{left_s:.0f} s left, the last one took {longest:.0f} s"))
            continue
        name = f"[{device} {job.row} {job.seed} {'+'.join(job.left_out)}]"
        try:
            results.put(("done", job, run_job(job, device, lambda text, name=name: print(name, text, flush=True))))
        except Exception as error:  # one row that fails must not cost the others
            results.put(("failed", job, f"{error}\n{traceback.format_exc()}"))
        longest = max(longest, time.monotonic() - begun)
    results.put(("ended", None, device))


def shown(result: dict[str, Any]) -> str:
    """The figures that decide, on one line."""
    keys = (
        "ap50",
        "recall_at_0.2",
        "recall_at_1",
        "recall_at_5",
        "alarms_at_90_untouched",
        "all_four",
        "all_four_large",
    )
    keys += ("person_recall_at_1",)
    figures = " ".join(f"{k} {result[k]:.3f}" if result.get(k) is not None else f"{k} -" for k in keys)
    return f"{result['row']} seed {result['seed']} on {result['flight']}: {figures} ({result['all_s']} s)"


def run_all(jobs: list[Job], devices: list[str], at_once: int, out: Path, limit_s: float) -> int:
    """Run every job; returns how many failed or were skipped."""
    context = processes.get_context("spawn")
    waiting, results = context.Queue(), context.Queue()
    for job in jobs:
        waiting.put(job)
    started = time.time()
    workers = [
        context.Process(target=work, args=(device, waiting, results, started, limit_s))
        for device in devices
        for _ in range(at_once)
    ][: max(1, len(jobs))]
    for worker in workers:
        worker.start()
    ended = missed = 0
    while ended < len(workers):
        try:
            kind, job, content = results.get(timeout=5.0)
        except queue.Empty:
            if not any(worker.is_alive() for worker in workers):
                print("All workers are gone before the work was done.")
                return len(jobs)
            continue
        if kind == "ended":
            ended += 1
        elif kind == "done":
            with out.open("a") as file:
                file.writelines(json.dumps(result) + "\n" for result in content)
            print("\n".join(shown(result) for result in content), flush=True)
        else:
            missed += 1
            print(f"{kind}: {job.row} seed {job.seed} without {'+'.join(job.left_out)}: {content}", flush=True)
    for worker in workers:
        worker.join()
    return missed


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    shared = Path(os.environ.get("PANELSCOUT_SHARED", "../shared")) / "data/aerial"
    parser.add_argument("--rows", nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--leave-out", nargs="+", help="flights, those left out together joined by commas")
    parser.add_argument("--parts", nargs="+", default=["detector", "readers"], choices=["detector", "readers"])
    parser.add_argument("--photographs", type=Path, default=shared)
    parser.add_argument(
        "--judged", type=Path, default=Path(".transfer/judged"), help="the judge's frame sets; drawn where absent"
    )
    parser.add_argument("--judge-seed", type=int, default=1)
    parser.add_argument("--judge-share", type=float, default=1.0)
    parser.add_argument(
        "--workers", type=int, default=min(8, os.cpu_count() or 1), help="processes that draw the judge's frames"
    )
    parser.add_argument("--device", nargs="+", help="cpu, cuda:0, cuda:1 ...; all GPUs by default")
    parser.add_argument("--at-once", type=int, default=1, help="trainings at once on each device")
    parser.add_argument("--sizes", choices=list(SIZES), default="gpu")
    parser.add_argument("--speed", type=float, default=1.0, help="scales the training steps")
    parser.add_argument("--limit-s", type=float, default=1e9, help="start nothing that would end later than this")
    parser.add_argument("--sheets", type=Path, help="folder for pictures of false alarms and misses")
    return parser.parse_args()


def main() -> None:
    begun = time.time()
    given = arguments()
    jobs = list(planned(given))
    done = already_done(given.out)
    jobs = [j for j in jobs if not all((j.row, j.seed, f, j.left_out, j.sizes, j.speed) in done for f in j.left_out)]
    for flight in sorted({f for job in jobs for f in job.left_out}):
        if not (given.judged / flight / "truth.json").exists():
            judge_flight(
                given.photographs,
                given.judged,
                flight,
                seed=given.judge_seed,
                share=given.judge_share,
                workers=given.workers,
            )
    count = torch.cuda.device_count()
    devices = given.device or ([f"cuda:{i}" for i in range(count)] if count else ["cpu"])
    print(f"{len(jobs)} trainings on {', '.join(devices)}; the judge took {time.time() - begun:.0f} s", flush=True)
    given.out.parent.mkdir(parents=True, exist_ok=True)
    if given.sheets:
        given.sheets.mkdir(parents=True, exist_ok=True)
    raise SystemExit(
        1 if run_all(jobs, devices, given.at_once, given.out, given.limit_s - (time.time() - begun)) else 0
    )


if __name__ == "__main__":
    main()
