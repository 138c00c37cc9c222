"""The empty ground on which a bundle to ship counts its false reports."""

from __future__ import annotations

import pytest
import torch

from benchmarks.transfer.pool import MISSION
from benchmarks.transfer.ship import empty_ground
from mission.mission_file import load_mission


@pytest.mark.parametrize("photographed", [0.5, 0.0])
def test_empty_ground_is_empty_and_stands_for_the_whole_field(photographed: float) -> None:
    """40 other things a hectare are 0.076 on a chip of 256 px at 1.7 cm."""
    ground = empty_ground(load_mission(MISSION), None, photographed, 5, 64, 256)
    shares = [part.field_share for part in ground.parts]
    assert sum(shares) == pytest.approx(1.0)
    assert sum(shares[1::2]) == pytest.approx(40 * (256 * 0.017) ** 2 / 1e4, rel=0.001)
    assert [part.batches for part in ground.parts] == ([2, 1, 2, 1] if photographed else [3, 1])
    ground.number = ground.batches - 1
    last = ground.batch(2)
    assert len(last.chip) == 0 and last.image.shape == (2, 3, 256, 256) and last.image.dtype == torch.uint8
