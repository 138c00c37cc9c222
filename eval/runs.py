"""Finds against the things on the ground, run by run: the arrays that ``eval.points`` scores.

A thing on the ground is told by its ``object`` id within its run; an annotation without one is a thing of its own. Frames
without a run are one flight each, as in fusing. A thing counts when at least one frame shows it large and plain enough.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from eval.attributes import likeliest
from eval.case import Case
from eval.matching import Matches
from eval.points import RunReports, RunTruth
from mission.errors import must
from mission.finds import Find
from mission.frame_set import Frame, Run
from mission.vocabulary import ATTRIBUTES, CATEGORIES, Vocabulary
from mission.wanted import WantedPanel

Key = tuple[str, str]


@dataclass(frozen=True)
class RunCase:
    """One run: its truth and reports as arrays, with the way back to annotations, finds and frames.

    ``rows`` [O] are the annotation rows of each thing, ``find_numbers`` [N] places in the list of finds, ``cluster`` the
    cluster of the run's first frame, ``held`` [N] finds that are held back, ``covariance_m2`` [N, 2, 2] what the finds claim
    of their place (NaN: nothing), ``duration_s`` from the first frame to the last (NaN unknown), ``on_look_alike`` [N] what
    a sighting of the find lies on, where the truth names neither panel nor person there, ``not_looked_at`` wanted panels in no
    frame.
    """

    name: str
    cluster: int
    truth: RunTruth
    reports: RunReports
    rows: tuple[tuple[int, ...], ...]
    find_numbers: tuple[int, ...]
    held: NDArray[np.bool_]
    covariance_m2: NDArray[np.float64]
    duration_s: float
    on_look_alike: tuple[str | None, ...]
    not_looked_at: int


def run_cases(
    case: Case,
    matches: Matches,
    finds: Sequence[Find],
    runs: Sequence[Run],
    *,
    where: str | Path,
    vocabulary: Vocabulary | None = None,
) -> list[RunCase]:
    """Sort frames, things and finds into runs; InputError for a find of an unknown run or with unknown sightings."""
    groups: dict[Key, list[int]] = {}
    for row, frame in enumerate(case.frames):
        key = ("frame", str(frame.id)) if frame.mission_run is None else ("run", frame.mission_run)
        groups.setdefault(key, []).append(row)
    reported = _finds_by_run(case, finds, groups, where)
    wanted = {("run", run.mission_run): run.wanted for run in runs}
    met = _objects_met(matches, len(case.sightings))
    row_of = {number: row for row, number in enumerate(case.sighting_number)}
    codes: list[dict[str, int]] = [{} for _ in ATTRIBUTES]
    cases = []
    for key, frame_rows in groups.items():
        rows = _things(case, set(frame_rows))
        numbers = reported.get(key, [])
        asked_for = [_asked(case, rows, panel) for panel in wanted.get(key, ())]
        mine = [finds[number] for number in numbers]
        cases.append(
            RunCase(
                name=key[1],
                cluster=int(case.clusters.code[frame_rows[0]]),
                truth=_truth(case, rows, asked_for, codes),
                reports=RunReports(
                    category=np.array([CATEGORIES.index(find.category) for find in mine], dtype=np.int64),
                    attributes=_read_codes(mine, codes, vocabulary),
                    ground_m=_places([find.ground_enu_m for find in mine]),
                    confidence=np.array([find.confidence for find in mine], dtype=float),
                    **_deliveries(mine, wanted.get(key, ()), asked_for, len(rows)),
                    seen_on=_seen_on(mine, rows, met, row_of),
                ),
                rows=tuple(tuple(group) for group in rows),
                find_numbers=tuple(numbers),
                held=np.array([find.held is not None for find in mine], dtype=bool),
                covariance_m2=_claims(mine),
                duration_s=_duration_s([case.frames[row] for row in frame_rows]),
                on_look_alike=tuple(_on_other(case, find, row_of) for find in mine),
                not_looked_at=sum(not fits.any() for fits in asked_for),
            )
        )
    return cases


def _claims(finds: Sequence[Find]) -> NDArray[np.float64]:
    unknown = ((np.nan, np.nan), (np.nan, np.nan))
    claims = [unknown if find.ground_covariance_m2 is None else find.ground_covariance_m2 for find in finds]
    return np.array(claims, dtype=float).reshape(-1, 2, 2)


def _on_other(case: Case, find: Find, row_of: Mapping[int, int]) -> str | None:
    """What a sighting of the find has its centre on, where the truth names something that is neither panel nor person."""
    for number in find.sightings:
        row = row_of[number]
        kind = named_at(case.frames[int(case.detections.frame[row])], case.sightings[row].bbox_px)
        if kind is not None:
            return kind
    return None


def named_at(frame: Frame, box_px: tuple[float, float, float, float]) -> str | None:
    """What, neither panel nor person, the truth names at the middle of a box; None where it names nothing."""
    x, y, w, h = box_px
    others = [(thing.category, thing.bbox_px) for thing in frame.things if thing.category not in CATEGORIES]
    others += [(thing.kind, thing.bbox_px) for thing in frame.other_things or ()]
    for kind, (left, top, wide, high) in others:
        if left <= x + w / 2 <= left + wide and top <= y + h / 2 <= top + high:
            return kind
    return None


def _duration_s(frames: Sequence[Frame]) -> float:
    """Seconds from the first frame of a run to its last; NaN where a time is unknown."""
    times = [None if frame.view is None else seconds_of(frame.view.time) for frame in frames]
    known = [time for time in times if time is not None]
    return max(known) - min(known) if len(known) == len(times) else np.nan


def seconds_of(time: str | None) -> float | None:
    """Seconds of an ISO 8601 time; None where there is none or it is not one."""
    try:
        return None if time is None else datetime.fromisoformat(time).timestamp()
    except ValueError:
        return None


def _finds_by_run(
    case: Case, finds: Sequence[Find], groups: Mapping[Key, object], where: str | Path
) -> dict[Key, list[int]]:
    frame_of = {number: case.sightings[row].image_id for row, number in enumerate(case.sighting_number)}
    found: dict[Key, list[int]] = {}
    for number, find in enumerate(finds):
        for sighting in find.sightings:
            if sighting not in frame_of:
                raise must(f"finds[{number}].sightings", "be numbers of the sightings", sighting, where=where)
        if find.mission_run is not None:
            key: Key = ("run", find.mission_run)
        else:
            key = ("frame", str(frame_of[find.sightings[0]]) if find.sightings else "")
        if key not in groups:
            raise must(f"finds[{number}].mission_run", "be a run of the frame set", find.mission_run, where=where)
        found.setdefault(key, []).append(number)
    return found


def _things(case: Case, frame_rows: set[int]) -> list[list[int]]:
    """Annotation rows of each thing on the ground of a run, in the order of the file."""
    things: dict[tuple[str, object], list[int]] = {}
    for row, thing in enumerate(case.things):
        if int(case.objects.frame[row]) in frame_rows:
            name: object = row if thing.object is None else thing.object
            things.setdefault((thing.category, name), []).append(row)
    return list(things.values())


def _truth(
    case: Case, rows: Sequence[Sequence[int]], asked_for: Sequence[NDArray[np.bool_]], codes: Sequence[dict[str, int]]
) -> RunTruth:
    attributes = np.full((len(rows), len(ATTRIBUTES)), -1)
    for i, group in enumerate(rows):
        for j, attribute in enumerate(ATTRIBUTES):
            value = _first(case.things[row].attributes.get(attribute) for row in group)
            if value is not None:
                attributes[i, j] = codes[j].setdefault(value, len(codes[j]))
    return RunTruth(
        category=np.array([CATEGORIES.index(case.things[group[0]].category) for group in rows], dtype=np.int64),
        attributes=attributes,
        ground_m=_places([_first(case.things[row].ground_enu_m for row in group) for group in rows]),
        counted=np.array([any(case.things[row].scored for row in group) for group in rows], dtype=bool),
        asked=np.any([*asked_for, np.zeros(len(rows), dtype=bool)], axis=0),
    )


def _first(values):
    return next((value for value in values if value is not None), None)


def _places(places: Sequence[tuple[float, ...] | None]) -> NDArray[np.float64]:
    return np.array([(np.nan, np.nan) if p is None else p[:2] for p in places], dtype=float).reshape(-1, 2)


def _read_codes(
    finds: Sequence[Find], codes: Sequence[dict[str, int]], vocabulary: Vocabulary | None
) -> NDArray[np.int64]:
    read = np.full((len(finds), len(ATTRIBUTES)), -1)
    for i, find in enumerate(finds):
        for j, attribute in enumerate(ATTRIBUTES):
            best = likeliest(find.attributes.get(attribute), attribute, vocabulary)
            if best is not None:
                read[i, j] = codes[j].setdefault(best[0], len(codes[j]))
    return read


def _asked(case: Case, rows: Sequence[Sequence[int]], panel: WantedPanel) -> NDArray[np.bool_]:
    """Which things [O] a wanted panel means: the one named in truth, else every panel that has what is asked for."""
    fits = np.zeros(len(rows), dtype=bool)
    for i, group in enumerate(rows):
        thing = case.things[group[0]]
        if thing.category != "panel":
            continue
        if panel.object is not None:
            fits[i] = thing.object == panel.object
        else:
            fits[i] = all(value is None or thing.attributes.get(a) == value for a, value in panel.attributes().items())
    return fits


def _deliveries(
    finds: Sequence[Find], wanted: Sequence[WantedPanel], asked_for: Sequence[NDArray[np.bool_]], things: int
) -> dict[str, NDArray[np.bool_]]:
    """Which reports stand for a delivery, and which things each would be right on; ids outside the list are not judged."""
    place = {panel.id: i for i, panel in enumerate(wanted)}
    delivers = np.array([find.wanted in place and find.held is None for find in finds], dtype=bool)
    fits = np.zeros((len(finds), things), dtype=bool)
    for i, find in enumerate(finds):
        if find.wanted is not None and find.wanted in place:
            fits[i] = asked_for[place[find.wanted]]
    return {"delivers": delivers, "fits": fits}


def _objects_met(matches: Matches, sightings: int) -> NDArray[np.int64]:
    """Annotation row that each sighting met at IoU 0.5, left-out ones included, or -1."""
    met = np.full(sightings, -1)
    met[matches.det_row] = matches.det_object[0, 0]
    return met


def _seen_on(
    finds: Sequence[Find], rows: Sequence[Sequence[int]], met: NDArray[np.int64], row_of: Mapping[int, int]
) -> NDArray[np.bool_]:
    thing_of = {row: i for i, group in enumerate(rows) for row in group}
    seen = np.zeros((len(finds), len(rows)), dtype=bool)
    for i, find in enumerate(finds):
        for number in find.sightings:
            thing = thing_of.get(int(met[row_of[number]]))
            if thing is not None:
                seen[i, thing] = True
    return seen
