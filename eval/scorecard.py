"""The blocks of scorecard.json (contract scorecard/1): plain data, no figure without its interval, no null without a why.

A figure that could not be measured is null, and the ``why`` of the same object says so under the figure's name.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from eval.attributes import attribute_figures, confusion
from eval.calibration import KEPT_SHARES, brier_parts, brier_score, reliability, risk_at, risk_coverage
from eval.detection import FIGURES, mean_over_categories
from eval.false_alarms import RATES_PER_FRAME, RATES_PER_HECTARE, false_per_frame
from eval.intervals import (
    STEP_VARIANCE,
    Interval,
    Spread,
    effective_wilson,
    positive_interval,
    share_interval,
    spread_of,
)
from eval.judgement import Judgement
from eval.matching import IOU_THRESHOLDS
from eval.resampling import Clusters, cluster_draws
from mission.vocabulary import ATTRIBUTES

Block = dict[str, Any]
Floats = NDArray[np.float64]
Scale = Callable[[float, Spread], Interval]

#: Precisions at so many IoU thresholds are averaged in AP, each with its own staircase.
AVERAGED = len(IOU_THRESHOLDS)
_RARE = "too few of the resampled frame sets hold what it measures"
#: Upper end of the exact 95 % interval of a Poisson mean when none was seen, -ln(0.025): F. Garwood, Biometrika 28 (1936).
_NONE_SEEN_UPPER = -math.log(0.025)
_NO_AREA = "the ground in the frames is unknown (no pose, or the horizon is in view)"


def put(block: Block, key: str, value: Any, why: str) -> None:
    """Set a figure, or null with the reason where it is None or NaN."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        block[key] = None
        block.setdefault("why", {})[key] = why
    else:
        block[key] = value


def put_interval(block: Block, key: str, value: float, draws: Floats | None, clusters: Clusters, scale: Scale) -> None:
    """Set ``key`` to the interval of a figure by its resampled values, or null with the reason."""
    spread = None if draws is None else spread_of(draws, cluster_draws(clusters.count))
    interval = None if spread is None else scale(value, spread)
    put(block, key, None if interval is None else list(interval), clusters.why_no_interval or _RARE)


def stepped(figure: str, stated: float, complete: bool) -> Scale:
    """The interval of one of COCO's figures: a share, on a staircase where it is precision and something is missed.

    It is built about the figure without the envelope and made to hold the figure as stated.
    """
    is_recall, iou, _, _ = FIGURES[figure]
    steps = 0.0 if is_recall or (complete and iou == 0) else STEP_VARIANCE / (1 if iou is not None else AVERAGED)

    def scale(centre: float, spread: Spread) -> Interval:
        low, high = share_interval(centre, spread, extra_variance=steps)
        return min(low, stated), max(high, stated)

    return scale


def detection_block(judgement: Judgement) -> Block:
    """COCO's figures over all categories and per category, for boxes, and for masks where both sides carry them."""
    names = judgement.case.categories
    block = _figures({name: judgement.overall(name) for name in FIGURES})
    complete = np.nan_to_num(judgement.precision[-1], nan=1.0) > 0  # [K] everything is found at IoU 0.5
    drawn = {name: judgement.overall_draws(name) for name in FIGURES}
    centres = {name: float(mean_over_categories(judgement.centres[name])) for name in FIGURES}
    _put_intervals(block, judgement, centres, drawn, bool(complete.all()))
    block["per_category"] = {}
    for k, category in enumerate(names):
        part = _figures({name: float(judgement.figures[name][k]) for name in FIGURES})
        draws = judgement.resampled
        drawn = {name: None if draws is None else draws[name][:, k] for name in FIGURES}
        centres = {name: float(judgement.centres[name][k]) for name in FIGURES}
        _put_intervals(part, judgement, centres, drawn, bool(complete[k]))
        block["per_category"][category] = part
    if judgement.mask_figures is not None:
        masks = judgement.mask_figures
        block["masks"] = _figures({name: _mean_known(masks[name]) for name in FIGURES})
    return block


def _mean_known(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(known.mean()) if len(known) else math.nan


def _figures(values: dict[str, float]) -> Block:
    block: Block = {}
    for name, value in values.items():
        size = name.partition("_")[2]
        put(block, name, value, f"no {size + ' ' if size else ''}object that counts")
    return block


def _put_intervals(
    block: Block, judgement: Judgement, centres: dict[str, float], draws: dict[str, Floats | None], complete: bool
) -> None:
    clusters = judgement.case.clusters
    if judgement.weights is None:
        put(block, "ci95", None, clusters.why_no_interval or _RARE)
        return
    block["ci95"] = {}
    for name, values in draws.items():
        if block[name] is None:
            put(block["ci95"], name, None, block["why"][name])
        else:
            scale = stepped(name, block[name], complete)
            put_interval(block["ci95"], name, centres[name], values, clusters, scale)


def false_alarm_block(judgement: Judgement) -> Block:
    """False alarms of each category at the working confidence."""
    block: Block = {}
    area = judgement.hectares
    for k, category in enumerate(judgement.case.categories):
        confidence = judgement.working[category]
        false = false_per_frame(judgement.matches, k, confidence)
        part: Block = {"per_frame": float(false.mean()), "ci95": {}}
        _put_rate_interval(part["ci95"], "per_frame", judgement, false, np.ones(len(false)))
        put(part, "per_hectare", float(false.sum() / area.sum()), _NO_AREA)
        if part["per_hectare"] is None:
            put(part["ci95"], "per_hectare", None, _NO_AREA)
        else:
            _put_rate_interval(part["ci95"], "per_hectare", judgement, false, area)
        block[category] = part | {"at_confidence": confidence, "count": int(false.sum())}
    return block


def _put_rate_interval(block: Block, key: str, judgement: Judgement, above: Floats, below: Floats) -> None:
    clusters = judgement.case.clusters
    if judgement.weights is not None and not above.any():
        # Resampling nothing gives nothing, however few frames there are: state what none in so many clusters can exclude.
        block[key] = [0.0, _NONE_SEEN_UPPER / clusters.count * len(below) / float(below.sum())]
        return
    draws = None if judgement.weights is None else (judgement.weights @ above) / (judgement.weights @ below)
    rate = float(above.sum() / below.sum())
    put_interval(block, key, rate, draws, clusters, positive_interval)


def recall_block(judgement: Judgement) -> Block:
    """Recall of each category at given rates of false alarms and at the working confidence."""
    block: Block = {}
    hectares = float(judgement.hectares.sum())
    for k, category in enumerate(judgement.case.categories):
        curve, none = judgement.curves[k], f"no {category} that counts"
        part: Block = {"per_frame": {}, "per_hectare": {}}
        for rate in RATES_PER_FRAME:
            put(part["per_frame"], f"{rate:g}", curve.recall_at(rate * judgement.matches.frames), none)
        if math.isnan(hectares):
            put(part, "per_hectare", None, _NO_AREA)
        else:
            for rate in RATES_PER_HECTARE:
                put(part["per_hectare"], f"{rate:g}", curve.recall_at(rate * hectares), none)
        part["at_working_confidence"] = _working_recall(judgement, k, none)
        block[category] = part
    return block


def _working_recall(judgement: Judgement, k: int, none: str) -> Block:
    matches = judgement.matches
    confidence = judgement.working[judgement.case.categories[k]]
    found = int((matches.true() & (matches.det_category == k) & (matches.det_score >= confidence)).sum())
    asked = judgement.curves[k].objects
    block: Block = {"found": found, "n": asked, "at_confidence": confidence}
    put(block, "recall", found / asked if asked else None, none)
    clusters = judgement.case.clusters
    if not asked or clusters.why_no_interval:
        put(block, "ci95", None, clusters.why_no_interval if asked and clusters.why_no_interval else none)
        return block
    hits = matches.true() & (matches.det_category == k) & (matches.det_score >= confidence)
    of_category = (matches.obj_category == k) & ~matches.obj_ignored[0]
    found_by, asked_by = (
        np.bincount(clusters.code[frames], minlength=clusters.count).astype(float)
        for frames in (matches.det_frame[hits], matches.obj_frame[of_category])
    )
    block["ci95"] = list(effective_wilson(found_by, asked_by))
    return block


def attribute_block(judgement: Judgement) -> Block | None:
    """Attributes of the panels found and of all, with confusion tables; None where no sighting carries any."""
    readings = judgement.readings
    if readings is None or not any(s.attributes for s in judgement.case.sightings):
        return None
    clusters = judgement.case.clusters
    cluster = clusters.code[judgement.case.objects.frame[readings.object_row]]
    block: Block = attribute_figures(readings, cluster, clusters.why_no_interval)
    block["confusion"] = {}
    for attribute in ATTRIBUTES:
        put(block["confusion"], attribute, confusion(readings, attribute), "no panel with a known truth was found")
    return block


def calibration_block(judgement: Judgement) -> Block:
    """How far stated probabilities agree with what happened: scores of each category, and each attribute's reading."""
    block: Block = {}
    matches = judgement.matches
    for k, category in enumerate(judgement.case.categories):
        asked = (matches.det_category == k) & ~matches.det_ignored[0, 0]
        block[category] = calibration_figures(matches.det_score[asked], matches.true()[asked])
    if judgement.readings is not None:
        for j, attribute in enumerate(ATTRIBUTES):
            stated, right = stated_readings(judgement, j)
            block[attribute] = calibration_figures(stated, right)
            block[attribute]["cannot_be_read"] = cannot_be_read(stated, right)
    return block


def cannot_be_read(stated: Floats, right: NDArray[np.bool_]) -> list[Block]:
    """What calling the least sure readings "cannot be read" would buy: share kept, least probability, share wrong."""
    if not len(stated):
        return []
    curve = risk_coverage(stated, right)
    rows = []
    for share in KEPT_SHARES:
        wrong, least = risk_at(share, curve)
        rows.append({"kept": share, "least_probability": least, "wrong": wrong})
    return rows


def stated_readings(judgement: Judgement, j: int) -> tuple[Floats, NDArray[np.bool_]]:
    """Stated probability and rightness of one attribute, of the panels found and read whose truth is known."""
    readings = judgement.readings
    assert readings is not None
    asked = readings.found & readings.known[:, j] & ~np.isnan(readings.probability[:, j])
    return readings.probability[asked, j], readings.right[asked, j]


def calibration_figures(stated: Floats, right: NDArray[np.bool_]) -> Block:
    """Expected calibration error and Brier score with Murphy's parts, or nulls for no statement at all."""
    if not len(stated):
        keys = ("expected_error", "brier", "brier_parts")
        return {**dict.fromkeys(keys), "n": 0, "why": dict.fromkeys(keys, "nothing was stated that can be checked")}
    table = reliability(stated, right)
    return {
        "expected_error": table.expected_error,
        "brier": brier_score(stated, right),
        "brier_parts": brier_parts(table),
        "n": len(stated),
    }
