"""A plain pair of COCO files, truth and results list, of anybody's detector on anything: only detection can be judged.

The format is COCO's (cocodataset.org, "Data format"): images, annotations, categories; results with image_id, category_id,
score and bbox or segmentation. Sizes of results follow pycocotools' loadRes: of the box where there is one, else of the mask.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from eval.case import Case
from eval.masks import checked_segmentation, mask_extent
from eval.matching import Detections, Objects
from eval.resampling import clusters_of
from mission.atomic import is_finite_number, read_json
from mission.errors import InputError, must

Sizes = Mapping[int, tuple[int, int]]


def is_plain_coco(path: str | Path) -> bool:
    """True for a JSON file with COCO's annotations and without a contract of ours on top."""
    if Path(path).is_dir():
        return False
    content = read_json(path)
    return isinstance(content, dict) and "format" not in content and "annotations" in content


def read_plain_coco(truth: str | Path, results: str | Path) -> Case:
    """Read and check both files; InputError in one sentence for anything missing, doubled, non-finite or unknown."""
    content = read_json(truth)
    where = str(truth)
    sizes, categories = _images(content, where), _categories(content, where)
    objects = _objects(content, sizes, categories, where)
    if not len(objects.frame):
        raise must("annotations", "hold an object", "none", where=where)
    detections = _detections(read_json(results), sizes, categories, str(results))
    unknown: list[str | None] = [None] * len(sizes)
    return Case(
        truth=None,
        categories=tuple(categories[number] for number in sorted(categories)),
        sizes_px=tuple(sizes[number] for number in sorted(sizes)),
        objects=objects,
        detections=detections,
        clusters=clusters_of(unknown, unknown),
    )


def _items(content: Any, key: str, where: str) -> list[dict[str, Any]]:
    items = content.get(key) if isinstance(content, dict) else None
    if not isinstance(items, list) or not all(isinstance(item, dict) for item in items):
        raise must(key, "be a list of objects", type(items).__name__, where=where)
    return items


def _whole(item: dict[str, Any], key: str, place: str, where: str) -> int:
    value = item.get(key)
    if isinstance(value, bool) or not isinstance(value, int):
        raise must(f"{place}.{key}", "be a whole number", value, where=where)
    return value


def _images(content: Any, where: str) -> dict[int, tuple[int, int]]:
    sizes: dict[int, tuple[int, int]] = {}
    for i, item in enumerate(_items(content, "images", where)):
        number = _whole(item, "id", f"images[{i}]", where)
        if number in sizes:
            raise must("images", "give each id once", f"{number} twice", where=where)
        sizes[number] = (_whole(item, "width", f"images[{i}]", where), _whole(item, "height", f"images[{i}]", where))
        if min(sizes[number]) <= 0:
            raise must(f"images[{i}]", "have a positive width and height", sizes[number], where=where)
    return sizes


def _categories(content: Any, where: str) -> dict[int, str]:
    names: dict[int, str] = {}
    for i, item in enumerate(_items(content, "categories", where)):
        number = _whole(item, "id", f"categories[{i}]", where)
        if number in names or str(item.get("name")) in names.values():
            raise must("categories", "give each id and name once", f"{number} {item.get('name')}", where=where)
        names[number] = str(item.get("name"))
    return names


def _place(item: dict[str, Any], sizes: Sizes, names: Mapping[int, str], place: str, where: str) -> tuple[int, int]:
    image, category = _whole(item, "image_id", place, where), _whole(item, "category_id", place, where)
    if image not in sizes:
        raise must(f"{place}.image_id", "be the id of an image", image, where=where)
    if category not in names:
        raise must(f"{place}.category_id", "be the id of a category", category, where=where)
    return image, category


def _box(value: Any, place: str, where: str) -> list[float]:
    sound = isinstance(value, list) and len(value) == 4 and all(is_finite_number(v) for v in value)
    if not sound or min(value[2:]) < 0:
        raise must(f"{place}.bbox", "be [x, y, w, h] with finite numbers, w and h not negative", value, where=where)
    return [float(v) for v in value]


def _objects(content: Any, sizes: Sizes, names: Mapping[int, str], where: str) -> Objects:
    image_row = {number: row for row, number in enumerate(sorted(sizes))}
    category_row = {number: row for row, number in enumerate(sorted(names))}
    frame, category, boxes, areas, crowd, outlines = [], [], [], [], [], []
    seen: set[int] = set()
    for i, item in enumerate(_items(content, "annotations", where)):
        place = f"annotations[{i}]"
        image, kind = _place(item, sizes, names, place, where)
        number = _whole(item, "id", place, where)
        if number in seen:
            raise must("annotations", "give each id once", f"{number} twice", where=where)
        seen.add(number)
        box = _box(item.get("bbox"), place, where)
        area = item.get("area", box[2] * box[3])
        if not is_finite_number(area) or area < 0:
            raise must(f"{place}.area", "be a number, zero or more", area, where=where)
        outline = item.get("segmentation")
        if outline:
            outlines.append(checked_segmentation(outline, *sizes[image], place, where))
        frame.append(image_row[image])
        category.append(category_row[kind])
        boxes.append(box)
        areas.append(float(area))
        crowd.append(item.get("iscrowd", 0) == 1)
    return Objects(
        frame=np.array(frame, dtype=np.int64),
        category=np.array(category, dtype=np.int64),
        box_px=np.array(boxes, dtype=float).reshape(-1, 4),
        area_px2=np.array(areas, dtype=float),
        crowd=np.array(crowd, dtype=bool),
        left_out=np.zeros(len(frame), dtype=bool),
        segmentation=outlines if outlines and len(outlines) == len(frame) else None,
    )


def _detections(content: Any, sizes: Sizes, names: Mapping[int, str], where: str) -> Detections:
    if isinstance(content, dict) and isinstance(content.get("sightings"), list):
        content = content["sightings"]
    if not isinstance(content, list) or not all(isinstance(item, dict) for item in content):
        raise InputError(f"The file {where} must hold a list of COCO results. Got {type(content).__name__} instead.")
    image_row = {number: row for row, number in enumerate(sorted(sizes))}
    category_row = {number: row for row, number in enumerate(sorted(names))}
    frame, category, boxes, areas, scores, outlines = [], [], [], [], [], []
    for i, item in enumerate(content):
        image, kind = _place(item, sizes, names, f"[{i}]", where)
        score = item.get("score")
        if not is_finite_number(score) or not 0 <= score <= 1:  # type: ignore[operator]
            raise must(f"[{i}].score", "lie in 0..1", score, where=where)
        outline = item.get("segmentation")
        outline = checked_segmentation(outline, *sizes[image], f"[{i}]", where) if outline else None
        box, area = _extent(item.get("bbox"), outline, sizes[image], f"[{i}]", where)
        frame.append(image_row[image])
        category.append(category_row[kind])
        boxes.append(box)
        areas.append(area)
        scores.append(float(score))  # type: ignore[arg-type]
        outlines.append(outline)
    return Detections(
        frame=np.array(frame, dtype=np.int64),
        category=np.array(category, dtype=np.int64),
        box_px=np.array(boxes, dtype=float).reshape(-1, 4),
        area_px2=np.array(areas, dtype=float),
        score=np.array(scores, dtype=float),
        segmentation=outlines if outlines and all(o is not None for o in outlines) else None,
    )


def _extent(box: Any, outline: Any, size: tuple[int, int], place: str, where: str) -> tuple[list[float], float]:
    """Box and area of a result, as pycocotools' loadRes takes them."""
    if not box and outline is not None:
        return mask_extent(outline, *size)
    found = _box(box, place, where)
    return found, found[2] * found[3]
