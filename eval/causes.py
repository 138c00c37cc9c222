"""Where the points went: every point between the best possible and the earned, given to one cause.

Per run the causes sum to possible - earned exactly. A thing that was not reported loses all it could earn to the first
cause on its way: no sighting, sightings too weak, none of them in a find, find misplaced, merged with another, not handed in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from eval.points import PARTS, RunPoints
from eval.runs import RunCase
from mission.vocabulary import ATTRIBUTES, CATEGORIES

#: Cause -> what it means, in the order in which things go wrong.
CAUSES: dict[str, str] = {
    "not_seen": "no sighting on it in any frame",
    "below_confidence": "seen, but below the working confidence",
    "lost_in_fusing": "seen well enough, but in no find",
    "misplaced": "found, but placed too far from where it lies",
    "merged": "taken together with another object into one find",
    "report_limit": "not among the reports that the rulebook takes",
    "misread_shape": "shape misread",
    "misread_panel_colour": "panel colour misread",
    "misread_mark": "mark misread",
    "misread_mark_colour": "mark colour misread",
    "place": "placed near it, but not near enough for all points",
    "held": "held back, so not delivered to",
    "not_matched": "a wanted panel found, but not matched to the wanted list",
    "wrong_match": "matched to a wanted panel that it is not",
    "false_report": "a report of something that is not there",
    "duplicate": "a second report of the same object",
    "time": "the length of the search",
}
_REST_POINTS = 1e-9


@dataclass
class Losses:
    """Points lost and things (or reports) concerned, by cause."""

    points: dict[str, float] = field(default_factory=dict)
    count: dict[str, int] = field(default_factory=dict)

    def add(self, cause: str, points: float, count: int = 1) -> None:
        """Give ``points`` lost by ``count`` things or reports to a cause."""
        if points > 0:
            self.points[cause] = self.points.get(cause, 0.0) + points
            self.count[cause] = self.count.get(cause, 0) + count


def losses_of(run: RunCase, points: RunPoints, best_score: NDArray[np.float64], working: Mapping[str, float]) -> Losses:
    """Losses of one run. ``best_score`` [O]: the strongest sighting on each thing (NaN: none), counted frames only."""
    losses = Losses()
    worth = points.part_possible.sum(axis=0)
    report_of = np.full(len(run.rows), -1)
    used = points.object_of >= 0
    report_of[points.object_of[used]] = np.flatnonzero(used)
    for thing in np.flatnonzero(report_of >= 0):
        _reported_thing(losses, run, points, int(thing), int(report_of[thing]))
    # Where reports are limited, only as many missed things are lost as the best hand-in would still have had room for.
    room = _best_count(worth, points.possible) - int(((report_of >= 0) & (worth > 0)).sum())
    missed = sorted(np.flatnonzero((report_of < 0) & (worth > 0)).tolist(), key=lambda thing: -worth[thing])
    for thing in missed[: max(0, room)]:
        threshold = working[CATEGORIES[run.truth.category[thing]]]
        losses.add(_why_missed(run, points, thing, float(best_score[thing]), threshold), float(worth[thing]))
    _reports_for_nothing(losses, run, points)
    losses.add("time", -points.time_cost)
    rest = points.possible - points.earned - sum(losses.points.values())
    if rest > _REST_POINTS:  # few reports were spent on things that earn less than the best ones
        losses.add("report_limit", rest)
    return losses


def _best_count(worth: NDArray[np.float64], possible: float) -> int:
    """How many things the best possible hand-in holds."""
    values = np.sort(worth[worth > 0])[::-1]
    return int(np.searchsorted(np.cumsum(values), possible - _REST_POINTS)) + 1 if len(values) else 0


def _reported_thing(losses: Losses, run: RunCase, points: RunPoints, thing: int, report: int) -> None:
    shortfall = (points.part_possible[:, thing] - points.part[:, thing]).tolist()
    lost: dict[str, float] = dict(zip(PARTS, shortfall, strict=True))
    losses.add("place", lost["place"])
    truth, read = run.truth.attributes[thing], run.reports.attributes[report]
    wrong = [attribute for j, attribute in enumerate(ATTRIBUTES) if truth[j] >= 0 and read[j] != truth[j]]
    for attribute in wrong:
        # The bonus for all four is lost to whatever was misread, in equal parts.
        losses.add(f"misread_{attribute}", lost[attribute] + lost["all_four"] / len(wrong))
    delivers, fits = run.reports.delivers[report], run.reports.fits[report, thing]
    losses.add("wrong_match" if delivers else "held" if fits else "not_matched", lost["delivery"])


def _reports_for_nothing(losses: Losses, run: RunCase, points: RunPoints) -> None:
    for report in range(len(points.object_of)):
        cause = "false_report"
        if points.duplicate[report]:
            cause = "duplicate"
        elif run.reports.seen_on[report].any():
            cause = "misplaced"
        losses.add(cause, -float(points.idle_cost[report]))
        thing = points.object_of[report]
        counted_already = thing >= 0 and points.part_possible[-1, thing] > points.part[-1, thing]
        losses.add("wrong_match", -float(points.delivery_cost[report]), count=0 if counted_already else 1)


def _why_missed(run: RunCase, points: RunPoints, thing: int, best_score: float, working: float) -> str:
    if np.isnan(best_score):
        return "not_seen"
    finds = np.flatnonzero(run.reports.seen_on[:, thing] & (run.reports.category == run.truth.category[thing]))
    if not len(finds):
        return "below_confidence" if best_score < working else "lost_in_fusing"
    if not points.handed_in[finds].any():
        return "report_limit"
    return "merged" if (points.object_of[finds] >= 0).any() else "misplaced"
