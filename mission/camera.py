"""Camera and pose: ground to pixels and back.

Frames of reference
-------------------
World   local east-north-up metres about the run's origin; flat ground is u = 0.
Camera  x right, y down, z forward along the optical axis.
Image   x right, y down, in pixels measured from the image's top-left *edge*: the centre of the first pixel is
        (0.5, 0.5) and a box covers [x, x + w). OpenCV counts from pixel centres: add 0.5 to its principal point.

World from camera: R = Rz(-heading) diag(1, -1, -1) Rx(pitch) Ry(roll). At zero the camera looks straight down with image
up = north. Heading is clockwise from true north; positive pitch swings the optical axis towards image up, positive roll
towards image right. Distortion is Brown-Conrady in OpenCV's order k1 k2 p1 p2 k3, mapping ideal to distorted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from mission.atomic import is_finite_number
from mission.errors import must

Array = NDArray[np.float64]
_UNDISTORT_STEPS = 60


@dataclass(frozen=True)
class Camera:
    """A pinhole camera with Brown-Conrady distortion. ``principal_point_px`` None means the image centre."""

    image_width_px: int
    image_height_px: int
    sensor_width_mm: float
    sensor_height_mm: float
    focal_length_mm: float
    principal_point_px: tuple[float, float] | None = None
    distortion: tuple[float, float, float, float, float] | None = None

    @property
    def focal_px(self) -> tuple[float, float]:
        """(fx, fy) [px]: focal length times image size over sensor size."""
        return (
            self.focal_length_mm * self.image_width_px / self.sensor_width_mm,
            self.focal_length_mm * self.image_height_px / self.sensor_height_mm,
        )

    @property
    def centre_px(self) -> tuple[float, float]:
        """Principal point [px], measured from the image's top-left edge."""
        return self.principal_point_px or (self.image_width_px / 2, self.image_height_px / 2)

    @property
    def pixel_pitch_mm(self) -> float:
        """Distance between pixel centres along the image's width [mm]."""
        return self.sensor_width_mm / self.image_width_px

    def to_json(self) -> dict[str, Any]:
        """The ``camera`` object of a frame set's view."""
        return {
            "image_width_px": self.image_width_px,
            "image_height_px": self.image_height_px,
            "sensor_width_mm": self.sensor_width_mm,
            "sensor_height_mm": self.sensor_height_mm,
            "focal_length_mm": self.focal_length_mm,
            "principal_point_px": list(self.principal_point_px) if self.principal_point_px else None,
            "distortion": list(self.distortion) if self.distortion else None,
        }


@dataclass(frozen=True)
class Origin:
    """Where a run's local frame touches the earth: WGS 84 degrees and ellipsoidal height [m]."""

    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0


@dataclass(frozen=True)
class PoseSigma:
    """Standard deviations of a recorded pose: position per axis [m], pitch and roll [deg], heading [deg]."""

    position_m: float
    attitude_deg: float
    heading_deg: float


@dataclass(frozen=True)
class View:
    """A camera at a pose: what is needed to go between pixels and the ground."""

    camera: Camera
    position_enu_m: tuple[float, float, float]
    heading_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    origin: Origin | None = None
    time: str | None = None
    sigma: PoseSigma | None = None

    def moved(self, position_enu_m: tuple[float, float, float]) -> View:
        """The same view from another position."""
        return replace(self, position_enu_m=position_enu_m)

    def to_json(self) -> dict[str, Any]:
        """The ``view`` object of an image in truth.json."""
        return {
            "camera": self.camera.to_json(),
            "position_enu_m": list(self.position_enu_m),
            "heading_deg": self.heading_deg,
            "pitch_deg": self.pitch_deg,
            "roll_deg": self.roll_deg,
            "origin": None if self.origin is None else dict(vars(self.origin)),
            "time": self.time,
            "sigma": None if self.sigma is None else dict(vars(self.sigma)),
        }


def world_from_camera(heading_deg: float, pitch_deg: float, roll_deg: float) -> Array:
    """Rotation [3, 3] that turns camera axes into east-north-up axes (see the module's head)."""
    h, p, r = (math.radians(angle) for angle in (heading_deg, pitch_deg, roll_deg))
    rz = np.array([[math.cos(h), math.sin(h), 0], [-math.sin(h), math.cos(h), 0], [0, 0, 1]])
    rx = np.array([[1, 0, 0], [0, math.cos(p), -math.sin(p)], [0, math.sin(p), math.cos(p)]])
    ry = np.array([[math.cos(r), 0, math.sin(r)], [0, 1, 0], [-math.sin(r), 0, math.cos(r)]])
    return rz @ np.diag([1.0, -1.0, -1.0]) @ rx @ ry


def distort(ideal: ArrayLike, distortion: tuple[float, ...] | None) -> Array:
    """Distorted from ideal normalised image points [..., 2] (Brown-Conrady, OpenCV's order k1 k2 p1 p2 k3)."""
    points = np.asarray(ideal, dtype=float)
    if not distortion or not any(distortion):
        return points.copy()
    k1, k2, p1, p2, k3 = distortion
    x, y = points[..., 0], points[..., 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return np.stack(
        [
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
        ],
        axis=-1,
    )


def undistort(distorted: ArrayLike, distortion: tuple[float, ...] | None) -> Array:
    """Ideal from distorted normalised image points [..., 2], by fixed-point iteration.

    Points beyond the model's fold, where no ideal point maps there, come back as NaN.
    """
    target = np.asarray(distorted, dtype=float)
    if not distortion or not any(distortion):
        return target.copy()
    ideal = target.copy()
    with np.errstate(over="ignore", invalid="ignore"):
        for _ in range(_UNDISTORT_STEPS):
            step = target - distort(ideal, distortion)
            ideal = ideal + step
        residual = np.abs(distort(ideal, distortion) - target).max(axis=-1, keepdims=True)
    return np.where(residual < 1e-9, ideal, np.nan)


def pixels_from_ground(view: View, points_enu_m: ArrayLike) -> Array:
    """Pixels [..., 2] of world points [..., 3]; NaN behind the camera. Points outside the image keep their numbers."""
    points = np.asarray(points_enu_m, dtype=float)
    rotation = world_from_camera(view.heading_deg, view.pitch_deg, view.roll_deg)
    local = (points - np.asarray(view.position_enu_m)) @ rotation  # rows times R equals R^T times columns
    depth = np.where(local[..., 2:3] > 1e-9, local[..., 2:3], np.nan)
    image = distort(local[..., :2] / depth, view.camera.distortion)
    return image * np.asarray(view.camera.focal_px) + np.asarray(view.camera.centre_px)


def rays_from_pixels(view: View, pixels: ArrayLike) -> Array:
    """Directions [..., 3] in east-north-up of the rays through pixels [..., 2] (third camera component 1, not unit)."""
    image = (np.asarray(pixels, dtype=float) - np.asarray(view.camera.centre_px)) / np.asarray(view.camera.focal_px)
    ideal = undistort(image, view.camera.distortion)
    local = np.concatenate([ideal, np.ones_like(ideal[..., :1])], axis=-1)
    return local @ world_from_camera(view.heading_deg, view.pitch_deg, view.roll_deg).T


def ground_from_pixels(view: View, pixels: ArrayLike, height_m: float = 0.0) -> Array:
    """World points [..., 3] where the rays through pixels [..., 2] meet the level plane u = height_m.

    NaN where a ray does not go down to it (at or above the horizon, or a camera below the plane).
    """
    rays = rays_from_pixels(view, pixels)
    drop = height_m - view.position_enu_m[2]
    with np.errstate(divide="ignore", invalid="ignore"):
        along = drop / rays[..., 2:3]
    along = np.where((along > 0) & np.isfinite(along), along, np.nan)
    points = np.asarray(view.position_enu_m) + along * rays
    points[..., 2] = np.where(np.isnan(points[..., 0]), np.nan, height_m)
    return points


def footprint_enu_m(view: View) -> Array:
    """Ground points [4, 3] of the image's corners: top left, top right, bottom right, bottom left (NaN past the horizon)."""
    w, h = view.camera.image_width_px, view.camera.image_height_px
    return ground_from_pixels(view, [[0, 0], [w, 0], [w, h], [0, h]])


def ground_sample_distance_m(view: View, pixel: tuple[float, float] | None = None) -> float:
    """Side [m] of the square with the ground area of one pixel, at ``pixel`` (default: the principal point)."""
    x, y = pixel or view.camera.centre_px
    corners = ground_from_pixels(view, [[x - 0.5, y - 0.5], [x + 0.5, y - 0.5], [x + 0.5, y + 0.5], [x - 0.5, y + 0.5]])
    e, n = corners[:, 0], corners[:, 1]
    return float(np.sqrt(abs(np.sum(e * np.roll(n, -1) - np.roll(e, -1) * n)) / 2))


def view_from_json(content: Any, where: str) -> View | None:
    """Read the ``view`` of an image (None where it is null); InputError naming key and place where it is malformed."""
    if content is None:
        return None
    if not isinstance(content, Mapping):
        raise must("view", "be an object or null", content, where=where)
    camera = _camera_from_json(content.get("camera"), where)
    position = _numbers(content, "position_enu_m", 3, where)
    angles = {key: _number(content, key, where) for key in ("heading_deg", "pitch_deg", "roll_deg")}
    origin = _section(
        content,
        "origin",
        {"latitude_deg": (-90, 90), "longitude_deg": (-180, 180), "height_m": (-1e4, 1e5)},
        where,
    )
    sigma = _section(
        content, "sigma", dict.fromkeys(("position_m", "attitude_deg", "heading_deg"), (0, 1000000.0)), where
    )
    time = content.get("time")
    if time is not None and not isinstance(time, str):
        raise must("view.time", "be text or null", time, where=where)
    return View(
        camera,
        (position[0], position[1], position[2]),
        **angles,
        origin=None if origin is None else Origin(**origin),
        time=time,
        sigma=None if sigma is None else PoseSigma(**sigma),
    )


def _camera_from_json(content: Any, where: str) -> Camera:
    if not isinstance(content, Mapping):
        raise must("view.camera", "be an object", content, where=where)
    sizes = {key: _number(content, key, where) for key in ("image_width_px", "image_height_px")}
    lengths = {key: _number(content, key, where) for key in ("sensor_width_mm", "sensor_height_mm", "focal_length_mm")}
    for key, value in {**sizes, **lengths}.items():
        if value <= 0:
            raise must(f"view.camera.{key}", "be positive", value, where=where)
    point = None if content.get("principal_point_px") is None else _numbers(content, "principal_point_px", 2, where)
    bend = None if content.get("distortion") is None else _numbers(content, "distortion", 5, where)
    return Camera(
        int(sizes["image_width_px"]),
        int(sizes["image_height_px"]),
        **lengths,
        principal_point_px=None if point is None else (point[0], point[1]),
        distortion=None if bend is None else (bend[0], bend[1], bend[2], bend[3], bend[4]),
    )


def _number(content: Mapping[str, Any], key: str, where: str) -> float:
    value = content.get(key)
    if not is_finite_number(value):
        raise must(f"view.{key}", "be a finite number", value, where=where)
    assert isinstance(value, int | float)
    return float(value)


def _numbers(content: Mapping[str, Any], key: str, count: int, where: str) -> list[float]:
    value = content.get(key)
    if not isinstance(value, list) or len(value) != count or not all(is_finite_number(v) for v in value):
        raise must(f"view.{key}", f"be a list of {count} finite numbers", value, where=where)
    return [float(v) for v in value]


def _section(
    content: Mapping[str, Any], key: str, ranges: dict[str, tuple[float, float]], where: str
) -> dict[str, float] | None:
    section = content.get(key)
    if section is None:
        return None
    if not isinstance(section, Mapping):
        raise must(f"view.{key}", "be an object or null", section, where=where)
    found = {name: _number(section, name, where) for name in ranges}
    for name, (low, high) in ranges.items():
        if not low <= found[name] <= high:
            raise must(f"view.{key}.{name}", f"lie in {low:g}..{high:g}", found[name], where=where)
    return found
