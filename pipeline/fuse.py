"""Fusing the sightings of one flight into finds: which looks show the same object, where it is, what it is.

Ground places are local east-north metres, covariances 2 x 2 [m^2]. Attribute tables are {value: probability}.

Two looks may be one object when they are of one category and one run, of different frames (one frame shows an
object once), near each other for what their covariances allow, and not read as two different things. The nearest
and most alike are joined first (agglomerative clustering with these limits). Everything is put in a canonical order
first, so the answer depends neither on the order of the sightings nor on the number of workers that found them.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mission.vocabulary import ATTRIBUTES

Array = NDArray[np.float64]
Tables = Mapping[str, Mapping[str, float]]

# Two looks at one object lie further apart than this with probability 0.001: the 99.9 % point of the chi-square
# distribution with two degrees of freedom, -2 ln 0.001 (closed form).
GATE = -2.0 * float(np.log(0.001))
# A reader is wrong now and then however sure it is: this share of each table is spread evenly before tables are
# multiplied.
READER_DOUBT = 0.05
# Readings of one object in neighbouring frames err alike (same paint, same light); as if this correlation held
# between them.
READING_CORRELATION = 0.3
# Readings speak for two objects, not one, when "same" is less likely than "different" by exp(LEAST_LOG_RATIO): with
# four sharp readings, when three or more differ.
LEAST_LOG_RATIO = -3.0
# Of two detections of one frame that overlap this much the weaker is a double of the stronger.
DOUBLE_IOU = 0.3


@dataclass(frozen=True)
class Look:
    """One sighting as fusing needs it.

    sighting: its number in the list of sightings; box_px (x0, y0, x1, y1); place_m [2] east, north; covariance_m2
    [2, 2], all errors; shared_m2 [2, 2], the part of it that the frames of one flight have in common (zeros where
    unknown).
    """

    sighting: int
    image_id: int
    mission_run: str | None
    category: str
    score: float
    box_px: tuple[float, float, float, float]
    place_m: Array
    covariance_m2: Array
    shared_m2: Array
    attributes: Tables


@dataclass(frozen=True)
class Fused:
    """One object on the ground: the looks behind it in canonical order, its place, and its attribute tables."""

    mission_run: str | None
    category: str
    looks: tuple[Look, ...]
    place_m: Array
    covariance_m2: Array
    attributes: Tables

    @property
    def score(self) -> float:
        """The score of the best look."""
        return max(look.score for look in self.looks)


def fuse(looks: Sequence[Look]) -> list[Fused]:
    """Fuse looks into objects, never across runs or categories; frames without a run are one flight each.

    The result is ordered by run, category and falling score.
    """
    groups: dict[tuple, list[Look]] = {}
    for look in _without_doubles(sorted(looks, key=_canonical)):
        lone = look.image_id if look.mission_run is None else -1
        groups.setdefault((look.mission_run is not None, look.mission_run or "", lone, look.category), []).append(look)
    found: list[Fused] = []
    for key in sorted(groups):
        found.extend(sorted((_fused(members) for members in _cluster(groups[key])), key=_order))
    return found


def _canonical(look: Look) -> tuple:
    return (look.image_id, look.category, -look.score, look.box_px, look.sighting)


def _order(find: Fused) -> tuple:
    return (-find.score, _canonical(find.looks[0]))


def _without_doubles(looks: list[Look]) -> list[Look]:
    """Drop, within one frame and category, the weaker of two detections that overlap (looks in canonical order)."""
    kept: list[Look] = []
    rivals: dict[tuple[int, str], list[Look]] = {}
    for look in looks:
        others = rivals.setdefault((look.image_id, look.category), [])
        if all(_iou(look.box_px, other.box_px) < DOUBLE_IOU for other in others):
            others.append(look)
            kept.append(look)
    return kept


def _iou(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    w = min(a[2], b[2]) - max(a[0], b[0])
    h = min(a[3], b[3]) - max(a[1], b[1])
    if w <= 0 or h <= 0:
        return 0.0
    return w * h / ((a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1]) - w * h)


class _Readings:
    """Attribute tables of a group as arrays: logs [N, K] of the doubted probabilities, per attribute, over its values."""

    def __init__(self, looks: Sequence[Look]) -> None:
        self.values: dict[str, list[str]] = {}
        self.log: dict[str, Array] = {}
        for attribute in ATTRIBUTES:
            values = _values(attribute, looks)
            if values:
                self.values[attribute] = values
                tables = [_doubted(look.attributes.get(attribute, {}), values) for look in looks]
                self.log[attribute] = np.log(np.array(tables))

    def pooled(self, members: Sequence[int]) -> dict[str, Array]:
        """Probability [K] per attribute of the members taken together."""
        return {attribute: pool(log[list(members)]) for attribute, log in self.log.items()}


def _values(attribute: str, looks: Sequence[Look]) -> list[str]:
    """Values named in any table, in the order of the first table that names them (tables keep their vocabulary's order)."""
    values: dict[str, None] = {}
    for look in looks:
        values.update(dict.fromkeys(look.attributes.get(attribute, {})))
    return list(values)


def _doubted(table: Mapping[str, float], values: list[str]) -> Array:
    """Probabilities [K] with READER_DOUBT spread evenly; an empty table is even."""
    given = np.array([max(float(table.get(value, 0.0)), 0.0) for value in values])
    total = given.sum()
    given = given / total if total > 0 else np.full(len(values), 1 / len(values))
    return (1 - READER_DOUBT) * given + READER_DOUBT / len(values)


def pool(log_tables: Array) -> Array:
    """Probability [K] from log-probabilities [N, K] of N correlated readings.

    A logarithmic opinion pool (Genest & Zidek, Statistical Science 1(1), 1986): the product of the tables, each to
    the power that makes N readings of correlation r count as N / (1 + r (N - 1)) independent ones.
    """
    count = len(log_tables)
    weight = 1.0 / (1.0 + READING_CORRELATION * (count - 1))
    total = weight * log_tables.sum(axis=0)
    table = np.exp(total - total.max())
    return table / table.sum()


def log_ratio(one: Mapping[str, Array], other: Mapping[str, Array]) -> float:
    """Log of how much likelier two sets of tables are for one object than for two drawn at random (even prior)."""
    return float(sum(np.log(len(one[a]) * np.dot(one[a], other[a])) for a in one))


@dataclass(frozen=True)
class _Cluster:
    """Some looks taken for one object: their numbers, frames, place, covariance and pooled tables."""

    members: tuple[int, ...]
    frames: frozenset[int]
    place_m: Array
    covariance_m2: Array
    tables: Mapping[str, Array]


def combine(places_m: Array, covariances_m2: Array, shared_m2: Array) -> tuple[Array, Array]:
    """Inverse-covariance mean [2] of places [N, 2] and its covariance [2, 2].

    The weights are those of the best linear unbiased estimate (Aitken 1935, generalised least squares). Only what
    the looks do not share averages out: the shared part (the receiver's error hardly changes within a flight) stays
    as large as in one look.
    """
    information = np.linalg.inv(covariances_m2)
    total = np.linalg.inv(information.sum(axis=0))
    weights = total @ information
    place = np.einsum("nij,nj->i", weights, places_m)
    own = np.einsum("nij,njk,nlk->il", weights, covariances_m2 - shared_m2, weights)
    covariance = own + shared_m2.mean(axis=0)
    return place, (covariance + covariance.T) / 2


def _make(members: Sequence[int], looks: Sequence[Look], readings: _Readings) -> _Cluster:
    chosen = [looks[m] for m in members]
    place, covariance = combine(
        np.array([look.place_m for look in chosen]),
        np.array([look.covariance_m2 for look in chosen]),
        np.array([look.shared_m2 for look in chosen]),
    )
    frames = frozenset(look.image_id for look in chosen)
    return _Cluster(tuple(members), frames, place, covariance, readings.pooled(members))


def _cost(one: _Cluster, other: _Cluster) -> float | None:
    """Squared Mahalanobis distance less twice the log ratio of the readings; None where the two cannot be one object."""
    if one.frames & other.frames:
        return None
    apart = one.place_m - other.place_m
    distance = float(apart @ np.linalg.solve(one.covariance_m2 + other.covariance_m2, apart))
    if distance > GATE:
        return None
    ratio = log_ratio(one.tables, other.tables)
    return None if ratio < LEAST_LOG_RATIO else distance - 2 * ratio


def _near_pairs(looks: Sequence[Look]) -> dict[int, set[int]]:
    """For each look the looks of other frames within the gate (row by row: memory stays linear)."""
    places = np.array([look.place_m for look in looks])
    covariances = np.array([look.covariance_m2 for look in looks])
    frames = np.array([look.image_id for look in looks])
    spread = np.trace(covariances, axis1=1, axis2=2)
    near: dict[int, set[int]] = {i: set() for i in range(len(looks))}
    for i in range(len(looks) - 1):
        apart = places[i + 1 :] - places[i]
        # No direction's variance exceeds the trace, so this cheap test loses none.
        close = (apart**2).sum(axis=1) <= GATE * (spread[i + 1 :] + spread[i])
        others = np.flatnonzero(close & (frames[i + 1 :] != frames[i]))
        if not len(others):
            continue
        between = covariances[i + 1 :][others] + covariances[i]
        solved = np.linalg.solve(between, apart[others][:, :, None])[:, :, 0]
        inside = (solved * apart[others]).sum(axis=1) <= GATE
        for j in (others[inside] + i + 1).tolist():
            near[i].add(j)
            near[j].add(i)
    return near


def _cluster(looks: list[Look]) -> list[list[Look]]:
    """Groups of looks that are one object (looks in canonical order, one run and category)."""
    readings = _Readings(looks)
    clusters = {i: _make([i], looks, readings) for i in range(len(looks))}
    near = _near_pairs(looks)
    heap: list[tuple[float, int, int]] = []

    def weigh(i: int, j: int) -> None:
        cost = _cost(clusters[i], clusters[j])
        if cost is not None:
            # Rounded, so that sums taken in another order cannot turn a tie around.
            heapq.heappush(heap, (round(cost, 9), min(i, j), max(i, j)))

    for i, others in near.items():
        for j in others:
            if i < j:
                weigh(i, j)
    following = len(looks)
    while heap:
        _, i, j = heapq.heappop(heap)
        if i not in clusters or j not in clusters:
            continue  # one of the two has been joined to something else meanwhile
        members = sorted(clusters[i].members + clusters[j].members)
        around = (near.pop(i) | near.pop(j)) - {i, j}
        del clusters[i], clusters[j]
        clusters[following] = _make(members, looks, readings)
        near[following] = around
        for k in sorted(around):
            near[k] = (near[k] - {i, j}) | {following}
            weigh(k, following)
        following += 1
    return [[looks[m] for m in clusters[i].members] for i in sorted(clusters)]


def _fused(looks: Sequence[Look]) -> Fused:
    readings = _Readings(looks)
    whole = _make(range(len(looks)), looks, readings)
    tables = {
        attribute: {value: float(p) for value, p in zip(readings.values[attribute], table, strict=True)}
        for attribute, table in whole.tables.items()
    }
    first = looks[0]
    return Fused(first.mission_run, first.category, tuple(looks), whole.place_m, whole.covariance_m2, tables)
