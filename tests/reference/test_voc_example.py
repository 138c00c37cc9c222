"""The worked example that accompanies R. Padilla, S. Netto and E. da Silva, "A Survey on Performance Metrics for
Object-Detection Algorithms", IWSSIP 2020: 7 images, 15 objects, 24 detections, IoU 0.30, boxes as x, y, w, h.

Published: interpolation at 11 points gives 26.84 %; detection G counts there because its IoU is taken with inclusive pixels
(0.3034), which COCO does not do (0.2953).
"""

from __future__ import annotations

import contextlib
import io

import numpy as np
import pytest

from eval.detection import RECALL_STEPS, average_precision
from eval.matching import Detections, Objects, coco_evaluation

OBJECTS = {
    1: [(25, 16, 38, 56), (129, 123, 41, 62)],
    2: [(123, 11, 43, 55), (38, 132, 59, 45)],
    3: [(16, 14, 35, 48), (123, 30, 49, 44), (99, 139, 47, 47)],
    4: [(53, 42, 40, 52), (154, 43, 31, 34)],
    5: [(59, 31, 44, 51), (48, 128, 34, 52)],
    6: [(36, 89, 52, 76), (62, 58, 44, 67)],
    7: [(28, 31, 55, 63), (58, 67, 50, 58)],
}
DETECTIONS = {
    1: [(0.88, 5, 67, 31, 48), (0.70, 119, 111, 40, 67), (0.80, 124, 9, 49, 67)],
    2: [(0.71, 64, 111, 64, 58), (0.54, 26, 140, 60, 47), (0.74, 19, 18, 43, 35)],
    3: [
        (0.18, 109, 15, 77, 39), (0.67, 86, 63, 46, 45), (0.38, 160, 62, 36, 53), (0.91, 105, 131, 47, 47),
        (0.44, 18, 148, 40, 44),
    ],
    4: [(0.35, 83, 28, 28, 26), (0.78, 28, 68, 42, 67), (0.45, 87, 89, 25, 39), (0.14, 10, 155, 60, 26)],
    5: [(0.62, 50, 38, 28, 46), (0.44, 95, 11, 53, 28), (0.95, 29, 131, 72, 29), (0.23, 29, 163, 72, 29)],
    6: [(0.45, 43, 48, 74, 38), (0.84, 17, 155, 29, 35), (0.43, 95, 110, 25, 42)],
    7: [(0.48, 16, 20, 101, 88), (0.95, 33, 116, 37, 49)],
}  # fmt: skip
#: Published: letter and whether it is right, by falling score.
FLAGS = (
    "R1", "Y0", "J1", "A0", "U0", "C0", "M0", "F0", "D0", "B1", "H0", "P1",
    "E1", "X1", "N0", "T0", "K0", "Q0", "V0", "I0", "L0", "S0", "G1", "O0",
)  # fmt: skip


def _precision(true: np.ndarray, steps: np.ndarray) -> float:
    one = np.ones((1, 1))
    found = average_precision(one, np.zeros(len(true), dtype=int), true, ~true, np.array([15.0]), steps)
    return float(found[0])


def test_average_precision_padilla2020() -> None:
    true = np.array([flag.endswith("1") for flag in FLAGS])
    assert _precision(true, np.linspace(0, 1, 11)) == pytest.approx(0.2684, abs=5e-5)
    # COCO's 101 points on the same flags: from pycocotools, not published.
    assert _precision(true, RECALL_STEPS) == pytest.approx(0.2481602197, abs=1e-9)


def test_matching_finds_the_published_hits_padilla2020() -> None:
    frames, boxes = zip(*((i - 1, box) for i, group in OBJECTS.items() for box in group))
    sides = np.array(boxes, dtype=float)
    truth = Objects(
        np.array(frames),
        np.zeros(15, dtype=int),
        sides,
        sides[:, 2] * sides[:, 3],
        np.zeros(15, bool),
        np.zeros(15, bool),
    )
    rows = [(i - 1, *values) for i, group in DETECTIONS.items() for values in group]
    table = np.array(rows, dtype=float)
    answers = Detections(
        table[:, 0].astype(int), np.zeros(24, dtype=int), table[:, 2:], table[:, 4] * table[:, 5], table[:, 1]
    )
    evaluation = coco_evaluation(truth, answers, sizes_px=[(200, 200)] * 7, categories=1)
    evaluation.params.iouThrs = np.array([0.3])
    with contextlib.redirect_stdout(io.StringIO()):
        evaluation.evaluate()
    cells = [cell for cell in evaluation.evalImgs[:7] if cell is not None]
    right = sorted(
        (float(score) for cell in cells for score, met in zip(cell["dtScores"], cell["dtMatches"][0]) if met),
        reverse=True,
    )
    # R J B P E X as published; G (0.18) falls to COCO's IoU without inclusive pixels.
    assert right == [0.95, 0.91, 0.70, 0.62, 0.54, 0.48]
