"""From sightings to finds: the fusing, matching and holding of one reading, without a model and without torch."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from mission.camera import Origin
from mission.errors import InputError
from mission.finds import Find, Finds
from mission.sightings import Sighting, Sightings
from mission.wanted import WantedPanel
from pipeline.assign import match_wanted
from pipeline.frames_to_read import FramesToRead, FrameToRead
from pipeline.fuse import Fused, Look, fuse
from pipeline.hold import Zone, hold
from pipeline.locate import locate_boxes


def find_objects(
    sightings: Sightings,
    source: FramesToRead,
    *,
    wanted: Mapping[str | None, Sequence[WantedPanel]] | None = None,
    zone: Zone | None = None,
) -> Finds:
    """Fuse the sightings at or above their working confidence, run by run, match them to the wanted lists and hold what must be.

    Places are taken anew from the poses; a sighting whose frame has none keeps the place that it carries, and
    without any becomes a find of its own without a place. ``wanted``: the list of each run (under None for all
    others).
    """
    chosen = _working(sightings, source)
    located = [(number, look) for number, look in chosen if isinstance(look, Look)]
    fused = fuse([look for _, look in located])
    finds = [_find(f"find-{n}", item) for n, item in enumerate(fused, start=1)]
    lone = [(number, item) for number, item in chosen if isinstance(item, _Unplaced)]
    finds += [_unplaced(f"find-{len(finds) + n}", number, item) for n, (number, item) in enumerate(lone, start=1)]
    across = {find.id: max(_side(sightings.sightings[i]) for i in find.sightings) for find in finds}
    matched = match_wanted(finds, wanted or {})
    held = hold(matched, zone or Zone(), across)
    return Finds(held, sightings.bundle, sightings.frame_set, origins_of(source.frames))


def origins_of(frames: Iterable[FrameToRead]) -> dict[str | None, Origin]:
    """The local frame of each run; InputError where the frames of one run do not share one."""
    origins: dict[str | None, Origin] = {}
    for frame in frames:
        if frame.view is None or frame.view.origin is None:
            continue
        known = origins.setdefault(frame.mission_run, frame.view.origin)
        if known != frame.view.origin:
            raise InputError(
                f"The frames of the run '{frame.mission_run}' must share one origin. Got another for {frame.file_name} instead."
            )
    return origins


@dataclass(frozen=True)
class _Unplaced:
    """A sighting that cannot be put on the ground."""

    sighting: Sighting
    category: str
    mission_run: str | None


def _working(sightings: Sightings, source: FramesToRead) -> list[tuple[int, Look | _Unplaced]]:
    """Number and place of each sighting at or above the working confidence of its category."""
    names = {number: name for name, number in source.category_ids.items()}
    frames = {frame.image_id: frame for frame in source.frames}
    by_frame: dict[int, list[int]] = {}
    for number, sighting in enumerate(sightings.sightings):
        name = names.get(sighting.category_id)
        if name is not None and sighting.score >= sightings.working_confidence[name]:
            by_frame.setdefault(sighting.image_id, []).append(number)
    chosen: list[tuple[int, Look | _Unplaced]] = []
    for image_id, numbers in sorted(by_frame.items()):
        if image_id not in frames:
            raise InputError(f"The sightings must be of frames in {source.name}. Got one of frame {image_id} instead.")
        members = [(n, sightings.sightings[n]) for n in numbers]
        chosen += _placed(members, [names[s.category_id] for _, s in members], frames[image_id])
    return chosen


def _placed(
    members: list[tuple[int, Sighting]], categories: list[str], frame: FrameToRead
) -> list[tuple[int, Look | _Unplaced]]:
    boxes = np.array([corners(s.bbox_px) for _, s in members])
    if frame.view is not None:
        located = locate_boxes(frame.view, boxes, np.array([name == "person" for name in categories]))
        places, covariances, shared = located.ground_enu_m[:, :2], located.covariance_m2, located.shared_m2
    else:
        places = np.array([_or_nan(s.ground_enu_m, 3) for _, s in members])[:, :2]
        covariances = np.array([_or_nan(s.ground_covariance_m2, (2, 2)) for _, s in members])
        shared = np.zeros_like(covariances)
    result: list[tuple[int, Look | _Unplaced]] = []
    for (number, sighting), name, box, place, covariance, common in zip(
        members, categories, boxes, places, covariances, shared, strict=True
    ):
        if not (np.isfinite(place).all() and np.isfinite(covariance).all() and np.linalg.det(covariance) > 0):
            result.append((number, _Unplaced(sighting, name, frame.mission_run)))
            continue
        x0, y0, x1, y1 = (float(v) for v in box)
        tables = sighting.attributes
        look = Look(
            number,
            frame.image_id,
            frame.mission_run,
            name,
            sighting.score,
            (x0, y0, x1, y1),
            place,
            covariance,
            common,
            tables,
        )
        result.append((number, look))
    return result


def _or_nan(values: object, shape: int | tuple[int, int]) -> np.ndarray:
    return np.full(shape, np.nan) if values is None else np.array(values, dtype=float)


def corners(bbox_px: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """(x0, y0, x1, y1) of COCO's [x, y, w, h]."""
    x, y, w, h = bbox_px
    return x, y, x + w, y + h


def _side(sighting: Sighting) -> float:
    return max(sighting.bbox_px[2:])


def _find(name: str, fused: Fused) -> Find:
    east, north = (float(v) for v in fused.place_m)
    (ee, en), (ne, nn) = ((float(v) for v in row) for row in fused.covariance_m2)
    return Find(
        name,
        fused.category,
        fused.score,
        fused.mission_run,
        (round(east, 3), round(north, 3), 0.0),
        ((ee, en), (ne, nn)),
        _rounded(fused.attributes),
        tuple(sorted(look.sighting for look in fused.looks)),
    )


def _unplaced(name: str, number: int, item: _Unplaced) -> Find:
    tables = _rounded(item.sighting.attributes)
    return Find(name, item.category, item.sighting.score, item.mission_run, None, None, tables, (number,))


def _rounded(tables: Mapping[str, Mapping[str, float]]) -> dict[str, dict[str, float]]:
    """Probabilities to four places, the likeliest first."""
    return {
        attribute: {v: round(p, 4) for v, p in sorted(table.items(), key=lambda item: (-item[1], item[0]))}
        for attribute, table in tables.items()
    }
