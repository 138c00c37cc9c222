"""The imaging brief: what a mission's camera will see of the ground and of its panels, and what will not work.

Numbers only; the command prints them. Everything holds for flat ground and the height, speed and shutter of the mission
file; where the camera is tilted the coarsest corner of the frame is given beside the centre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mission.camera import footprint_enu_m, ground_sample_distance_m
from mission.imaging import (
    frames_per_lane,
    height_for_gsd_m,
    iso_needed,
    lanes_needed,
    mark_room,
    nadir_footprint_m,
    smear_px,
    station_spacing_m,
)
from mission.mission_file import Mission

# Below these a panel or its mark is hardly read, by models or by people. Johnson (1958) asks 6.4 cycles, 12.8 pixels,
# across the smaller side for identification at even odds (AD220160); a mark fills about half of a panel, hence 24.
LEAST_PANEL_PX = 24.0
# A stroke thinner than three pixels has no pixel of its own colour (Nyquist asks two; demosaicing and blur take one more).
LEAST_STROKE_PX = 3.0
# One pixel of smear leaves 64 % of the contrast at the Nyquist frequency (sinc of half a pixel; 2 / pi).
MOST_SMEAR_PX = 1.0


@dataclass(frozen=True)
class ShapeRoom:
    """What one shape leaves for its mark; pixel pairs are for the smallest and the largest panel.

    ``room_share`` is the diameter of the largest circle inside the shape as a share of the panel's size: the highest
    mark that has room at any turn. ``mark_share`` is the least mark that the mission allows, or the room if that is less.
    """

    shape: str
    room_share: float
    mark_share: float
    mark_px: tuple[float, float]
    stroke_px: tuple[float, float]


@dataclass(frozen=True)
class ImagingBrief:
    """All figures of one mission's brief. Pairs are (across, along) or (smallest, largest panel) as named.

    ``imaging_time_s`` is the time over the search area with the shutter running and nothing else.
    ``height_for_all_m`` is the height at which the smallest panel of the tightest shape reaches both least values.
    """

    name: str
    height_m: float
    gsd_m: float
    gsd_coarsest_m: float | None
    footprint_m: tuple[float, float]
    panel_px: tuple[float, float]
    shapes: tuple[ShapeRoom, ...]
    smear_px: float
    iso: float
    lane_spacing_m: float
    frame_spacing_m: float
    trigger_interval_s: float
    lanes: int
    frames: int
    imaging_time_s: float
    height_for_all_m: float
    warnings: tuple[str, ...]


def imaging_brief(mission: Mission) -> ImagingBrief:
    """Work out the brief of one mission."""
    camera, flight, site = mission.camera.as_camera(), mission.flight, mission.site
    view = mission.view_at(0, 0)
    tilted = bool(flight.pitch_deg or flight.roll_deg)
    gsd_m = ground_sample_distance_m(view)
    across_m, along_m = nadir_footprint_m(camera, flight.height_m)
    lane_spacing_m = station_spacing_m(across_m, flight.side_overlap)
    frame_spacing_m = station_spacing_m(along_m, flight.forward_overlap)
    lanes = lanes_needed(site.area_width_m, across_m, lane_spacing_m)
    shapes = tuple(shape_room(mission, shape, gsd_m) for shape in mission.panels.shapes)
    brief = ImagingBrief(
        name=mission.name,
        height_m=flight.height_m,
        gsd_m=gsd_m,
        gsd_coarsest_m=_coarsest_corner_m(mission) if tilted else None,
        footprint_m=(across_m, along_m),
        panel_px=(mission.panels.size_smallest_m / gsd_m, mission.panels.size_largest_m / gsd_m),
        shapes=shapes,
        smear_px=smear_px(flight.speed_mps, flight.shutter_s, gsd_m),
        iso=iso_needed(mission.camera.f_number, flight.shutter_s, site.light_ev100),
        lane_spacing_m=lane_spacing_m,
        frame_spacing_m=frame_spacing_m,
        trigger_interval_s=frame_spacing_m / flight.speed_mps,
        lanes=lanes,
        frames=lanes * frames_per_lane(site.area_length_m, frame_spacing_m),
        imaging_time_s=lanes * site.area_length_m / flight.speed_mps,
        height_for_all_m=_height_for_all_m(mission),
        warnings=(),
    )
    return ImagingBrief(**{**vars(brief), "warnings": tuple(_warnings(mission, brief))})


def shape_room(mission: Mission, shape: str, gsd_m: float) -> ShapeRoom:
    """Pixels across the least mark that the mission allows, and across its stroke, on one shape."""
    panels = mission.panels
    room = mark_room(panels.vocabulary.outline(shape))
    share = min(panels.mark_share_min, room)
    sizes_px = [size_m / gsd_m for size_m in panels.size_m]
    marks_px = (share * sizes_px[0], share * sizes_px[1])
    strokes_px = (marks_px[0] * panels.stroke_share_min, marks_px[1] * panels.stroke_share_min)
    return ShapeRoom(shape, room, share, marks_px, strokes_px)


def exposure_problem(mission: Mission, iso: float | None = None) -> str | None:
    """Why the mission's shutter cannot be had in its light with its camera; None where it can."""
    camera, flight, site = mission.camera, mission.flight, mission.site
    if flight.shutter_s < camera.shutter_fastest_s * (1 - 1e-9):
        return f"the camera's fastest shutter is {_shutter(camera.shutter_fastest_s)}"
    if flight.shutter_s > camera.shutter_slowest_s * (1 + 1e-9):
        return f"the camera's slowest shutter is {_shutter(camera.shutter_slowest_s)}"
    needed = iso_needed(camera.f_number, flight.shutter_s, site.light_ev100) if iso is None else iso
    light = f"f/{camera.f_number:g} in light of EV {site.light_ev100:g}"
    if needed > camera.iso_highest * 1.001:
        return f"{light} would take ISO {needed:.0f} and the camera ends at {camera.iso_highest:.0f}: too dark"
    if needed < camera.iso_lowest / 1.001:
        return f"{light} would take ISO {needed:.0f} and the camera begins at {camera.iso_lowest:.0f}: too bright"
    return None


def _height_for_all_m(mission: Mission) -> float:
    """Height at which the smallest panel and the thinnest stroke of the tightest shape are just enough."""
    panels = mission.panels
    tightest = min(mark_room(panels.vocabulary.outline(shape)) for shape in panels.shapes)
    stroke_m = panels.size_smallest_m * min(panels.mark_share_min, tightest) * panels.stroke_share_min
    gsd_m = min(panels.size_smallest_m / LEAST_PANEL_PX, stroke_m / LEAST_STROKE_PX)
    return height_for_gsd_m(mission.camera.as_camera(), gsd_m)


def _coarsest_corner_m(mission: Mission) -> float:
    """Coarsest ground sample distance of the frame's corners [m]; infinite where one looks past the horizon."""
    view = mission.view_at(0, 0)
    if np.isnan(footprint_enu_m(view)).any():
        return math.inf
    width, height = view.camera.image_width_px, view.camera.image_height_px
    corners = [(x, y) for x in (0.5, width - 0.5) for y in (0.5, height - 0.5)]
    return max(ground_sample_distance_m(view, corner) for corner in corners)


def _warnings(mission: Mission, brief: ImagingBrief) -> list[str]:
    flight, camera = mission.flight, mission.camera
    found: list[str] = []
    if flight.height_m > flight.height_limit_m:
        found.append(
            f"The height of {flight.height_m:.0f} m is above the limit of {flight.height_limit_m:.0f} m: fly lower."
        )
    if mission.flight.pitch_deg or mission.flight.roll_deg:
        found.append(_tilt_warning(brief))
    found += _legibility_warnings(mission, brief)
    if brief.smear_px > MOST_SMEAR_PX:
        speed_mps = MOST_SMEAR_PX * brief.gsd_m / flight.shutter_s
        found.append(
            f"The ground smears over {brief.smear_px:.1f} px while the shutter is open: fly at {speed_mps:.1f} m/s"
            f" or less, or close the shutter after {_shutter(brief.gsd_m / flight.speed_mps)}."
        )
    problem = exposure_problem(mission, brief.iso)
    if problem:
        found.append(f"The shutter of {_shutter(flight.shutter_s)} is not possible: {problem}.")
    if brief.trigger_interval_s < camera.trigger_interval_fastest_s:
        speed_mps = brief.frame_spacing_m / camera.trigger_interval_fastest_s
        found.append(
            f"The overlap asks for a frame every {brief.trigger_interval_s:.2f} s and the camera needs"
            f" {camera.trigger_interval_fastest_s:.2f} s: fly at {speed_mps:.1f} m/s or less, or overlap less."
        )
    return found


def _tilt_warning(brief: ImagingBrief) -> str:
    if brief.gsd_coarsest_m is None or not math.isfinite(brief.gsd_coarsest_m):
        return "The camera is tilted so far that part of the frame looks past the horizon."
    return (
        f"The camera is tilted: the ground sample distance grows to {brief.gsd_coarsest_m * 100:.2f} cm in a corner,"
        " and footprint, lanes and times are those of a camera that looks straight down."
    )


def _legibility_warnings(mission: Mission, brief: ImagingBrief) -> list[str]:
    panels = mission.panels
    found = []
    if brief.panel_px[0] < LEAST_PANEL_PX:
        lower_m = height_for_gsd_m(mission.camera.as_camera(), panels.size_smallest_m / LEAST_PANEL_PX)
        found.append(
            f"The smallest panel ({panels.size_smallest_m:.2f} m) is {brief.panel_px[0]:.0f} px across, below"
            f" {LEAST_PANEL_PX:.0f}: fly at {lower_m:.0f} m or lower, or lay larger panels."
        )
    thin = [room for room in brief.shapes if room.stroke_px[0] < LEAST_STROKE_PX]
    if thin:
        worst = min(thin, key=lambda room: room.stroke_px[0])
        enough_m = panels.size_smallest_m * LEAST_STROKE_PX / worst.stroke_px[0]
        found.append(
            f"The thinnest stroke allowed on the smallest panels is {worst.stroke_px[0]:.1f} px wide ({worst.shape}), and"
            f" below {LEAST_STROKE_PX:.0f} px on {len(thin)} of {len(brief.shapes)} shapes: expect misread marks. Fly at"
            f" {brief.height_for_all_m:.0f} m or lower, lay panels of {enough_m:.2f} m or more, or paint bolder marks."
        )
    return found


def _shutter(seconds: float) -> str:
    return f"1/{1 / seconds:.0f} s" if seconds < 0.5 else f"{seconds:.1f} s"
