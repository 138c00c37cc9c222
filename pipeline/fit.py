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
from mission.ground_folder import GroundScales
from mission.mission_file import Mission
from mission.model_file import ModelFile, check_minutes, load_model_file
from mission.recipe import Recipe
from pipeline.bundle import write_bundle
from pipeline.curves import CURVES_FILE, CurveFile, TensorBoardLog, draw_curves
from pipeline.find_bundle import bundle_folder
from pipeline.processors import ChosenDevice, choose_device
from pipeline.readers import Readers
from pipeline.second_look import settle
from pipeline.starting_weights import remark_on_start, with_networks_of
from pipeline.tasks import Job, check_unfinished, empty_chips, finished_facts, held_out_chips, train_part, trained
from pipeline.team import World
from pipeline.training import Budget, Report
from pipeline.training_data import TrainingData, photographs, training_data
from pipeline.working_confidence import sentences

PARTS = ("detector", "readers")
# Of the cores of a machine with a GPU, those that the two trainings need to keep it busy; the others draw chips.
CORES_FOR_LEARNING = 2
# A detector's chip is several times as large as a reader's.
DETECTOR_DRAW_SHARE = 0.7
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
    ground_gsd_m: GroundScales | None = None,
    empty: str | Path | None = None,
    empty_gsd_m: GroundScales | None = None,
    real: str | Path | None = None,
    real_images: str | Path | None = None,
    start: str | Path | None = None,
    minutes: float | None = None,
    steps: int | None = None,
    seed: int = 0,
    device: str = "auto",
    workers: int | None = None,
    draw_workers: int | None = None,
    uses_per_chip: int | None = None,
    tensorboard: str | Path | None = None,
    replace: bool = False,
    on_progress: Callable[[Report], None] = lambda report: None,
    on_remark: Callable[[str], None] = lambda sentence: None,
) -> Fitted:
    """Train detector and readers, from nothing or from the bundle ``start``, and write the bundle ``out``.

    ``train``: folder of a frame set, or a recipe (file, shipped name or object) to render by while training. ``minutes``
    of training for both parts together, or ``steps`` for each; else the model file's own default. ``workers``: 1 trains
    the parts one after the other, 2 at the same time (None: 2 where there are two cores or more). ``ground``, ``empty``,
    ``real``: see ``training_data.TrainingData``. With ``start`` the networks are the bundle's, and ``model`` says only how
    they are trained. ``draw_workers`` processes draw the chips of both parts (None: on a GPU as many as leave two cores
    free; on CPU none, each part draws its own in a thread); how many there are changes no chip. ``uses_per_chip`` takes the
    place of the model file's. ``tensorboard``: folder for TensorBoard's files of the curves. Where PyTorch's launcher
    started several processes, all call this and train together: see ``pipeline.team``.
    """
    started = time.monotonic()
    final = Path(out)
    if final.exists() and not replace and (final.is_file() or any(final.iterdir())):
        raise InputError(f"The output folder {final} must be new or empty. Got one with files in it instead.")
    settings = _with_uses(model if isinstance(model, ModelFile) else load_model_file(model), uses_per_chip)
    if start is not None:
        settings = with_networks_of(settings, start)
    data = training_data(
        train, settings, mission=mission, ground=photographs(ground, ground_gsd_m), empty=photographs(empty, empty_gsd_m),
        real=real, real_images=real_images, seed=seed,
    )  # fmt: skip
    world = World.here()
    chosen = choose_device(world.device(device))
    together = _together(workers, world)
    shares = _time_shares(settings.readers_time_share, together, world)
    folder = final.parent / f".{final.name}.unfinished"
    budgets = {part: _budget(settings, minutes, steps, shares[part]) for part in PARTS}
    from_bundle = None if start is None else bundle_folder(start)
    drawing = _draw_workers(draw_workers, chosen, together, world)
    jobs = [
        Job(part, settings, data, budgets[part], chosen.name, folder, seed, from_bundle, drawing[part])
        for part in PARTS
    ]
    for job in jobs:
        check_unfinished(job)
    for sentence in data.remarks():
        on_remark(sentence)
    if from_bundle is not None:
        on_remark(remark_on_start(from_bundle, data.mission.panels.vocabulary))
    folder.mkdir(parents=True, exist_ok=True)
    board = None if tensorboard is None else TensorBoardLog(tensorboard)

    def note(report: Report) -> None:
        CurveFile(folder, report.part).add(report)
        if board is not None:
            board.add(report)
        on_progress(report)

    with world.joined(chosen), _threads(1 if together and chosen.is_cpu else None):
        if world.size > 1:
            facts = _train_in_teams(jobs, world, together, note)
        else:
            facts = _train_together(jobs, note) if together else [train_part(job, note) for job in jobs]
        if world.rank == 0:
            _write(jobs, facts, final, settings, data, replace, on_remark)
            shutil.rmtree(folder, ignore_errors=True)
        world.wait()
    if board is not None:
        board.close()
    figures = {job.part: one["figures"] for job, one in zip(jobs, facts, strict=True)}
    return Fitted(final, time.monotonic() - started, figures)


def _together(workers: int | None, world: World) -> bool:
    """Whether both parts are trained at the same time: here, or by halves of a launch."""
    if workers is None:
        return cores() >= 2 if world.size == 1 else world.size % len(PARTS) == 0
    if workers < 1:
        raise must("workers", "be 1 or more", workers)
    if workers >= 2 and world.size > 1 and world.size % len(PARTS):
        raise must("workers", "be 1 where an odd number of processes is launched", workers)
    return workers >= 2


def _time_shares(readers_share: float, together: bool, world: World) -> dict[str, float]:
    """The share of the minutes that each part is trained for."""
    if not together:
        return {"detector": 1 / (1 + readers_share), "readers": readers_share / (1 + readers_share)}
    # On processors of their own the readers leave nothing to the detector by ending early.
    return {"detector": 1.0, "readers": readers_share if world.size == 1 else 1.0}


def _with_uses(settings: ModelFile, uses: int | None) -> ModelFile:
    """The model file with another number of uses of each chip, in both parts."""
    if uses is None:
        return settings
    if not 1 <= uses <= 16:
        raise must("uses_per_chip", "lie between 1 and 16", uses)
    parts = ("detector_training", "reader_training")
    return settings.model_copy(
        update={part: getattr(settings, part).model_copy(update={"uses_per_chip": uses}) for part in parts}
    )


def _draw_workers(wanted: int | None, chosen: ChosenDevice, together: bool, world: World) -> dict[str, int]:
    """How many processes draw for each part: all for the one that is trained alone, else shared out (0: a thread)."""
    if wanted is None:
        wanted = 0 if chosen.is_cpu else max(2, cores() - CORES_FOR_LEARNING * world.local_size)
    if wanted < 0:
        raise must("draw_workers", "be 0 or more", wanted)
    if not together or wanted == 0 or world.size > 1:  # a launched process trains one part at a time
        return dict.fromkeys(PARTS, wanted and max(1, wanted // world.local_size))
    detector = min(max(1, round(wanted * DETECTOR_DRAW_SHARE)), max(1, wanted - 1))
    return {"detector": detector, "readers": max(1, wanted - detector)}


def cores() -> int:
    """Processor cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _budget(settings: ModelFile, minutes: float | None, steps: int | None, share: float) -> Budget:
    if minutes is not None and steps is not None:
        raise InputError("The training must be given --minutes or --steps. Got both instead.")
    if steps is not None:
        if steps < 1:
            raise must("steps", "be 1 or more", steps)
        return Budget(steps=steps)
    length = settings.default_minutes if minutes is None else minutes
    check_minutes(length)
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
    process = context.Process(target=run_part, args=(there, messages))  # no daemon: it may start processes that draw
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


def _train_in_teams(
    jobs: list[Job], world: World, apart: bool, on_progress: Callable[[Report], None]
) -> list[dict[str, Any]]:
    """Train what this process's teams train; the first process of the launch returns the facts of both parts."""
    teams = world.teams(PARTS, apart)
    for job in jobs:
        if job.part in teams:
            team = teams[job.part]
            train_part(job, on_progress if team.leads else lambda report: None, team)
    world.wait()
    return [finished_facts(job) for job in jobs] if world.rank == 0 else [{"figures": {}} for _ in jobs]


def _lost(job: Job, exit_code: int | None) -> str:
    return f"The process that trains the {job.part} must run to its end. Got the exit code {exit_code} instead."


def _write(
    jobs: list[Job],
    facts: list[dict[str, Any]],
    final: Path,
    settings: ModelFile,
    data: TrainingData,
    replace: bool,
    on_remark: Callable[[str], None],
) -> None:
    detector, readers = trained(jobs[0]), trained(jobs[1])
    assert isinstance(readers, Readers)
    temperatures, device = facts[1]["temperatures"], choose_device(jobs[0].device).device
    with empty_chips(jobs[0], cores()) as empty:
        look = settle(
            detector.to(device), readers.to(device), held_out_chips(jobs[0]), temperatures.get("panel", 1.0),
            data.field(), empty, trained="panel" in temperatures,
        )  # fmt: skip
    for sentence in sentences(look.at_work):
        on_remark(sentence)
    curves = draw_curves({job.part: CurveFile(job.folder, job.part).points() for job in jobs})
    if curves is None:
        on_remark("The curves of the training were not drawn: the package matplotlib is missing.")
    record = {
        **data.record(),
        "started_from": None if jobs[0].start is None else jobs[0].start.name,
        "seed": jobs[0].seed,
        "steps": {job.part: one["steps"] for job, one in zip(jobs, facts, strict=True)},
        "chips_drawn": {job.part: one["chips_drawn"] for job, one in zip(jobs, facts, strict=True)},
        "uses_per_chip": {job.part: one["uses_per_chip"] for job, one in zip(jobs, facts, strict=True)},
        "device": jobs[0].device,
        "processes": World.here().size,
        "torch": str(torch.__version__),
        "python": platform.python_version(),
    }
    write_bundle(
        final, settings, data.mission.panels.vocabulary, detector, readers,
        working_confidence=look.working_confidence, at_work=look.at_work, temperatures=temperatures,
        second_look_weight=look.weight, score_maps=look.maps, training=record,
        validation={job.part: one["figures"] for job, one in zip(jobs, facts, strict=True)} | {"second look": look.record()},
        pictures={} if curves is None else {CURVES_FILE: curves}, replace=replace,
    )  # fmt: skip
