"""Several processes, started by PyTorch's launcher, that learn the same network together or one part each.

    torchrun --nproc-per-node 2 -m pipeline fit --train field --out my-bundle ...

Each process learns from chips of its own and the gradients are averaged, all of them in one go: they are a few megabytes, and
a pass that is recorded for the GPU leaves no room for sending parts of them earlier. Statistics of batch normalisation are
each process's own, those of the first are kept; it also validates and writes. All hosts must see the folder of the output
under the same path.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import torch
import torch.distributed as dist
from torch import nn

from mission.errors import InputError, must
from pipeline.processors import ChosenDevice

# Training batches are numbered from this far apart, so that no two processes ever draw the same one.
APART = 1_000_000_000
# Steps between two looks at the leader's clock: each is a message that takes as long as a step on a GPU.
AGREED_EVERY = 16
# The others wait this long while the first one validates or writes.
PATIENCE = timedelta(minutes=30)


@dataclass(frozen=True)
class Team:
    """The processes that train one part; by default a single one."""

    rank: int = 0
    size: int = 1
    group: Any = None

    @property
    def leads(self) -> bool:
        """Whether this process validates, keeps and writes."""
        return self.rank == 0

    @property
    def first_batch(self) -> int:
        """Number of this process's first training batch."""
        return self.rank * APART

    def begin_alike(self, network: nn.Module) -> None:
        """Give every member the leader's tensors."""
        if self.size > 1:
            for tensor in network.state_dict().values():
                dist.broadcast(tensor, dist.get_global_rank(self.group, 0), group=self.group)

    def average_gradients(self, network: nn.Module) -> None:
        """Replace the gradients by their means over the team, sent as one run of numbers; where there is none it counts as 0."""
        if self.size == 1:
            return
        learnt = [p for p in network.parameters() if p.requires_grad]
        for one in learnt:
            if one.grad is None:
                one.grad = torch.zeros_like(one)
        gradients = [one.grad for one in learnt if one.grad is not None]
        together = torch.cat([gradient.reshape(-1) for gradient in gradients])
        dist.all_reduce(together, group=self.group)
        parts = together.div_(self.size).split([gradient.numel() for gradient in gradients])
        torch._foreach_copy_(  # pyright: ignore[reportPrivateImportUsage]
            gradients, [part.view(gradient.shape) for part, gradient in zip(parts, gradients, strict=True)]
        )

    def agreed(self, value: float) -> float:
        """The leader's value. It travels between processors, not between GPUs, so no GPU is waited for."""
        if self.size == 1:
            return value
        shared = torch.tensor([value], dtype=torch.float64)
        dist.broadcast(shared, dist.get_global_rank(self.group, 0), group=self.group)
        return float(shared)

    def agreement(self) -> Callable[[float, int], float]:
        """What gives all members the leader's clock at a step: asked for every so many steps and held in between."""
        held: float | None = None

        def agreed(value: float, step: int) -> float:
            nonlocal held
            if held is None or self.size == 1 or step % AGREED_EVERY == 0:
                held = self.agreed(value)
            return held

        return agreed


@dataclass(frozen=True)
class World:
    """All processes of a launch; one where there was no launcher."""

    rank: int = 0
    size: int = 1
    local_rank: int = 0
    local_size: int = 1

    @classmethod
    def here(cls) -> World:
        """As the launcher says in the environment; InputError where it says what cannot be."""
        if "RANK" not in os.environ or "WORLD_SIZE" not in os.environ:
            return cls()
        names = ("RANK", "WORLD_SIZE", "LOCAL_RANK", "LOCAL_WORLD_SIZE")
        defaults = ("0", "1", os.environ["RANK"], os.environ["WORLD_SIZE"])
        got = {name: os.environ.get(name, other) for name, other in zip(names, defaults, strict=True)}
        try:
            world = cls(*(int(value) for value in got.values()))
        except ValueError:
            world = cls(-1)
        if not (0 <= world.rank < world.size and 0 <= world.local_rank < world.local_size):
            raise must("RANK", "be a whole number from 0 to WORLD_SIZE - 1", got, where="the environment")
        return world

    def device(self, wanted: str) -> str:
        """The word for this process's device: its own GPU of the host's."""
        if self.size == 1 or wanted not in ("auto", "cuda") or not torch.cuda.is_available():
            return wanted
        return f"cuda:{self.local_rank}"

    @contextmanager
    def joined(self, device: ChosenDevice) -> Iterator[None]:
        """The process group, while the training lasts."""
        if self.size == 1:
            yield
            return
        if not device.is_cpu:
            torch.cuda.set_device(device.device)
        backend = "cpu:gloo" if device.is_cpu else "cpu:gloo,cuda:nccl"
        try:
            dist.init_process_group(backend, timeout=PATIENCE)
        except (RuntimeError, ValueError) as error:
            raise InputError(
                f"The processes of the launch must reach each other. Got '{str(error).splitlines()[0]}' instead."
            ) from None
        try:
            yield
        finally:
            dist.destroy_process_group()

    def teams(self, parts: Sequence[str], apart: bool) -> dict[str, Team]:
        """The team of each part that this process works for: of all, or (``apart``) of one, each with its share of the ranks."""
        if self.size == 1:
            return {part: Team() for part in parts}
        if not apart:
            everyone = Team(self.rank, self.size, dist.new_group(list(range(self.size))))
            return dict.fromkeys(parts, everyone)
        each = self.size // len(parts)
        own: dict[str, Team] = {}
        for number, part in enumerate(parts):
            members = list(range(number * each, (number + 1) * each))
            group = dist.new_group(members)  # every process takes part in making every group
            if self.rank in members:
                own[part] = Team(members.index(self.rank), each, group)
        return own

    def wait(self) -> None:
        """Until all processes are here."""
        if self.size > 1:
            dist.all_reduce(torch.zeros(1))  # in ordinary memory: a barrier of the GPUs' would tie up one each
