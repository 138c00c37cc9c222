"""Objects and detections in a few words, for tests of the measuring modules."""

from __future__ import annotations

import numpy as np

from eval.matching import Detections, Matches, Objects, match

SIZE = (640, 480)


def objects(
    *rows: tuple[int, int, tuple[float, ...]], left_out: tuple[int, ...] = (), crowd: tuple[int, ...] = ()
) -> Objects:
    """Rows of (frame, category, box)."""
    boxes = np.array([row[2] for row in rows], dtype=float).reshape(-1, 4)
    numbers = np.arange(len(rows))
    return Objects(
        np.array([row[0] for row in rows], dtype=int),
        np.array([row[1] for row in rows], dtype=int),
        boxes,
        boxes[:, 2] * boxes[:, 3],
        np.isin(numbers, crowd),
        np.isin(numbers, left_out),
    )


def detections(*rows: tuple[int, int, tuple[float, ...], float]) -> Detections:
    """Rows of (frame, category, box, score)."""
    boxes = np.array([row[2] for row in rows], dtype=float).reshape(-1, 4)
    return Detections(
        np.array([row[0] for row in rows], dtype=int),
        np.array([row[1] for row in rows], dtype=int),
        boxes,
        boxes[:, 2] * boxes[:, 3],
        np.array([row[3] for row in rows], dtype=float),
    )


def matched(truth: Objects, answers: Detections, frames: int = 1, categories: int = 1) -> Matches:
    """COCO's matching of the two."""
    return match(truth, answers, frames=frames, categories=categories)


def random_rows(rng: np.random.Generator, frames: int, categories: int = 2) -> tuple[Objects, Detections]:
    """Middling detections on random objects, some left out; scores all different."""
    truth, answers = [], []
    for frame in range(frames):
        for _ in range(int(rng.integers(0, 5))):
            category = int(rng.integers(categories))
            box = rng.uniform([0, 0, 10, 10], [400, 300, 120, 120])
            truth.append((frame, category, tuple(box)))
            if rng.random() < 0.8:
                moved = box + rng.normal(0, 0.1, 4) * [box[2], box[3], box[2], box[3]]
                answers.append((frame, category, tuple(np.maximum(moved, 1.0)), float(rng.random())))
        if rng.random() < 0.5:
            box = rng.uniform([0, 0, 10, 10], [400, 300, 120, 120])
            answers.append((frame, int(rng.integers(categories)), tuple(box), float(rng.random())))
    left_out = tuple(np.flatnonzero(rng.random(len(truth)) < 0.15).tolist())
    return objects(*truth, left_out=left_out), detections(*answers)
