"""False alarms per frame and per hectare, and how much is found at a given rate of them (the free-response curve).

A detection is right where it met an object at IoU 0.5, false where it met nothing, and neither where it met an object
that is left out. Rates are sums over the frames divided by the number of frames or by the ground that they image; ground
seen in two frames counts twice, as the alarms on it do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eval.matching import Matches
from mission.camera import footprint_enu_m
from mission.frame_set import Frame
from mission.vocabulary import polygon_area

Floats = NDArray[np.float64]

#: Rates at which recall is stated.
RATES_PER_FRAME = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
RATES_PER_HECTARE = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
SQUARE_METRES_PER_HECTARE = 10_000.0


@dataclass(frozen=True)
class FreeResponse:
    """One category's curve, by falling confidence [C]: share of the objects found, false alarms in all frames together."""

    confidence: Floats
    recall: Floats
    false_alarms: Floats
    objects: int

    def recall_at(self, allowed: float) -> float:
        """Recall at the lowest confidence that keeps the false alarms within ``allowed``; NaN without objects."""
        if not self.objects:
            return float("nan")
        within = np.flatnonzero(self.false_alarms <= allowed + 1e-9)
        return float(self.recall[within[-1]]) if len(within) else 0.0


def free_response(matches: Matches, category: int) -> FreeResponse:
    """The curve of one category; equal confidences are taken together, for no threshold can part them."""
    chosen = np.flatnonzero(matches.det_category == category)
    order = chosen[np.argsort(-matches.det_score[chosen], kind="stable")]
    score = matches.det_score[order]
    last = np.flatnonzero(np.diff(score, append=-np.inf) != 0)
    asked = int(((matches.obj_category == category) & ~matches.obj_ignored[0]).sum())
    hits = np.cumsum(matches.true()[order])[last]
    return FreeResponse(
        confidence=score[last],
        recall=hits / asked if asked else np.full(len(last), np.nan),
        false_alarms=np.cumsum(matches.false()[order])[last].astype(float),
        objects=asked,
    )


def false_per_frame(matches: Matches, category: int, confidence: float) -> Floats:
    """Number of false alarms [F] of one category at or above ``confidence``."""
    chosen = matches.false() & (matches.det_category == category) & (matches.det_score >= confidence)
    return np.bincount(matches.det_frame[chosen], minlength=matches.frames).astype(float)


def imaged_hectares(frames: Sequence[Frame]) -> Floats:
    """Ground [F] in hectares inside each frame; NaN where the pose is unknown or the horizon is in view."""
    areas = [np.nan if f.view is None else abs(polygon_area(footprint_enu_m(f.view)[:, :2])) for f in frames]
    return np.array(areas, dtype=float) / SQUARE_METRES_PER_HECTARE
