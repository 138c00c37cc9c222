"""Quick figures on held-out chips: average precision, reading accuracy, calibration.

These steer training and stand in the bundle's record; the scorecard of ``eval`` is the judge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn.functional import nll_loss
from torchvision.ops import box_iou

from mission.vocabulary import ATTRIBUTES, CATEGORIES
from pipeline.chips import Boxes
from pipeline.detector import Detections, is_scored

# Overlap from which a report is of an object at all, however well its box fits.
LOOSE_IOU = 0.3
# Figures on held-out real frames carry this before their names: they are never mixed with those on drawn chips.
REAL = "real "


@dataclass(frozen=True)
class Matches:
    """Detections of one category over a whole validation set, best first.

    score [D]; chip [D]: the number of its picture; hit [D]: 1 where it is the best one on an object; left_out [D]: on an object
    that is not scored, or one already found at the looser overlap (neither helps nor harms); objects: number of scored
    objects; touches [D]: category of the target, scored or not, whose box it overlaps most, -1 where it touches none.
    """

    score: NDArray[np.float64]
    hit: NDArray[np.bool_]
    left_out: NDArray[np.bool_]
    objects: int
    chip: NDArray[np.int64]
    touches: NDArray[np.int64]


def match(found: Sequence[Detections], truth: Boxes, category: int, min_iou: float = 0.5) -> Matches:
    """Greedy matching by falling confidence, each object once (the rule of PASCAL VOC and COCO)."""
    scores, hits, spared, chips, touches = [], [], [], [], []
    counted = is_scored(truth)
    objects = int((counted & (truth.category == category)).sum())
    for number, one in enumerate(found):
        mine = (truth.chip == number) & (truth.category == category)
        boxes, whole = truth.box_px[mine], counted[mine].tolist()
        ours = one.category == category
        touches += _touched(one.box_px[ours].cpu(), truth, number)
        overlap = box_iou(one.box_px[ours].cpu(), boxes.cpu())  # [D, G]
        taken = [False] * len(boxes)
        for row, score in zip(overlap, one.score[ours].tolist(), strict=True):
            free = [g for g in range(len(boxes)) if not taken[g] and float(row[g]) >= min_iou]
            # A scored object is preferred to one that is left out, whatever the overlap (as in COCO).
            free.sort(key=lambda g: (whole[g], float(row[g])), reverse=True)
            hit = bool(free) and whole[free[0]]
            if hit:
                taken[free[0]] = True
            scores.append(score)
            hits.append(hit)
            spared.append(bool(free) and not hit)
            chips.append(number)
    order = np.argsort(-np.asarray(scores, float), kind="stable")
    return Matches(
        np.asarray(scores, float)[order],
        np.asarray(hits, bool)[order],
        np.asarray(spared, bool)[order],
        objects,
        np.asarray(chips, np.int64)[order],
        np.asarray(touches, np.int64)[order],
    )


def _touched(box_px: Tensor, truth: Boxes, chip: int) -> list[int]:
    """Category of the target of a chip that each box [D, 4] overlaps most, -1 for none."""
    targets = (truth.chip == chip) & (truth.category < len(CATEGORIES))
    if not bool(targets.any()):
        return [-1] * len(box_px)
    overlap, which = box_iou(box_px, truth.box_px[targets].cpu()).max(1)
    return torch.where(overlap > 0, truth.category[targets].cpu()[which], -1).tolist()


def average_precision(matches: Matches) -> float:
    """Area under the precision envelope over recall at all points; NaN where there is no object."""
    if matches.objects == 0:
        return float("nan")
    kept = ~matches.left_out
    hit = matches.hit[kept]
    true, false = np.cumsum(hit), np.cumsum(~hit)
    precision = true / np.maximum(true + false, 1)
    envelope = np.maximum.accumulate(precision[::-1])[::-1]
    return float(envelope[hit].sum() / matches.objects)


def detection_figures(found: Sequence[Detections], truth: Boxes) -> dict[str, float]:
    """AP50 per category (NaN where the validation chips hold no such object)."""
    return {f"{name} AP50": average_precision(match(found, truth, number)) for number, name in enumerate(CATEGORIES)}


def reading_figures(log_p: dict[str, Tensor], truth: Tensor) -> dict[str, float]:
    """Share of right readings per attribute and of all four together, among the rows where the truth is known."""
    figures, right_of = {}, []
    for column, attribute in enumerate(ATTRIBUTES):
        known = truth[:, column] >= 0
        right = (log_p[attribute].argmax(1) == truth[:, column]) & known
        figures[attribute] = float(right.sum() / known.sum()) if bool(known.any()) else float("nan")
        right_of.append(right)
    known = (truth >= 0).all(1)
    all_right = torch.stack(right_of).all(0) & known
    figures["all four"] = float(all_right.sum() / known.sum()) if bool(known.any()) else float("nan")
    return figures


def share_told_apart(log_odds: Tensor, is_panel: Tensor) -> float:
    """Share of pairs of a panel and another thing in which the panel has the higher log-odds (ties count half): the area
    under the ROC curve, by ranks (Hanley & McNeil, Radiology 143, 1982). NaN without either."""
    panels, others = log_odds[is_panel], log_odds[~is_panel]
    if not len(panels) or not len(others):
        return float("nan")
    above = (panels[:, None] > others[None]).double() + 0.5 * (panels[:, None] == others[None]).double()
    return float(above.mean())


def temperature(log_p: Tensor, truth: Tensor) -> float:
    """The divisor of the log-probabilities that makes the truth most likely (Guo et al., ICML 2017); 1 without truth.

    Searched on a grid of 61 values from 1/4 to 4, then ten times finer about the best: no gradient can run away on a few
    hundred rows.
    """
    known = truth >= 0
    if not bool(known.any()):
        return 1.0
    best, step = 0.0, 4 / 60
    for grid in (np.linspace(-2, 2, 61), np.linspace(-step, step, 21)):
        powers = best + grid
        loss = [float(nll_loss((log_p[known] / 2.0**power).log_softmax(1), truth[known])) for power in powers]
        best = float(powers[int(np.argmin(loss))])
    return float(np.clip(2.0**best, 0.25, 4.0))
