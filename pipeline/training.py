"""The training loop, for any network: one page that reads from top to bottom.

Progress runs from 0 to 1, as steps done of all steps or as seconds trained of all seconds; everything that changes
during training (the learning rate, what is reported and kept) hangs on it, so that a killed run goes on where it was.
"""

from __future__ import annotations

import json
import math
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import torch
from torch import Tensor, nn

from mission.errors import InputError
from mission.model_file import TrainingSettings
from pipeline.processors import ChosenDevice
from pipeline.reservoir import Reservoir
from pipeline.team import Team
from pipeline.tensor_files import fill_network, read_tensors, write_tensors
from pipeline.training_step import backward_pass
from synth.chips import ChipBatch


class Task(Protocol):
    """What is trained: how it loses and how it is judged."""

    name: str

    def losses(self, network: nn.Module, chips: ChipBatch) -> dict[str, Tensor]:
        """Scalar losses of one batch, to be summed."""
        ...

    def validate(self, network: nn.Module) -> dict[str, float]:
        """Figures on chips that are not trained on."""
        ...


@dataclass(frozen=True)
class Budget:
    """How long to train: steps, seconds, or both, of which the one used up first ends it."""

    steps: int | None = None
    seconds: float | None = None

    def progress(self, step: int, elapsed_s: float) -> float:
        """Share of the training that is done, 0..1."""
        of_steps = 0.0 if self.steps is None else step / max(1, self.steps)
        of_time = 0.0 if self.seconds is None else elapsed_s / max(1e-9, self.seconds)
        return min(1.0, max(of_steps, of_time))


@dataclass
class Report:
    """One line of progress: losses since the last line, and validation figures where they were just measured."""

    part: str
    step: int
    progress: float
    elapsed_s: float = 0.0
    losses: dict[str, float] = field(default_factory=dict)
    figures: dict[str, float] = field(default_factory=dict)
    note: str = ""


@dataclass
class Schedule:
    """How often what happens."""

    report_s: float = 5.0
    keep_s: float = 30.0
    validations: int = 2  # the last of them is the caller's, on the finished network


def learning_rate_share(progress: float, warm_up: float) -> float:
    """Linear warm-up, then half a cosine to 1 % (Loshchilov & Hutter 2017), by the share of the training done."""
    if progress < warm_up:
        return max(0.01, progress / warm_up)
    rest = (progress - warm_up) / max(1e-9, 1.0 - warm_up)
    return 0.01 + 0.99 * 0.5 * (1.0 + math.cos(math.pi * rest))


class MovingAverage:
    """Exponential moving average of a network's tensors; the young average forgets faster, so it never lags at the start."""

    def __init__(self, network: nn.Module, decay: float) -> None:
        self.decay = decay
        # The state's tensors share memory with the network's own, which are changed in place: they need to be listed once.
        self.followed = network.state_dict()
        self.tensors = {name: tensor.detach().clone() for name, tensor in self.followed.items()}

    @torch.no_grad()
    def update(self, step: int) -> None:
        """Take in the network as it is after a step: a few launches for all tensors together."""
        decay = min(self.decay, (1.0 + step) / (10.0 + step))
        pairs = [(self.tensors[name], tensor) for name, tensor in self.followed.items()]
        floats = [pair for pair in pairs if pair[0].is_floating_point()]
        counts = [pair for pair in pairs if not pair[0].is_floating_point()]
        torch._foreach_lerp_(  # pyright: ignore[reportPrivateImportUsage]
            [own for own, _ in floats], [tensor for _, tensor in floats], 1.0 - decay
        )
        if counts:
            torch._foreach_copy_(  # pyright: ignore[reportPrivateImportUsage]
                [own for own, _ in counts], [tensor for _, tensor in counts]
            )

    def swap(self, network: nn.Module) -> None:
        """Exchange the average and the network's own tensors (call twice to restore)."""
        current = {name: tensor.detach().clone() for name, tensor in network.state_dict().items()}
        network.load_state_dict(self.tensors)
        self.tensors = current


def optimiser_for(network: nn.Module, settings: TrainingSettings) -> torch.optim.AdamW:
    """AdamW (Loshchilov & Hutter 2019); norms and biases do not decay."""
    decayed = [p for p in network.parameters() if p.requires_grad and p.ndim > 1]
    others = [p for p in network.parameters() if p.requires_grad and p.ndim <= 1]
    groups = [{"params": decayed, "weight_decay": settings.weight_decay}, {"params": others, "weight_decay": 0.0}]
    on_gpu = any(p.is_cuda for p in decayed)
    return torch.optim.AdamW(groups, lr=settings.learning_rate, fused=True if on_gpu else None)


def train(
    task: Task,
    network: nn.Module,
    reservoir: Reservoir,
    settings: TrainingSettings,
    budget: Budget,
    device: ChosenDevice,
    *,
    keep_in: Path | None = None,
    fingerprint: str = "",
    schedule: Schedule = Schedule(),  # noqa: B008 (read only)
    on_progress: Callable[[Report], None] = lambda report: None,
    clock: Callable[[], float] = time.monotonic,
    spent_s: float = 0.0,
    team: Team = Team(),  # noqa: B008 (read only)
) -> int:
    """Train ``network`` on chips of ``reservoir``, leave its averaged tensors in it, and return the steps taken in all.

    ``spent_s``: seconds of the budget that preparing took. A run that was killed goes on from ``keep_in`` where that was
    written under the same ``fingerprint``. Raises InputError in one sentence when the loss is no finite number or memory
    runs out at a batch of one. Of a ``team`` all members call this, each with a reservoir of its own; the leader validates and
    keeps.
    """
    optimiser = optimiser_for(network, settings)
    average = MovingAverage(network, settings.average_decay)
    state = _State(network, optimiser, average, reservoir, keep_in, fingerprint)
    step, before_s = state.resume()
    refuse_other_step(step, team, keep_in)
    before_s += spent_s
    backward, agreed = backward_pass(task, network, device), team.agreement()
    team.begin_alike(network)
    batch, parent = settings.batch, os.getppid()
    started = last_report = last_kept = clock()
    since_report = LossSums(task.name)
    validated = int(budget.progress(step, before_s) * schedule.validations)
    network.train()

    while (progress := budget.progress(step, elapsed_s := agreed(before_s + clock() - started, step))) < 1.0:
        for group in optimiser.param_groups:
            group["lr"] = settings.learning_rate * learning_rate_share(progress, settings.warm_up)
        try:
            losses = backward(reservoir.batch(batch))
        except RuntimeError as error:
            batch = _halved_batch(error, batch, device, team)
            note = f"Out of memory: going on with batches of {batch}."
            on_progress(Report(task.name, step, progress, elapsed_s, note=note))
            continue
        since_report.add(losses)
        if device.is_cpu:  # reading a number makes a GPU wait: there a report is soon enough
            since_report.refuse_non_finite(step)
        team.average_gradients(network)
        nn.utils.clip_grad_norm_(network.parameters(), settings.clip_norm)
        optimiser.step()
        average.update(step)
        step += 1

        now = clock()
        validate = validated < schedule.validations - 1 and progress >= (validated + 1) / schedule.validations
        keep = keep_in is not None and team.leads and now - last_kept >= schedule.keep_s
        if validate or keep or now - last_report >= schedule.report_s:
            means = since_report.take(step)
            figures = validated_figures(task, network, average) if validate and team.leads else {}
            validated += int(validate)
            on_progress(Report(task.name, step, progress, elapsed_s, means, figures))
            last_report = clock()
        if keep:
            state.keep(step, before_s + clock() - started)
            last_kept = clock()
        if os.getppid() != parent:  # whoever asked for this training is gone
            raise SystemExit(1)

    if means := since_report.take(step):
        on_progress(Report(task.name, step, progress, elapsed_s, means))
    if keep_in is not None and team.leads:
        state.keep(step, before_s + clock() - started)
    average.swap(network)
    network.eval()
    return step


def validated_figures(task: Task, network: nn.Module, average: MovingAverage) -> dict[str, float]:
    """The task's figures for the averaged network; the network is as before afterwards."""
    average.swap(network)
    network.eval()
    try:
        return task.validate(network)
    finally:
        network.train()
        average.swap(network)


class LossSums:
    """Sums of each loss since the last report. They stay on their device: only ``take`` and the check wait for a GPU.

    What is once no finite number stays so in a sum (and in the weights), so a check at each report misses nothing.
    """

    def __init__(self, part: str) -> None:
        self.part, self.count = part, 0
        self.sums: dict[str, Tensor] = {}

    def add(self, losses: Mapping[str, Tensor]) -> None:
        """Take in the losses of one step."""
        for name, loss in losses.items():
            self.sums[name] = self.sums[name] + loss if name in self.sums else loss.float()
        self.count += 1

    def refuse_non_finite(self, step: int) -> None:
        """InputError naming the first loss that is no finite number."""
        self._read(step)

    def take(self, step: int) -> dict[str, float]:
        """Mean losses since the last call."""
        means = {name: value / max(1, self.count) for name, value in self._read(step).items()}
        self.sums, self.count = {}, 0
        return means

    def _read(self, step: int) -> dict[str, float]:
        if not self.sums:
            return {}
        values = dict(zip(self.sums, torch.stack(list(self.sums.values())).tolist(), strict=True))
        for name, value in values.items():
            if not math.isfinite(value):
                raise InputError(
                    f"The {name} loss of the {self.part} must stay a finite number. Got {value} at step {step} instead:"
                    f" a lower 'learning_rate' in the model file is the usual remedy."
                )
        return values


def refuse_other_step(step: int, team: Team, keep_in: Path | None) -> None:
    """InputError where members of a team would go on from different places."""
    if (leaders := int(team.agreed(step))) != step:
        where = "the output's folder" if keep_in is None else keep_in.parent
        raise InputError(
            f"All hosts must see the same unfinished training in {where}. Got step {step} here and {leaders} at the first"
            f" process instead."
        )


def _halved_batch(error: RuntimeError, batch: int, device: ChosenDevice, team: Team) -> int:
    """Half the batch after running out of memory; any other error is raised again."""
    text = str(error).lower()
    if not (
        isinstance(error, torch.OutOfMemoryError) or "not enough memory" in text or "can't allocate memory" in text
    ):
        raise error
    if team.size > 1:  # the others are in the middle of the same step with the whole batch
        raise InputError(
            f"The memory of {device.name} must hold a batch of {batch} chips. Got too little instead: a smaller 'batch' in"
            f" the model file is the remedy."
        ) from None
    if batch <= 1:
        raise InputError(
            f"The memory of {device.name} must hold a batch of one chip. Got too little instead."
        ) from None
    if not device.is_cpu:
        torch.cuda.empty_cache()
    return batch // 2


def refuse_other_settings(path: Path, facts: dict[str, Any], fingerprint: str) -> None:
    """InputError where what lies in ``path`` was trained under other settings than those asked for now."""
    if facts.get("fingerprint") != fingerprint:
        raise InputError(
            f"The unfinished training in {path.parent} must be of the same settings to go on. Got other settings"
            f" instead: remove that folder or choose another output."
        )


class _State:
    """All that a killed run needs to go on, in one file that is replaced whole."""

    def __init__(
        self,
        network: nn.Module,
        optimiser: torch.optim.Optimizer,
        average: MovingAverage,
        reservoir: Reservoir,
        keep_in: Path | None,
        fingerprint: str,
    ) -> None:
        self.network, self.optimiser, self.average, self.reservoir = network, optimiser, average, reservoir
        self.path, self.fingerprint = keep_in, fingerprint

    def keep(self, step: int, elapsed_s: float) -> None:
        tensors: dict[str, Tensor] = {}
        tensors |= {f"network.{name}": tensor for name, tensor in self.network.state_dict().items()}
        tensors |= {f"average.{name}": tensor for name, tensor in self.average.tensors.items()}
        for number, moments in self.optimiser.state_dict()["state"].items():
            tensors |= {f"optimiser.{number}.{name}": torch.as_tensor(value) for name, value in moments.items()}
        facts: dict[str, Any] = {"step": step, "elapsed_s": elapsed_s, "fingerprint": self.fingerprint}
        facts["chips"] = self.reservoir.place()
        assert self.path is not None
        write_tensors(self.path, tensors, {"run": json.dumps(facts)})

    def resume(self) -> tuple[int, float]:
        """Steps done and seconds spent by an earlier run of the same make; (0, 0.0) where there is none."""
        if self.path is None or not self.path.exists():
            return 0, 0.0
        tensors, header = read_tensors(self.path)
        facts = json.loads(header.get("run", "{}"))
        refuse_other_settings(self.path, facts, self.fingerprint)
        groups: dict[str, dict[str, Tensor]] = {"network": {}, "average": {}, "optimiser": {}}
        for name, tensor in tensors.items():
            kind, _, rest = name.partition(".")
            groups[kind][rest] = tensor
        fill_network(self.network, groups["network"], self.path)
        device = next(self.network.parameters()).device
        self.average.tensors = {name: tensor.to(device) for name, tensor in groups["average"].items()}
        moments: dict[int, dict[str, Tensor]] = {}
        for name, tensor in groups["optimiser"].items():
            number, _, key = name.partition(".")
            moments.setdefault(int(number), {})[key] = tensor
        layout = self.optimiser.state_dict()
        self.optimiser.load_state_dict({"state": moments, "param_groups": layout["param_groups"]})
        self.reservoir.go_to(facts["chips"])
        return int(facts["step"]), float(facts["elapsed_s"])
