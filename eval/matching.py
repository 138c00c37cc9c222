"""Which detection meets which object: COCO's matching, kept as flat arrays so that everything after it is arithmetic.

The matching itself is pycocotools' (``COCOeval.evaluate``). Letters: F frames, K categories, O objects, D detections,
A area ranges (all, small, medium, large), T IoU thresholds (0.50 to 0.95). Boxes are (x, y, w, h) [px].

Objects that are *left out* (too small or mostly hidden) are matched like COCO's objects of another area range: ordinary
IoU, one detection each, neither hit nor false alarm. COCO's ``ignore`` key cannot say that (pycocotools overwrites it by
``iscrowd``, and a crowd's IoU divides by the detection's area), so they are handed over with an area outside every range.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pycocotools.coco import COCO
from pycocotools.cocoeval import COCOeval

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

AREAS = ("all", "small", "medium", "large")
IOU_THRESHOLDS = np.linspace(0.5, 0.95, 10)
#: Outside every area range of COCO, which begin at 0.
_LEFT_OUT_AREA = -1.0


@dataclass(frozen=True)
class Objects:
    """Truth, by rows: frame and category are row numbers; COCO's size classes go by ``area_px2`` (of the mask, where given)."""

    frame: Ints
    category: Ints
    box_px: Floats
    area_px2: Floats
    crowd: Flags
    left_out: Flags
    segmentation: Sequence[Any] | None = None


@dataclass(frozen=True)
class Detections:
    """Answers, by rows: frame and category are row numbers; ``segmentation`` where masks are to be scored."""

    frame: Ints
    category: Ints
    box_px: Floats
    area_px2: Floats
    score: Floats
    segmentation: Sequence[Any] | None = None


@dataclass(frozen=True)
class Matches:
    """COCO's matching. Detections are ordered by category, frame, falling score; at most 100 a frame and category.

    ``det_row`` [D] points back into the Detections, ``det_object`` [A, T, D] into the Objects (-1: met none),
    ``det_ignored`` [A, T, D] marks what counts neither way, ``obj_ignored`` [A, O] objects that are not asked for.
    """

    frames: int
    categories: int
    det_row: Ints
    det_frame: Ints
    det_category: Ints
    det_score: Floats
    det_rank: Ints
    det_object: Ints
    det_ignored: Flags
    obj_frame: Ints
    obj_category: Ints
    obj_ignored: Flags

    def true(self, area: int = 0, iou: int = 0) -> Flags:
        """Detections [D] that met an object asked for."""
        return (self.det_object[area, iou] >= 0) & ~self.det_ignored[area, iou]

    def false(self, area: int = 0, iou: int = 0) -> Flags:
        """Detections [D] that met nothing."""
        return (self.det_object[area, iou] < 0) & ~self.det_ignored[area, iou]


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


def matches_of(evaluation: COCOeval, objects: Objects) -> Matches:
    """Flatten what ``COCOeval.evaluate`` found (one dictionary per category, area range and frame) into arrays."""
    frames, categories = len(evaluation.params.imgIds), len(evaluation.params.catIds)
    obj_ignored = np.ones((len(AREAS), len(objects.frame)), dtype=bool)
    columns: list[dict[str, Any]] = []
    for category in range(categories):
        for frame in range(frames):
            first = (category * len(AREAS)) * frames + frame
            cells = [evaluation.evalImgs[first + area * frames] for area in range(len(AREAS))]
            if cells[0] is None:
                continue
            for area, cell in enumerate(cells):
                obj_ignored[area, np.array(cell["gtIds"], dtype=int) - 1] = np.asarray(cell["gtIgnore"], dtype=bool)
            count = len(cells[0]["dtIds"])
            columns.append(
                {
                    "row": np.array(cells[0]["dtIds"], dtype=int) - 1,
                    "frame": np.full(count, frame),
                    "category": np.full(count, category),
                    "score": np.array(cells[0]["dtScores"], dtype=float),
                    "rank": np.arange(count),
                    "object": np.stack([cell["dtMatches"] for cell in cells]).astype(int) - 1,
                    "ignored": np.stack([cell["dtIgnore"] for cell in cells]).astype(bool),
                }
            )
    empty = (len(AREAS), len(IOU_THRESHOLDS), 0)

    def joined(key: str, blank: Any) -> Any:
        return np.concatenate([column[key] for column in columns] or [blank], axis=-1)

    return Matches(
        frames=frames,
        categories=categories,
        det_row=joined("row", np.zeros(0, dtype=int)),
        det_frame=joined("frame", np.zeros(0, dtype=int)),
        det_category=joined("category", np.zeros(0, dtype=int)),
        det_score=joined("score", np.zeros(0)),
        det_rank=joined("rank", np.zeros(0, dtype=int)),
        det_object=joined("object", np.zeros(empty, dtype=int)),
        det_ignored=joined("ignored", np.zeros(empty, dtype=bool)),
        obj_frame=objects.frame,
        obj_category=objects.category,
        obj_ignored=obj_ignored,
    )
