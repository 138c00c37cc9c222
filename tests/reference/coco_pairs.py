"""Truth and results written as COCO files and evaluated by pycocotools the documented way (COCO, loadRes, COCOeval)."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pycocotools.coco import COCO
from pycocotools.cocoeval import COCOeval

from eval.detection import FIGURES, figures_of, mean_over_categories
from eval.matching import match
from eval.plain_coco import read_plain_coco


def pycocotools_figures(truth: Path, results: Path, kind: Literal["bbox", "segm"] = "bbox") -> list[float]:
    """The twelve figures of COCOeval.summarize; -1 where there is nothing to measure."""
    with contextlib.redirect_stdout(io.StringIO()):
        known = COCO(str(truth))
        evaluation = COCOeval(known, known.loadRes(str(results)), kind)
        evaluation.evaluate()
        evaluation.accumulate()
        evaluation.summarize()
    return [float(value) for value in evaluation.stats]


def our_figures(truth: Path, results: Path, kind: Literal["bbox", "segm"] = "bbox") -> list[float]:
    """The twelve figures by our reading, matching and summing of the same files; -1 where there is nothing to measure."""
    case = read_plain_coco(truth, results)
    size = {"frames": len(case.sizes_px), "categories": len(case.categories), "sizes_px": case.sizes_px}
    table = figures_of(match(case.objects, case.detections, **size, masks=kind == "segm"))
    figures = [float(mean_over_categories(table[name])) for name in FIGURES]
    return [-1.0 if np.isnan(value) else value for value in figures]


def write_pair(
    folder: Path, images: list[int], annotations: list[dict[str, Any]], results: list[dict[str, Any]]
) -> tuple[Path, Path]:
    """Write a pair over images of 640 x 480 and categories 3 and 7."""
    truth, answers = folder / "instances.json", folder / "results.json"
    content = {
        "images": [{"id": i, "width": 640, "height": 480, "file_name": f"{i}.jpg"} for i in images],
        "categories": [{"id": 3, "name": "three"}, {"id": 7, "name": "seven"}],
        "annotations": annotations,
    }
    truth.write_text(json.dumps(content))
    answers.write_text(json.dumps(results))
    return truth, answers
