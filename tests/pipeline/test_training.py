"""The loop: budget, resuming, and what stops it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import torch
from torch import nn

from mission.errors import InputError
from mission.model_file import TrainingSettings
from pipeline.processors import ChosenDevice, choose_device
from pipeline.training import Budget, MovingAverage, Report, Schedule, learning_rate_share, train
from tests.pipeline.drawn_chips import boxes_in_chips

CPU = ChosenDevice("cpu", False)
SETTINGS = TrainingSettings(batch=8, learning_rate=0.05, weight_decay=0.0, average_decay=0.5)


class Draws:
    """Stands for a reservoir: counts its batches."""

    def __init__(self):
        self.sizes = []

    def batch(self, n):
        self.sizes.append(n)
        return boxes_in_chips([(0, 0, 0, 20, 20)])

    def place(self):
        return {"batches": len(self.sizes)}

    def go_to(self, place):
        self.sizes = [0] * place["batches"]


class Line:
    """A task that a linear layer can learn: y = 3 x."""

    name = "line"

    def __init__(self, spoil=None):
        self.spoil, self.calls, self.validated = spoil, 0, 0

    def losses(self, network, chips):
        self.calls += 1
        if self.spoil is not None:
            return self.spoil(self.calls, network)
        x = torch.linspace(-1, 1, 16)[:, None]
        return {"square": ((network(x) - 3 * x) ** 2).mean()}

    def validate(self, network):
        self.validated += 1
        return {"weight": float(network.weight.detach())}


def line(seed=0):
    torch.manual_seed(seed)
    return nn.Linear(1, 1)


def test_learning_rate_rises_then_falls_to_a_hundredth():
    assert learning_rate_share(0.0, 0.04) == 0.01
    assert learning_rate_share(0.02, 0.04) == pytest.approx(0.5)
    assert learning_rate_share(0.04, 0.04) == pytest.approx(1.0)
    assert learning_rate_share(0.52, 0.04) == pytest.approx(0.505)
    assert learning_rate_share(1.0, 0.04) == pytest.approx(0.01)
    assert learning_rate_share(0.0, 0.0) == pytest.approx(1.0)


def test_it_learns_and_leaves_the_average_in_the_network():
    network, task = line(), Line()
    steps = train(task, network, Draws(), SETTINGS, Budget(steps=200), CPU)
    assert steps == 200 and task.calls == 200
    assert float(network.weight.detach()) == pytest.approx(3.0, abs=0.2)
    assert not network.training


def test_a_budget_of_seconds_ends_on_the_clock():
    ticks = iter(range(10_000))
    task = Line()
    train(task, line(), Draws(), SETTINGS, Budget(seconds=50.0), CPU, clock=lambda: float(next(ticks)))
    assert 10 <= task.calls <= 50


def test_a_killed_run_goes_on_where_it_was(tmp_path):
    whole = line()
    train(Line(), whole, Draws(), SETTINGS, Budget(steps=40), CPU)

    class Killed(Exception):
        pass

    def kill_at_25(calls, network):
        if calls == 26:
            raise Killed
        x = torch.linspace(-1, 1, 16)[:, None]
        return {"square": ((network(x) - 3 * x) ** 2).mean()}

    kept = tmp_path / "line.unfinished.safetensors"
    each_step = Schedule(keep_s=0.0)
    with pytest.raises(Killed):
        train(Line(kill_at_25), line(), Draws(), SETTINGS, Budget(steps=40), CPU,
              keep_in=kept, fingerprint="same", schedule=each_step)  # fmt: skip
    again, rest = line(seed=9), Line()
    steps = train(rest, again, Draws(), SETTINGS, Budget(steps=40), CPU,
                  keep_in=kept, fingerprint="same", schedule=each_step)  # fmt: skip
    assert steps == 40 and rest.calls == 15
    assert rest.validated == 0  # the look at half the way was taken before the kill
    # The optimiser's moments and the average were kept too: the end is that of the run that was never killed.
    assert torch.allclose(again.weight, whole.weight, atol=1e-6)


def test_an_unfinished_run_of_other_settings_is_refused(tmp_path):
    kept = tmp_path / "line.unfinished.safetensors"
    train(Line(), line(), Draws(), SETTINGS, Budget(steps=3), CPU, keep_in=kept, fingerprint="one")
    with pytest.raises(InputError, match="must be of the same settings to go on"):
        train(Line(), line(), Draws(), SETTINGS, Budget(steps=3), CPU, keep_in=kept, fingerprint="two")


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_a_loss_that_is_no_number_stops_with_its_name(bad):
    def spoil(calls, network):
        good = (network(torch.ones(1, 1)) ** 2).mean()
        return {"square": good, "odd": good * (bad if calls == 3 else 1.0)}

    with pytest.raises(
        InputError, match=r"The odd loss of the line must stay a finite number. Got (nan|inf) at step 2"
    ):
        train(Line(spoil), line(), Draws(), SETTINGS, Budget(steps=10), CPU)


def test_out_of_memory_halves_the_batch_and_says_so():
    def spoil(calls, network):
        if calls <= 2:
            raise torch.OutOfMemoryError("CUDA out of memory.")
        return {"square": (network(torch.ones(1, 1)) ** 2).mean()}

    reservoir, said = Draws(), []
    train(Line(spoil), line(), reservoir, SETTINGS, Budget(steps=2), CPU, on_progress=said.append)
    assert reservoir.sizes == [8, 4, 2, 2]
    notes = [report.note for report in said if report.note]
    assert notes == ["Out of memory: going on with batches of 4.", "Out of memory: going on with batches of 2."]


def test_out_of_memory_at_a_batch_of_one_is_a_sentence_and_other_errors_pass():
    def always(calls, network):
        raise RuntimeError("[enforce fail] DefaultCPUAllocator: can't allocate memory: you tried to allocate 99 bytes.")

    with pytest.raises(InputError, match="must hold a batch of one chip"):
        train(Line(always), line(), Draws(), SETTINGS, Budget(steps=2), CPU)

    def other(calls, network):
        raise RuntimeError("sizes do not match")

    with pytest.raises(RuntimeError, match="sizes do not match"):
        train(Line(other), line(), Draws(), SETTINGS, Budget(steps=2), CPU)


def test_progress_is_reported_with_losses_and_validation():
    said: list[Report] = []
    task = Line()
    train(task, line(), Draws(), SETTINGS, Budget(steps=40), CPU, schedule=Schedule(report_s=0.0, validations=4),
          on_progress=said.append)  # fmt: skip
    assert task.validated == 3  # the fourth is the caller's, on the finished network
    assert all(set(report.losses) == {"square"} for report in said)
    assert [r.progress for r in said] == sorted(r.progress for r in said)


def test_moving_average_swaps_and_restores():
    network = line()
    average = MovingAverage(network, 0.9)
    before = network.weight.detach().clone()
    with torch.no_grad():
        network.weight.add_(1.0)
    average.update(step=1000)
    average.swap(network)
    assert torch.allclose(network.weight, before + 0.1, atol=1e-6)
    average.swap(network)
    assert torch.allclose(network.weight, before + 1.0)


def test_a_processor_computes_in_what_it_has_whatever_a_clock_says(monkeypatch):
    """Two trainings of one seed must not differ in their numbers because the machine was busy when one of them began."""
    listed = Path("/proc/cpuinfo")
    if listed.is_file() and (flags := re.search(r"^flags\s*: (.*)$", listed.read_text(), re.MULTILINE)):
        assert choose_device("cpu").bfloat16 == bool({"avx512_bf16", "amx_bf16"} & set(flags[1].split()))
    for has in (True, False):
        for name in ("_is_avx512_bf16_supported", "_is_amx_tile_supported"):
            monkeypatch.setattr(torch.cpu, name, lambda has=has: has)
        assert {choose_device("cpu").bfloat16 for _ in range(4)} == {has}


def test_devices_are_chosen_or_refused():
    assert choose_device("cpu").is_cpu
    assert choose_device("auto").name in ("cpu", "cuda")
    with pytest.raises(InputError, match=r"must be auto, cpu, cuda or cuda:NUMBER\. Got gpu instead"):
        choose_device("gpu")
    with pytest.raises(InputError, match="must be one that this machine has"):
        choose_device("cuda:99")
