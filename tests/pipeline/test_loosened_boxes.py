"""Boxes in training are as a detector gives them: near on panels, near or loose on anything else."""

from __future__ import annotations

import torch

from pipeline.readers import LOOSE_SHARE, OTHER_JITTER, PANEL_JITTER, loosened
from synth.chips import ChipBatch


def shifts(category: int, count: int = 4000) -> torch.Tensor:
    """How far the centres of boxes 40 px wide are moved along x, as shares of the side [N]."""
    box = torch.tensor([[50.0, 50.0, 90.0, 90.0]]).repeat(count, 1)
    chips = ChipBatch(
        torch.zeros(1, 3, 144, 144, dtype=torch.uint8), torch.zeros(count, dtype=torch.int64),
        torch.full((count,), category), box, torch.ones(count), torch.full((count, 4), -1), torch.zeros(count),
    )  # fmt: skip
    loose = loosened(chips, torch.Generator().manual_seed(1))
    return ((loose[:, 0] + loose[:, 2]) / 2 - 70) / 40


def test_boxes_of_panels_are_near() -> None:
    assert abs(float(shifts(0).std()) - PANEL_JITTER[0]) < 0.003


def test_boxes_of_other_things_are_near_in_their_share_and_loose_otherwise() -> None:
    """The spread of a mixture of two normal distributions of one mean: the shares' mean of the squares."""
    for category in (1, 2):
        moved = shifts(category)
        expected = (LOOSE_SHARE * OTHER_JITTER[0] ** 2 + (1 - LOOSE_SHARE) * PANEL_JITTER[0] ** 2) ** 0.5
        assert abs(float(moved.std()) - expected) < 0.006
        # More lie within two deviations of a panel's than if all were loose (erf(2 * 0.04 / 0.15 / sqrt 2) = 0.41).
        assert float((moved.abs() < 2 * PANEL_JITTER[0]).float().mean()) > 0.6
