"""What became of every object and every report, each with exactly one cause, counted whatever the rulebook.

Objects go down the list until something stops them; reports that count for no object are split, false on a look-alike thing
that the truth names (``other_things`` of a frame, or any annotation that is neither panel nor person), or false on ground where
it names nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

from eval.causes import CAUSES
from eval.judgement import Judgement, best_scores, of_things
from eval.runs import RunCase
from eval.search import REACH_M
from mission.vocabulary import ATTRIBUTES, CATEGORIES

#: Cause -> what it means; those shared with the points keep their words there.
FATES: dict[str, str] = {
    "right": "found, and nothing wrong with it",
    "not_looked_at": "asked for, but in no frame",
    "too_small": "too small or too hidden in every frame to count",
    **{cause: CAUSES[cause] for cause in (
        "not_seen", "below_confidence", "lost_in_fusing", "misplaced", "merged", "misread_shape", "misread_panel_colour",
        "misread_mark", "misread_mark_colour", "wrong_match", "not_matched", "held",
    )},
    "split": "a second report of the same object",
    "false_on_look_alike": "a report of a thing that is neither panel nor person",
    "false_on_ground": "a report where the truth names nothing",
}  # fmt: skip


def fates_block(judgement: Judgement, runs: Sequence[RunCase]) -> dict[str, Any]:
    """Objects and reports of all runs, counted by cause; causes that did not happen are left out.

    "look_alikes" tells which things the reports false on a look-alike were on, the most frequent first.
    """
    best = best_scores(judgement)
    objects: Counter[str] = Counter()
    reports: Counter[str] = Counter()
    look_alikes: Counter[str] = Counter()
    for run in runs:
        report_of, used = _pairs(run)
        scores = of_things(run, judgement.case, best)
        for thing in range(len(run.rows)):
            objects[_object_fate(judgement, run, thing, report_of, float(scores[thing]))] += 1
        objects["not_looked_at"] += run.not_looked_at
        for report in np.flatnonzero(~used).tolist():
            fate = _report_fate(judgement, run, report)
            if fate is not None:
                reports[fate] += 1
            if fate == "false_on_look_alike":
                look_alikes[str(run.on_look_alike[report])] += 1
    return {
        "objects": {cause: objects[cause] for cause in FATES if objects[cause]},
        "reports": {cause: reports[cause] for cause in FATES if reports[cause]},
        "look_alikes": dict(sorted(look_alikes.items(), key=lambda item: (-item[1], item[0]))),
    }


def _pairs(run: RunCase) -> tuple[dict[int, int], np.ndarray]:
    """Thing -> its report, the surest near one, and which reports are used so."""
    reports, truth = run.reports, run.truth
    distance = np.linalg.norm(reports.ground_m[:, None] - truth.ground_m[None], axis=-1)
    alike = reports.category[:, None] == truth.category[None]
    near = alike & np.where(np.isnan(distance), reports.seen_on, distance <= REACH_M)
    report_of: dict[int, int] = {}
    used = np.zeros(len(reports.category), dtype=bool)
    for report in np.argsort(-reports.confidence, kind="stable").tolist():
        free = [thing for thing in np.flatnonzero(near[report]).tolist() if thing not in report_of]
        if free:
            chosen = min(
                free, key=lambda thing: (not reports.seen_on[report, thing], np.nan_to_num(distance[report, thing]))
            )
            report_of[chosen], used[report] = report, True
    return report_of, used


def _object_fate(judgement: Judgement, run: RunCase, thing: int, report_of: dict[int, int], best_score: float) -> str:
    truth, reports = run.truth, run.reports
    if not truth.counted[thing]:
        return "too_small"
    if thing not in report_of:
        if np.isnan(best_score):
            return "not_seen"
        finds = np.flatnonzero(reports.seen_on[:, thing] & (reports.category == truth.category[thing]))
        if len(finds):
            return "merged" if set(finds.tolist()) & set(report_of.values()) else "misplaced"
        working = judgement.working[CATEGORIES[truth.category[thing]]]
        return "below_confidence" if best_score < working else "lost_in_fusing"
    report = report_of[thing]
    for j in (2, 0, 1, 3):  # the mark says most, then the shape
        if truth.attributes[thing, j] >= 0 and reports.attributes[report, j] != truth.attributes[thing, j]:
            return f"misread_{ATTRIBUTES[j]}"
    if reports.delivers[report] and not reports.fits[report, thing]:
        return "wrong_match"
    if run.held[report]:
        return "held"
    if truth.asked[thing] and not reports.fits[report, thing]:
        return "not_matched"
    return "right"


def _report_fate(judgement: Judgement, run: RunCase, report: int) -> str | None:
    """Why a report counts for no object; None where it was seen on one and only lies apart (the object tells that)."""
    reports, truth = run.reports, run.truth
    distance = np.linalg.norm(reports.ground_m[report] - truth.ground_m, axis=-1)
    alike = truth.category == reports.category[report]
    if (alike & np.where(np.isnan(distance), reports.seen_on[report], distance <= REACH_M)).any():
        return "split"
    if (alike & reports.seen_on[report]).any():
        return None
    return "false_on_look_alike" if run.on_look_alike[report] else "false_on_ground"
