"""Which find is which of the panels asked for: one find each at most, the best choice for the list as a whole.

The choice maximises the summed log-probability that each find has the attributes that its wanted panel names (null:
any), over all ways of pairing them, by scipy's linear_sum_assignment (Jonker & Volgenant 1987; Crouse 2016); a pair
may also stay open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from mission.finds import Find
from mission.wanted import WantedPanel

# A find is taken for a wanted panel only if it has all the attributes asked for with at least this probability
# together. Four attributes read at 0.7 each make 0.24; one read as something else at 0.95 makes 0.05.
LEAST_PROBABILITY = 0.1
# A value that a table does not name, or gives no probability, could still be misread: never minus infinity.
_FLOOR = 1e-6


def log_probabilities(
    tables: Sequence[Mapping[str, Mapping[str, float]]], wanted: Sequence[WantedPanel]
) -> NDArray[np.float64]:
    """Log-probability [F, W] that find f has every attribute that wanted panel w names (0 where it names none)."""
    table = np.zeros((len(tables), len(wanted)))
    for w, panel in enumerate(wanted):
        for attribute, value in panel.attributes().items():
            if value is not None:
                table[:, w] += [np.log(max(_probability(t, attribute, value), _FLOOR)) for t in tables]
    return table


def _probability(tables: Mapping[str, Mapping[str, float]], attribute: str, value: str) -> float:
    read = tables.get(attribute)
    if not read:
        return _FLOOR  # not read at all: nothing speaks for it
    return float(read.get(value, 0.0))


def best_pairs(log_probability: NDArray[np.float64], least_probability: float = LEAST_PROBABILITY) -> dict[int, int]:
    """Row -> column of the assignment with the largest sum, rows and columns with nothing likely enough left open.

    Each pair is worth its log-probability less log(least_probability); leaving both sides open is worth 0.
    """
    rows, columns = log_probability.shape
    if not rows or not columns:
        return {}
    worth = np.maximum(log_probability - np.log(least_probability), 0.0)
    firsts = worth.argmax(axis=0)
    wanted = np.flatnonzero(worth.max(axis=0) > 0)
    if len(set(firsts[wanted])) == len(wanted):
        # Every panel has a best find of its own: no other pairing can be worth more, and scipy's half second is saved.
        return {int(firsts[c]): int(c) for c in wanted}
    from scipy.optimize import linear_sum_assignment

    chosen = linear_sum_assignment(worth, maximize=True)
    return {int(r): int(c) for r, c in zip(*chosen, strict=True) if worth[r, c] > 0}


def match_wanted(finds: Sequence[Find], wanted: Mapping[str | None, Sequence[WantedPanel]]) -> tuple[Find, ...]:
    """The finds, each panel with the id of the wanted panel that it is matched to, or None.

    ``wanted`` gives the list of each run; the list under None holds for every run that has none of its own. A
    human's word stands only for what it was given for: where the match of a find changes, its ``confirmed`` goes
    back to null.
    """
    matched: dict[int, str] = {}
    for run in {find.mission_run for find in finds}:
        panels = list(wanted.get(run, wanted.get(None, ())))
        members = [i for i, f in enumerate(finds) if f.mission_run == run and f.category == "panel"]
        pairs = best_pairs(_worth_confidence(members, finds, panels))
        matched.update({members[r]: panels[c].id for r, c in pairs.items()})
    return tuple(_with_match(find, matched.get(i)) for i, find in enumerate(finds))


def _worth_confidence(members: list[int], finds: Sequence[Find], panels: list[WantedPanel]) -> NDArray[np.float64]:
    """Log-probabilities with a nudge towards the surer find, so that two finds read alike are told apart by confidence."""
    table = log_probabilities([finds[i].attributes for i in members], panels)
    nudge = np.array([1e-3 * np.log(max(finds[i].confidence, _FLOOR)) for i in members])
    return table + nudge[:, None]


def _with_match(find: Find, wanted: str | None) -> Find:
    if find.wanted == wanted:
        return find
    return replace(find, wanted=wanted, confirmed=None)
