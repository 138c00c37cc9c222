"""pycocotools on row-numbered data: the outside judge of our own matching and figures."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pycocotools.coco import COCO
from pycocotools.cocoeval import COCOeval

from eval.detection import FIGURES
from eval.matching import Detections, Objects

Floats = NDArray[np.float64]
#: Outside every area range of COCO, which begin at 0: the way to leave an object out without making it a crowd.
_LEFT_OUT_AREA = -1.0


def coco_evaluation(
    objects: Objects,
    detections: Detections,
    *,
    sizes_px: Sequence[tuple[int, int]],
    categories: int,
    kind: Literal["bbox", "segm"] = "bbox",
) -> COCOeval:
    """Run pycocotools' matching on row-numbered data and return the COCOeval, ready to accumulate.

    ``sizes_px`` [F] holds each frame's (width, height); ``kind`` is "bbox" or "segm". Inside, ids are row number + 1:
    pycocotools takes a match with annotation id 0 for no match at all.
    """
    truth: Any = COCO()
    answers: Any = COCO()
    shared = {
        "images": [{"id": i + 1, "width": w, "height": h} for i, (w, h) in enumerate(sizes_px)],
        "categories": [{"id": k + 1, "name": str(k)} for k in range(categories)],
    }
    truth.dataset = {**shared, "annotations": _rows(objects, objects.segmentation if kind == "segm" else None)}
    answers.dataset = {**shared, "annotations": _rows(detections, detections.segmentation if kind == "segm" else None)}
    with contextlib.redirect_stdout(io.StringIO()):  # pycocotools reports its progress with print
        truth.createIndex()
        answers.createIndex()
        evaluation = COCOeval(truth, answers, kind)
        evaluation.params.imgIds = list(range(1, len(sizes_px) + 1))
        evaluation.params.catIds = list(range(1, categories + 1))
        evaluation.evaluate()
    return evaluation


def _rows(things: Objects | Detections, segmentation: Sequence[Any] | None) -> list[dict[str, Any]]:
    """COCO's annotation (or loaded result) of every row."""
    area, crowd, score = things.area_px2, np.zeros(len(things.frame), dtype=bool), None
    if isinstance(things, Objects):
        area, crowd = np.where(things.left_out, _LEFT_OUT_AREA, things.area_px2), things.crowd
    else:
        score = things.score
    rows: list[dict[str, Any]] = []
    for row in range(len(things.frame)):
        rows.append(
            {
                "id": row + 1,
                "image_id": int(things.frame[row]) + 1,
                "category_id": int(things.category[row]) + 1,
                "bbox": things.box_px[row].tolist(),
                "area": float(area[row]),
                "iscrowd": int(crowd[row]),
            }
        )
        if score is not None:
            rows[-1]["score"] = float(score[row])
        if segmentation is not None:
            rows[-1]["segmentation"] = segmentation[row]
    return rows


def accumulated_figures(evaluation: COCOeval) -> dict[str, Floats]:
    """Figures [K] per category from pycocotools' own accumulation; their mean over categories is COCO's summary."""
    with contextlib.redirect_stdout(io.StringIO()):
        evaluation.accumulate()
    precision = np.asarray(evaluation.eval["precision"])  # [T, 101, K, A, M]
    recall = np.asarray(evaluation.eval["recall"])  # [T, K, A, M]
    limits = list(evaluation.params.maxDets)
    figures: dict[str, Floats] = {}
    for name, (is_recall, iou, area, most) in FIGURES.items():
        table = recall[:, None] if is_recall else precision
        table = table[:, :, :, area, limits.index(most)]
        table = table if iou is None else table[iou : iou + 1]
        # -1 marks a category without an object to find; such a category is all -1 at once.
        figures[name] = np.where((table > -1).all(axis=(0, 1)), table.mean(axis=(0, 1)), np.nan)
    return figures
