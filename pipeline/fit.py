"""``fit``: from a recipe or a frame set to a bundle. Detector and readers train side by side, each in its own process.

Two processes of one thread each get more out of two cores than one of two threads (measured on this work). What a killed
run had reached lies in a folder beside the output and is gone on with; it is removed when the bundle is whole.
"""

from __future__ import annotations

import multiprocessing as mp
import os
import platform
import queue
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch

from mission.errors import InputError, must
from mission.frame_set import read_frame_set, truth_path
from mission.mission_file import Mission, load_mission
from mission.model_file import ModelFile, load_model_file
from mission.recipe import Recipe, load_recipe
from pipeline.bundle import write_bundle
from pipeline.processors import choose_device
from pipeline.readers import Readers
from pipeline.tasks import Job, check_unfinished, train_part, trained
from pipeline.training import Budget, Report
from pipeline.training_data import TrainingData

PARTS = ("detector", "readers")
DEFAULT_MISSION = "harrow-fen"
# How long a part may stay silent after the other one has ended before it is taken for lost.
SILENCE_S = 600.0


@dataclass(frozen=True)
class Fitted:
    """What a finished ``fit`` hands back."""

    bundle: Path
    seconds: float
    figures: dict[str, dict[str, Any]]


def fit(
    train: str | Path | Recipe,
    out: str | Path,
    *,
    model: str | Path | ModelFile = "small",
    mission: str | Path | Mission | None = None,
    ground: str | Path | None = None,
    ground_gsd_m: float | None = None,
    minutes: float | None = None,
    steps: int | None = None,
    seed: int = 0,
    device: str = "auto",
    workers: int | None = None,
    replace: bool = False,
    on_progress: Callable[[Report], None] = lambda report: None,
) -> Fitted:
    """Train detector and readers from nothing and write the bundle ``out``.

    ``train``: folder of a frame set, or a recipe (file, shipped name or object) to render by while training. ``minutes``
    of training for both parts together, or ``steps`` for each; else the model file's own default. ``workers``: 1 trains
    the parts one after the other, 2 at the same time (None: 2 where there are two cores or more).
    """
    started = time.monotonic()
    final = Path(out)
    if final.exists() and not replace and (final.is_file() or any(final.iterdir())):
        raise InputError(f"The output folder {final} must be new or empty. Got one with files in it instead.")
    settings = model if isinstance(model, ModelFile) else load_model_file(model)
    data = training_data(train, mission, ground, ground_gsd_m, seed)
    chosen = choose_device(device)
    together = _together(workers)
    readers_share = settings.readers_time_share
    shares = {"detector": 1.0, "readers": readers_share} if together else _one_after_the_other(readers_share)
    folder = final.parent / f".{final.name}.unfinished"
    budgets = {part: _budget(settings, minutes, steps, shares[part]) for part in PARTS}
    jobs = [Job(part, settings, data, budgets[part], chosen.name, folder, seed) for part in PARTS]
    for job in jobs:
        check_unfinished(job)
    folder.mkdir(parents=True, exist_ok=True)
    with _threads(1 if together and chosen.is_cpu else None):
        facts = _train_together(jobs, on_progress) if together else [train_part(job, on_progress) for job in jobs]
        _write(jobs, facts, final, settings, data, replace)
    shutil.rmtree(folder, ignore_errors=True)
    figures = {job.part: one["figures"] for job, one in zip(jobs, facts, strict=True)}
    return Fitted(final, time.monotonic() - started, figures)


def training_data(
    train: str | Path | Recipe,
    mission: str | Path | Mission | None,
    ground: str | Path | None,
    ground_gsd_m: float | None,
    seed: int,
) -> TrainingData:
    """Resolve and check what is trained on; InputError where the parts contradict each other."""
    flown = mission if isinstance(mission, Mission) else load_mission(mission or DEFAULT_MISSION)
    photographs = None if ground is None else Path(ground)
    if photographs is not None and not photographs.exists():
        raise must("ground", "be a folder of photographs that exists", ground)
    if isinstance(train, Recipe):
        return TrainingData(flown, train, None, photographs, ground_gsd_m, seed)
    path = Path(train)
    if path.is_dir() or path.name == "truth.json":
        if photographs is not None:
            raise must("ground", "be left out when training on a frame set, whose ground is its own", ground)
        frame_set = read_frame_set(path)
        if not any(thing.category == "panel" for frame in frame_set.frames for thing in frame.things):
            raise must("annotations", "hold a panel to learn from", "none", where=truth_path(path))
        return TrainingData(flown, None, path, None, None, seed)
    return TrainingData(flown, load_recipe(train), None, photographs, ground_gsd_m, seed)


def _together(workers: int | None) -> bool:
    if workers is None:
        return (os.cpu_count() or 1) >= 2
    if workers < 1:
        raise must("workers", "be 1 or more", workers)
    return workers >= 2


def _one_after_the_other(readers_share: float) -> dict[str, float]:
    return {"detector": 1 / (1 + readers_share), "readers": readers_share / (1 + readers_share)}


def _budget(settings: ModelFile, minutes: float | None, steps: int | None, share: float) -> Budget:
    if minutes is not None and steps is not None:
        raise InputError("The training must be given --minutes or --steps. Got both instead.")
    if steps is not None:
        if steps < 1:
            raise must("steps", "be 1 or more", steps)
        return Budget(steps=steps)
    length = settings.default_minutes if minutes is None else minutes
    if not 0 < length <= 60 * 24 * 30:
        raise must("minutes", "be above 0 and below a month", length)
    return Budget(seconds=length * 60.0 * share)


@contextmanager
def _threads(count: int | None) -> Iterator[None]:
    before = torch.get_num_threads()
    if count is not None:
        torch.set_num_threads(count)
    try:
        yield
    finally:
        torch.set_num_threads(before)


def run_part(job: Job, messages: Any) -> None:
    """Body of the second process: train one part, and say how it goes through ``messages``."""
    if job.device == "cpu":
        torch.set_num_threads(1)
    try:
        facts = train_part(job, lambda report: messages.put(("report", report)))
        messages.put(("finished", facts))
    except InputError as error:
        messages.put(("refused", str(error)))
    except MemoryError:
        messages.put(("refused", "The memory must hold one training batch. Got too little instead."))
    except KeyboardInterrupt:
        pass


def _train_together(jobs: list[Job], on_progress: Callable[[Report], None]) -> list[dict[str, Any]]:
    """Train the first part here and the second in a process of its own; the facts of both."""
    here, there = jobs
    context = mp.get_context("spawn")  # a forked process would inherit PyTorch's threads in an unknown state
    messages = context.Queue()
    process = context.Process(target=run_part, args=(there, messages), daemon=True)
    process.start()
    ended: dict[str, Any] = {}

    def listen(wait_s: float) -> bool:
        try:
            kind, content = messages.get(timeout=wait_s) if wait_s else messages.get_nowait()
        except queue.Empty:
            return False
        if kind == "refused":
            raise InputError(content)
        if kind == "report":
            on_progress(content)
        else:
            ended.update(content)
        return True

    def pass_on(report: Report) -> None:
        on_progress(report)
        while listen(0.0):
            pass
        if not ended and not process.is_alive() and not listen(1.0):
            raise InputError(_lost(there, process.exitcode))

    try:
        facts = train_part(here, pass_on)
        silent_since = time.monotonic()
        while not ended:
            if listen(0.5):
                silent_since = time.monotonic()
            elif not process.is_alive() and not listen(1.0):
                raise InputError(_lost(there, process.exitcode))
            elif time.monotonic() - silent_since > SILENCE_S:
                raise InputError(
                    f"The process that trains the {there.part} must report. Got nothing for {SILENCE_S:.0f} s instead."
                )
        process.join()
        return [facts, ended]
    finally:
        if process.is_alive():
            process.terminate()
            process.join()


def _lost(job: Job, exit_code: int | None) -> str:
    return f"The process that trains the {job.part} must run to its end. Got the exit code {exit_code} instead."


def _write(
    jobs: list[Job], facts: list[dict[str, Any]], final: Path, settings: ModelFile, data: TrainingData, replace: bool
) -> None:
    detector, readers = trained(jobs[0]), trained(jobs[1])
    assert isinstance(readers, Readers)
    figures = facts[0]["figures"]
    record = {
        "data": "frame set" if data.frames is not None else "recipe",
        "data_sha256": data.fingerprint(),
        "mission": data.mission.name,
        "ground": "photographs" if data.ground is not None else "procedural" if data.recipe is not None else "frames",
        "seed": jobs[0].seed,
        "steps": {job.part: one["steps"] for job, one in zip(jobs, facts, strict=True)},
        "chips_drawn": {job.part: one["chips_drawn"] for job, one in zip(jobs, facts, strict=True)},
        "recipe": None if data.recipe is None else data.recipe.model_dump(mode="json"),
        "device": jobs[0].device,
        "torch": str(torch.__version__),
        "python": platform.python_version(),
    }
    write_bundle(
        final, settings, data.mission.panels.vocabulary, detector, readers,
        working_confidence={name: figures[f"{name} confidence"] for name in ("panel", "person")},
        temperatures=facts[1]["temperatures"], training=record,
        validation={job.part: one["figures"] for job, one in zip(jobs, facts, strict=True)},
        replace=replace,
    )  # fmt: skip
