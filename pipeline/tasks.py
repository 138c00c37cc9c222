"""The two trainings, detector and readers, as tasks of the loop."""

from __future__ import annotations

import hashlib
import json
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn

from mission.model_file import ModelFile, TrainingSettings
from mission.vocabulary import ATTRIBUTES
from pipeline.bundle import build_detector
from pipeline.crops import cut_crops, jittered
from pipeline.processors import choose_device
from pipeline.readers import Readers
from pipeline.reservoir import DrawnAhead, Reservoir
from pipeline.tensor_files import fill_network, read_tensors, write_tensors
from pipeline.training import Budget, Report, refuse_other_settings, train
from pipeline.training_data import TrainingData
from pipeline.validation import detection_figures, reading_figures, temperature
from synth.chips import ChipBatch

VALIDATION_BATCH = 32


@dataclass(frozen=True)
class Job:
    """One part to train; plain data."""

    part: str  # "detector" or "readers"
    model: ModelFile
    data: TrainingData
    budget: Budget
    device: str
    folder: Path
    seed: int

    @property
    def settings(self) -> TrainingSettings:
        """The training settings of the part."""
        return self.model.detector_training if self.part == "detector" else self.model.reader_training

    def fingerprint(self) -> str:
        """SHA-256 over what an unfinished training must share to be gone on with (not its length)."""
        text = json.dumps([self.part, self.model.model_dump(mode="json"), self.data.fingerprint(), self.seed])
        return hashlib.sha256(text.encode()).hexdigest()


class DetectorTask:
    """Finding panels and people."""

    name = "detector"

    def __init__(self, validation: ChipBatch) -> None:
        self.validation = validation

    def losses(self, network: nn.Module, chips: ChipBatch) -> dict[str, Tensor]:
        return network.losses(chips.image, chips)  # type: ignore[operator]

    def validate(self, network: nn.Module) -> dict[str, float]:
        found = []
        for tiles in self.validation.image.split(VALIDATION_BATCH):
            found += network.detect(tiles)  # type: ignore[operator]
        return detection_figures(found, self.validation)


class ReaderTask:
    """Reading the attributes of panels whose boxes are given, a little off."""

    name = "readers"

    def __init__(self, validation: ChipBatch, seed: int) -> None:
        self.validation, self.seed = validation, seed
        self.generator = torch.Generator().manual_seed(seed)

    def losses(self, network: nn.Module, chips: ChipBatch) -> dict[str, Tensor]:
        assert isinstance(network, Readers)
        return network.losses(chips, self.generator)

    def readings(self, network: nn.Module) -> tuple[dict[str, Tensor], Tensor]:
        """Log-probabilities and truth of the validation panels."""
        assert isinstance(network, Readers)
        chips = self.validation
        panels = torch.nonzero(chips.category == 0)[:, 0]
        box = jittered(chips.box_px[panels], torch.Generator().manual_seed(self.seed))
        tight, wide = cut_crops(chips.image, chips.chip[panels], box, network.settings)
        return network.read(tight, wide), chips.attributes[panels]

    def validate(self, network: nn.Module) -> dict[str, float]:
        return reading_figures(*self.readings(network))


def check_unfinished(job: Job) -> None:
    """InputError, before anything is started, where the job's folder holds a training of other settings."""
    for state, header in (("unfinished", "run"), ("finished", "facts")):
        path = job.folder / f"{job.part}.{state}.safetensors"
        if path.is_file():
            refuse_other_settings(path, json.loads(read_tensors(path)[1].get(header, "{}")), job.fingerprint())


def train_part(job: Job, on_progress: Callable[[Report], None]) -> dict[str, Any]:
    """Train one part and leave its tensors in ``job.folder``; returns figures, working confidences and temperatures.

    A part that was finished before a kill is not trained again.
    """
    finished = job.folder / f"{job.part}.finished.safetensors"
    if finished.is_file():
        return json.loads(read_tensors(finished)[1].get("facts", "{}"))
    started = time.monotonic()
    torch.manual_seed(job.seed)
    chosen = choose_device(job.device)
    settings, focus = job.settings, None if job.part == "detector" else "panel"
    network = untrained(job).to(chosen.device)
    network = network.to(memory_format=torch.channels_last)  # type: ignore[call-overload]
    held_out = job.data.open("validation", settings.chip_px, focus, chosen.name).batch(settings.validation_chips)
    task = DetectorTask(held_out) if job.part == "detector" else ReaderTask(held_out, job.seed)
    source = DrawnAhead(job.data.open("training", settings.chip_px, focus, chosen.name))
    reservoir = Reservoir(
        source, capacity=settings.reservoir_chips, uses_per_chip=settings.uses_per_chip,
        mirrored=job.part == "detector", seed=job.seed,
        window_px=settings.window_px if job.part == "detector" else None,
    )  # fmt: skip
    try:
        step = train(
            task, network, reservoir, settings, job.budget, chosen,
            keep_in=job.folder / f"{job.part}.unfinished.safetensors", fingerprint=job.fingerprint(),
            on_progress=on_progress, spent_s=time.monotonic() - started,
        )  # fmt: skip
    finally:
        source.close()
    figures = task.validate(network)
    on_progress(Report(job.part, step, 1.0, figures=figures))
    facts: dict[str, Any] = {
        "fingerprint": job.fingerprint(),
        "figures": {name: None if math.isnan(value) else round(value, 4) for name, value in figures.items()},
        "steps": step,
        "chips_drawn": reservoir.drawn,
    }
    if isinstance(task, ReaderTask):
        log_p, truth = task.readings(network)
        facts["temperatures"] = {a: temperature(log_p[a].cpu(), truth[:, i].cpu()) for i, a in enumerate(ATTRIBUTES)}
    write_tensors(finished, network.state_dict(), {"facts": json.dumps(facts)})
    return facts


def untrained(job: Job) -> nn.Module:
    """The network of a part, before training."""
    if job.part == "detector":
        return build_detector(job.model.detector)
    return Readers(job.model.readers, job.data.mission.panels.vocabulary)


def trained(job: Job) -> nn.Module:
    """The network of a finished part."""
    network = untrained(job)
    path = job.folder / f"{job.part}.finished.safetensors"
    fill_network(network, read_tensors(path)[0], path)
    return network.eval()
