"""COCO's twelve figures, for all categories and for each, and the same figures for resampled frames.

The figures of the whole set are pycocotools' own. For intervals the cached matching is weighted by how often each frame
was drawn, which equals evaluating the drawn frames anew (held by a test) at a small part of the cost: precision changes
only where a detection is true, so it is computed there and nowhere else. Figures without an object to measure are NaN.
"""

from __future__ import annotations

import contextlib
import io

import numpy as np
from numpy.typing import NDArray
from pycocotools.cocoeval import COCOeval

from eval.matching import IOU_THRESHOLDS, Matches

Floats = NDArray[np.float64]

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
#: Numbers held at once by the resampling; bounds its memory to a few hundred megabytes.
_CHUNK_NUMBERS = 4_000_000


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


def resampled_figures(matches: Matches, weights: Floats) -> dict[str, Floats]:
    """Figures [draws, K] of frames drawn ``weights`` [draws, F] times."""
    step = max(1, _CHUNK_NUMBERS // max(1, len(matches.det_frame)))
    parts = [_weighted(matches, weights[at : at + step]) for at in range(0, len(weights), step)]
    return {name: np.concatenate([part[name] for part in parts]) for name in FIGURES}


def mean_over_categories(figures: Floats) -> Floats:
    """COCO's mean over the categories (last axis) that could be measured; NaN where none could."""
    known = ~np.isnan(figures)
    count = known.sum(axis=-1)
    total = np.where(known, figures, 0.0).sum(axis=-1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _weighted(matches: Matches, weights: Floats) -> dict[str, Floats]:
    draws = len(weights)
    precision = np.full((draws, matches.categories, 4, len(IOU_THRESHOLDS)), np.nan)
    recall: dict[int, Floats] = {most: precision.copy() for most in (1, 10, 100)}
    for category in range(matches.categories):
        chosen = np.flatnonzero(matches.det_category == category)
        order = chosen[np.argsort(-matches.det_score[chosen], kind="stable")]
        for area in range(4):
            asked = (matches.obj_category == category) & ~matches.obj_ignored[area]
            counts = np.bincount(matches.obj_frame[asked], minlength=matches.frames)
            wanted = weights @ counts  # [draws] objects asked for
            for iou in range(len(IOU_THRESHOLDS)):
                true = matches.true(area, iou)[order]
                false = matches.false(area, iou)[order]
                found = average_precision(weights, matches.det_frame[order], true, false, wanted)
                precision[:, category, area, iou] = np.where(wanted > 0, found, np.nan)
                for most, table in recall.items():
                    within = order[true & (matches.det_rank[order] < most)]
                    hits = weights @ np.bincount(matches.det_frame[within], minlength=matches.frames)
                    table[:, category, area, iou] = np.where(wanted > 0, hits / np.maximum(wanted, 1), np.nan)
    figures: dict[str, Floats] = {}
    for name, (is_recall, iou, area, most) in FIGURES.items():
        table = recall[most] if is_recall else precision
        figures[name] = table[:, :, area].mean(axis=-1) if iou is None else table[:, :, area, iou]
    return figures


def average_precision(
    weights: Floats,
    frame: NDArray[np.int64],
    true: NDArray[np.bool_],
    false: NDArray[np.bool_],
    wanted: Floats,
    steps: Floats = RECALL_STEPS,
) -> Floats:
    """Interpolated average precision [draws] of one category at ``steps`` of recall.

    ``frame``, ``true`` and ``false`` [D] come by falling score; ``weights`` [draws, F] say how often each frame counts,
    ``wanted`` [draws] how many objects were to be found.
    """
    at = np.flatnonzero(true)
    if len(at) == 0:
        return np.zeros(len(weights))
    hits = np.cumsum(weights[:, frame[at]], axis=1)  # [draws, true ones]
    # False alarms above each true detection: their running total, read where the true ones stand.
    wrong = np.cumsum(weights[:, frame[false]], axis=1)
    wrong = np.concatenate([np.zeros((len(weights), 1)), wrong], axis=1)[:, np.cumsum(false)[at]]
    share = hits / (hits + wrong + np.spacing(1))
    envelope = np.maximum.accumulate(share[:, ::-1], axis=1)[:, ::-1]
    # Each recall step takes the envelope of the first detection that reaches it; count the steps newly reached.
    reached = np.searchsorted(steps, hits / np.maximum(wanted, 1)[:, None], side="right")
    fresh = np.diff(reached, axis=1, prepend=0)
    return (envelope * fresh).sum(axis=1) / len(steps)
