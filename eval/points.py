"""The points that an exercise would give: reports against what lay on the ground, run by run, under a rulebook.

Each report counts for at most one object and each object for at most one report; the assignment is the one that earns
most (linear sum assignment: J. Munkres, J. SIAM 5 (1957), 32-38; here ``scipy.optimize.linear_sum_assignment``).
Letters: N reports (finds), O objects of one run, P parts of the points. Categories are rows of
``mission.vocabulary.CATEGORIES`` (0 panel, 1 person); attributes are numbers that stand for values, -1 unknown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from mission.rulebook import Rulebook
from mission.vocabulary import ATTRIBUTES

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: What points are given for, in the order of every [P, ...] array.
PARTS = ("found", *ATTRIBUTES, "all_four", "place", "delivery")
#: Every pair that may count is worth at least this much more than none, the nearer pair a little more; far below a point.
_TIE_POINTS = 1e-7


@dataclass(frozen=True)
class RunTruth:
    """What lay on the ground: ``category`` [O], ``attributes`` [O, 4], ``ground_m`` [O, 2] (east, north; NaN unknown).

    ``counted`` [O]: False where it was too small or hidden in every frame (a report of it neither earns nor costs);
    ``asked`` [O]: a panel of the wanted list.
    """

    category: Ints
    attributes: Ints
    ground_m: Floats
    counted: Flags
    asked: Flags


@dataclass(frozen=True)
class RunReports:
    """What was reported: ``category`` [N], ``attributes`` [N, 4], ``ground_m`` [N, 2] (NaN unknown), ``confidence`` [N].

    ``delivers`` [N]: it stands for a delivery, being matched to a wanted panel and not held; ``fits`` [N, O]: that
    object is the wanted panel it is matched to; ``seen_on`` [N, O]: one of its sightings lies on that object (decides
    where a place is unknown).
    """

    category: Ints
    attributes: Ints
    ground_m: Floats
    confidence: Floats
    delivers: Flags
    fits: Flags
    seen_on: Flags


@dataclass(frozen=True)
class RunPoints:
    """Points of one run and where they came from.

    ``object_of`` [N] object that a report counts for (-1: none); ``distance_m`` [N] to it (NaN unknown); ``handed_in`` [N]
    False beyond the limit; ``false`` and ``duplicate`` [N] a report for nothing, and one more for an object that another
    one counts for; ``idle_cost`` and ``delivery_cost`` [N] what a report cost; ``part`` and ``part_possible`` [P, O] what
    each object earned and could have; ``time_cost`` what the length of the search cost.
    """

    earned: float
    possible: float
    object_of: Ints
    distance_m: Floats
    handed_in: Flags
    false: Flags
    duplicate: Flags
    idle_cost: Floats
    delivery_cost: Floats
    part: Floats
    part_possible: Floats
    time_cost: float = 0.0


def score_run(truth: RunTruth, reports: RunReports, rulebook: Rulebook, duration_s: float = math.nan) -> RunPoints:
    """Points of one run: what the objects earned through their reports, plus what idle and wrong reports and time cost."""
    count = len(reports.category)
    distance = np.linalg.norm(reports.ground_m[:, None, :] - truth.ground_m[None, :, :], axis=-1)
    handed_in = _handed_in(reports.confidence, rulebook.reports_at_most)
    near = _near(truth, reports, distance, rulebook) & handed_in[:, None]
    counted = near & truth.counted
    parts = _parts(truth, reports, distance, rulebook)
    # A report without an object costs: as a duplicate where a counted one was near, as a false report elsewhere.
    idle = np.where(counted.any(axis=1), rulebook.duplicate, rulebook.false_report)
    wrong = reports.delivers * rulebook.delivery.wrong
    gain = parts.sum(axis=0) - idle[:, None] - np.where(reports.fits, wrong[:, None], 0.0)
    object_of = _assign(gain, counted, distance)

    used = object_of >= 0
    excused = ~handed_in | (~used & (near & ~truth.counted).any(axis=1))
    fits = used & reports.fits[np.arange(count), object_of] if reports.fits.size else np.zeros(count, dtype=bool)
    idle_cost = np.where(used | excused, 0.0, idle)
    delivery_cost = np.where(fits | excused, 0.0, wrong)
    part = np.zeros(parts.shape[::2])
    part[:, object_of[used]] = parts[:, used, object_of[used]]
    possible = part_possible(truth, rulebook)
    best = np.sort(possible.sum(axis=0))[::-1][: rulebook.reports_at_most]
    time_cost = rulebook.time.cost(duration_s)
    chosen = distance[np.arange(count), object_of] if distance.size else np.zeros(count)
    return RunPoints(
        earned=float(part.sum() + idle_cost.sum() + delivery_cost.sum() + time_cost),
        possible=float(best.sum()),
        object_of=object_of,
        distance_m=np.where(used, chosen, np.nan),
        handed_in=handed_in,
        false=~used & ~excused & ~counted.any(axis=1),
        duplicate=~used & ~excused & counted.any(axis=1),
        idle_cost=idle_cost,
        delivery_cost=delivery_cost,
        part=part,
        part_possible=possible,
        time_cost=time_cost,
    )


def part_possible(truth: RunTruth, rulebook: Rulebook) -> Floats:
    """Points [P, O] that each object could earn; an attribute, place or object that is unknown can earn none."""
    panel = (truth.category == 0) & truth.counted
    person = (truth.category == 1) & truth.counted
    known = truth.attributes >= 0
    placed = ~np.isnan(truth.ground_m).any(axis=1)
    rows = [panel * rulebook.panel.found + person * rulebook.person.found]
    rows += [panel * known[:, i] * points for i, points in enumerate(rulebook.panel.per_attribute)]
    rows.append(panel * known.all(axis=1) * rulebook.panel.all_four)
    rows.append(placed * (panel * rulebook.panel.place + person * rulebook.person.place))
    rows.append(panel * truth.asked * rulebook.delivery.right)
    return np.array(rows, dtype=float).reshape(len(PARTS), len(truth.category))


def _handed_in(confidence: Floats, most: int | None) -> Flags:
    """The most confident reports, as many as are allowed; equal ones in their order."""
    handed_in = np.ones(len(confidence), dtype=bool)
    if most is not None:
        handed_in[np.argsort(-confidence, kind="stable")[most:]] = False
    return handed_in


def _near(truth: RunTruth, reports: RunReports, distance: Floats, rulebook: Rulebook) -> Flags:
    """Pairs [N, O] that may count: of one kind and within reach, or, where a place is unknown, seen on the object."""
    within = np.where(np.isnan(distance), reports.seen_on, distance <= rulebook.counts_within_m)
    return within & (reports.category[:, None] == truth.category[None, :])


def _parts(truth: RunTruth, reports: RunReports, distance: Floats, rulebook: Rulebook) -> Floats:
    """Points [P, N, O] that each report would earn on each object."""
    share = np.ones((len(PARTS), *distance.shape))
    right = (reports.attributes[:, None, :] == truth.attributes[None, :, :]) & (truth.attributes >= 0)
    share[1:5] = np.moveaxis(right, 2, 0)
    share[PARTS.index("all_four")] = right.all(axis=2)
    share[PARTS.index("place")] = rulebook.place.share(distance)
    share[PARTS.index("delivery")] = reports.delivers[:, None] & reports.fits
    return share * part_possible(truth, rulebook)[:, None, :]


def _assign(gain: Floats, allowed: Flags, distance: Floats) -> Ints:
    """Object [N] of each report (-1: none) so that the gain is largest; no allowed pair is left lying idle."""
    object_of = np.full(len(gain), -1)
    if not allowed.any():
        return object_of
    tie = _TIE_POINTS * (1 + 1 / (1 + np.nan_to_num(distance)))
    rows, columns = linear_sum_assignment(np.where(allowed, gain + tie, 0.0), maximize=True)
    kept = allowed[rows, columns]
    object_of[rows[kept]] = columns[kept]
    return object_of
