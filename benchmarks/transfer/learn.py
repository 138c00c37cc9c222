"""Many trainings at once on one device, all fed from the same shelves of drawn chips.

A small network leaves a data-centre GPU waiting for the next launch, so trainings run as threads of a process or two: each
gets its turn, all end at the same moment. The loop is the library's own (``pipeline.training.train``).
"""

from __future__ import annotations

import json
import threading
import time
import traceback
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from benchmarks.transfer.ingredients import FEW, Part, Row, row_named
from benchmarks.transfer.pool import PROCEDURAL, Shelf
from benchmarks.transfer.pool import Part as PoolPart
from mission.mission_file import Mission
from mission.model_file import ModelFile, TrainingSettings
from pipeline.amplitude_exchange import exchange_amplitudes
from pipeline.bundle import build_detector
from pipeline.hard_negatives import surest_false_report
from pipeline.processors import ChosenDevice
from pipeline.readers import Readers
from pipeline.reservoir import Looks, Objects, change_light, choose_looks, objects_seen, pixels_at_once
from pipeline.tasks import reader_inputs
from pipeline.tensor_files import halved, write_tensors
from pipeline.training import Budget, Report, Schedule, train
from synth.chips import ChipBatch

TAKE_IN_S = 3.0
#: Steps by which a training may be ahead of the one furthest behind.
LEAD = 20
#: When hard negatives are mined (shares of the training), of how many empty chips, and how many are kept.
MINED_AT, MINED_OF, MINED_KEPT = (0.35, 0.6), 1024, 256
#: Share of the chips that take on the broad tones of a photograph, in the row that does so.
EXCHANGED_SHARE = 0.5


@dataclass(frozen=True)
class Run:
    """One training: a part of a row, judged by the flights ``left_out`` of its ground."""

    row: str
    part: Part
    seed: int
    left_out: tuple[str, ...]
    grounds: tuple[str, ...]

    @property
    def name(self) -> str:
        return f"{self.row}.{self.part}.{self.seed}.{'+'.join(self.left_out) or 'none'}"


def parts_for(run: Run, sizes: ModelFile, chips: dict[str, int]) -> dict[PoolPart, float]:
    """The parts of the pool that a training takes from, with the share of its chips; ``chips``: how many at most of
    the detector's and the readers' chips on each flight and on procedural ground."""
    row = row_named(run.row)
    drawn_by = run.row if row.draws_its_own else "real"
    side, focus = sizes.detector_training.chip_px, None
    if run.part == "readers":
        side, focus = sizes.reader_training.chip_px, "panel"
    grounds = {flight: row.real_share / len(run.grounds) for flight in run.grounds} if row.real_share else {}
    grounds[PROCEDURAL] = 1.0 - row.real_share
    found = {}
    for ground, share in grounds.items():
        most = (
            round(FEW * share)
            if row.draws_its_own
            else chips[f"{run.part}.{'procedural' if ground == PROCEDURAL else 'flight'}"]
        )
        if share > 0:
            found[PoolPart(drawn_by, ground, focus, side, most)] = share
    return found


class Shelves:
    """All parts of the pool on a device, taken in by a thread of their own while trainings run."""

    def __init__(self, parts: Sequence[PoolPart], folder: Path, device: torch.device, renewed: bool = False) -> None:
        self.by_part = {part: Shelf(part, folder, device, renewed) for part in parts}
        self.ended = False
        self.thread = threading.Thread(target=self._keep_up, daemon=True)

    def _keep_up(self) -> None:
        while not self.ended:
            began = time.monotonic()
            for shelf in self.by_part.values():
                shelf.take_in()
            time.sleep(max(0.2, TAKE_IN_S - (time.monotonic() - began)))

    def wait(self, chips: int, until: float) -> None:
        """Start taking in, and come back when every shelf holds ``chips`` or ``until`` has come."""
        self.thread.start()
        while time.time() < until and any(s.held < min(chips, s.part.chips) for s in self.by_part.values()):
            time.sleep(0.5)


class Turns:
    """Keeps trainings side by side within LEAD steps of one another (threads alone shared the GPU out so unevenly that some took
    twenty times the steps of others)."""

    def __init__(self, names: Sequence[str]) -> None:
        self.steps = dict.fromkeys(names, 0)
        self.changed = threading.Condition()

    def next(self, name: str) -> None:
        """Come back when every training still under way is at most LEAD steps behind this one."""
        with self.changed:
            self.changed.wait_for(lambda: self.steps[name] < min(self.steps.values()) + LEAD)
            self.steps[name] += 1
            self.changed.notify_all()

    def leave(self, name: str) -> None:
        """Hold up nobody any more."""
        with self.changed:
            self.steps.pop(name, None)
            self.changed.notify_all()


class PoolBatches:
    """Training batches from shelves, every chip turned and lit anew at each use; the reservoir's place in ``train``."""

    def __init__(
        self,
        shelves: dict[Shelf, float],
        row: Row,
        mirrored: bool,
        seed: int,
        my_turn: Callable[[], None] = lambda: None,
    ) -> None:
        self.shelves, self.row, self.mirrored, self.my_turn = shelves, row, mirrored, my_turn
        self.rng = np.random.default_rng(seed)
        self.generator = torch.Generator().manual_seed(seed)
        self.given = 0

    @property
    def drawn(self) -> int:
        """Chips to choose from by now."""
        return sum(self._usable(shelf) for shelf in self.shelves)

    def _usable(self, shelf: Shelf) -> int:
        share = self.shelves[shelf] / sum(self.shelves.values())
        return shelf.usable if self.row.chips is None else min(shelf.usable, round(self.row.chips * share))

    def batch(self, n: int) -> ChipBatch:
        """n chips (image float32 0..255) on the shelves' device, when it is this training's turn."""
        self.my_turn()
        while not (held := [(shelf, share) for shelf, share in self.shelves.items() if self._usable(shelf)]):
            time.sleep(0.5)
        share = np.array([s for _, s in held])
        counts = self.rng.multinomial(n, share / share.sum())
        chosen = [(shelf, self._index(shelf, int(k))) for (shelf, _), k in zip(held, counts, strict=True) if k]
        facts = [shelf.facts[i] for shelf, index in chosen for i in index]
        objects = Objects(np.repeat(np.arange(n), [len(one) for one in facts]), np.concatenate(facts))
        side = chosen[0][0].part.chip_px
        looks = choose_looks(objects, n, side, side, self.mirrored, self.rng)
        pixels, at = [], 0
        for shelf, index in chosen:
            assert shelf.image is not None
            here = slice(at, at := at + len(index))
            some = Looks(side, looks.corner[here], looks.quarters[here], looks.mirrored[here])
            pixels.append(pixels_at_once(shelf.image, index, some))
        self.given += n
        image = change_light(torch.cat(pixels), self.generator)
        return objects_seen(objects, looks).on(image.device, image)

    def pictures(self, n: int, photographs: bool) -> Tensor:
        """n pictures uint8 [n, 3, S, S] of empty chips, or of any chips on photographs."""
        shelves = [s for s in self.shelves if s.held and not (photographs and s.part.ground == PROCEDURAL)]
        found = []
        for number, shelf in enumerate(shelves):
            count = n // len(shelves) + (number < n % len(shelves))
            index = (
                self.rng.integers(shelf.held, size=count)
                if photographs
                else _some(self.rng, shelf.empty[: shelf.held], count)
            )
            assert shelf.image is not None
            found.append(shelf.image[torch.from_numpy(index).to(shelf.device)])
        return torch.cat(found)

    def _index(self, shelf: Shelf, n: int) -> NDArray[np.int64]:
        usable = self._usable(shelf)
        if self.row.empty_share is None:
            return shelf.places(self.rng.integers(usable, size=n))
        empty = shelf.empty[:usable]
        wanted = self.rng.random(n) < self.row.empty_share
        return np.where(wanted, _some(self.rng, empty, n), _some(self.rng, ~empty, n))


def _some(rng: np.random.Generator, chosen: NDArray[np.bool_], n: int) -> NDArray[np.int64]:
    places = np.flatnonzero(chosen)
    return places[rng.integers(len(places), size=n)] if len(places) else rng.integers(len(chosen), size=n)


class LearnTask:
    """What the training loop asks of a task, without validation (the judge does that), and a row's own way of learning."""

    def __init__(self, run: Run, batches: PoolBatches, budget: Budget) -> None:
        self.name, self.batches, self.budget = run.part, batches, budget
        self.generator, self.rng = torch.Generator().manual_seed(run.seed), np.random.default_rng(run.seed)
        self.learning = row_named(run.row).learning
        self.started, self.steps = time.time(), 0
        self.mine_at = list(MINED_AT) if self.learning == "hard-negatives" else []
        self.hard: Tensor | None = None

    def losses(self, network: nn.Module, chips: ChipBatch) -> dict[str, Tensor]:
        if isinstance(network, Readers):
            return network.losses(chips, self.generator)
        self._change(network, chips)
        return network.losses(chips.image, chips)  # type: ignore[operator]

    def inputs(self, network: nn.Module, chips: ChipBatch) -> tuple[Tensor, ...] | None:
        if isinstance(network, Readers):
            return reader_inputs(network, chips, self.generator)
        self._change(network, chips)
        return network.inputs(chips.image, chips)  # type: ignore[operator]

    def losses_from(self, network: nn.Module, inputs: tuple[Tensor, ...]) -> dict[str, Tensor]:
        return network.losses_from(*inputs)  # type: ignore[operator]

    def _change(self, network: nn.Module, chips: ChipBatch) -> None:
        """Do to a detector's chips what the row asks for."""
        self.steps += 1
        if self.mine_at and self.budget.progress(self.steps, time.time() - self.started) >= self.mine_at[0]:
            self.mine_at.pop(0)
            self._mine(network)
        if self.hard is not None:
            self._show_hard(chips, self.hard)
        if self.learning == "amplitude-exchange":
            place = torch.from_numpy(np.flatnonzero(self.rng.random(len(chips.image)) < EXCHANGED_SHARE))
            real = self.batches.pictures(len(place), photographs=True)
            chips.image[place.to(real.device)] = exchange_amplitudes(chips.image[place.to(real.device)], real)

    def _mine(self, network: nn.Module) -> None:
        """Keep those empty chips that the network as it is now takes most surely for something."""
        pictures = self.batches.pictures(MINED_OF, photographs=False)
        nothing = unlabelled(pictures)
        score = surest_false_report(network, nothing)
        network.train()
        self.hard = pictures[score.topk(min(MINED_KEPT, len(score))).indices.to(pictures.device)]

    def _show_hard(self, chips: ChipBatch, hard: Tensor) -> None:
        """Put hard chips in the place of half of the empty ones."""
        empty = np.setdiff1d(np.arange(len(chips.image)), chips.chip.cpu().numpy())
        place = torch.from_numpy(empty[self.rng.random(len(empty)) < 0.5]).to(hard.device)
        which = torch.from_numpy(self.rng.integers(len(hard), size=len(place))).to(hard.device)
        chips.image[place] = change_light(hard[which], self.batches.generator)

    def validate(self, network: nn.Module) -> dict[str, float]:
        return {}


def unlabelled(pictures: Tensor) -> ChipBatch:
    """Pictures uint8 [B, 3, S, S] as chips that hold nothing."""
    no_row = torch.zeros(0, dtype=torch.int64)
    none = torch.zeros(0)
    return ChipBatch(pictures, no_row, no_row, torch.zeros(0, 4), none, torch.zeros(0, 4, dtype=torch.int64), none)


def network_of(run: Run, sizes: ModelFile, mission: Mission) -> nn.Module:
    """The untrained network of a run."""
    if run.part == "readers":
        readers = type(sizes.readers).model_validate({**sizes.readers.model_dump(), **row_named(run.row).readers})
        return Readers(readers, mission.panels.vocabulary)
    detector = type(sizes.detector).model_validate({**sizes.detector.model_dump(), **row_named(run.row).detector})
    return build_detector(detector)


@dataclass(frozen=True)
class Plan:
    """How long the trainings of a process take and where they write: ``steps`` (None: as many as there is time for), at the
    latest until ``until`` (``time.time()``); ``model`` is the model file's word, None for the one that the rows share."""

    out: Path
    until: float
    steps: int | None = None
    model: str | None = None


def learn(
    runs: Sequence[Run], sizes: ModelFile, mission: Mission, shelves: Shelves, parts_of: Callable[[Run], dict[PoolPart, float]],
    chosen: ChosenDevice, plan: Plan, say: Callable[[str], None],
) -> list[str]:  # fmt: skip
    """Train all runs side by side and write ``plan.out/NAME.safetensors`` of each; returns what failed."""
    failed: list[str] = []
    networks = []
    for run in runs:  # weights are drawn one after the other, from a seed of their own
        torch.manual_seed(run.seed)
        network = network_of(run, sizes, mission).to(chosen.device)
        networks.append(network.to(memory_format=torch.channels_last))  # type: ignore[call-overload]

    turns = Turns([run.name for run in runs])

    def body(run: Run, network: nn.Module) -> None:
        try:
            mine = {shelves.by_part[part]: share for part, share in parts_of(run).items()}
            with queue_of_its_own(chosen):
                _learn_one(run, network, mine, _settings(run, sizes), chosen, plan, say, turns)
        except Exception as error:  # one run that fails must not cost the others
            failed.append(f"{run.name}: {error}\n{traceback.format_exc()}")
        finally:
            turns.leave(run.name)

    threads = [threading.Thread(target=body, args=pair) for pair in zip(runs, networks, strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return failed


def queue_of_its_own(chosen: ChosenDevice) -> AbstractContextManager[object]:
    """A GPU stream for a thread, so that small launches of several trainings run at the same time; nothing on a CPU."""
    if chosen.is_cpu:
        return nullcontext()
    torch.cuda.synchronize(chosen.device)  # the weights were moved on another stream
    return torch.cuda.stream(torch.cuda.Stream(chosen.device))


def _settings(run: Run, sizes: ModelFile) -> TrainingSettings:
    return sizes.detector_training if run.part == "detector" else sizes.reader_training


def _learn_one(
    run: Run, network: nn.Module, shelves: dict[Shelf, float], settings: TrainingSettings, chosen: ChosenDevice,
    plan: Plan, say: Callable[[str], None], turns: Turns,
) -> None:  # fmt: skip
    batches = PoolBatches(
        shelves, row_named(run.row), run.part == "detector", run.seed, lambda: turns.next(run.name)
    )  # fmt: skip
    started = time.time()
    budget = Budget(plan.steps, plan.until - started)

    def report(one: Report) -> None:
        losses = " ".join(f"{name} {value:.3f}" for name, value in one.losses.items())
        say(f"{run.name}: step {one.step}, {one.elapsed_s:.0f} s, {batches.drawn} chips: {losses} {one.note}")

    steps = train(
        LearnTask(run, batches, budget), network, batches, settings, budget, chosen,  # type: ignore[arg-type]
        schedule=Schedule(report_s=60.0, validations=1), on_progress=report,
    )  # fmt: skip
    facts = {
        **asdict(run), "steps": steps, "chips": batches.drawn, "seen": batches.given, "batch": settings.batch,
        "seconds": round(time.time() - started, 1), "model": plan.model,
        "device": "CPU" if chosen.is_cpu else torch.cuda.get_device_name(chosen.device),
    }  # fmt: skip
    write_tensors(plan.out / f"{run.name}.safetensors", halved(learnt(network)), {"facts": json.dumps(facts)})


def learnt(network: nn.Module) -> dict[str, Tensor]:
    """The tensors of a network but for those of a published trunk that were held still."""
    still = {id(t) for stage in getattr(network, "still", []) for t in [*stage.parameters(), *stage.buffers()]}
    return {name: value for name, value in network.state_dict(keep_vars=True).items() if id(value) not in still}
