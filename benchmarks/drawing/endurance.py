"""Thousands of small frames rendered as ``panelscout render`` does: does memory stay flat, and what do more processes bring?

python -m benchmarks.drawing.endurance --workers 16 [--frames 10000] [--processes 1,2,4,8,16] [--out build/endurance]

Stopped, the same command goes on where it was, measurements included; ``--workers`` may change. Memory is that of the parent
and of each worker, read every ``--every`` frames from Linux's /proc: all that is resident, and the part that is a process's own
(without files that are mapped and shared, such as texture tiles). Flat means: the 95 % interval of the slope over frames, from
a third of a worker's frames on, when its caches are full, ends below 1 MB for 1,000 frames of that worker.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import shutil
import time
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.ledger import note
from mission.mission_file import Mission, load_mission
from mission.recipe import load_recipe
from synth.frames import render_frame_set

FLAT_MB = 1.0
_SEED = 11
_SETTLING = 1 / 3
_LEAST_SAMPLES = 8


def small_mission(width_px: int, height_px: int) -> Mission:
    """Harrow Fen with a smaller sensor of the same pixels: the scale of things stays."""
    mission = load_mission("harrow-fen")
    pitch_mm = mission.camera.as_camera().pixel_pitch_mm
    size = {"image_width_px": width_px, "image_height_px": height_px}
    sensor = {"sensor_width_mm": width_px * pitch_mm, "sensor_height_mm": height_px * pitch_mm}
    return mission.model_copy(update={"camera": mission.camera.model_copy(update=size | sensor)})


def resident_mb(pid: int) -> tuple[float, float] | None:
    """All that a process has resident and its own part of it [MB]; None when it is gone."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return None
    values = {line.split(":")[0]: line.split()[1] for line in lines if line.startswith(("VmRSS", "RssAnon"))}
    return (float(values["VmRSS"]) / 1024, float(values["RssAnon"]) / 1024) if len(values) == 2 else None


class MemoryLog:
    """Samples of this process and its workers, a JSON line each, added to what an earlier attempt left."""

    def __init__(self, path: Path, every: int, workers: int) -> None:
        self.path, self.every, self.workers = path, every, workers
        self.first: int | None = None
        path.parent.mkdir(parents=True, exist_ok=True)

    def __call__(self, done: int, total: int) -> None:
        """Called after each frame."""
        if self.first is None:
            self.first = done
        if done % self.every and done != total:
            return
        children = [child.pid for child in multiprocessing.active_children() if child.pid]
        rows = []
        for role, pid in (("parent", os.getpid()), *(("worker", pid) for pid in children)):
            found = resident_mb(pid)
            if found is not None:
                # A pid is used again by the system some day: the parent's beside it tells attempts apart.
                who = {"role": role, "attempt": os.getpid(), "pid": pid, "workers": self.workers}
                drawn = (done - self.first) / (self.workers if role == "worker" else 1)
                rows.append(who | {"frames": drawn, "resident_mb": found[0], "own_mb": found[1]})
        note(self.path, *rows)


def slope_with_interval(frames: np.ndarray, mb: np.ndarray) -> tuple[float, float, float]:
    """Slope [MB for 1,000 frames], its variance, and how many independent samples that rests on.

    Least squares; neighbouring samples resemble each other, so that n of them count for n (1 - r) / (1 + r), r being the
    correlation of neighbouring residuals (the usual first-order correction, e.g. Bayley & Hammersley 1946; from memory).
    """
    x = frames / 1000 - frames.mean() / 1000
    slope = float(x @ (mb - mb.mean()) / (x @ x))
    residual = mb - mb.mean() - slope * x
    spread = float(residual @ residual)
    r = float(np.clip(residual[1:] @ residual[:-1] / spread, 0, 0.95)) if spread > 0 else 0.0
    n = max(3.0, len(mb) * (1 - r) / (1 + r))
    return slope, spread / (len(mb) - 2) / float(x @ x) * len(mb) / n, n


def memory_slope(rows: Sequence[dict[str, Any]], role: str, key: str) -> tuple[float, float, float] | None:
    """Mean slope over the processes of a role and its 95 % interval [MB for 1,000 frames]; None with too few samples."""
    series: dict[tuple[int, int], list[tuple[float, float]]] = defaultdict(list)
    for row in rows:
        if row["role"] == role:
            series[row["attempt"], row["pid"]].append((row["frames"], row[key]))
    slopes, variances, counted = [], [], 0.0
    for samples in series.values():
        frames, mb = np.array(samples).T
        late = frames >= _SETTLING * frames.max()
        if late.sum() >= _LEAST_SAMPLES:
            slope, variance, n = slope_with_interval(frames[late], mb[late])
            slopes.append(slope)
            variances.append(variance)
            counted += n - 2
    if not slopes:
        return None
    # Between processes or within them, whichever says more.
    variance = max(float(np.mean(variances)), float(np.var(slopes, ddof=1)) if len(slopes) > 1 else 0.0) / len(slopes)
    # Student's t for 95 %, to first order in 1 / degrees of freedom (Abramowitz & Stegun 26.7.5).
    half = (1.96 + 2.37 / counted) * variance**0.5
    middle = float(np.mean(slopes))
    return middle, middle - half, middle + half


def frames_a_second(mission: Mission, out: Path, workers: int, each: int) -> float:
    """Rate of so many processes once all of them draw: ``each`` frames by every one, starting left out."""
    times: list[float] = []
    folder = out / f"rate-{workers}"
    shutil.rmtree(folder, ignore_errors=True)
    count = workers * (each + 2)
    recipe = load_recipe("field")
    render_frame_set(
        recipe, mission, folder, count, _SEED, workers=workers, on_progress=lambda *_: times.append(time.perf_counter())
    )
    shutil.rmtree(folder)
    started = 1 + 2 * workers  # two frames of each are the warming up; the first call comes before any
    return (len(times) - started) / (times[-1] - times[started - 1])


def report(rows: Sequence[dict[str, Any]]) -> str:
    """What the samples say, in sentences."""
    lines = []
    for role in ("parent", "worker"):
        last = [row for row in rows if row["role"] == role][-1:]
        for key, words in (("resident_mb", "resident"), ("own_mb", "its own")):
            found = memory_slope(rows, role, key)
            if found is None or not last:
                lines.append(f"{role}, {words}: too few samples for a slope")
                continue
            flat = "flat" if found[2] < FLAT_MB else "not shown to be flat"
            lines.append(
                f"{role}, {words}: {last[0][key]:.0f} MB at the end, {found[0]:+.2f} MB for 1,000 frames"
                f" ({found[1]:+.2f} to {found[2]:+.2f}): {flat}"
            )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description="Render thousands of small frames and watch memory.")
    parser.add_argument("--frames", type=int, default=10_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--every", type=int, default=200, help="frames between samples of memory")
    parser.add_argument("--size", type=int, nargs=2, default=(640, 480), metavar=("WIDTH", "HEIGHT"))
    parser.add_argument("--processes", default="", help="numbers of processes to time first, such as 1,2,4,8")
    parser.add_argument("--each", type=int, default=20, help="frames that each of them draws")
    parser.add_argument("--out", type=Path, default=Path("build/endurance"), help="frames and samples; may be deleted")
    options = parser.parse_args()
    mission = small_mission(*options.size)
    alone = None
    for number in [int(n) for n in options.processes.split(",") if n]:
        rate = frames_a_second(mission, options.out, number, options.each)
        alone = alone or rate / number
        print(f"{number} processes: {rate:.2f} frames/s, {rate / alone:.2f} times one", flush=True)
    final, samples = options.out / f"frames-{options.frames}", options.out / f"memory-{options.frames}.jsonl"
    if not final.exists():
        start = time.perf_counter()
        log = MemoryLog(samples, options.every, options.workers)
        recipe = load_recipe("field")
        render_frame_set(recipe, mission, final, options.frames, _SEED, workers=options.workers, on_progress=log)
        drawn, seconds = options.frames - (log.first or 0), time.perf_counter() - start
        print(
            f"{drawn} frames in {seconds:.0f} s by {options.workers} workers, starting and gathering the truth included"
        )
    print(report([json.loads(line) for line in samples.read_text().splitlines()]))


if __name__ == "__main__":
    main()
