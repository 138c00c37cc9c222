"""The report's pictures, each drawn from a judgement: what was found, what was read, how sure, where, and for how much."""

from __future__ import annotations

import math

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from eval.calibration import reliability
from eval.causes import CAUSES
from eval.detection import RECALL_STEPS
from eval.drawing import SHARE, SQUARE_HEIGHT, Plot, Range, Step, frame_map, heat_map, waterfall
from eval.judgement import Judgement, RunsJudgement
from eval.scorecard import stated_readings
from eval.search import fused_curves, searched_hectares
from mission.vocabulary import ATTRIBUTES

#: Beyond so many categories a curve each would be a tangle; their mean is drawn instead.
MOST_CURVES = 4
#: Columns and rows of the map over the frame.
MAP_CELLS = (8, 6)
WORDS = {"shape": "shape", "panel_colour": "panel colour", "mark": "mark", "mark_colour": "mark colour"}


def precision_recall(judgement: Judgement) -> Markup:
    """Precision against recall at IoU 0.5, as COCO interpolates it."""
    names = judgement.case.categories
    tables = judgement.precision  # [101, K]
    known = [k for k in range(len(names)) if not np.isnan(tables[:, k]).any()]
    words = ", ".join(f"{names[k]} AP50 {judgement.figures['AP50'][k]:.2f}" for k in known[:MOST_CURVES])
    plot = Plot(
        f"Precision against recall at IoU 0.5: {words}", SHARE, SHARE, "recall", "precision", legend=(False, True)
    )
    if len(known) <= MOST_CURVES:
        for series, k in enumerate(known):
            plot.line(list(RECALL_STEPS), tables[:, k].tolist(), series, names[k])
    else:
        plot.line(list(RECALL_STEPS), tables[:, known].mean(axis=1).tolist(), 0, f"mean of {len(known)} categories")
    return plot.markup()


def free_response_curves(judgement: Judgement) -> Markup:
    """Recall against false alarms a frame; a dot marks the working confidence."""
    frames = judgement.matches.frames
    axis = Range(0.01, 10.0, (0.01, 0.1, 1, 10), logarithmic=True)
    plot = Plot(
        "Recall against false alarms a frame, logarithmic from 0.01 to 10; the table of recalls says the same",
        axis, SHARE, "false alarms a frame", "recall",
    )  # fmt: skip
    for k, (curve, name) in enumerate(zip(judgement.curves, judgement.case.categories, strict=True)):
        if not curve.objects or not len(curve.confidence) or k >= MOST_CURVES:
            continue
        rates = [max(axis.low, rate) for rate in (curve.false_alarms / frames).tolist()]
        plot.line(rates, curve.recall.tolist(), k, name, steps=True)
        at = np.flatnonzero(curve.confidence >= judgement.working.get(name, 1.1))
        if len(at):
            words = f"{name} at confidence {judgement.working[name]:.2f}"
            plot.dot(rates[at[-1]], float(curve.recall[at[-1]]), k, 4.5, words)
    return plot.markup()


def area_response_curves(judgement: Judgement, runs: RunsJudgement | None) -> Markup | None:
    """Recall against false alarms a hectare: sightings before fusing, and finds after it."""
    hectares = float(judgement.hectares.sum())
    if math.isnan(hectares) or not hectares > 0:
        return None
    axis = Range(0.1, 100.0, (0.1, 1, 10, 100), logarithmic=True)
    words = "Recall against false alarms a hectare, logarithmic from 0.1 to 100, before and after fusing"
    plot = Plot(words, axis, SHARE, "false alarms a hectare", "recall")
    curves = [("views of panels", judgement.curves[judgement.case.categories.index("panel")], hectares)] if (
        "panel" in judgement.case.categories
    ) else []  # fmt: skip
    if runs is not None:
        searched = searched_hectares(judgement.case)
        curves += [(f"finds of {name}s", curve, searched) for name, curve in fused_curves(runs.runs).items()]
    drawn = 0
    for name, curve, area in curves:
        if curve.objects and len(curve.confidence) and area > 0:
            rates = [max(axis.low, rate) for rate in (curve.false_alarms / area).tolist()]
            plot.line(rates, curve.recall.tolist(), drawn, name, steps=True)
            drawn += 1
    return plot.markup() if drawn else None


def error_map(judgement: Judgement) -> Markup | None:
    """Where in the frame views are missed at the working confidence: share of each cell, darker for more."""
    case, matches = judgement.case, judgement.matches
    asked = np.flatnonzero(~matches.obj_ignored[0])
    if not len(asked):
        return None
    working = np.array([judgement.working[name] for name in case.categories])
    strong = matches.true() & (matches.det_score >= working[matches.det_category])
    found = np.zeros(len(matches.obj_frame), dtype=bool)
    found[matches.det_object[0, 0, strong]] = True
    sizes = np.array(case.sizes_px, dtype=float)[matches.obj_frame[asked]]
    box = case.objects.box_px[asked]
    centre = (box[:, :2] + box[:, 2:] / 2) / sizes
    cell = np.clip((centre * [MAP_CELLS[0], MAP_CELLS[1]]).astype(int), 0, [MAP_CELLS[0] - 1, MAP_CELLS[1] - 1])
    number = cell[:, 1] * MAP_CELLS[0] + cell[:, 0]
    views = np.bincount(number, minlength=MAP_CELLS[0] * MAP_CELLS[1])
    missed = np.bincount(number, ~found[asked], minlength=len(views)).astype(int)
    words = f"Where in the frame things are missed: {int(missed.sum())} of {len(asked)} views"
    return frame_map(missed.reshape(MAP_CELLS[::-1]).tolist(), views.reshape(MAP_CELLS[::-1]).tolist(), words)


def confusions(judgement: Judgement, tables: dict[str, dict | None]) -> list[tuple[str, Markup]]:
    """One heat map per attribute that could be measured."""
    drawn = []
    for attribute in ATTRIBUTES:
        table = tables.get(attribute)
        if table:
            right = sum(row[i] for i, row in enumerate(table["counts"]))
            total = sum(map(sum, table["counts"]))
            words = f"Confusion of {WORDS[attribute]}: {right} of {total} on the diagonal"
            drawn.append((WORDS[attribute], heat_map(table["labels"], table["counts"], words)))
    return drawn


def reliability_curves(judgement: Judgement) -> Markup | None:
    """Observed against stated share: the score of panels, and the reading of each mark."""
    matches = judgement.matches
    parts: list[tuple[str, NDArray[np.float64], NDArray[np.bool_]]] = []
    if "panel" in judgement.case.categories:
        asked = (matches.det_category == judgement.case.categories.index("panel")) & ~matches.det_ignored[0, 0]
        parts.append(("score of panels", matches.det_score[asked], matches.true()[asked]))
    if judgement.readings is not None:
        parts += [
            (f"reading of {WORDS[a]}s", *stated_readings(judgement, ATTRIBUTES.index(a))) for a in ("shape", "mark")
        ]
    parts = [part for part in parts if len(part[1])]
    if not parts:
        return None
    tables = [(name, reliability(stated, right)) for name, stated, right in parts]
    words = ", ".join(f"{name} off by {table.expected_error:.2f} on average" for name, table in tables)
    plot = Plot(f"Observed against stated share: {words}", SHARE, SHARE, "stated", "observed", legend=(False, False))
    plot.line([0, 1], [0, 1], 9)
    for series, (name, table) in enumerate(tables):
        plot.line(table.stated.tolist(), table.observed.tolist(), series, name)
        for stated, observed, count in zip(table.stated, table.observed, table.count, strict=True):
            plot.dot(float(stated), float(observed), series, 2 + min(4.0, math.sqrt(count) / 3), f"{count} cases")
    return plot.markup()


def location_scatter(runs: RunsJudgement, ce90: float) -> Markup:
    """Find less truth, east and north, with the circle that holds nine in ten."""
    errors = runs.errors_m
    reach = _round_up(max(1e-3, float(np.abs(errors).max()), ce90))
    axis = Range(-reach, reach, (-reach, -reach / 2, 0, reach / 2, reach))
    words = f"{len(errors)} finds less their true place; nine in ten lie within {ce90:.2f} m"
    plot = Plot(words, axis, axis, "east of the truth [m]", "north of the truth [m]", height=SQUARE_HEIGHT)
    plot.line([-reach, reach], [0, 0], 9)
    plot.line([0, 0], [-reach, reach], 9)
    turn = np.linspace(0, 2 * np.pi, 73)
    plot.line((ce90 * np.cos(turn)).tolist(), (ce90 * np.sin(turn)).tolist(), 1, "nine in ten")
    for east, north in errors:
        plot.dot(float(east), float(north), 0, 2.5)
    return plot.markup()


def _round_up(value: float) -> float:
    """The next of 1, 2, 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= value - 1e-12)


def points_waterfall(block: dict) -> Markup:
    """From the points that were possible down to those earned, cause by cause, a run on average."""
    level = block["possible"]
    steps = [Step(f"possible: {level:.1f}", 0.0, level, "whole")]
    for cause, loss in block["lost_to"].items():
        steps.append(Step(f"{CAUSES[cause]}: -{loss['points']:.2f}", level, level - loss["points"], "loss"))
        level -= loss["points"]
    steps.append(Step(f"earned: {block['mean']:.1f}", 0.0, block["mean"], "whole"))
    words = (
        f"{block['possible']:.1f} points possible a run, {block['mean']:.1f} earned; the table of causes says the same"
    )
    return waterfall(steps, block["possible"], words)
