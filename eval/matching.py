"""Which detection meets which object: COCO's matching, kept as flat arrays so that everything after it is arithmetic.

The rules are those of pycocotools' ``COCOeval.evaluateImg``, done for many frames at once (equal to it, held by tests).
Letters: F frames, K categories, O objects, D detections, A area ranges (all, small, medium, large), T IoU thresholds
(0.50 to 0.95). Boxes are (x, y, w, h) [px].

Objects that are *left out* (too small or mostly hidden) are matched like COCO's objects of another area range: ordinary
IoU, one detection each, neither hit nor false alarm. COCO's ``ignore`` key cannot say that (pycocotools overwrites it by
``iscrowd``, and a crowd's IoU divides by the detection's area).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

AREAS = ("all", "small", "medium", "large")
#: COCO's area ranges [px^2], both ends included.
AREA_RANGES_PX2 = np.array([[0, 1e10], [0, 32**2], [32**2, 96**2], [96**2, 1e10]], dtype=float)
IOU_THRESHOLDS = np.linspace(0.5, 0.95, 10)
MOST_PER_FRAME = 100
#: Numbers held at once while matching; bounds its memory to about a hundred megabytes.
_BATCH_NUMBERS = 2_000_000
#: pycocotools asks for at least this much less than a perfect overlap, so that rounding cannot spoil a perfect one.
_NEARLY_ONE = 1 - 1e-10


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
    det_object: NDArray[np.int32]
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


def match(
    objects: Objects,
    detections: Detections,
    *,
    frames: int,
    categories: int,
    sizes_px: Sequence[tuple[int, int]] | None = None,
    masks: bool = False,
    iou: Floats = IOU_THRESHOLDS,
) -> Matches:
    """Match detections with objects, frame by frame and category by category, the surest detection first.

    ``masks`` compares segmentations instead of boxes and needs ``sizes_px`` [F], each frame's (width, height); ``iou`` [T]
    are the overlaps to reach, rising.
    """
    order, rank = _best_first(detections)
    shape = (len(AREAS), len(iou), len(order))
    met = np.full(shape, -1, dtype=np.int32)
    area = detections.area_px2[order]
    outside = (area < AREA_RANGES_PX2[:, :1]) | (area > AREA_RANGES_PX2[:, 1:])
    ignored = np.broadcast_to(outside[:, None], shape).copy()
    obj_area = objects.area_px2
    obj_ignored = (obj_area < AREA_RANGES_PX2[:, :1]) | (obj_area > AREA_RANGES_PX2[:, 1:])
    obj_ignored = obj_ignored | objects.crowd | objects.left_out
    groups = _Groups.of(objects, detections, order, frames)
    for batch in groups.batches():
        overlap = _mask_overlaps(objects, detections, order, batch, sizes_px) if masks else None
        if overlap is None:
            overlap = _box_overlaps(objects, detections.box_px[order[batch.det]], batch)
        _match_batch(batch, overlap, obj_ignored, objects.crowd, iou, met, ignored)
    return Matches(
        frames=frames,
        categories=categories,
        det_row=order,
        det_frame=detections.frame[order],
        det_category=detections.category[order],
        det_score=detections.score[order],
        det_rank=rank,
        det_object=met,
        det_ignored=ignored,
        obj_frame=objects.frame,
        obj_category=objects.category,
        obj_ignored=obj_ignored,
    )


def _best_first(detections: Detections) -> tuple[Ints, Ints]:
    """Rows by category, frame and falling score (ties in their order), 100 a frame and category; and their rank there."""
    order = np.lexsort((-detections.score, detections.frame, detections.category))
    rank = _rank_in_group(detections.category[order], detections.frame[order])
    kept = rank < MOST_PER_FRAME
    return order[kept].astype(np.int64), rank[kept]


def _rank_in_group(category: Ints, frame: Ints) -> Ints:
    """Place of each row within its run of equal (category, frame)."""
    count = len(category)
    first = np.ones(count, dtype=bool)
    first[1:] = (category[1:] != category[:-1]) | (frame[1:] != frame[:-1])
    starts = np.flatnonzero(first)
    return np.arange(count) - np.repeat(starts, np.diff(np.append(starts, count)))


@dataclass(frozen=True)
class _Batch:
    """Frames of one category side by side, padded: ``det`` [B, d] places in the order, ``obj`` [B, g] rows; real or not."""

    frame: Ints
    det: Ints
    obj: Ints
    det_real: Flags
    obj_real: Flags


@dataclass(frozen=True)
class _Groups:
    """Where the detections and objects of each (category, frame) stand, for those that have both."""

    det_start: Ints
    det_count: Ints
    obj_start: Ints
    obj_count: Ints
    obj_order: Ints
    frame: Ints

    @classmethod
    def of(cls, objects: Objects, detections: Detections, order: Ints, frames: int) -> _Groups:
        det_key = detections.category[order] * frames + detections.frame[order]
        obj_order = np.lexsort((objects.frame, objects.category))
        obj_key = (objects.category * frames + objects.frame)[obj_order]
        both = np.intersect1d(det_key, obj_key)
        det_start, obj_start = np.searchsorted(det_key, both), np.searchsorted(obj_key, both)
        return cls(
            det_start,
            np.searchsorted(det_key, both, side="right") - det_start,
            obj_start,
            np.searchsorted(obj_key, both, side="right") - obj_start,
            obj_order,
            (both % max(1, frames)).astype(np.int64),
        )

    def batches(self) -> Iterator[_Batch]:
        """Groups of like size together, so that little is padded."""
        by_size = np.lexsort((self.det_count, self.obj_count))[::-1]
        at = 0
        while at < len(by_size):
            widest = int(self.obj_count[by_size[at]])
            most = max(1, _BATCH_NUMBERS // (widest * MOST_PER_FRAME))
            chosen = by_size[at : at + most]
            at += len(chosen)
            det = self.det_start[chosen, None] + np.arange(int(self.det_count[chosen].max()))
            obj = self.obj_start[chosen, None] + np.arange(widest)
            det_real = det < (self.det_start + self.det_count)[chosen, None]
            obj_real = obj < (self.obj_start + self.obj_count)[chosen, None]
            rows = self.obj_order[np.where(obj_real, obj, 0)]
            yield _Batch(self.frame[chosen], np.where(det_real, det, 0), rows, det_real, obj_real)


def _box_overlaps(objects: Objects, det: Floats, batch: _Batch) -> Floats:
    """IoU [B, d, g] in pycocotools' order of operations; a crowd's divides by the detection's own area."""
    det, obj = det[:, :, None], objects.box_px[batch.obj][:, None]
    wide = np.minimum(det[..., 0] + det[..., 2], obj[..., 0] + obj[..., 2]) - np.maximum(det[..., 0], obj[..., 0])
    high = np.minimum(det[..., 1] + det[..., 3], obj[..., 1] + obj[..., 3]) - np.maximum(det[..., 1], obj[..., 1])
    both = np.where((wide > 0) & (high > 0), wide * high, 0.0)
    own = det[..., 2] * det[..., 3]
    crowd = objects.crowd[batch.obj][:, None]
    union = np.where(crowd, own, own + obj[..., 2] * obj[..., 3] - both)
    overlap = np.divide(both, union, out=np.zeros_like(both), where=both > 0)
    return np.where(batch.det_real[:, :, None] & batch.obj_real[:, None], overlap, 0.0)


def _mask_overlaps(
    objects: Objects,
    detections: Detections,
    order: Ints,
    batch: _Batch,
    sizes_px: Sequence[tuple[int, int]] | None,
) -> Floats:
    """IoU [B, d, g] of segmentations, by pycocotools' run lengths."""
    from eval.masks import mask_overlaps

    assert sizes_px is not None and objects.segmentation is not None and detections.segmentation is not None
    overlap = np.zeros((*batch.det.shape, batch.obj.shape[1]))
    for i, frame in enumerate(batch.frame.tolist()):
        det, obj = order[batch.det[i, batch.det_real[i]]], batch.obj[i, batch.obj_real[i]]
        answers = [detections.segmentation[row] for row in det.tolist()]
        truth = [objects.segmentation[row] for row in obj.tolist()]
        overlap[i, : len(det), : len(obj)] = mask_overlaps(answers, truth, objects.crowd[obj], *sizes_px[frame])
    return overlap


def _match_batch(
    batch: _Batch,
    overlap: Floats,
    obj_ignored: Flags,
    crowd: Flags,
    iou: Floats,
    met: NDArray[np.int32],
    ignored: Flags,
) -> None:
    """Fill ``met`` and ``ignored`` for one batch, rank by rank.

    A detection takes the best free object that is asked for, else the best one that is not; of equal ones the last. Crowds
    are never used up. Only frames where the overlap reaches the lowest threshold can change anything.
    """
    floor = np.minimum(iou, _NEARLY_ONE)
    reaches = overlap.max(axis=2, initial=0.0) >= floor[0]
    frames, width = batch.obj.shape
    free = np.broadcast_to(batch.obj_real[:, None, None], (frames, len(AREAS), len(floor), width)).copy()
    unasked = np.moveaxis(obj_ignored[:, batch.obj], 0, 1)[:, :, None]  # [B, A, 1, g]
    for rank in range(batch.det.shape[1]):
        rows = np.flatnonzero(reaches[:, rank])
        if not len(rows):
            continue
        here = overlap[rows, rank][:, None, None]  # [b, 1, 1, g]
        open_to = free[rows] & (here >= floor[:, None])
        asked = np.where(open_to & ~unasked[rows], here, -1.0)
        other = np.where(open_to & unasked[rows], here, -1.0)
        # The last of equal ones, as a loop that replaces on "not worse" leaves it.
        best, second = (width - 1 - np.argmax(part[..., ::-1], axis=-1) for part in (asked, other))
        is_asked = np.take_along_axis(asked, best[..., None], axis=-1)[..., 0] >= 0
        is_other = ~is_asked & (np.take_along_axis(other, second[..., None], axis=-1)[..., 0] >= 0)
        chosen = np.where(is_asked, best, second)
        b, a, t = np.nonzero(is_asked | is_other)
        column = chosen[b, a, t]
        row = batch.obj[rows[b], column]
        place = batch.det[rows[b], rank]
        met[a, t, place] = row
        ignored[a, t, place] = obj_ignored[a, row]
        free[rows[b], a, t, column] = crowd[row]
