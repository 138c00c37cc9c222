"""The detector: what its targets, losses and decoding promise."""

from __future__ import annotations

import math

import numpy as np
import pytest
import torch

from mission.model_file import FcosSettings, HeatMapSettings
from pipeline.bundle import build_detector
from pipeline.detector import (
    Detections,
    HeatMapDetector,
    _bumps,
    _targets_at_once,
    _targets_one_by_one,
    decode,
    focal_loss,
    heat_targets,
    is_scored,
)
from pipeline.fusing import fused_for_inference
from pipeline.validation import average_precision, match
from tests.pipeline.drawn_chips import DrawnChips, boxes_in_chips

TINY = HeatMapSettings(stage_widths=(8, 8, 16, 16), stage_blocks=(0, 0, 1, 1), neck_width=16)


def maps_of(target):
    """Perfect outputs: the target's heat as probability, and the distances that give the target's boxes."""
    _, _, rows, columns = target.heat.shape
    x = (torch.arange(columns) + 0.5) * 4
    y = ((torch.arange(rows) + 0.5) * 4)[:, None]
    x0, y0, x1, y1 = target.box_px.unbind(1)
    return target.heat.clamp(max=0.999), torch.stack([x - x0, y - y0, x1 - x, y1 - y], 1)


def test_decoding_the_targets_gives_the_boxes_back():
    truth = boxes_in_chips([(0, 10, 20, 50, 45), (0, 60, 60, 100, 110), (2, 3, 5, 33, 65)])
    target = heat_targets(truth, (3, 2, 32, 32), 4)
    found = decode(*maps_of(target), 4, (128, 128))
    sure = [one.box_px[one.score > 0.99] for one in found]
    assert [len(boxes) for boxes in sure] == [2, 0, 1]
    both = sure[0][sure[0][:, 0].argsort()]
    assert torch.allclose(both, truth.box_px[:2], atol=1e-3)
    assert torch.allclose(sure[2], truth.box_px[2:], atol=1e-3)


def test_one_cell_per_object_is_a_peak_and_small_or_covered_objects_are_not_counted():
    truth = boxes_in_chips([(0, 10, 10, 50, 50), (1, 20, 20, 30, 30)])
    target = heat_targets(truth, (2, 2, 32, 32), 4)
    assert int((target.heat >= 1.0).sum()) == 1 and target.positives == 1
    assert target.counted[0].min() == 1.0
    hole = torch.nonzero(target.counted[1, 0] == 0) * 4.0 + 2.0
    assert len(hole) and hole.min() > 20 and hole.max() < 30  # inside the small box, nowhere else
    covered = heat_targets(boxes_in_chips([(0, 10, 10, 50, 50)], visible=0.4), (1, 2, 32, 32), 4)
    assert covered.heat.max() == 0.0 and covered.counted.min() == 0.0


def test_nothing_said_about_a_left_out_object_costs_nothing():
    target = heat_targets(boxes_in_chips([(0, 40, 40, 50, 50)]), (1, 2, 32, 32), 4)
    quiet, loud = torch.full((1, 2, 32, 32), -6.0), torch.full((1, 2, 32, 32), -6.0)
    loud[0, 0, 11, 11] = 4.0  # the cell of (46, 46): within the box
    assert float(focal_loss(loud, target)) == pytest.approx(float(focal_loss(quiet, target)), rel=1e-2)
    loud[0, 0, 20, 20] = 4.0
    assert float(focal_loss(loud, target)) > 2 * float(focal_loss(quiet, target))


def test_of_overlapping_objects_the_smaller_owns_the_cells():
    truth = boxes_in_chips([(0, 0, 0, 120, 120), (0, 45, 45, 75, 75)])
    target = heat_targets(truth, (1, 2, 32, 32), 4)
    assert target.box_px[0, :, 15, 15].tolist() == [45, 45, 75, 75]


@pytest.mark.parametrize("seed", range(4))
def test_targets_drawn_at_once_are_those_drawn_one_by_one(seed):
    """What a GPU gets against the plain loop: overlapping, small, covered, cut-off and equal boxes of both categories."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(30):
        x, y, w, h = rng.uniform(-5, 120), rng.uniform(-5, 120), rng.uniform(4, 90), rng.uniform(4, 90)
        rows.append((rng.integers(3), max(x, 0), max(y, 0), min(x + w, 128), min(y + h, 128)))
    truth = boxes_in_chips([*rows, rows[0]])
    truth.category[:] = torch.from_numpy(rng.integers(0, 2, len(truth.chip)))
    truth.visible[:] = torch.from_numpy(rng.uniform(0.3, 1.0, len(truth.chip)))
    bumps, scored, shape = _bumps(truth.box_px, 16, 16, 8), is_scored(truth), (4, 2, 16, 16)
    for name, one, two in zip(
        ("heat", "counted", "box", "weight"),
        _targets_one_by_one(truth, bumps, scored, shape),
        _targets_at_once(truth, bumps, scored, shape),
        strict=True,
    ):
        assert torch.allclose(one, two, atol=1e-6), name


def test_focal_loss_by_hand():
    """One peak at probability 0.3, one bystander of heat 0.5 at probability 0.2 (Law & Deng 2018, eq. 1)."""
    target = heat_targets(boxes_in_chips([(0, 0, 0, 32, 32)]), (1, 1, 1, 2), 16)
    target.heat[:] = torch.tensor([1.0, 0.5])
    logits = torch.logit(torch.tensor([[[[0.3, 0.2]]]]))
    by_hand = -(0.7**2) * math.log(0.3) - 0.5**4 * 0.2**2 * math.log(0.8)
    assert float(focal_loss(logits, target)) == pytest.approx(by_hand, rel=1e-5)


def test_losses_are_shared_over_the_batch_so_that_empty_chips_count():
    truth = boxes_in_chips([(0, 10, 10, 50, 50)])
    one, two = heat_targets(truth, (1, 2, 16, 16), 4), heat_targets(truth, (2, 2, 16, 16), 4)
    flat = float(focal_loss(torch.zeros(1, 2, 16, 16), one))
    with_empty = float(focal_loss(torch.zeros(2, 2, 16, 16), two))
    assert with_empty - flat == pytest.approx(2 * 16 * 16 * 0.25 * math.log(2), rel=1e-4)


@pytest.mark.parametrize("size", [(1, 1), (16, 9), (33, 65), (128, 96)])
def test_any_size_of_image_gives_boxes_inside_it(size):
    torch.manual_seed(0)
    network = HeatMapDetector(TINY).eval()
    found = network.detect(torch.randint(0, 256, (2, 3, *size), dtype=torch.uint8))
    for one in found:
        assert len(one.box_px) == len(one.score) == len(one.category) <= 300
        assert (one.box_px[:, 0::2] <= size[1]).all() and (one.box_px[:, 1::2] <= size[0]).all()
        assert (one.box_px >= 0).all() and (one.score[:-1] >= one.score[1:]).all()


def test_fusing_changes_no_number():
    torch.manual_seed(1)
    network = HeatMapDetector(TINY)
    images = torch.randint(0, 256, (2, 3, 64, 64), dtype=torch.uint8)
    for norm in (m for m in network.modules() if isinstance(m, torch.nn.BatchNorm2d)):
        torch.nn.init.uniform_(norm.weight, 0.5, 1.5)
        torch.nn.init.uniform_(norm.running_var, 0.5, 1.5)
    network.eval()
    fused = fused_for_inference(network)
    assert not any(isinstance(m, torch.nn.BatchNorm2d) for m in fused.modules())
    with torch.no_grad():
        for own, other in zip(network(images.float()), fused(images.float()), strict=True):
            assert torch.allclose(own, other, rtol=1e-3, atol=1e-3)


@pytest.mark.parametrize("settings", [TINY, FcosSettings(pyramid_width=32)])
def test_each_detector_learns_a_handful_of_chips(settings, mission_vocabulary):
    torch.manual_seed(0)
    chips = DrawnChips(mission_vocabulary, seed=3, chip_px=64).batch(6)
    network = build_detector(settings)
    optimiser = torch.optim.AdamW(network.parameters(), lr=3e-3 if settings is TINY else 1e-3)
    for _ in range(60 if settings is TINY else 16):
        loss = torch.stack(list(network.losses(chips.image, chips).values())).sum()
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
    # With six chips the running statistics are not settled: judge with those of the batch.
    found = network.train().detect(chips.image) if settings is TINY else network.eval().detect(chips.image)
    assert average_precision(match(found, chips, 0)) > 0.6


def found_at(scores, boxes):
    return Detections(torch.tensor(boxes).float(), torch.tensor(scores), torch.zeros(len(scores), dtype=torch.int64))


def test_a_second_detection_of_one_object_is_a_false_one():
    truth = boxes_in_chips([(0, 0, 0, 40, 40)])
    result = match([found_at([0.9, 0.8], [[0, 0, 40, 40], [1, 1, 41, 41]])], truth, 0)
    assert result.hit.tolist() == [True, False] and average_precision(result) == 1.0


def test_a_detection_on_a_left_out_object_neither_helps_nor_harms():
    truth = boxes_in_chips([(0, 0, 0, 40, 40), (0, 60, 60, 70, 70)])
    result = match([found_at([0.9, 0.8], [[60, 60, 70, 70], [0, 0, 40, 40]])], truth, 0)
    assert result.objects == 1 and average_precision(result) == 1.0
    assert result.left_out.tolist() == [True, False]


def test_reports_know_which_target_they_touch():
    """A second report on a panel, one on the edge of a person, one beside both."""
    truth = boxes_in_chips([(0, 0, 0, 40, 40), (0, 35, 0, 60, 40)])
    truth.category[1] = 1
    seen = found_at([0.9, 0.8, 0.7, 0.6], [[0, 0, 40, 40], [1, 1, 41, 41], [50, 30, 90, 90], [100, 100, 140, 140]])
    result = match([seen, found_at([0.5], [[0, 0, 40, 40]])], truth, 0)
    assert result.touches.tolist() == [0, 0, 1, -1, -1]
