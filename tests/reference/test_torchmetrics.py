"""The same inputs through torchmetrics: detection, calibration, and readings as a classification.

torchmetrics' MeanAveragePrecision calls pycocotools, so it only checks that the inputs mean the same to both; its own older
implementation in torch (``torchmetrics.detection._mean_ap``) sums for itself. Its boxes are float32.
"""

from __future__ import annotations

import importlib
from typing import Any

import numpy as np
import pytest
import torch

from eval.attributes import Readings, attribute_figures, confusion
from eval.calibration import brier_score, reliability
from eval.detection import FIGURES, RECALL_STEPS, figures_of, mean_over_categories
from eval.matching import IOU_THRESHOLDS, Detections, Objects, match

torchmetrics = pytest.importorskip("torchmetrics", reason="torchmetrics is not installed (pip install -e '.[dev]')")
_NAMES = {
    "AP": "map", "AP50": "map_50", "AP75": "map_75", "AP_small": "map_small", "AP_medium": "map_medium",
    "AP_large": "map_large", "AR1": "mar_1", "AR10": "mar_10", "AR100": "mar_100", "AR_small": "mar_small",
    "AR_medium": "mar_medium", "AR_large": "mar_large",
}  # fmt: skip
FRAMES, CATEGORIES = 12, 2


def random_case(seed: int) -> tuple[Objects, Detections]:
    """Boxes of whole pixels (exact in float32), scores without ties, an empty frame at each end."""
    rng = np.random.default_rng(seed)
    objects, answers = 40, 90
    frame = rng.integers(1, FRAMES - 1, objects)
    category = rng.integers(0, CATEGORIES, objects)
    side = np.exp(rng.uniform(np.log(12), np.log(160), objects))
    box = np.round(np.stack([*rng.uniform(0, 500, (2, objects)), side, side * rng.uniform(0.6, 1.6, objects)], axis=1))
    truth = Objects(frame, category, box, box[:, 2] * box[:, 3], np.zeros(objects, bool), np.zeros(objects, bool))
    near = rng.integers(0, objects, answers)
    found = np.round(box[near] + rng.normal(0, 0.08, (answers, 4)) * box[near][:, [2, 3, 2, 3]])
    found[:, 2:] = np.maximum(found[:, 2:], 1)
    kind = np.where(rng.random(answers) < 0.9, category[near], 1 - category[near])
    score = rng.permutation(answers) / 128 + 1 / 256
    return truth, Detections(frame[near], kind, found, found[:, 2] * found[:, 3], score)


def told(truth: Objects, found: Detections) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Predictions and targets as torchmetrics takes them, a dictionary a frame."""
    predictions, targets = [], []
    for frame in range(FRAMES):
        mine, theirs = found.frame == frame, truth.frame == frame
        predictions.append(
            {
                "boxes": torch.tensor(found.box_px[mine], dtype=torch.float32),
                "scores": torch.tensor(found.score[mine], dtype=torch.float32),
                "labels": torch.tensor(found.category[mine]),
            }
        )
        targets.append(
            {
                "boxes": torch.tensor(truth.box_px[theirs], dtype=torch.float32),
                "labels": torch.tensor(truth.category[theirs]),
            }
        )
    return predictions, targets


_OLDER = "torchmetrics.detection._mean_ap"


@pytest.mark.parametrize(
    ("module", "seed"), [("torchmetrics.detection.mean_ap", 0), ("torchmetrics.detection.mean_ap", 1), (_OLDER, 0)]
)
def test_coco_figures(module: str, seed: int) -> None:
    truth, found = random_case(seed)
    try:
        # Its own steps are float32, where a recall of exactly 3 in 10 does not reach the step 0.3.
        metric = importlib.import_module(module).MeanAveragePrecision(
            box_format="xywh",
            iou_type="bbox",
            iou_thresholds=IOU_THRESHOLDS.tolist(),
            rec_thresholds=RECALL_STEPS.tolist(),
        )
    except (ImportError, AttributeError) as missing:
        pytest.skip(f"this torchmetrics has no {module}: {missing}")
    metric.update(*told(truth, found))
    theirs = metric.compute()
    ours = figures_of(match(truth, found, frames=FRAMES, categories=CATEGORIES))
    for name in FIGURES:
        if module == _OLDER and name.partition("_")[2]:
            continue  # its figures by size differ from pycocotools', which is why torchmetrics replaced it
        # Below 0: torchmetrics' and pycocotools' sign for no object of that size.
        value = mean_over_categories(ours[name])
        assert (-1.0 if np.isnan(value) else value) == pytest.approx(float(theirs[_NAMES[name]]), abs=2e-6), name


def test_single_box_torchmetrics_documentation() -> None:
    # MeanAveragePrecision's documented example: map 0.6, map_50 1, map_75 1, map_large 0.6.
    one = np.zeros(1, dtype=np.int64)
    truth = np.array([[214.0, 41.0, 348.0, 244.0]])
    found = np.array([[258.0, 41.0, 348.0, 244.0]])
    area = truth[:, 2] * truth[:, 3]
    matches = match(
        Objects(one, one, truth, area, one.astype(bool), one.astype(bool)),
        Detections(one, one, found, area, np.array([0.536])),
        frames=1,
        categories=1,
    )
    figures = {name: float(values[0]) for name, values in figures_of(matches).items()}
    assert [figures[n] for n in ("AP", "AP50", "AP75", "AP_large", "AR1", "AR100")] == pytest.approx(
        [0.6, 1, 1, 0.6, 0.6, 0.6]
    )
    assert np.isnan(figures["AP_small"]) and np.isnan(figures["AP_medium"])


@pytest.mark.parametrize("bins", [5, 10, 15])
def test_calibration(bins: int) -> None:
    from torchmetrics.functional.classification import binary_calibration_error

    rng = np.random.default_rng(bins)
    # Multiples of 1/1024 off the bins' edges: which bin an edge belongs to is a convention.
    stated = (rng.integers(0, 1024, 400) + 0.37) / 1024
    happened = rng.random(400) < stated**1.3
    table = reliability(stated, happened, bins=bins)
    told_ = torch.tensor(stated), torch.tensor(happened.astype(int))
    assert table.expected_error == pytest.approx(float(binary_calibration_error(*told_, n_bins=bins)), abs=1e-6)
    largest = float(binary_calibration_error(*told_, n_bins=bins, norm="max"))
    assert table.largest_error == pytest.approx(largest, abs=1e-6)
    squared = float(torchmetrics.functional.mean_squared_error(told_[0], told_[1].to(told_[0].dtype)))
    assert brier_score(stated, happened) == pytest.approx(squared, abs=1e-9)


def test_readings_as_a_classification() -> None:
    from sklearn.metrics import balanced_accuracy_score, top_k_accuracy_score
    from torchmetrics.functional.classification import multiclass_accuracy, multiclass_confusion_matrix

    rng = np.random.default_rng(4)
    marks, count = np.array(["A", "B", "F", "K"]), 300
    truth = rng.integers(0, 4, count)
    tables = rng.dirichlet(np.ones(4), count)
    tables[np.arange(count), truth] += 0.5
    tables /= tables.sum(axis=1, keepdims=True)
    ranked = np.argsort(-tables, axis=1)

    def column(values: np.ndarray) -> np.ndarray:
        whole = np.full((count, 4), None, dtype=object)
        whole[:, 2] = marks[values]
        return whole

    probability = np.full((count, 4), np.nan)
    probability[:, 2] = tables.max(axis=1)
    rows = np.arange(count)
    readings = Readings(rows, rows, column(truth), column(ranked[:, 0]), probability, column(ranked[:, 1]))
    figures = attribute_figures(readings)["mark"]
    stated, asked = torch.tensor(tables), torch.tensor(truth)

    def share(**options: Any) -> float:
        return float(multiclass_accuracy(stated, asked, num_classes=4, **options))

    assert figures["accuracy"] == pytest.approx(share(average="micro"), abs=1e-6)
    assert figures["balanced_accuracy"] == pytest.approx(share(average="macro"), abs=1e-6)
    assert figures["balanced_accuracy"] == pytest.approx(balanced_accuracy_score(truth, ranked[:, 0]))
    assert figures["top_two"] == pytest.approx(share(average="micro", top_k=2), abs=1e-6)
    assert figures["top_two"] == pytest.approx(top_k_accuracy_score(truth, tables, k=2))
    counts = confusion(readings, "mark")
    assert counts is not None and counts["labels"] == marks.tolist()
    np.testing.assert_array_equal(counts["counts"], multiclass_confusion_matrix(stated, asked, num_classes=4))
