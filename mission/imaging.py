"""The arithmetic of a vertical photograph: scale, footprint, smear, exposure, overlap, and the room that a shape leaves.

Pure functions of plain numbers; nothing here knows of files. Across means along the image's width, along means along its
height, which points in the direction of flight. Flat ground, camera straight down; formulas of the field's handbooks
(scale = focal length / height; ground sample distance = pixel pitch / focal length * distance).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from mission.camera import Camera

# Reflected-light meter constant K = 12.5 cd s / (m^2 ISO) puts exposure value 15 at full sun on ordinary ground (ISO 2720,
# from memory); the levels of light are common practice, no source.
LIGHT_EV100 = {
    "full sun": 15.0,
    "hazy sun": 14.0,
    "bright cloud": 13.0,
    "overcast": 12.0,
    "heavy overcast": 10.5,
}


def scale_number(focal_length_mm: float, height_m: float) -> float:
    """Denominator of the image scale 1 : n."""
    return height_m * 1000.0 / focal_length_mm


def nadir_gsd_m(camera: Camera, height_m: float) -> tuple[float, float]:
    """Ground sample distance (across, along) [m] straight below a camera at ``height_m`` above the ground."""
    fx, fy = camera.focal_px
    return height_m / fx, height_m / fy


def height_for_gsd_m(camera: Camera, gsd_m: float) -> float:
    """Height [m] above the ground at which the coarser of the two ground sample distances is ``gsd_m``."""
    return gsd_m * min(camera.focal_px)


def nadir_footprint_m(camera: Camera, height_m: float) -> tuple[float, float]:
    """Ground covered by one frame (across, along) [m]."""
    across_m, along_m = nadir_gsd_m(camera, height_m)
    return camera.image_width_px * across_m, camera.image_height_px * along_m


def field_of_view_deg(camera: Camera) -> tuple[float, float]:
    """Full angles of view (across, along) [deg] without distortion."""
    fx, fy = camera.focal_px
    return (
        math.degrees(2 * math.atan(camera.image_width_px / (2 * fx))),
        math.degrees(2 * math.atan(camera.image_height_px / (2 * fy))),
    )


def smear_px(speed_mps: float, shutter_s: float, gsd_m: float) -> float:
    """Length [px] over which the ground moves while the shutter is open."""
    return speed_mps * shutter_s / gsd_m


def iso_needed(f_number: float, shutter_s: float, light_ev100: float) -> float:
    """ISO speed for a full exposure: N^2 / t = 2^EV100 * ISO / 100 (definition of the exposure value, ISO 2720)."""
    return 100.0 * f_number**2 / (shutter_s * 2.0**light_ev100)


def station_spacing_m(footprint_m: float, overlap: float) -> float:
    """Distance [m] between neighbouring lanes (or frames) whose footprints share the fraction ``overlap``."""
    return footprint_m * (1.0 - overlap)


def lanes_needed(width_m: float, swath_m: float, spacing_m: float) -> int:
    """Fewest parallel lanes whose swaths reach from edge to edge of an area ``width_m`` wide."""
    # A hair off the quotient keeps 3.0000000001 spacings from costing a lane.
    return 1 + max(0, math.ceil((width_m - swath_m) / spacing_m - 1e-9))


def frames_per_lane(length_m: float, spacing_m: float) -> int:
    """Frames of one lane, the first and the last centred on (or beyond) the ends of ``length_m``."""
    return 1 + math.ceil(length_m / spacing_m - 1e-9)


def mark_room(outline: NDArray[np.float64]) -> float:
    """Diameter of the largest circle inside a simple polygon [n, 2], in the polygon's own unit.

    A mark no higher than this has room inside the shape at any turn, but for the tips of its corners.
    """
    from shapely import Polygon  # loaded only by the brief: drawing needs the arithmetic above without it
    from shapely.ops import polylabel

    shape = Polygon(outline)
    return 2 * shape.exterior.distance(polylabel(shape, tolerance=1e-5))
