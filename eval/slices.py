"""The same figures for parts of the frame set: how quality depends on what the camera saw.

Whole frames are parted by ground, hour of day and view angle: then all of COCO's figures are those of the frames alone. Objects
are parted by pixels across, the part in the frame, and the contrasts: objects outside the part are left out (matched, neither
hit nor miss), every false alarm stays, so precision there is not to be compared with the whole.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from eval.contrast import Contrasts
from eval.detection import mean_over_categories, resampled_figures
from eval.intervals import effective_wilson
from eval.judgement import Judgement
from eval.matching import match

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]

#: Edges of the parts.
ACROSS_PX = (16, 24, 32, 48, 64, 96, math.inf)
VISIBLE = (0.5, 0.75, 0.95, 1.01)
TILT_DEG = (0, 5, 15, 30, 90.1)
CONTRAST_L = (0, 10, 25, 40, 101)
LIGHT_L = (0, 30, 45, 60, 75, 101)
#: Frame sets on more grounds than this are not parted by ground: a part of few frames says little.
MOST_GROUNDS = 12
_FIGURES = ("AP", "AP50", "AP75", "AR100")


def slice_block(judgement: Judgement, contrasts: Contrasts | None) -> dict[str, Any]:
    """Slice -> its parts, each with the number of frames and objects, COCO's figures and recall at the working confidence."""
    case = judgement.case
    block: dict[str, Any] = {}
    for name, values, edges in _frame_slices(judgement, contrasts):
        block[name] = [_of_frames(judgement, part, words) for words, part in _parts(values, edges) if part.any()]
    grounds = [frame.background for frame in case.frames]
    names = sorted({ground for ground in grounds if ground is not None})
    if 1 < len(names) <= MOST_GROUNDS:
        of = np.array([ground or "" for ground in grounds])
        block["ground"] = [_of_frames(judgement, of == name, name) for name in names]
    for name, values, edges in _object_slices(judgement, contrasts):
        block[name] = [_of_objects(judgement, part, words) for words, part in _parts(values, edges) if part.any()]
    return {name: parts for name, parts in block.items() if len(parts) > 1}


def _parts(values: Floats, edges: tuple[float, ...]) -> Iterator[tuple[str, Flags]]:
    for low, high in zip(edges, edges[1:]):
        words = f"{low:g} and more" if not math.isfinite(high) else f"{low:g} to {min(high, round(high, 1)):g}"
        with np.errstate(invalid="ignore"):
            yield words, (values >= low) & (values < high)


def _frame_slices(judgement: Judgement, contrasts: Contrasts | None) -> Iterator[tuple[str, Floats, tuple[float, ...]]]:
    views = [frame.view for frame in judgement.case.frames]
    tilt = [
        math.nan
        if view is None
        else math.degrees(math.acos(math.cos(math.radians(view.pitch_deg)) * math.cos(math.radians(view.roll_deg))))
        for view in views
    ]
    yield "view_angle_deg", np.array(tilt, dtype=float), TILT_DEG
    if contrasts is not None:
        yield "light_L", contrasts.frame_lightness, LIGHT_L


def _object_slices(
    judgement: Judgement, contrasts: Contrasts | None
) -> Iterator[tuple[str, Floats, tuple[float, ...]]]:
    case = judgement.case
    yield "pixels_across", case.objects.box_px[:, 2:].max(axis=1), ACROSS_PX
    yield "visible", np.array([math.nan if t.visible is None else t.visible for t in case.things], dtype=float), VISIBLE
    if contrasts is not None:
        yield "panel_against_ground_dL", contrasts.against_ground, CONTRAST_L
        yield "mark_against_panel_dL", contrasts.within, CONTRAST_L


def _of_frames(judgement: Judgement, part: Flags, words: str) -> dict[str, Any]:
    matches = judgement.matches
    figures = resampled_figures(matches, part[None].astype(float), _FIGURES)
    block = {"part": words, "frames": int(part.sum())}
    asked = part[matches.obj_frame] & ~matches.obj_ignored[0]
    return block | _numbers(judgement, {k: float(mean_over_categories(v[0])) for k, v in figures.items()}, asked)


def _of_objects(judgement: Judgement, part: Flags, words: str) -> dict[str, Any]:
    case = judgement.case
    objects = replace(case.objects, left_out=case.objects.left_out | ~part)
    matches = match(objects, case.detections, frames=len(case.sizes_px), categories=len(case.categories))
    figures = resampled_figures(matches, np.ones((1, matches.frames)), _FIGURES)
    means = {name: float(mean_over_categories(values[0])) for name, values in figures.items()}
    return {"part": words} | _numbers(judgement, means, part & ~judgement.matches.obj_ignored[0])


def _numbers(judgement: Judgement, figures: dict[str, float], asked: Flags) -> dict[str, Any]:
    """Figures and, of the objects [O] asked for, the share found at the working confidence with its interval."""
    matches, case = judgement.matches, judgement.case
    working = np.array([judgement.working[name] for name in case.categories])
    strong = matches.true() & (matches.det_score >= working[matches.det_category])
    found = np.zeros(len(asked), dtype=bool)
    found[matches.det_object[0, 0, strong]] = True
    count = int(asked.sum())
    block: dict[str, Any] = {"objects": count}
    block |= {name: None if math.isnan(value) else value for name, value in figures.items()}
    block["recall"] = float(found[asked].mean()) if count else None
    cluster = case.clusters.code[matches.obj_frame[asked]]
    if not count:
        block["why"] = dict.fromkeys((*figures, "recall", "recall_ci95"), "no object that counts")
        block["recall_ci95"] = None
    elif case.clusters.why_no_interval:
        block |= {"recall_ci95": None, "why": {"recall_ci95": case.clusters.why_no_interval}}
    else:
        hits = np.bincount(cluster, found[asked]).astype(float)
        trials = np.bincount(cluster).astype(float)
        block["recall_ci95"] = list(effective_wilson(hits, trials))
    return block
