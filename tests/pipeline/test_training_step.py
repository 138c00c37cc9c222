"""A step from prepared inputs loses and learns what a step call by call does."""

from __future__ import annotations

from dataclasses import replace

import pytest
import torch

from mission.mission_file import load_mission
from mission.model_file import load_model_file
from pipeline.bundle import build_detector
from pipeline.processors import ChosenDevice
from pipeline.readers import Readers, some_things
from pipeline.tasks import DetectorTask, ReaderTask
from pipeline.training_step import CallByCall, Recorded, backward_pass
from synth.chips import ChipBatch

CPU = ChosenDevice("cpu", False)
MODEL = load_model_file("small")


def _chips(seed: int) -> ChipBatch:
    made = torch.Generator().manual_seed(seed)
    corner = torch.rand(6, 2, generator=made) * 60
    box = torch.cat([corner, corner + 20 + 30 * torch.rand(6, 2, generator=made)], 1)
    return ChipBatch(
        torch.rand(4, 3, 128, 128, generator=made) * 255, torch.tensor([0, 0, 1, 2, 2, 2]),
        torch.tensor([0, 1, 0, 0, 0, 1]), box, torch.tensor([1.0, 1.0, 0.9, 0.3, 1.0, 1.0]),
        torch.zeros(6, 4, dtype=torch.int64), torch.zeros(6),
    )  # fmt: skip


def test_losses_from_inputs_are_the_losses():
    torch.manual_seed(0)
    network, chips = build_detector(MODEL.detector), _chips(1)
    task = DetectorTask(chips)
    inputs = task.inputs(network, chips)
    assert inputs is not None
    network.train()
    plain, prepared = task.losses(network, chips), task.losses_from(network, inputs)
    assert {k: v.item() for k, v in prepared.items()} == {k: v.item() for k, v in plain.items()}


def test_another_detector_makes_its_own_targets():
    assert DetectorTask(_chips(1)).inputs(torch.nn.Linear(1, 1), _chips(2)) is None


def test_on_a_cpu_nothing_is_recorded():
    network = build_detector(MODEL.detector)
    task = DetectorTask(_chips(1))
    step = backward_pass(task, network, CPU)
    assert isinstance(step, CallByCall)
    losses = step(_chips(2))
    assert set(losses) == {"heat", "box"} and not any(loss.requires_grad for loss in losses.values())
    assert all(p.grad is not None and torch.isfinite(p.grad).all() for p in network.parameters())


@pytest.mark.skipif(not torch.cuda.is_available(), reason="graphs are recorded on GPUs only")
def test_a_recorded_step_has_the_gradients_of_the_plain_one():
    gpu, gradients = ChosenDevice("cuda", False), {}
    for kind in ("plain", "recorded"):
        torch.manual_seed(0)
        network = build_detector(MODEL.detector).cuda()
        task = DetectorTask(_chips(1))
        step = CallByCall(task, network, gpu) if kind == "plain" else backward_pass(task, network, gpu)
        assert isinstance(step, Recorded if kind == "recorded" else CallByCall)
        for seed in range(8):  # four to warm up, one to record, three replayed
            losses = step(_on(_chips(seed), "cuda"))
        gradients[kind] = [losses["heat"], *(p.grad.clone() for p in network.parameters() if p.grad is not None)]
    for one, other in zip(gradients["plain"], gradients["recorded"], strict=True):
        torch.testing.assert_close(one, other, rtol=2e-2, atol=2e-3)


def test_readers_are_given_as_many_things_as_chips():
    mission = load_mission("harrow-fen")
    readers = Readers(MODEL.readers, mission.panels.vocabulary).train()
    for things in ([0, 1], [0, 0, 1, 2, 3, 3, 3]):
        chip = torch.tensor(things)
        box = torch.tensor([40.0, 40.0, 80.0, 90.0]).repeat(len(chip), 1)
        chips = ChipBatch(
            torch.rand(4, 3, 128, 128) * 255, chip, torch.zeros_like(chip), box, torch.ones(len(chip)),
            torch.arange(len(chip))[:, None].repeat(1, 4), torch.arange(1.0 * len(chip)),
        )  # fmt: skip
        few = some_things(chips, 4, torch.Generator().manual_seed(0))
        again = few.attributes[:, 0].tolist()
        assert len(again) == 4 and max(again.count(n) for n in again) <= 2 and len(set(again)) == min(4, len(things))
        assert few.chip.tolist() == [things[n] for n in again] and few.mark_turn_deg.tolist() == [
            float(n) for n in again
        ]
        inputs = ReaderTask(chips, 1).inputs(readers, chips)
        assert inputs is not None and {len(one) for one in inputs} == {4}
        losses = ReaderTask(chips, 1).losses_from(readers, inputs)
        assert all(torch.isfinite(loss) for loss in losses.values())
    nothing = replace(chips, chip=chip[:0], category=chip[:0], box_px=box[:0])
    assert ReaderTask(chips, 1).inputs(readers, nothing) is None


def _on(chips: ChipBatch, device: str) -> ChipBatch:
    return ChipBatch(**{name: value.to(device) for name, value in vars(chips).items()})
