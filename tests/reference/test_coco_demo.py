"""COCO's twelve figures: the official demonstration, a documented single box, and random cases against pycocotools."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest

from tests.reference.coco_pairs import our_figures, pycocotools_figures, write_pair

SHARED = Path(os.environ.get("PANELSCOUT_SHARED", Path(__file__).parents[2] / "../shared"))
DEMO = SHARED / "data" / "coco"

# Published: cocodataset/cocoapi, results/val2014_fake_eval_res.txt and PythonAPI/pycocoEvalDemo.ipynb, three digits.
PUBLISHED: dict[Literal["bbox", "segm"], list[float]] = {
    "bbox": [0.505, 0.697, 0.573, 0.586, 0.519, 0.501, 0.387, 0.594, 0.595, 0.640, 0.566, 0.564],
    "segm": [0.320, 0.562, 0.299, 0.387, 0.310, 0.327, 0.268, 0.415, 0.417, 0.469, 0.377, 0.381],
}


@pytest.mark.skipif(not DEMO.is_dir(), reason=f"COCO's demonstration files are not at {DEMO}")
@pytest.mark.parametrize("kind", ["bbox", "segm"])
def test_official_demonstration_cocoapi(kind: Literal["bbox", "segm"]) -> None:
    results = DEMO / f"instances_val2014_fake{kind}100_results.json"
    summed = our_figures(DEMO / "instances_val2014_100.json", results, kind)
    assert summed == pytest.approx(PUBLISHED[kind], abs=5e-4)
    assert summed == pytest.approx(pycocotools_figures(DEMO / "instances_val2014_100.json", results, kind), abs=1e-12)


def test_single_box_torchmetrics_documentation(tmp_path: Path) -> None:
    # Example in the documentation of torchmetrics' MeanAveragePrecision: IoU 304 / 392; map 0.6, map_50 1, map_75 1.
    annotation = {"id": 1, "image_id": 1, "category_id": 3, "bbox": [214, 41, 348, 244], "iscrowd": 0}
    annotation["area"] = 348 * 244
    result = {"image_id": 1, "category_id": 3, "bbox": [258, 41, 348, 244], "score": 0.536}
    summed = our_figures(*write_pair(tmp_path, [1], [annotation], [result]))
    assert summed == pytest.approx([0.6, 1, 1, -1, -1, 0.6, 0.6, 0.6, 0.6, -1, -1, 0.6], abs=1e-9)


def random_pair(rng: np.random.Generator) -> tuple[list[int], list[dict[str, Any]], list[dict[str, Any]]]:
    """Frames (some empty), objects (some crowds), detections (many ties, some on nothing) of two categories."""
    images = sorted(rng.choice(1000, size=int(rng.integers(1, 7)), replace=False).tolist())
    annotations: list[dict[str, Any]] = []
    results: list[dict[str, Any]] = []
    for image in images:
        for _ in range(int(rng.integers(0, 6))):
            category = int(rng.choice([3, 7]))
            x, y, w, h = rng.uniform([0, 0, 8, 8], [400, 300, 200, 150])
            annotations.append(
                {
                    "id": len(annotations) + 1, "image_id": image, "category_id": category, "bbox": [x, y, w, h],
                    "area": float(w * h * rng.uniform(0.4, 1)), "iscrowd": int(rng.random() < 0.15),
                }
            )  # fmt: skip
            for _ in range(int(rng.integers(0, 3))):
                box = [float(v) for v in np.array([x, y, w, h]) + rng.normal(0, 0.12, 4) * [w, h, w, h]]
                box[2:] = [abs(box[2]) + 1, abs(box[3]) + 1]
                score = float(rng.choice([0.2, 0.5, 0.5, 0.9])) if rng.random() < 0.6 else float(rng.random())
                results.append({"image_id": image, "category_id": category, "bbox": box, "score": score})
        for _ in range(int(rng.integers(0, 3))):
            box = [float(v) for v in rng.uniform([0, 0, 8, 8], [400, 300, 200, 150])]
            results.append({"image_id": image, "category_id": 3, "bbox": box, "score": 0.5})
    # pycocotools refuses an empty results list, so there is always one.
    results.append({"image_id": images[0], "category_id": 7, "bbox": [1.0, 1.0, 5.0, 5.0], "score": 0.5})
    annotations.append(
        {
            "id": len(annotations) + 1,
            "image_id": images[0],
            "category_id": 3,
            "bbox": [1, 1, 9, 9],
            "area": 81,
            "iscrowd": 0,
        }
    )
    return images, annotations, results


def test_random_pairs_agree_with_pycocotools(tmp_path: Path) -> None:
    rng = np.random.default_rng(20)
    for _ in range(250):
        pair = write_pair(tmp_path, *random_pair(rng))
        summed = our_figures(*pair)
        expected = pycocotools_figures(*pair)
        assert summed == pytest.approx(expected, abs=1e-12)
