"""Forward and backward pass of a training step: call by call, or as one CUDA graph.

A step of a small network is a thousand short launches; a processor core takes several times as long to give them out as a GPU
takes to work them off. Recorded once and replayed they cost one call. A graph holds addresses, not values: what goes in is
copied to the same places each time, shapes stay the same, and nothing within may ask the GPU for a number. A task says what
goes in by ``inputs`` and what is lost by ``losses_from``; one that does not is run call by call, as on every CPU.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Protocol

import torch
from torch import Tensor, nn

from pipeline.processors import ChosenDevice
from synth.chips import ChipBatch

Losses = dict[str, Tensor]
Backward = Callable[[ChipBatch], Losses]
# Steps done call by call before a graph is recorded: they choose the kernels and make what is made once.
WARM_UP = 4
# While one thread records, no other may wait for the whole GPU (a recording begins so) or ask it for chance (dropout).
_GPU = threading.Lock()


class Losing(Protocol):
    """The part of a training task that a step needs."""

    def losses(self, network: nn.Module, chips: ChipBatch) -> Losses:
        """Scalar losses of one batch, to be summed."""
        ...


class Recordable(Protocol):
    """What a task adds to ``losses`` so that its steps can be recorded."""

    def inputs(self, network: nn.Module, chips: ChipBatch) -> tuple[Tensor, ...] | None:
        """All that depends on the chips, in shapes that depend on the size of the batch alone; None: not of this network."""
        ...

    def losses_from(self, network: nn.Module, inputs: tuple[Tensor, ...]) -> Losses:
        """Scalar losses, to be summed, from nothing but the inputs and the network."""
        ...


def is_recordable(task: object) -> bool:
    """Whether a task says what goes into its losses."""
    return hasattr(task, "inputs") and hasattr(task, "losses_from")


def backward_pass(task: Losing, network: nn.Module, device: ChosenDevice) -> Backward:
    """What computes the losses of chips and leaves their gradients in the network's parameters; graphs are recorded on a GPU
    for tasks that allow it."""
    plain = CallByCall(task, network, device)
    return Recorded(task, network, device, plain) if is_recordable(task) and not device.is_cpu else plain  # type: ignore[arg-type]


class CallByCall:
    """The pass as it is written."""

    def __init__(self, task: Losing, network: nn.Module, device: ChosenDevice) -> None:
        self.task, self.network, self.device = task, network, device

    def __call__(self, chips: ChipBatch) -> Losses:
        with self.device.autocast():
            losses = self.task.losses(self.network, chips)
        self.network.zero_grad(set_to_none=True)
        torch.stack(list(losses.values())).sum().backward()
        return {name: loss.detach() for name, loss in losses.items()}


class Recorded:
    """The pass as a CUDA graph, recorded anew when the shape of its inputs changes.

    The first steps are done call by call on a stream of their own, as recording asks for.
    """

    def __init__(self, task: Recordable, network: nn.Module, device: ChosenDevice, otherwise: Backward) -> None:
        self.task, self.network, self.device, self.otherwise = task, network, device, otherwise
        self.shapes: list[tuple[int, ...]] = []
        self.done = 0
        self.graph: torch.cuda.CUDAGraph | None = None
        self.held: tuple[Tensor, ...] = ()
        self.losses: Losses = {}
        self.stream = torch.cuda.Stream(device.device)

    def __call__(self, chips: ChipBatch) -> Losses:
        given = self.task.inputs(self.network, chips)
        if given is None:
            return self.otherwise(chips)
        if (shapes := [tuple(one.shape) for one in given]) != self.shapes:
            self.shapes, self.done, self.graph, self.held, self.losses = shapes, 0, None, (), {}
        with _GPU:
            if self.graph is None and self.done < WARM_UP:
                return self._warm_up(given)
            graph = self.graph or self._record(given)
            for own, other in zip(self.held, given, strict=True):
                own.copy_(other)
            graph.replay()
            # The next replay writes over the graph's own numbers.
            return {name: loss.clone() for name, loss in self.losses.items()}

    def _warm_up(self, given: tuple[Tensor, ...]) -> Losses:
        current = torch.cuda.current_stream(self.device.device)
        self.stream.wait_stream(current)
        self.network.zero_grad(set_to_none=True)
        with torch.cuda.stream(self.stream):
            losses = self._pass(given)
        current.wait_stream(self.stream)
        self.done += 1
        return losses

    def _record(self, given: tuple[Tensor, ...]) -> torch.cuda.CUDAGraph:
        self.held = tuple(one.clone() for one in given)
        # Gradients are made within the recording and written over by every replay: nobody may take them away afterwards.
        self.network.zero_grad(set_to_none=True)
        graph = torch.cuda.CUDAGraph()
        with torch.cuda.graph(graph, stream=self.stream, capture_error_mode="thread_local"):
            self.losses = self._pass(self.held)
        self.graph = graph
        return graph

    def _pass(self, inputs: tuple[Tensor, ...]) -> Losses:
        with self.device.autocast():
            losses = self.task.losses_from(self.network, inputs)
        torch.stack(list(losses.values())).sum().backward()
        return {name: loss.detach() for name, loss in losses.items()}
