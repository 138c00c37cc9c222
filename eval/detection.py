"""COCO's twelve figures for all draws of frames at once, equal to pycocotools' where every frame is drawn once.

The matching is done once; each draw only weights every frame by how often it was drawn, which equals evaluating the drawn
frames anew (held by a test). Detections are sorted once. Precision changes only where a detection is true, so it is computed
there and nowhere else, and its envelope is taken between the steps of recall. Figures without an object are NaN.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eval.matching import AREAS, IOU_THRESHOLDS, Matches

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: name -> (is it recall?, IoU row or None for the mean over all ten, area row, most detections a frame and category)
FIGURES: dict[str, tuple[bool, int | None, int, int]] = {
    "AP": (False, None, 0, 100),
    "AP50": (False, 0, 0, 100),
    "AP75": (False, 5, 0, 100),
    "AP_small": (False, None, 1, 100),
    "AP_medium": (False, None, 2, 100),
    "AP_large": (False, None, 3, 100),
    "AR1": (True, None, 0, 1),
    "AR10": (True, None, 0, 10),
    "AR100": (True, None, 0, 100),
    "AR_small": (True, None, 1, 100),
    "AR_medium": (True, None, 2, 100),
    "AR_large": (True, None, 3, 100),
}
RECALL_STEPS = np.linspace(0.0, 1.0, 101)
#: Numbers held at once: small enough for a processor's cache, which is where the time goes.
_CHUNK_NUMBERS = 1_000_000


def figures_of(
    matches: Matches, names: Collection[str] = tuple(FIGURES), *, envelope: bool = True
) -> dict[str, Floats]:
    """Figures [K] of the whole set."""
    whole = np.ones((1, matches.frames))
    return {name: values[0] for name, values in resampled_figures(matches, whole, names, envelope=envelope).items()}


def resampled_figures(
    matches: Matches,
    weights: NDArray[np.generic],
    names: Collection[str] = tuple(FIGURES),
    *,
    envelope: bool = True,
) -> dict[str, Floats]:
    """Figures [draws, K] of frames drawn ``weights`` [draws, F] times (whole numbers).

    Without the ``envelope`` precision is taken at each step of recall as it is, not the best at or beyond it: the envelope
    makes COCO's figure too high on small sets by what the zigzag of chance adds, which intervals must not inherit.
    """
    weights = np.asarray(weights)
    shape = (len(weights), matches.categories)
    figures = {name: np.full(shape, np.nan) for name in names}
    for category in range(matches.categories):
        ranking = Ranking.of(matches, category)
        for area in range(len(AREAS)):
            precision = [name for name in names if FIGURES[name][2] == area and not FIGURES[name][0]]
            wanted = _wanted(matches, category, area, weights)
            ious = sorted({iou for name in precision for iou in _rows(name)})
            means = (
                _mean_precisions(ranking, weights, wanted, area, ious, envelope)
                if ious
                else np.zeros((len(weights), 0))
            )
            for name in precision:
                figures[name][:, category] = means[:, [ious.index(iou) for iou in _rows(name)]].mean(axis=1)
            for name in names:
                if FIGURES[name][2] == area and FIGURES[name][0]:
                    figures[name][:, category] = _recall(ranking, weights, wanted, area, FIGURES[name][3])
    return figures


def _rows(name: str) -> list[int]:
    iou = FIGURES[name][1]
    return list(range(len(IOU_THRESHOLDS))) if iou is None else [iou]


def mean_over_categories(figures: Floats) -> Floats:
    """COCO's mean over the categories (last axis) that could be measured; NaN where none could."""
    known = ~np.isnan(figures)
    count = known.sum(axis=-1)
    total = np.where(known, figures, 0.0).sum(axis=-1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


@dataclass(frozen=True)
class Ranking:
    """The detections of one category by falling score: ``rows`` into the matches, their ``frame`` and ``rank``."""

    matches: Matches
    rows: Ints
    frame: Ints
    rank: Ints

    @classmethod
    def of(cls, matches: Matches, category: int) -> Ranking:
        """Sort one category; equal scores stay in the order of their frames, as in pycocotools."""
        chosen = np.flatnonzero(matches.det_category == category)
        rows = chosen[np.argsort(-matches.det_score[chosen], kind="stable")]
        return cls(matches, rows, matches.det_frame[rows], matches.det_rank[rows])

    def kept(self, area: int, iou: int) -> NDArray[np.bool_]:
        """Detections [D] that count as right or wrong."""
        return ~self.matches.det_ignored[area, iou, self.rows]

    def true(self, area: int, iou: int) -> NDArray[np.bool_]:
        """Detections [D] that met an object asked for."""
        return (self.matches.det_object[area, iou, self.rows] >= 0) & self.kept(area, iou)


def _wanted(matches: Matches, category: int, area: int, weights: NDArray[np.generic]) -> Ints:
    """Objects asked for [draws]."""
    asked = (matches.obj_category == category) & ~matches.obj_ignored[area]
    count = np.bincount(matches.obj_frame[asked], minlength=matches.frames)
    return np.rint(np.asarray(weights, dtype=float) @ count).astype(np.int64)


def _recall(ranking: Ranking, weights: NDArray[np.generic], wanted: Ints, area: int, most: int) -> Floats:
    """Recall [draws], the mean over the IoU thresholds."""
    hits = np.zeros(ranking.matches.frames)
    for iou in range(len(IOU_THRESHOLDS)):
        within = ranking.true(area, iou) & (ranking.rank < most)
        hits += np.bincount(ranking.frame[within], minlength=ranking.matches.frames)
    share = np.asarray(weights, dtype=float) @ hits / len(IOU_THRESHOLDS)
    return np.where(wanted > 0, share / np.maximum(wanted, 1), np.nan)


@dataclass(frozen=True)
class _Hits:
    """The true detections at one threshold, and what must be added to the shared running total to count around them.

    ``frame`` [n] of each; ``total_at`` [n] places in the running total of the detections that count at the first threshold;
    ``extra_frame``, ``extra_sign`` [e] detections that count here and not there (+1) or there and not here (-1);
    ``extra_at`` [n] how many of those stand above each true one.
    """

    frame: Ints
    total_at: Ints
    extra_frame: Ints
    extra_sign: Ints
    extra_at: Ints

    @classmethod
    def of(cls, ranking: Ranking, area: int, iou: int, first: NDArray[np.bool_]) -> _Hits:
        at = np.flatnonzero(ranking.true(area, iou))
        here = ranking.kept(area, iou)
        extra = np.flatnonzero(here != first)
        return cls(
            frame=ranking.frame[at],
            total_at=np.cumsum(first, dtype=np.int64)[at],
            extra_frame=ranking.frame[extra],
            extra_sign=np.where(here[extra], 1, -1),
            extra_at=np.searchsorted(extra, at, side="right"),
        )


def _mean_precisions(
    ranking: Ranking, weights: NDArray[np.generic], wanted: Ints, area: int, ious: list[int], envelope: bool
) -> Floats:
    """Average precision [draws, thresholds] of one category and area; NaN without an object."""
    first = ranking.kept(area, ious[0])
    frame = ranking.frame[first]
    hits = [_Hits.of(ranking, area, iou, first) for iou in ious]
    means = np.zeros((len(weights), len(ious)))
    step = max(1, _CHUNK_NUMBERS // max(1, len(frame)))
    for at in range(0, len(weights), step):
        drawn = np.ascontiguousarray(weights[at : at + step], dtype=np.int32)
        total = _running_total(_columns(drawn, frame))
        reach = _steps_in_hits(wanted[at : at + step])
        for column, one in enumerate(hits):
            means[at : at + step, column] = _interpolated(one, drawn, total, reach, envelope).mean(axis=1)
    return np.where(wanted[:, None] > 0, means, np.nan)


def _columns(table: NDArray[np.int32], columns: Ints) -> NDArray[np.int32]:
    """Columns of a table; the mode spares numpy a second copy, and every column is there."""
    return np.take(table, columns, axis=1, mode="clip")


def _running_total(drawn: NDArray[np.int32]) -> NDArray[np.int32]:
    """Running sum along the last axis with a leading zero."""
    total = np.zeros((len(drawn), drawn.shape[1] + 1), dtype=np.int32)
    np.cumsum(drawn, axis=1, out=total[:, 1:])
    return total


def _steps_in_hits(wanted: Ints, steps: Floats = RECALL_STEPS) -> Ints:
    """The fewest hits [draws, steps] whose share of ``wanted`` reaches each step of recall, in floating point."""
    most = np.maximum(wanted, 1)[:, None]
    needed = np.ceil(steps * most).astype(np.int64)
    needed = np.where((needed - 1) / most >= steps, needed - 1, needed)
    return np.where(needed / most < steps, needed + 1, needed)


def _interpolated(
    hits: _Hits, drawn: NDArray[np.int32], total: NDArray[np.int32], reach: Ints, envelope: bool = True
) -> Floats:
    """Precision [draws, steps]: the best at or beyond each step of recall (or that at it), 0 where it is not reached."""
    draws, count = len(drawn), len(hits.frame)
    if count == 0:
        return np.zeros(reach.shape)
    found = np.cumsum(_columns(drawn, hits.frame), axis=1, dtype=np.int32)
    if not envelope:
        reach = np.maximum(reach, 1)  # the first hit that was drawn, where the envelope would look beyond it by itself
    # Of one dtype, else numpy converts every row of hits before it searches.
    place = np.stack([row.searchsorted(needed) for row, needed in zip(found, reach.astype(np.int32))])
    start = np.minimum(place, count - 1)
    extra = _running_total(_columns(drawn, hits.extra_frame) * hits.extra_sign.astype(np.int32))
    if not envelope:  # needed at the steps alone
        around = np.take_along_axis(total, hits.total_at[start], axis=1)
        around += np.take_along_axis(extra, hits.extra_at[start], axis=1)
        share = np.take_along_axis(found, start, axis=1) / np.maximum(around, 1)
        return np.where(place < count, share, 0.0)
    around = _columns(total, hits.total_at)
    if len(hits.extra_frame):
        around += _columns(extra, hits.extra_at)
    share = found / np.maximum(around, 1, out=around)
    # Step 0 is reached by the first hit, so that no stretch between steps runs on into the next draw.
    best = np.maximum.reduceat(share.ravel(), (start + np.arange(draws)[:, None] * count).ravel()).reshape(start.shape)
    at_or_beyond = np.maximum.accumulate(best[:, ::-1], axis=1)[:, ::-1]
    return np.where(place < count, at_or_beyond, 0.0)


def precision_curves(matches: Matches, iou: int = 0, area: int = 0, steps: Floats = RECALL_STEPS) -> Floats:
    """Interpolated precision [steps, K] of the whole set at one threshold; NaN for a category without objects.

    ``steps`` are rising shares of recall that begin at 0.
    """
    weights = np.ones((1, matches.frames), dtype=np.int32)
    curves = np.full((len(steps), matches.categories), np.nan)
    for category in range(matches.categories):
        ranking = Ranking.of(matches, category)
        first = ranking.kept(area, iou)
        wanted = _wanted(matches, category, area, weights)
        if wanted[0]:
            total = _running_total(_columns(weights, ranking.frame[first]))
            hits = _Hits.of(ranking, area, iou, first)
            curves[:, category] = _interpolated(hits, weights, total, _steps_in_hits(wanted, steps))[0]
    return curves
