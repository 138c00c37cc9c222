"""The confidence from which on handing in earns most: chosen on one half of the runs, stated on the other.

Chosen and stated on the same runs it would promise the luck of those runs. Only finds that were made can be left out, so no
confidence below the one that they were made with is tried.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from eval.points import RunReports, score_run
from eval.runs import RunCase
from mission.rulebook import Rulebook

#: Fewer runs than this cannot be halved with any sense.
LEAST_RUNS = 4
_TRIED = 25


def best_confidence(runs: Sequence[RunCase], rulebook: Rulebook) -> dict[str, Any] | None:
    """The confidence chosen on every other run, and mean points on the other runs with it and with all finds."""
    if len(runs) < LEAST_RUNS:
        return None
    chosen_on, stated_on = runs[::2], runs[1::2]
    confidences = np.unique(np.concatenate([run.reports.confidence for run in chosen_on]))
    if not len(confidences):
        return None
    tried = [0.0, *np.unique(np.quantile(confidences, np.linspace(0, 1, _TRIED), method="nearest")).tolist(), 1.01]
    means = [mean_points(chosen_on, rulebook, least) for least in tried]
    best = tried[int(np.argmax(means))]  # the lowest of equals: it hands in more
    return {
        "confidence": best,
        "points_with_it": mean_points(stated_on, rulebook, best),
        "points_with_all_finds": mean_points(stated_on, rulebook, 0.0),
        "chosen_on_runs": len(chosen_on),
        "stated_on_runs": len(stated_on),
    }


def mean_points(runs: Sequence[RunCase], rulebook: Rulebook, least: float) -> float:
    """Mean points where only finds of at least that confidence are handed in."""
    earned = [
        score_run(run.truth, kept(run.reports, run.reports.confidence >= least), rulebook, run.duration_s).earned
        for run in runs
    ]
    return float(np.mean(earned))


def kept(reports: RunReports, chosen: NDArray[np.bool_]) -> RunReports:
    """The chosen reports."""
    return replace(
        reports,
        category=reports.category[chosen],
        attributes=reports.attributes[chosen],
        ground_m=reports.ground_m[chosen],
        confidence=reports.confidence[chosen],
        delivers=reports.delivers[chosen],
        fits=reports.fits[chosen],
        seen_on=reports.seen_on[chosen],
    )
