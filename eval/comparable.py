"""The figures that two systems are compared by, for all draws of clusters at once, from evidence alone.

Each is named by its place in the scorecard and comes with a margin: how much worse is still the same for a user.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eval.detection import mean_over_categories, resampled_figures
from eval.system import System
from mission.vocabulary import ATTRIBUTES

Floats = NDArray[np.float64]

#: COCO's figures that are compared, over all categories and per category.
_COMPARED = ("AP", "AP50", "AP75", "AR100")
_PER_CATEGORY = ("AP", "AP50")
#: The figure that most hangs on; it gets most of the risk of error (eval.compare).
HEADLINE = "detection.AP"


@dataclass(frozen=True)
class Kind:
    """How a figure is judged: whether more is better, the margin, and words for it. ``share_of``: the margin is that
    share of another value, not the value itself."""

    words: str
    margin: float
    more_is_better: bool = True
    digits: int = 3


def kind_of(name: str) -> Kind:
    """The kind of a figure by its name."""
    group, _, rest = name.partition(".")
    words = rest.replace("per_category.", "").replace("_", " ").replace(".", " ")
    if group == "detection":
        return Kind(words, 0.01)
    if group == "recall":
        return Kind(f"{words}s found", 0.01 if rest == "person" else 0.02)
    if group == "false_alarms":
        return Kind(f"false alarms a frame, {words}", 0.05, more_is_better=False)
    if group == "attributes":
        return Kind(f"{words} read right", 0.02)
    if group == "location":
        return Kind("place, RMSE [m]", 0.1, more_is_better=False, digits=2)
    return Kind("points a run", 0.1, digits=2)


def figure_draws(system: System, drawn: Floats) -> dict[str, Floats]:
    """Every figure [draws] of one system for clusters drawn ``drawn`` [draws, C] times; NaN where not measurable."""
    weights = drawn[:, system.cluster]
    figures = dict(_detection(system, weights))
    figures |= dict(_at_working_confidence(system, weights))
    figures |= dict(_attributes(system, weights))
    arrays = system.arrays
    if "location_error_m" in arrays and len(arrays["location_error_m"]):
        squared = (arrays["location_error_m"] ** 2).sum(axis=1)
        figures["location.rmse_m"] = np.sqrt(_ratio(drawn, arrays["location_cluster"], squared, np.ones(len(squared))))
    if "run_earned" in arrays:
        earned = arrays["run_earned"]
        figures["points.mean"] = _ratio(drawn, arrays["run_cluster"], earned, np.ones(len(earned)))
    return figures


def _detection(system: System, weights: Floats) -> Iterator[tuple[str, Floats]]:
    found = resampled_figures(system.matches, weights, _COMPARED)
    for name in _COMPARED:
        yield f"detection.{name}", mean_over_categories(found[name])
    if len(system.categories) in range(2, 5):
        for k, category in enumerate(system.categories):
            for name in _PER_CATEGORY:
                yield f"detection.per_category.{category}.{name}", found[name][:, k]


def _at_working_confidence(system: System, weights: Floats) -> Iterator[tuple[str, Floats]]:
    if system.card.get("truth") is None:  # a plain COCO pair has no working confidence
        return
    matches = system.matches
    for k, category in enumerate(system.categories):
        strong = (matches.det_category == k) & (matches.det_score >= system.arrays["working_confidence"][k])
        asked = (matches.obj_category == k) & ~matches.obj_ignored[0]
        per_frame = [
            np.bincount(rows, minlength=matches.frames).astype(float)
            for rows in (
                matches.det_frame[strong & matches.true()],
                matches.obj_frame[asked],
                matches.det_frame[strong & matches.false()],
            )
        ]
        yield f"recall.{category}", _share(weights @ per_frame[0], weights @ per_frame[1])
        yield f"false_alarms.{category}", _share(weights @ per_frame[2], weights.sum(axis=1))


def _attributes(system: System, weights: Floats) -> Iterator[tuple[str, Floats]]:
    arrays = system.arrays
    if system.card.get("attributes") is None or "attribute_hit" not in arrays:
        return
    frame = arrays["obj_frame"][arrays["panel_object"]]
    hit, found = arrays["attribute_hit"], arrays["panel_found"].astype(bool)
    for j, attribute in enumerate(ATTRIBUTES):
        asked = found & (hit[:, j] >= 0)
        yield f"attributes.{attribute}", _ratio(weights, frame[asked], hit[asked, j] == 1, np.ones(asked.sum()))
    whole = (hit >= 0).all(axis=1)
    right = (hit[whole] == 1).all(axis=1)
    yield "attributes.all_four_of_all", _ratio(weights, frame[whole], right, np.ones(whole.sum()))


def _ratio(drawn: Floats, group: NDArray[np.int64], above: NDArray[np.generic], below: Floats) -> Floats:
    size = drawn.shape[1]
    tops = np.bincount(group, np.asarray(above, dtype=float), size)
    return _share(drawn @ tops, drawn @ np.bincount(group, below, size))


def _share(above: Floats, below: Floats) -> Floats:
    return np.where(below > 0, above / np.maximum(below, 1e-300), np.nan)
