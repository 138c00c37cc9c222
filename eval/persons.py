"""People first: how many a search would have missed, and how many more it may miss.

The bound is exact binomial (C. Clopper and E. Pearson, Biometrika 26 (1934), 404-413), one-sided 95 %, over people on the
ground where they can be told apart, not over views: ten views of one person are one chance to miss somebody.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from eval.judgement import Judgement
from eval.proportions import exact_upper_bound


def person_block(judgement: Judgement) -> dict[str, Any]:
    """Persons that no sighting at or above the working confidence met in any frame, and the bound on that share."""
    case = judgement.case
    keys = ("missed", "missed_share", "upper95")
    if "person" not in case.categories:
        return {"n": 0, **dict.fromkeys(keys), "why": dict.fromkeys(keys, "the frame set has no category person")}
    found = persons_found(judgement)
    confidence = judgement.working["person"]
    if not found:
        return {
            "n": 0, **dict.fromkeys(keys), "at_confidence": confidence,
            "why": dict.fromkeys(keys, "no person that counts"),
        }  # fmt: skip
    missed = sum(not seen for seen in found.values())
    return {
        "n": len(found),
        "missed": missed,
        "missed_share": missed / len(found),
        "upper95": exact_upper_bound(missed, len(found)),
        "at_confidence": confidence,
    }


def persons_found(judgement: Judgement) -> dict[tuple[object, object], bool]:
    """Every person that counts, told apart by run and object id (else by annotation), and whether it was seen at all."""
    case, matches = judgement.case, judgement.matches
    category = case.categories.index("person")
    strong = matches.true() & (matches.det_category == category) & (matches.det_score >= judgement.working["person"])
    met = set(matches.det_object[0, 0, strong].tolist())
    found: dict[tuple[object, object], bool] = {}
    for row in np.flatnonzero((matches.obj_category == category) & ~matches.obj_ignored[0]).tolist():
        frame, name = case.frames[case.objects.frame[row]], case.things[row].object
        key = (frame.mission_run if frame.mission_run is not None else frame.id, row if name is None else name)
        found[key] = found.get(key, False) or row in met
    return found
