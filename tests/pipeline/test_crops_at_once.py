"""Crops gathered with a few calls, against the same crops cut one by one."""

from __future__ import annotations

import pytest
import torch
from torch.utils._python_dispatch import TorchDispatchMode

from mission.model_file import ReaderSettings
from pipeline.crops import crops_of_frame
from pipeline.crops_at_once import crops_at_once

SETTINGS = ReaderSettings()
USUAL = [[100.0, 80, 140, 130], [0, 0, 30, 22], [380, 270, 400, 300], [5.5, 280.2, 44.9, 300], [0, 0, 1, 1]]
LARGE = [[60.0, 20, 330, 280]]


def frame_of_noise() -> torch.Tensor:
    return torch.randint(0, 256, (3, 300, 400), dtype=torch.uint8, generator=torch.Generator().manual_seed(0))


@pytest.mark.parametrize("boxes", [USUAL, LARGE, [*USUAL[:2], *LARGE, *USUAL[2:]]])
def test_they_are_the_crops_cut_one_by_one(boxes):
    frame, box = frame_of_noise(), torch.tensor(boxes)
    for one_by_one, at_once in zip(
        crops_of_frame(frame, box, SETTINGS), crops_at_once(frame, box, SETTINGS), strict=True
    ):
        assert at_once.shape == one_by_one.shape
        assert float((at_once - one_by_one).abs().max()) < 0.05


def test_no_box_gives_no_crop():
    tight, wide = crops_at_once(frame_of_noise(), torch.zeros(0, 4), SETTINGS)
    assert tight.shape == (0, 3, SETTINGS.tight_px, SETTINGS.tight_px) and wide.shape[0] == 0


class Calls(TorchDispatchMode):
    """Counts the calls into torch, and those that ask a tensor for a number."""

    def __init__(self) -> None:
        super().__init__()
        self.made = self.asked = 0

    def __torch_dispatch__(self, func, types, args=(), kwargs=None):
        self.made += 1
        self.asked += func.name() in ("aten::_local_scalar_dense", "aten::nonzero")
        return func(*args, **(kwargs or {}))


def test_sixty_crops_take_no_more_calls_than_four():
    frame, box = frame_of_noise(), torch.tensor(USUAL[:4])
    counted = []
    for boxes in (box, box.repeat(15, 1)):
        with Calls() as calls:
            crops_at_once(frame, boxes, SETTINGS)
        counted.append(calls.made)
        assert calls.asked <= 1  # whether any box is large: asked of ordinary memory
    assert counted[0] == counted[1] < 200
