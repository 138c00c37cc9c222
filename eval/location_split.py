"""Where the metres come from: pixels, height, attitude, heading, clock, position.

The part of the pixels is seen directly: the sighting's centre against the true box's centre, both put on the ground through the
same recorded pose. The rest is what the pose did. It is shared among the sources by their best linear prediction from normal
errors of the stated spread (A. Goldberger, J. American Statistical Association 57 (1962), 369-375): an error of height pushes
everything outwards from below the camera, one of heading turns it, one of the clock shifts it along the track. Height, heading,
clock and position err alike over a run, attitude anew in each frame. What no source explains is "rest". Sources that push
alike cannot be told apart by any arithmetic and share what they could both have done.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from eval.judgement import Judgement
from eval.runs import seconds_of
from mission.camera import View, ground_from_pixels

Floats = NDArray[np.float64]

#: Spread taken where the frames do not state it: position [m], attitude [deg], heading [deg]; of the height [m], the clock [s],
#: and of what no source explains [m].
POSITION_M, ATTITUDE_DEG, HEADING_DEG = 1.0, 1.0, 2.0
HEIGHT_M, CLOCK_S, REST_M = 1.0, 0.3, 0.1
#: More sightings of a run than this add nothing but time.
MOST_OF_A_RUN = 150
SOURCES = ("pixels", "height", "attitude", "heading", "clock", "position", "rest")
_STEP = 1e-3


def location_split(judgement: Judgement) -> dict[str, Any] | None:
    """RMS [m] over sightings of each source's part; None where no sighting on a thing has pose and place."""
    parts = [_split_run(judgement, rows) for rows in _rows_by_run(judgement)]
    parts = [part for part in parts if part is not None]
    if not parts:
        return None
    table = np.concatenate(parts, axis=1)  # [sources, n, 2]
    rms = np.sqrt((table**2).sum(axis=-1).mean(axis=1))
    return {**{name: float(value) for name, value in zip(SOURCES, rms)}, "n": table.shape[1]}


def _rows_by_run(judgement: Judgement) -> list[NDArray[np.int64]]:
    """Places in the matches of the sightings on things, at the working confidence, run by run."""
    case, matches = judgement.case, judgement.matches
    working = np.array([judgement.working[name] for name in case.categories])
    strong = np.flatnonzero(matches.true() & (matches.det_score >= working[matches.det_category]))
    names = [case.frames[frame].mission_run or f"frame {frame}" for frame in matches.det_frame[strong]]
    groups: dict[str, list[int]] = {}
    for place, name in zip(strong.tolist(), names):
        groups.setdefault(name, []).append(place)
    return [np.array(group[:MOST_OF_A_RUN]) for group in groups.values()]


def _split_run(judgement: Judgement, places: NDArray[np.int64]) -> Floats | None:
    """Parts [sources, n, 2] of the errors of one run's sightings."""
    case, matches = judgement.case, judgement.matches
    velocity = _velocity(judgement, int(matches.det_frame[places[0]]))
    rows: list[tuple[int, Floats, Floats, Floats]] = []
    for place in places.tolist():
        frame = int(matches.det_frame[place])
        view, thing = case.frames[frame].view, case.things[int(matches.det_object[0, 0, place])]
        if view is None or thing.ground_enu_m is None:
            continue
        seen = _centre(case.sightings[int(matches.det_row[place])].bbox_px)
        there = _centre(thing.bbox_px)
        ground = ground_from_pixels(view, np.stack([seen, there]))[:, :2]
        if np.isfinite(ground).all():
            pose = ground[1] - np.array(thing.ground_enu_m[:2])
            rows.append((frame, ground[0] - ground[1], pose, _pushes(view, there, velocity)))
    if not rows:
        return None
    frame = np.array([row[0] for row in rows])
    pixels, pose = (np.stack([row[i] for row in rows]) for i in (1, 2))
    shares = _predicted(frame, pose, np.stack([row[3] for row in rows]))
    return np.concatenate([pixels[None], shares])


def _centre(box_px: tuple[float, float, float, float]) -> Floats:
    x, y, w, h = box_px
    return np.array([x + w / 2, y + h / 2])


def _pushes(view: View, pixel: Floats, velocity_mps: Floats | None) -> Floats:
    """How far [2, 7] one spread of height, pitch, roll, heading, clock, and position east and north pushes the place."""
    east, north, up = view.position_enu_m
    sigma = view.sigma
    position = POSITION_M if sigma is None else sigma.position_m
    attitude = ATTITUDE_DEG if sigma is None else sigma.attitude_deg
    heading = HEADING_DEG if sigma is None else sigma.heading_deg
    changes: list[tuple[Callable[[float], View], float]] = [
        (lambda s: replace(view, position_enu_m=(east, north, up + s)), HEIGHT_M),
        (lambda s: replace(view, pitch_deg=view.pitch_deg + s), attitude),
        (lambda s: replace(view, roll_deg=view.roll_deg + s), attitude),
        (lambda s: replace(view, heading_deg=view.heading_deg + s), heading),
    ]
    here = ground_from_pixels(view, pixel[None])[0, :2]
    pushes = [
        (ground_from_pixels(change(_STEP), pixel[None])[0, :2] - here) / _STEP * spread for change, spread in changes
    ]
    clock = np.zeros(2) if velocity_mps is None else velocity_mps * CLOCK_S
    return np.stack([*pushes, clock, np.array([position, 0.0]), np.array([0.0, position])], axis=1)


def _velocity(judgement: Judgement, frame: int) -> Floats | None:
    """Mean ground velocity [m/s] of the run that a frame belongs to; None without times."""
    name = judgement.case.frames[frame].mission_run
    views = [f.view for f in judgement.case.frames if f.view is not None and f.mission_run == name]
    timed = [(time, view) for view in views if (time := seconds_of(view.time)) is not None]
    if name is None or len(timed) < 2:
        return None
    timed.sort(key=lambda item: item[0])
    span = timed[-1][0] - timed[0][0]
    apart = np.subtract(timed[-1][1].position_enu_m[:2], timed[0][1].position_enu_m[:2])
    return apart / span if span > 0 else None


def _predicted(frame: NDArray[np.int64], pose: Floats, pushes: Floats) -> Floats:
    """Parts [6, n, 2] (height, attitude, heading, clock, position, rest) of the pose errors [n, 2]."""
    count = len(pose)
    flat = pushes.reshape(2 * count, -1)  # rows: east and north of each sighting
    same_frame = np.kron(frame[:, None] == frame[None], np.ones((2, 2)))
    columns = {"height": [0], "attitude": [1, 2], "heading": [3], "clock": [4], "position": [5, 6]}
    kernels = []
    for name, chosen in columns.items():
        kernel = flat[:, chosen] @ flat[:, chosen].T
        kernels.append(kernel * same_frame if name == "attitude" else kernel)
    kernels.append(REST_M**2 * np.eye(2 * count))
    weight = np.linalg.solve(np.sum(kernels, axis=0), pose.reshape(-1))
    return np.stack([(kernel @ weight).reshape(count, 2) for kernel in kernels])
