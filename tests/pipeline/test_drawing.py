"""Chips drawn by other processes: in order, the same for any number of them, and nothing left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import pytest
import torch

from mission.errors import InputError
from mission.mission_file import load_mission
from mission.model_file import TrainingSettings
from mission.recipe import Recipe
from pipeline.chip_supply import open_in_turn
from pipeline.drawing import SLOTS, DrawnByWorkers, FirstThen, draw_many
from pipeline.training_data import TrainingData
from tests.pipeline.counted_chips import CountedChips, broken_source, is_alive

ROOT = Path(__file__).parents[2]


@pytest.fixture(autouse=True)
def importable(monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT))  # the drawing processes import the sources of these tests


def numbers(source, batches, n=4):
    return [int(source.batch(n).image[0, 0, 0, 0]) for _ in range(batches)]


def test_batches_come_in_order_with_their_boxes_and_from_where_they_are_wanted():
    with DrawnByWorkers(CountedChips, 2, 4, 64) as source:
        for number in range(5):
            chips = source.batch(4)
            assert chips.image.shape == (4, 3, 64, 64) and (chips.image == number).all()
            assert chips.box_px[:, 2].tolist() == [number + 1.0] * 4
        source.number = 11
        assert numbers(source, 3) == [11, 12, 13] and source.number == 14
        # No process runs further ahead than its slots.
        time.sleep(0.2)
        assert [n for worker in source._workers for n, _ in worker.asked] == [14, 16, 15, 17] and SLOTS == 2
        processes = [worker.process for worker in source._workers]
    assert not any(process.is_alive() for process in processes)


def test_rendered_chips_are_the_same_for_any_number_of_processes_and_for_a_thread():
    settings = TrainingSettings(batch=2, chip_px=64, validation_chips=8)
    data = TrainingData(load_mission("harrow-fen"), Recipe(name="plain"))
    opener = partial(open_in_turn, data, settings, "panel")
    here = opener()
    expected = [here.batch(2) for _ in range(6)]
    with DrawnByWorkers(opener, 2, 2, 64) as source:
        for wanted in expected:
            chips = source.batch(2)
            assert torch.equal(chips.image, wanted.image) and torch.equal(chips.box_px, wanted.box_px)
            assert torch.equal(chips.attributes, wanted.attributes)


def test_held_out_chips_come_first_and_then_training_chips_from_their_beginning():
    source = FirstThen(CountedChips(32), 2, CountedChips(64))
    first = draw_many(source, 2, 4)
    assert first.image.shape == (8, 3, 32, 32) and sorted(set(first.image[:, 0, 0, 0].tolist())) == [0, 1]
    assert first.box_px[first.chip == 7, 2].tolist() == [2.0]
    assert numbers(source, 2) == [0, 1]
    assert source.batch(4).image.shape[-1] == 64


@pytest.mark.parametrize(
    "opener,sentence",
    [
        (partial(CountedChips, refuses_at=1), "The photographs must stay where they are. Got none instead."),
        (broken_source, "Got 'RuntimeError: no such typeface' in one of them instead"),
    ],
)
def test_a_process_that_fails_ends_the_drawing_in_one_sentence(opener, sentence):
    with DrawnByWorkers(opener, 1, 4, 64) as source:
        with pytest.raises(InputError, match=sentence):
            numbers(source, 5)
        processes = [worker.process for worker in source._workers]
    assert not any(process.is_alive() for process in processes)


def test_a_process_that_is_killed_from_outside_is_missed():
    with DrawnByWorkers(partial(CountedChips, slow_s=0.05), 1, 4, 64) as source:
        source.batch(4)
        os.kill(source._workers[0].process.pid, signal.SIGKILL)
        with pytest.raises(InputError, match="Got the exit code -9 of one of them"):
            numbers(source, 8)


DRAWS_FOR_EVER = """
import sys
from functools import partial
from pipeline.drawing import DrawnByWorkers
from tests.pipeline.counted_chips import CountedChips
if __name__ == "__main__":
    with DrawnByWorkers(partial(CountedChips, slow_s=0.02), 1, 4, 64) as source:
        source.batch(4)
        print(*(worker.process.pid for worker in source._workers), flush=True)
        while True:
            source.batch(4)
"""


def _heeds_interrupts() -> None:
    """A shell starts what runs in its background deaf to interrupts, and children inherit that."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def test_an_interrupt_leaves_no_process_and_no_file(tmp_path):
    script = tmp_path / "draws.py"
    script.write_text(DRAWS_FOR_EVER)
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    environment = os.environ | {"TMPDIR": str(scratch), "PYTHONPATH": str(ROOT)}
    training = subprocess.Popen(
        [sys.executable, str(script)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        env=environment, start_new_session=True,
        preexec_fn=_heeds_interrupts,
    )  # fmt: skip
    assert training.stdout is not None
    workers = [int(pid) for pid in training.stdout.readline().split()]
    assert len(workers) == 1 and all(is_alive(pid) for pid in workers)
    os.killpg(training.pid, signal.SIGINT)  # as a terminal does
    training.wait(timeout=20)
    deadline = time.monotonic() + 10
    while any(is_alive(pid) for pid in workers) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not any(is_alive(pid) for pid in workers)
    assert list(scratch.rglob("panelscout*")) == []


def test_a_full_disk_is_one_sentence(monkeypatch):
    def full(*arguments):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "posix_fallocate", full, raising=False)
    with pytest.raises(InputError, match=r"must have room for 0 MB of chips\. Got 'No space left on device' instead"):
        DrawnByWorkers(CountedChips, 1, 4, 64)
    assert tempfile.gettempdir()
