"""The worked example that accompanies R. Padilla, S. Netto and E. da Silva, "A Survey on Performance Metrics for
Object-Detection Algorithms", IWSSIP 2020: 7 images, 15 objects, 24 detections, IoU 0.30, boxes as x, y, w, h.

Published: interpolation at 11 points gives 26.84 %; detection G counts there because its IoU is taken with inclusive pixels
(0.3034), which COCO does not do (0.2953).
"""

from __future__ import annotations

import numpy as np
import pytest

from eval.detection import precision_curves
from eval.matching import AREAS, Detections, Matches, Objects, match

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


def _flagged(true: np.ndarray) -> Matches:
    """One frame of 15 objects whose detections are right or wrong as flagged, by falling score."""
    count = len(true)
    met = np.where(true, np.cumsum(true) - 1, -1).astype(np.int32)
    one = (len(AREAS), 1, count)
    return Matches(
        1, 1, np.arange(count), np.zeros(count, int), np.zeros(count, int), -np.arange(count, dtype=float),
        np.arange(count), np.broadcast_to(met, one), np.zeros(one, bool), np.zeros(15, int), np.zeros(15, int),
        np.zeros((len(AREAS), 15), bool),
    )  # fmt: skip


def test_average_precision_padilla2020() -> None:
    matches = _flagged(np.array([flag.endswith("1") for flag in FLAGS]))
    assert precision_curves(matches, steps=np.linspace(0, 1, 11)).mean() == pytest.approx(0.2684, abs=5e-5)
    # COCO's 101 points on the same flags: from pycocotools, not published.
    assert precision_curves(matches).mean() == pytest.approx(0.2481602197, abs=1e-9)


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
    matches = match(truth, answers, frames=7, categories=1, iou=np.array([0.3]))
    # R J B P E X as published; G (0.18) falls to COCO's IoU without inclusive pixels.
    assert sorted(matches.det_score[matches.true()], reverse=True) == [0.95, 0.91, 0.70, 0.62, 0.54, 0.48]
    # With G wrong, from pycocotools with iouThrs = [.3]: 11 points 0.26840, 101 points 0.23008.
    assert precision_curves(matches, steps=np.linspace(0, 1, 11)).mean() == pytest.approx(0.2683982684, abs=1e-9)
    assert precision_curves(matches).mean() == pytest.approx(0.2300801509, abs=1e-9)
