"""From a box in a frame to a place on the ground, with its uncertainty.

Frames of reference are those of mission.camera: image x right, y down from the image's top-left edge; world local
east-north-up metres about the run's origin, the ground being the level plane u = 0. Covariances are 2 x 2, east and
north [m^2].

The uncertainty is propagated to first order, C = J S J^T (the law of propagation of uncertainty, JCGM 100:2008
"GUM", clause 5.2 and, for several outputs, JCGM 102:2011), J being the derivative of the ground point by pixel and
pose, taken by central differences.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mission.camera import PoseSigma, View, ground_from_pixels

Array = NDArray[np.float64]

# Error of a box's centre as the place of the object: this many pixels, and this share of the box's side on top. The
# share covers that a turned triangle's centroid lies up to 0.14 of its side off the centre of its box.
CENTRE_SIGMA_PX = 1.0
CENTRE_SIGMA_SHARE = 0.06

# Where a pose comes without its errors: a single-frequency satellite receiver, a gimbal and a compass in the field
# (common practice, no source).
ASSUMED_SIGMA = PoseSigma(position_m=2.5, attitude_deg=1.0, heading_deg=3.0)

# A standing adult (common practice, no source): the centre of a person's box is the picture of a point at about half
# this height, so on the ground it lies away from the feet, on the far side from the camera.
PERSON_HEIGHT_M = 1.75

# Steps of the central differences: small against the curvature of the map, large against rounding.
_PIXEL_STEP_PX, _LENGTH_STEP_M, _ANGLE_STEP_DEG = 0.5, 0.01, 0.005


@dataclass(frozen=True)
class Located:
    """Ground places of N boxes of one frame.

    ground_enu_m [N, 3] (NaN at or above the horizon); covariance_m2 [N, 2, 2], all errors together; shared_m2 [N,
    2, 2], the part that comes from the recorded position of the camera, which the frames of one flight largely have
    in common.
    """

    ground_enu_m: Array
    covariance_m2: Array
    shared_m2: Array


def box_centres(box_px: Array) -> Array:
    """Centres [N, 2] of boxes [N, 4] (x0, y0, x1, y1)."""
    box = np.asarray(box_px, dtype=float).reshape(-1, 4)
    return (box[:, :2] + box[:, 2:]) / 2


def locate_boxes(view: View, box_px: Array, is_person: Array) -> Located:
    """Places on the ground of boxes [N, 4] (x0, y0, x1, y1) [px]; is_person bool [N] adds the error of a person's height."""
    box = np.asarray(box_px, dtype=float).reshape(-1, 4)
    centres = box_centres(box)
    side = (box[:, 2:] - box[:, :2]).max(axis=1) if len(box) else np.zeros(0)
    pixel_sigma = np.hypot(CENTRE_SIGMA_PX, CENTRE_SIGMA_SHARE * side)
    located = locate_pixels(view, centres, pixel_sigma)
    person = parallax_covariance_m2(view, located.ground_enu_m) * np.asarray(is_person, dtype=float)[:, None, None]
    return replace(located, covariance_m2=located.covariance_m2 + person)


def locate_pixels(view: View, pixels: Array, pixel_sigma: Array) -> Located:
    """Ground points of pixels [N, 2] whose x and y each have a standard deviation pixel_sigma [N] [px]."""
    points = np.asarray(pixels, dtype=float).reshape(-1, 2)
    sigma = view.sigma or ASSUMED_SIGMA
    ground = ground_from_pixels(view, points)
    by_pixel = jacobian_by_pixel(view, points)
    by_pose = jacobian_by_pose(view, points)
    own = by_pixel * np.asarray(pixel_sigma, dtype=float)[:, None, None]
    pose_sigma = np.array([sigma.position_m] * 3 + [sigma.heading_deg, sigma.attitude_deg, sigma.attitude_deg])
    pose = by_pose * pose_sigma
    shared = pose[:, :, :3] @ pose[:, :, :3].transpose(0, 2, 1)
    frame = pose[:, :, 3:] @ pose[:, :, 3:].transpose(0, 2, 1)
    return Located(ground, own @ own.transpose(0, 2, 1) + frame + shared, shared)


def jacobian_by_pixel(view: View, pixels: Array) -> Array:
    """Derivative [N, 2, 2] of (east, north) by (x, y) [m/px]."""
    columns = []
    for axis in (0, 1):
        step = np.zeros(2)
        step[axis] = _PIXEL_STEP_PX
        ahead, behind = ground_from_pixels(view, pixels + step), ground_from_pixels(view, pixels - step)
        columns.append((ahead - behind)[:, :2] / (2 * _PIXEL_STEP_PX))
    return np.stack(columns, axis=-1)


def jacobian_by_pose(view: View, pixels: Array) -> Array:
    """Derivative [N, 2, 6] of (east, north) by (e, n, u [m], heading, pitch, roll [deg]) of the camera."""
    columns = []
    for axis in range(3):
        step = np.zeros(3)
        step[axis] = _LENGTH_STEP_M
        position = np.asarray(view.position_enu_m)
        columns.append(_slope([view.moved(_triple(position + s * step)) for s in (1, -1)], pixels, _LENGTH_STEP_M))
    for angle in ("heading_deg", "pitch_deg", "roll_deg"):
        turned = [replace(view, **{angle: getattr(view, angle) + s * _ANGLE_STEP_DEG}) for s in (1, -1)]
        columns.append(_slope(turned, pixels, _ANGLE_STEP_DEG))
    return np.stack(columns, axis=-1)


def _slope(views: list[View], pixels: Array, step: float) -> Array:
    ahead, behind = (ground_from_pixels(view, pixels)[:, :2] for view in views)
    return (ahead - behind) / (2 * step)


def _triple(values: Array) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def parallax_covariance_m2(view: View, ground_enu_m: Array) -> Array:
    """Covariance [N, 2, 2] that a person's height adds to ground points [N, 3].

    A point at height h above the ground, seen from height H at the horizontal distance r from the nadir, is
    projected r h / (H - h) too far from the nadir. The centre of a box is taken at h = PERSON_HEIGHT_M / 2 if the
    person stands, at 0 if they lie; the posture is not known, so the whole shift counts as one standard deviation.
    """
    offset = np.asarray(ground_enu_m, dtype=float)[:, :2] - np.asarray(view.position_enu_m[:2])
    height = PERSON_HEIGHT_M / 2
    clearance = max(view.position_enu_m[2] - height, 0.1)
    shift = offset * (height / clearance)
    return shift[:, :, None] * shift[:, None, :]


# 95 % point of the chi-square distribution with two degrees of freedom: -2 ln 0.05 (closed form).
CHI_SQUARE_2_95 = -2.0 * float(np.log(0.05))


def ellipse_95_m(covariance_m2: Array) -> tuple[float, float, float]:
    """The ellipse that holds the place with probability 0.95: semi-axes (major, minor) [m], bearing of the major one [deg]."""
    values, vectors = np.linalg.eigh(np.asarray(covariance_m2, dtype=float))
    minor, major = np.sqrt(CHI_SQUARE_2_95 * np.clip(values, 0.0, None))
    east, north = vectors[:, 1]
    return float(major), float(minor), float(np.degrees(np.arctan2(east, north)) % 180.0)
