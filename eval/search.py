"""Free-response after fusing: what a search crew is handed, one find per object, against false finds a run and a hectare.

A find is right where it was seen on, or lies within ``reach_m`` of, an object of its kind that counts; of several on one object
the surest is right and the others count neither way. Ground is what the frames of a run image together, once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon
from shapely.ops import unary_union

from eval.case import Case
from eval.false_alarms import RATES_PER_HECTARE, SQUARE_METRES_PER_HECTARE, FreeResponse
from eval.runs import RunCase
from mission.camera import footprint_enu_m
from mission.vocabulary import CATEGORIES

Floats = NDArray[np.float64]

#: Without a rulebook that says it, a find this near an object means that object.
REACH_M = 5.0
_NO_GROUND = "the ground in the frames is unknown (no pose, or the horizon is in view)"


def find_flags(run: RunCase, reach_m: float = REACH_M) -> NDArray[np.int64]:
    """For each find [N]: 1 right, 0 neither way, -1 false."""
    reports, truth = run.reports, run.truth
    distance = np.linalg.norm(reports.ground_m[:, None] - truth.ground_m[None], axis=-1)
    alike = reports.category[:, None] == truth.category[None]
    near = alike & (reports.seen_on | (distance <= reach_m))
    flags = np.full(len(reports.category), -1)
    taken: set[int] = set()
    for find in np.argsort(-reports.confidence, kind="stable").tolist():
        things = np.flatnonzero(near[find])
        free = [thing for thing in things.tolist() if truth.counted[thing] and thing not in taken]
        if free:
            best = min(free, key=lambda thing: (not reports.seen_on[find, thing], np.nan_to_num(distance[find, thing])))
            taken.add(best)
            flags[find] = 1
        elif len(things):
            flags[find] = 0
    return flags


def fused_curves(runs: Sequence[RunCase]) -> dict[str, FreeResponse]:
    """One free-response curve per category over the finds of all runs."""
    curves = {}
    flags = [find_flags(run) for run in runs]
    for number, category in enumerate(CATEGORIES):
        objects = sum(int((run.truth.counted & (run.truth.category == number)).sum()) for run in runs)
        mine = [run.reports.category == number for run in runs]
        score = np.concatenate([np.zeros(0), *(run.reports.confidence[m] for run, m in zip(runs, mine))])
        flag = np.concatenate([np.zeros(0, dtype=int), *(f[m] for f, m in zip(flags, mine))])
        order = np.argsort(-score, kind="stable")
        last = np.flatnonzero(np.diff(score[order], append=-np.inf) != 0)
        hits = np.cumsum(flag[order] == 1)[last]
        recall = hits / objects if objects else np.full(len(last), np.nan)
        curves[category] = FreeResponse(
            score[order][last], recall, np.cumsum(flag[order] == -1)[last].astype(float), objects
        )
    return curves


def searched_hectares(case: Case) -> float:
    """Ground that the frames of each run image together, all runs summed; NaN where a pose is unknown."""
    grounds: dict[object, list[Polygon]] = {}
    for frame in case.frames:
        corners = None if frame.view is None else footprint_enu_m(frame.view)[:, :2]
        if corners is None or not np.isfinite(corners).all():
            return math.nan
        grounds.setdefault(frame.mission_run or frame.id, []).append(Polygon(corners).buffer(0))
    return sum(unary_union(parts).area for parts in grounds.values()) / SQUARE_METRES_PER_HECTARE


def search_block(case: Case, runs: Sequence[RunCase]) -> dict[str, Any]:
    """Recall and false finds of what is handed in, and the recall at given rates of false finds a hectare."""
    hectares = searched_hectares(case)
    block: dict[str, Any] = {"runs": len(runs), "hectares": None if math.isnan(hectares) else hectares}
    if math.isnan(hectares):
        block["why"] = {"hectares": _NO_GROUND}
    for category, curve in fused_curves(runs).items():
        false = float(curve.false_alarms[-1]) if len(curve.false_alarms) else 0.0
        part: dict[str, Any] = {
            "n": curve.objects,
            "recall": float(curve.recall[-1])
            if len(curve.recall) and curve.objects
            else 0.0
            if curve.objects
            else None,
            "false_finds": int(false),
            "false_per_run": false / max(1, len(runs)),
        }
        if part["recall"] is None:
            part["why"] = {"recall": f"no {category} that counts"}
        if math.isnan(hectares):
            part |= {"false_per_hectare": None, "recall_per_hectare": None}
            part.setdefault("why", {}).update(false_per_hectare=_NO_GROUND, recall_per_hectare=_NO_GROUND)
        else:
            part["false_per_hectare"] = false / hectares
            rates = {f"{rate:g}": curve.recall_at(rate * hectares) for rate in RATES_PER_HECTARE}
            part["recall_per_hectare"] = rates if curve.objects else None
            if not curve.objects:
                part["why"]["recall_per_hectare"] = f"no {category} that counts"
        block[category] = part
    return block
