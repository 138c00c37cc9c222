"""The two trainings, detector and readers, as tasks of the loop."""

from __future__ import annotations

import hashlib
import json
import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn
from torch.nn.functional import logsigmoid

from mission.model_file import ModelFile, TrainingSettings
from mission.vocabulary import ATTRIBUTES
from pipeline.amplitude_exchange import AmplitudeExchange
from pipeline.bundle import build_detector
from pipeline.chip_supply import chips_a_draw, held_out_of, open_supply, real_held_out
from pipeline.crops import cut_crops, jittered
from pipeline.detector import Detections, HeatMapDetector
from pipeline.drawing import DrawnByWorkers
from pipeline.empty_ground import BATCH_CHIPS, EmptyChips
from pipeline.hard_negatives import HardNegatives
from pipeline.imagenet_trunk import fill_from_imagenet
from pipeline.processors import choose_device, prepare
from pipeline.readers import Readers, loosened
from pipeline.reservoir import Change, Reservoir
from pipeline.starting_weights import fill_from_bundle
from pipeline.team import Team
from pipeline.tensor_files import fill_network, read_tensors, write_tensors
from pipeline.training import Budget, Report, Schedule, refuse_other_settings, train
from pipeline.training_data import TrainingData
from pipeline.validation import REAL, detection_figures, reading_figures, share_told_apart, temperature
from synth.chips import ChipBatch

VALIDATION_BATCH = 32
# Share of the empty chips in whose place hard negatives are shown, and photographs whose broad tones are exchanged.
HARD_SHARE = 0.5
REAL_CROPS = 64
# Empty chips for each other held-out one where the model file does not say, and how many of them are worth drawing processes.
EMPTY_TIMES, WORTH_PROCESSES = 8, 256
VALIDATE_EVERY_S, MOST_VALIDATIONS = 90.0, 12
# The detector's held-out chips, kept for choosing the weight of the second look when both parts are trained.
HELD_OUT = "held_out.safetensors"


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
    # The bundle whose networks are gone on with; None: from nothing.
    start: Path | None = None
    # Processes that draw chips; 0: a thread of the training's own.
    draw_workers: int = 0

    @property
    def settings(self) -> TrainingSettings:
        """The training settings of the part; going on from a bundle takes smaller steps."""
        own = self.model.detector_training if self.part == "detector" else self.model.reader_training
        if self.start is None:
            return own
        return own.model_copy(update={"learning_rate": own.learning_rate * self.model.tuning_rate_share})

    @property
    def focus(self) -> str | None:
        """What lies in the middle of every chip."""
        return None if self.part == "detector" else "panel"

    def fingerprint(self) -> str:
        """SHA-256 over what an unfinished training must share to be gone on with (not its length)."""
        parts = [self.part, self.model.model_dump(mode="json"), self.data.fingerprint(), self.seed]
        if self.start is not None:
            parts.append(hashlib.sha256((self.start / "bundle.yaml").read_bytes()).hexdigest())
        text = json.dumps(parts)
        return hashlib.sha256(text.encode()).hexdigest()


class DetectorTask:
    """Finding panels and people."""

    name = "detector"

    def __init__(self, validation: ChipBatch, real: ChipBatch | None = None) -> None:
        self.validation, self.real = validation, real

    def losses(self, network: nn.Module, chips: ChipBatch) -> dict[str, Tensor]:
        return network.losses(chips.image, chips)  # type: ignore[operator]

    def inputs(self, network: nn.Module, chips: ChipBatch) -> tuple[Tensor, ...] | None:
        return network.inputs(chips.image, chips) if isinstance(network, HeatMapDetector) else None

    def losses_from(self, network: nn.Module, inputs: tuple[Tensor, ...]) -> dict[str, Tensor]:
        return network.losses_from(*inputs)  # type: ignore[operator]

    def validate(self, network: nn.Module) -> dict[str, float]:
        figures = self._figures(network, self.validation)
        if self.real is not None:
            apart = self._figures(network, self.real)
            figures |= {f"{REAL}{name}": value for name, value in apart.items()}
        return figures

    def _figures(self, network: nn.Module, chips: ChipBatch) -> dict[str, float]:
        device, found = device_of(network), []
        for tiles in chips.image.split(VALIDATION_BATCH):
            for one in network.detect(tiles.to(device)):  # type: ignore[operator]
                found.append(Detections(one.box_px.cpu(), one.score.cpu(), one.category.cpu()))
        return detection_figures(found, chips)


def reader_inputs(network: nn.Module, chips: ChipBatch, generator: torch.Generator) -> tuple[Tensor, ...] | None:
    """What readers lose by, of as many things as there are chips, so that every batch has one shape; None where that is not to be
    had: of a batch without anything, or of readers that pick pixels by what they see."""
    if not isinstance(network, Readers) or len(chips.chip) == 0 or len(network.surroundings) > 0:
        return None
    return network.inputs(chips, generator, rows=len(chips.image))


class ReaderTask:
    """Reading the attributes of panels whose boxes are given, a little off."""

    name = "readers"

    def __init__(self, validation: ChipBatch, seed: int, real: ChipBatch | None = None) -> None:
        self.validation, self.seed, self.real = validation, seed, real
        self.generator = torch.Generator().manual_seed(seed)

    def losses(self, network: nn.Module, chips: ChipBatch) -> dict[str, Tensor]:
        assert isinstance(network, Readers)
        return network.losses(chips, self.generator)

    def readings(self, network: nn.Module, chips: ChipBatch | None = None) -> tuple[dict[str, Tensor], Tensor]:
        """Log-probabilities and truth of the panels in chips (those of validation where none are given)."""
        assert isinstance(network, Readers)
        chips = chips or self.validation
        panels = torch.nonzero(chips.category == 0)[:, 0]
        box = jittered(chips.box_px[panels], torch.Generator().manual_seed(self.seed))
        device = device_of(network)
        tight, wide = cut_crops(chips.image.to(device), chips.chip[panels].to(device), box.to(device), network.settings)
        return {name: log_p.cpu() for name, log_p in network.read(tight, wide).items()}, chips.attributes[panels]

    def second_look(self, network: nn.Module) -> tuple[Tensor, Tensor]:
        """Log-odds of a panel for everything in the held-out chips, and whether it is one."""
        assert isinstance(network, Readers)
        chips, device = self.validation, device_of(network)
        box = loosened(chips, torch.Generator().manual_seed(self.seed))
        crops = cut_crops(chips.image.to(device), chips.chip.to(device), box.to(device), network.settings)
        return network.look(*crops)[1].cpu(), chips.category == 0

    def temperatures(self, network: nn.Module) -> dict[str, float]:
        """Divisors of the log-probabilities that fit the held-out chips best; "panel" only where something else was in them."""
        log_p, truth = self.readings(network)
        found = {a: temperature(log_p[a], truth[:, i]) for i, a in enumerate(ATTRIBUTES)}
        log_odds, is_panel = self.second_look(network)
        if bool(is_panel.any()) and not bool(is_panel.all()):
            both = torch.stack([logsigmoid(-log_odds), logsigmoid(log_odds)], 1)
            found["panel"] = temperature(both, is_panel.long())
        return found

    def inputs(self, network: nn.Module, chips: ChipBatch) -> tuple[Tensor, ...] | None:
        return reader_inputs(network, chips, self.generator)

    def losses_from(self, network: nn.Module, inputs: tuple[Tensor, ...]) -> dict[str, Tensor]:
        return network.losses_from(*inputs)  # type: ignore[operator]

    def validate(self, network: nn.Module) -> dict[str, float]:
        figures = reading_figures(*self.readings(network))
        figures["panel or not"] = share_told_apart(*self.second_look(network))
        if self.real is not None:
            apart = reading_figures(*self.readings(network, self.real))
            figures |= {f"{REAL}{name}": value for name, value in apart.items()}
        return figures


def device_of(network: nn.Module) -> torch.device:
    """Where a network's parameters lie."""
    return next(network.parameters()).device


def check_unfinished(job: Job) -> None:
    """InputError, before anything is started, where the job's folder holds a training of other settings."""
    for state, header in (("unfinished", "run"), ("finished", "facts")):
        path = job.folder / f"{job.part}.{state}.safetensors"
        if path.is_file():
            refuse_other_settings(path, json.loads(read_tensors(path)[1].get(header, "{}")), job.fingerprint())


def train_part(
    job: Job,
    on_progress: Callable[[Report], None],
    team: Team = Team(),  # noqa: B008 (read only)
) -> dict[str, Any]:
    """Train one part and leave its tensors in ``job.folder``; returns figures and temperatures.

    A part that was finished before a kill is not trained again. Of a ``team``, the leader writes and returns them.
    """
    finished = job.folder / f"{job.part}.finished.safetensors"
    if team.agreed(finished.is_file()):
        return finished_facts(job) if team.leads else {}
    started = time.monotonic()
    torch.manual_seed(job.seed)
    chosen = choose_device(job.device)
    settings = job.settings
    prepare(chosen)
    network = untrained(job).to(chosen.device)
    network = network.to(memory_format=torch.channels_last)  # type: ignore[call-overload]
    torch.manual_seed(job.seed + team.rank)
    source = open_supply(
        job.data, settings, job.focus, job.draw_workers, first_batch=team.first_batch, pinned=not chosen.is_cpu
    )
    try:
        held_out = held_out_of(source, settings)
        real = real_held_out(job.data, settings, job.focus)
        task = DetectorTask(held_out, real) if job.part == "detector" else ReaderTask(held_out, job.seed, real)
        reservoir = Reservoir(
            source, capacity=settings.reservoir_chips, uses_per_chip=settings.uses_per_chip,
            mirrored=job.part == "detector", seed=job.seed + team.rank, device=chosen.device,
            window_px=settings.window_px if job.part == "detector" else None,
            draw_chips=chips_a_draw(settings), as_they_come=not chosen.is_cpu and job.draw_workers > 0,
            changes=changes_of_chips(job, network),
        )  # fmt: skip
        step = train(
            task, network, reservoir, settings, job.budget, chosen,
            keep_in=job.folder / f"{job.part}.unfinished.safetensors", fingerprint=job.fingerprint(),
            on_progress=on_progress, spent_s=time.monotonic() - started, team=team,
            schedule=Schedule(validations=validations(job.budget)),
        )  # fmt: skip
    finally:
        source.close()
    if not team.leads:
        return {}
    figures = task.validate(network)
    uses = round(reservoir.given / max(1, reservoir.drawn), 2)
    too_often = f"Drawing did not keep up: each chip was used {uses:.1f} times on average."
    on_progress(Report(job.part, step, 1.0, figures=figures, note=too_often if uses > settings.uses_per_chip else ""))
    facts: dict[str, Any] = {
        "fingerprint": job.fingerprint(),
        "figures": {name: None if math.isnan(value) else round(value, 4) for name, value in figures.items()},
        "steps": step,
        "chips_drawn": reservoir.drawn,
        "uses_per_chip": uses,
    }
    if isinstance(task, ReaderTask):
        facts["temperatures"] = task.temperatures(network)
    else:
        write_tensors(job.folder / HELD_OUT, vars(held_out))
    write_tensors(finished, network.state_dict(), {"facts": json.dumps(facts)})
    return facts


def changes_of_chips(job: Job, network: nn.Module) -> list[Change]:
    """What the model file asks to be done to the detector's fresh chips."""
    settings, changes = job.settings, []
    if job.part != "detector":
        return []
    photographs = job.data.open_bare(settings.chip_px, photographs_only=True) if settings.amplitude_exchange else None
    if photographs is not None:
        real = photographs.batch(REAL_CROPS).image
        changes.append(AmplitudeExchange(real, settings.amplitude_exchange, job.seed))
    bare = (
        job.data.open_bare(settings.chip_px, photographs_only=False) if settings.hard_negatives and job.start else None
    )
    if bare is not None:
        changes.append(HardNegatives.mined(network, bare, settings.hard_negatives, HARD_SHARE, job.seed))
    return changes


def validations(budget: Budget) -> int:
    """How often held-out chips are looked at: points enough for a curve, little of the time."""
    return 2 if budget.seconds is None else max(2, min(MOST_VALIDATIONS, round(budget.seconds / VALIDATE_EVERY_S)))


def finished_facts(job: Job) -> dict[str, Any]:
    """What ``train_part`` returned for a part that is finished; InputError where this host does not see it."""
    return json.loads(read_tensors(job.folder / f"{job.part}.finished.safetensors")[1].get("facts", "{}"))


def held_out_chips(job: Job) -> ChipBatch:
    """The held-out chips of the finished detector in the job's folder."""
    return ChipBatch(**read_tensors(job.folder / HELD_OUT)[0])


@contextmanager
def empty_chips(job: Job, cores: int) -> Iterator[EmptyChips | None]:
    """Held-out chips without a target of the detector's job, drawn as they are asked for; None where it wants none."""
    settings = job.settings
    chips = EMPTY_TIMES * settings.validation_chips if settings.empty_chips is None else settings.empty_chips
    if chips == 0:
        yield None
        return
    ground = job.data.open_empty(settings.chip_px, chips)
    opener = partial(job.data.open_empty, settings.chip_px, chips)
    # Processes take seconds to start: a thread that draws ahead of the networks is as fast for few chips.
    workers = job.draw_workers or (cores if chips >= WORTH_PROCESSES else 0)
    if workers:
        with DrawnByWorkers(opener, min(workers, ground.batches), BATCH_CHIPS, settings.chip_px) as drawn:
            yield ground.drawn_by(drawn)
    else:
        yield ground.drawn_by(ground)


def untrained(job: Job) -> nn.Module:
    """The network of a part, before training."""
    if job.part == "detector":
        network = build_detector(job.model.detector)
    else:
        network = Readers(job.model.readers, job.data.mission.panels.vocabulary)
    if job.start is not None:
        fill_from_bundle(network, job.start, job.part)
    elif isinstance(network, HeatMapDetector) and network.trunk == "efficientnet-lite0":
        fill_from_imagenet(network.stages)
    return network


def trained(job: Job) -> nn.Module:
    """The network of a finished part."""
    network = untrained(job)
    path = job.folder / f"{job.part}.finished.safetensors"
    fill_network(network, read_tensors(path)[0], path)
    return network.eval()
