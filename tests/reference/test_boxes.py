"""Boxes, overlaps and their losses against published values and an independent library."""

from __future__ import annotations

import numpy as np
import pytest
import torch
from pycocotools.coco import COCO
from pycocotools.cocoeval import COCOeval
from torchvision.ops import box_iou, generalized_box_iou, generalized_box_iou_loss

from pipeline.detector import Detections, HeatTargets, box_loss, generalised_overlap_loss
from pipeline.validation import average_precision, match
from tests.pipeline.drawn_chips import boxes_in_chips

# torchvision, test/test_ops.py, class TestBoxIouBase (integer and float boxes and their expected overlaps).
INT_BOXES = [[0, 0, 100, 100], [0, 0, 50, 50], [200, 200, 300, 300]]
INT_IOU = [[1.0, 0.25, 0.0], [0.25, 1.0, 0.0], [0.0, 0.0, 1.0]]
FLOAT_BOXES = [
    [285.3538, 185.5758, 1193.5110, 851.4551],
    [285.1472, 188.7374, 1192.4984, 851.0669],
    [279.2440, 197.9812, 1189.4746, 849.2019],
]
FLOAT_IOU = [[1.0, 0.9933, 0.9673], [0.9933, 1.0, 0.9737], [0.9673, 0.9737, 1.0]]
# torchvision, test/test_ops.py, class TestGeneralizedBoxIou, the integer boxes above.
INT_GIOU = [[1.0, 0.25, -0.7778], [0.25, 1.0, -0.8611], [-0.7778, -0.8611, 1.0]]


def test_overlaps_torchvision_tests():
    assert torch.allclose(
        box_iou(torch.tensor(INT_BOXES).float(), torch.tensor(INT_BOXES).float()), torch.tensor(INT_IOU)
    )
    found = box_iou(torch.tensor(FLOAT_BOXES), torch.tensor(FLOAT_BOXES))
    assert torch.allclose(found, torch.tensor(FLOAT_IOU), atol=1e-4)


def test_overlap_needs_no_extra_pixel():
    # A box covers [x, x + w): the well-known tutorial pair gives 0.7957713 so, and 0.7980 where both ends are counted
    # as pixels (value from memory, reproduced by arithmetic).
    one, other = torch.tensor([[39.0, 63, 203, 112]]), torch.tensor([[54.0, 66, 198, 114]])
    assert float(box_iou(one, other)) == pytest.approx(0.7957713, abs=1e-6)


def test_generalised_overlap_and_its_gradient_are_torchvisions():
    """Apart, touching, one in the other, of no area: pairs of every kind against torchvision's loss."""
    chance = torch.Generator().manual_seed(0)
    corner = torch.rand((500, 2, 2), generator=chance) * 60
    side = torch.rand((500, 2, 2), generator=chance) * 40
    side[::7] = 0.0
    boxes = torch.cat([corner, corner + side], -1)
    ours, theirs = boxes[:, 0].clone().requires_grad_(), boxes[:, 0].clone().requires_grad_()
    loss, expected = generalised_overlap_loss(ours, boxes[:, 1]), generalized_box_iou_loss(theirs, boxes[:, 1])
    assert torch.allclose(loss, expected, atol=1e-5)
    loss[1:7].sum().backward()
    expected[1:7].sum().backward()
    assert torch.allclose(ours.grad, theirs.grad, atol=1e-5)


@pytest.mark.parametrize("i,j", [(0, 0), (0, 1), (0, 2), (1, 2)])
def test_box_loss_is_one_less_the_generalised_overlap_torchvision_tests(i, j):
    """Our loss at one cell whose distances describe box i, its target being box j."""
    stride, row, column = 4, 12, 12
    x, y = (column + 0.5) * stride, (row + 0.5) * stride
    x0, y0, x1, y1 = (float(v) for v in INT_BOXES[i])
    distance = torch.zeros(1, 4, 80, 80)
    distance[0, :, row, column] = torch.tensor([x - x0, y - y0, x1 - x, y1 - y])
    box, weight = torch.zeros(1, 4, 80, 80), torch.zeros(1, 80, 80)
    box[0, :, row, column] = torch.tensor(INT_BOXES[j]).float()
    weight[0, row, column] = 3.0
    target = HeatTargets(torch.zeros(1, 2, 80, 80), torch.ones(1, 2, 80, 80), box, weight, torch.tensor(1))
    assert float(box_loss(distance, target, stride)) == pytest.approx(1.0 - INT_GIOU[i][j], abs=1e-4)
    whole = generalized_box_iou(torch.tensor([INT_BOXES[i]]).float(), torch.tensor([INT_BOXES[j]]).float())
    assert float(whole) == pytest.approx(INT_GIOU[i][j], abs=1e-4)


def _pycocotools_ap50(found: list[Detections], truth) -> float:
    coco = COCO()
    images = sorted(range(len(found)))
    annotations = []
    for n in range(len(truth.chip)):
        x0, y0, x1, y1 = truth.box_px[n].tolist()
        annotations.append(
            {"id": n + 1, "image_id": int(truth.chip[n]), "category_id": 1, "iscrowd": 0,
             "bbox": [x0, y0, x1 - x0, y1 - y0], "area": (x1 - x0) * (y1 - y0)}
        )  # fmt: skip
    coco.dataset = {"info": {}, "images": [{"id": i} for i in images], "annotations": annotations,
                    "categories": [{"id": 1, "name": "panel"}]}  # fmt: skip
    coco.createIndex()
    results = []
    for i, one in enumerate(found):
        for box, score in zip(one.box_px.tolist(), one.score.tolist(), strict=True):
            x0, y0, x1, y1 = box
            results.append({"image_id": i, "category_id": 1, "bbox": [x0, y0, x1 - x0, y1 - y0], "score": score})
    judge = COCOeval(coco, coco.loadRes(results), "bbox")
    judge.evaluate()
    judge.accumulate()
    judge.summarize()
    return float(judge.stats[1])


def test_quick_average_precision_agrees_with_pycocotools(capsys):
    """pycocotools samples the envelope at 101 recalls, we add up all of it: they differ by less than a hundredth."""
    rng = np.random.default_rng(5)
    rows = [(chip, *corner, 40.0) for chip in range(30) for corner in rng.uniform(0, 200, (rng.integers(0, 5), 2))]
    truth = boxes_in_chips([(c, x, y, x + s, y + s) for c, x, y, s in rows])
    found = []
    for chip in range(30):
        own = truth.box_px[truth.chip == chip]
        near = own + torch.from_numpy(rng.normal(0, 6, own.shape)).float()
        stray = torch.from_numpy(rng.uniform(0, 200, (3, 2))).float()
        boxes = torch.cat([near, torch.cat([stray, stray + 35], 1)])
        score = torch.from_numpy(np.concatenate([rng.uniform(0.2, 1, len(near)), rng.uniform(0, 0.7, 3)])).float()
        found.append(Detections(boxes, score, torch.zeros(len(boxes), dtype=torch.int64)))
    ours = average_precision(match(found, truth, 0))
    theirs = _pycocotools_ap50(found, truth)
    capsys.readouterr()
    assert 0.4 < ours < 0.98
    assert ours == pytest.approx(theirs, abs=0.01)
