"""One trial: train a fixed detector and fixed readers on chips of one row's recipe, then let the judge's flights judge.

Steps, batch and networks are the same for every row, so that only the chips differ. Nothing here needs OpenCV,
albumentations or scikit-learn.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn

from benchmarks.transfer.alarms import AlarmSheet
from benchmarks.transfer.ingredients import recipe_of, row_named
from benchmarks.transfer.judge import flight_named
from benchmarks.transfer.measure import Answer, Matched, figures, match
from mission.frame_set import Frame, FrameSet, read_frame_set
from mission.mission_file import Mission, load_mission
from mission.model_file import HeatMapSettings, ReaderSettings, TrainingSettings
from mission.photographs import load_photograph
from mission.recipe import Recipe
from mission.vocabulary import ATTRIBUTES, CATEGORIES, Vocabulary
from pipeline.bundle import build_detector
from pipeline.crops import crops_of_frame
from pipeline.processors import ChosenDevice, choose_device
from pipeline.readers import Readers
from pipeline.reservoir import Reservoir, Source, join_chips
from pipeline.training import Budget, Report, Schedule, train
from synth.chips import ChipBatch, ChipSource
from synth.photo_ground import GroundBank

MISSION = Path(__file__).parent / "mission.yaml"
#: Scale of the photographs for the crop bank [m]; the oblique flight varies by half around its value.
GROUND_GSD_M = {"building-site": 0.017, "park": 0.020, "allotment": 0.0075, "lake": 0.017, "bush": 0.018}
READ_AT_MOST, READ_FROM = 60, 0.03


@dataclass(frozen=True)
class Sizes:
    """The fixed networks and how long they are trained."""

    detector: HeatMapSettings
    readers: ReaderSettings
    detector_training: TrainingSettings
    reader_training: TrainingSettings
    detector_steps: int
    reader_steps: int


SIZES = {
    # 90 to 120 s on one data-centre GPU.
    "gpu": Sizes(
        HeatMapSettings(stage_widths=(32, 64, 96, 128, 160), stage_blocks=(0, 2, 2, 2, 2), neck_width=64),
        ReaderSettings(widths=(32, 64, 96), template_width=128),
        TrainingSettings(batch=128, learning_rate=2e-3, average_decay=0.998, reservoir_chips=2048),
        TrainingSettings(batch=256, chip_px=128, learning_rate=2e-3, average_decay=0.998, reservoir_chips=8192),
        2500,
        2500,
    ),
    # About ten minutes on one core: far too short to rank ingredients by, long enough to see that something is learnt.
    "laptop": Sizes(
        HeatMapSettings(),
        ReaderSettings(),
        TrainingSettings(),
        TrainingSettings(batch=48, chip_px=128, reservoir_chips=1024),
        500,
        500,
    ),
    # A few steps, to see that everything runs.
    "try": Sizes(
        HeatMapSettings(),
        ReaderSettings(),
        TrainingSettings(batch=8, reservoir_chips=16),
        TrainingSettings(batch=16, chip_px=128, reservoir_chips=32),
        4,
        4,
    ),
}


@dataclass(frozen=True)
class Job:
    """One training: plain data that travels to a worker process. ``left_out`` flights judge it; the others may serve as
    ground. ``judged`` is the folder of the judge's frame sets."""

    row: str
    seed: int
    left_out: tuple[str, ...]
    grounds: tuple[str, ...]
    photographs: Path
    judged: Path
    sizes: str = "gpu"
    speed: float = 1.0
    parts: tuple[str, ...] = ("detector", "readers")
    sheets: Path | None = None


class MixedSource:
    """Chips of two sources in fixed shares, the second one's after the first one's."""

    def __init__(self, first: Source, second: Source, second_share: float) -> None:
        self.first, self.second, self.share = first, second, second_share

    def batch(self, n: int) -> ChipBatch:
        """n chips."""
        of_second = round(n * self.share)
        return join_chips(self.first.batch(n - of_second), self.second.batch(of_second))


def bank_of(photographs: Path, flights: Sequence[str], mission: Mission) -> GroundBank:
    """The crop bank of several flights."""
    gsd_m = mission.ground_sample_distance_m
    parts = [GroundBank.from_folder(photographs / f, gsd_m=GROUND_GSD_M[f], mission_gsd_m=gsd_m) for f in flights]
    return GroundBank([p for part in parts for p in part.photographs], gsd_m, parts[0].enlarge)


def source_of(job: Job, mission: Mission, bank: GroundBank | None, part: str, chip_px: int, device: str) -> Source:
    """Where a part's training chips come from."""
    row = row_named(job.row)
    recipe = recipe_of(row, Recipe(name=job.row))
    focus = "panel" if part == "readers" else None

    def chips(ground: GroundBank | None, salt: int) -> ChipSource:
        return ChipSource(
            recipe, mission, seed=job.seed * 10 + salt + (5 if focus else 0), device=device, chip_px=chip_px,
            ground=ground, typefaces=row.typefaces, focus=focus,
        )  # fmt: skip

    if bank is None or row.real_share == 0:
        return chips(None, 0)
    if row.real_share == 1:
        return chips(bank, 1)
    return MixedSource(chips(None, 0), chips(bank, 1), row.real_share)


class _PlainTask:
    """What the training loop asks of a task, without validation: the judge does that."""

    def __init__(self, name: str, losses_of: Callable[[nn.Module, ChipBatch], dict[str, torch.Tensor]]) -> None:
        self.name, self.losses_of = name, losses_of

    def losses(self, network: nn.Module, chips: ChipBatch) -> dict[str, torch.Tensor]:
        return self.losses_of(network, chips)

    def validate(self, network: nn.Module) -> dict[str, float]:
        return {}


def train_part(
    job: Job, part: str, mission: Mission, bank: GroundBank | None, chosen: ChosenDevice, say: Callable[[str], None]
) -> tuple[nn.Module, dict[str, Any]]:
    """Train one part from nothing; returns it with the seconds and chips that it took."""
    sizes = SIZES[job.sizes]
    settings = sizes.detector_training if part == "detector" else sizes.reader_training
    steps = round((sizes.detector_steps if part == "detector" else sizes.reader_steps) * job.speed)
    torch.manual_seed(job.seed)
    generator = torch.Generator().manual_seed(job.seed)
    if part == "detector":
        network: nn.Module = build_detector(sizes.detector)
        task = _PlainTask(part, lambda net, chips: net.losses(chips.image, chips))  # type: ignore[operator]
    else:
        network = Readers(sizes.readers, mission.panels.vocabulary)
        task = _PlainTask(part, lambda net, chips: net.losses(chips, generator))  # type: ignore[operator]
    network = network.to(chosen.device).to(memory_format=torch.channels_last)  # type: ignore[call-overload]
    source = source_of(job, mission, bank, part, settings.chip_px, chosen.name)
    reservoir = Reservoir(
        source, capacity=settings.reservoir_chips, uses_per_chip=settings.uses_per_chip, mirrored=part == "detector",
        seed=job.seed,
    )  # fmt: skip
    started = time.monotonic()

    def report(one: Report) -> None:
        losses = " ".join(f"{name} {value:.3f}" for name, value in one.losses.items())
        say(
            f"{part} step {one.step} of {steps}, {one.elapsed_s:.0f} s, {reservoir.drawn} chips drawn: {losses} {one.note}"
        )

    schedule = Schedule(report_s=30.0, validations=1)
    train(task, network, reservoir, settings, Budget(steps=steps), chosen, schedule=schedule, on_progress=report)
    facts = {
        f"{part}_s": round(time.monotonic() - started, 1),
        f"{part}_chips": reservoir.drawn,
        f"{part}_steps": steps,
    }
    return network.eval(), facts


@torch.inference_mode()
def answer(
    pixels: np.ndarray, detector: nn.Module, readers: Readers | None, vocabulary: Vocabulary, chosen: ChosenDevice
) -> dict[str, Answer]:
    """What the networks say of one frame uint8 [H, W, 3], by category."""
    frame = torch.from_numpy(np.ascontiguousarray(pixels.transpose(2, 0, 1))).to(chosen.device)
    with chosen.autocast():
        found = detector.detect(frame[None])[0]  # type: ignore[operator]
    said = {}
    for number, name in enumerate(CATEGORIES):
        mine = found.category == number
        box, score = found.box_px[mine].float(), found.score[mine].float()
        attributes: list[dict[str, str]] = []
        if name == "panel" and readers is not None:
            read = int(min(READ_AT_MOST, int((score >= READ_FROM).sum())))
            log_p = readers.read(*crops_of_frame(frame, box[:read], readers.settings)) if read else {}
            best = {a: log_p[a].argmax(1).tolist() for a in log_p}
            attributes = [{a: vocabulary.values(a)[best[a][k]] for a in ATTRIBUTES} for k in range(read)]
            attributes += [{} for _ in range(len(score) - read)]
        said[name] = Answer(box.cpu().numpy().astype(float), score.cpu().numpy().astype(float), attributes)
    return said


def judge_frames(
    frame_set: FrameSet, say_of: Callable[[np.ndarray], dict[str, Answer]], sheet: AlarmSheet | None
) -> dict[str, Matched]:
    """Let the networks answer every frame and match the answers, by category."""
    frames: list[Frame] = list(frame_set.frames)
    answers: dict[str, list[Answer]] = {name: [] for name in CATEGORIES}
    for frame in frames:
        pixels = load_photograph(frame_set.path_of(frame))
        said = say_of(pixels)
        for name in CATEGORIES:
            answers[name].append(said[name])
        if sheet is not None:
            sheet.look(frame, pixels, said["panel"])
    return {name: match(frames, answers[name], name) for name in CATEGORIES}


def run_job(job: Job, device: str, say: Callable[[str], None] = print) -> list[dict[str, Any]]:
    """Train and judge; returns one result per flight judged."""
    chosen = choose_device(device)
    mission = load_mission(MISSION)
    started = time.monotonic()
    real = row_named(job.row).real_share > 0
    bank = bank_of(job.photographs, job.grounds, mission) if real else None
    networks: dict[str, nn.Module] = {}
    facts: dict[str, Any] = {}
    for part in job.parts:
        networks[part], more = train_part(job, part, mission, bank, chosen, say)
        facts.update(more)
    readers = networks.get("readers")
    assert readers is None or isinstance(readers, Readers)
    vocabulary = mission.panels.vocabulary

    def say_of(pixels: np.ndarray) -> dict[str, Answer]:
        return answer(pixels, networks["detector"], readers, vocabulary, chosen)

    results = []
    for flight in job.left_out:
        sheet = AlarmSheet() if job.sheets else None
        drawn = judge_frames(read_frame_set(job.judged / flight), say_of, sheet)
        plain = judge_frames(read_frame_set(job.judged / f"{flight}-untouched"), say_of, sheet)
        if sheet is not None and job.sheets is not None:
            sheet.save(job.sheets / f"{job.row}-{job.seed}-{flight}.jpg")
        gsd_m = flight_named(flight).gsd_m
        measured = figures(drawn["panel"], plain["panel"], drawn["person"], plain["person"], gsd_m)
        results.append(
            {
                "row": job.row, "seed": job.seed, "flight": flight, "left_out": list(job.left_out),
                "grounds": list(job.grounds) if real else [], "sizes": job.sizes, "speed": job.speed,
                "device": torch.cuda.get_device_name(chosen.device) if not chosen.is_cpu else "CPU",
                "all_s": round(time.monotonic() - started, 1), **facts, **measured,
            }
        )  # fmt: skip
    return results
