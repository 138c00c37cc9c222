"""Segmentations from outside, checked before pycocotools' C code sees them.

COCO knows three spellings: polygons (lists of x, y pairs), run lengths as a list, and run lengths as compressed text
(column-major, background first). A run-length mask that does not fill its image exactly would be read past its end.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pycocotools import mask as coco_mask

from mission.atomic import is_finite_number
from mission.errors import must

#: Corners farther out than this many image sizes are no outline of anything in the image.
_FARTHEST_SIZES = 2.0


def checked_segmentation(value: Any, width_px: int, height_px: int, place: str, where: str) -> Any:
    """Return a segmentation that pycocotools can read for an image of that size; InputError otherwise."""
    key = f"{place}.segmentation"
    if isinstance(value, list):
        for ring in value:
            _check_ring(ring, max(width_px, height_px), key, where)
        if not value:
            raise must(key, "have at least one outline", value, where=where)
        return value
    if not isinstance(value, dict):
        raise must(key, "be outlines or run lengths", value, where=where)
    if value.get("size") != [height_px, width_px]:
        raise must(f"{key}.size", f"be the image's [{height_px}, {width_px}]", value.get("size"), where=where)
    counts = value.get("counts")
    runs = _runs(counts, key, where)
    if min(runs, default=-1) < 0 or sum(runs) != width_px * height_px:
        raise must(f"{key}.counts", "fill the image exactly", f"runs over {sum(runs)} pixels", where=where)
    return {"size": [height_px, width_px], "counts": counts}


def _check_ring(ring: Any, size_px: int, key: str, where: str) -> None:
    pairs = isinstance(ring, list) and len(ring) >= 6 and len(ring) % 2 == 0
    if not pairs or not all(is_finite_number(v) and abs(v) <= _FARTHEST_SIZES * size_px for v in ring):
        raise must(key, "be lists of x, y pairs near the image, three corners or more", ring, where=where)


def _runs(counts: Any, key: str, where: str) -> list[int]:
    if isinstance(counts, list) and all(isinstance(run, int) and not isinstance(run, bool) for run in counts):
        return counts
    if isinstance(counts, str):
        try:
            return decompressed_runs(counts)
        except ValueError:
            pass
    raise must(f"{key}.counts", "be whole numbers or COCO's compressed text", counts, where=where)


def decompressed_runs(text: str) -> list[int]:
    """Run lengths from COCO's compressed text.

    Each number takes characters from '0' on, five bits each, the sixth bit saying that more follow, the last one signed;
    from the fourth run on, the difference to the run before the last is stored (cocoapi, common/maskApi.c).
    Raises ValueError where the text is none of that.
    """
    runs: list[int] = []
    at = 0
    while at < len(text):
        number, shift = 0, 0
        while True:
            if at >= len(text):
                raise ValueError("it ends within a number")
            bits = ord(text[at]) - 48
            if not 0 <= bits < 64 or shift > 30:
                raise ValueError("it has a character out of range")
            number |= (bits & 31) << shift
            shift += 5
            at += 1
            if not bits & 32:
                if bits & 16:
                    number -= 1 << shift
                break
        runs.append(number + runs[-2] if len(runs) > 2 else number)
    return runs


def _encoded(segmentation: Any, width_px: int, height_px: int) -> Any:
    """pycocotools' compressed run lengths of a checked segmentation."""
    if isinstance(segmentation, list):
        return coco_mask.merge(coco_mask.frPyObjects(segmentation, height_px, width_px))
    if isinstance(segmentation["counts"], list):
        return coco_mask.frPyObjects(segmentation, height_px, width_px)
    return segmentation


def mask_overlaps(
    answers: Sequence[Any], truth: Sequence[Any], crowd: NDArray[np.bool_], width_px: int, height_px: int
) -> NDArray[np.float64]:
    """IoU [d, g] of checked segmentations; a crowd's divides by the answer's own area."""
    one = [_encoded(segmentation, width_px, height_px) for segmentation in answers]
    other = [_encoded(segmentation, width_px, height_px) for segmentation in truth]
    return np.asarray(coco_mask.iou(one, other, crowd.astype(np.uint8).tolist())).reshape(len(one), len(other))


def mask_extent(segmentation: Any, width_px: int, height_px: int) -> tuple[list[float], float]:
    """Box [x, y, w, h] and area [px^2] of a checked segmentation."""
    encoded = _encoded(segmentation, width_px, height_px)
    return [float(v) for v in coco_mask.toBbox(encoded)], float(coco_mask.area(encoded))
