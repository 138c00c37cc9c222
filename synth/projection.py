"""Views of many pictures at once: from world points to pixels, and from flat things to their homographies.

Frames of reference are those of mission.camera. A chip is a window of a frame: its pixels count from its own top-left
corner, ``corner_px`` away from the frame's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mission.camera import Camera, View, distort, undistort, world_from_camera

Array = NDArray[Any]
Index = NDArray[Any]


@dataclass(frozen=True)
class Views:
    """B pictures of one camera. ``rotation`` [B, 3, 3] world from camera, ``position`` [B, 3], ``corner_px`` [B, 2]."""

    camera: Camera
    rotation: Array
    position: Array
    corner_px: Array
    size_px: tuple[int, int]
    """Height and width of each picture."""

    def __len__(self) -> int:
        return len(self.rotation)

    def project(self, points: Array, picture: Index) -> Array:
        """Pixels [N, K, 2] of world points [N, K, 3] in pictures [N]; NaN behind the camera."""
        local = (points - self.position[picture][:, None]) @ self.rotation[picture]
        depth = np.where(local[..., 2:] > 1e-6, local[..., 2:], np.nan)
        image = distort(local[..., :2] / depth, self.camera.distortion)
        image = image * np.asarray(self.camera.focal_px) + np.asarray(self.camera.centre_px)
        return image - self.corner_px[picture][:, None]

    def ground(self, pixels: Array, picture: Index) -> Array:
        """World points [N, 3] on u = 0 seen at pixels [N, 2] of pictures [N]."""
        image = pixels + self.corner_px[picture] - np.asarray(self.camera.centre_px)
        ideal = undistort(image / np.asarray(self.camera.focal_px), self.camera.distortion)
        ray = np.concatenate([ideal, np.ones_like(ideal[:, :1])], axis=1)
        ray = (self.rotation[picture] @ ray[..., None])[..., 0]
        points = self.position[picture] - ray * (self.position[picture][:, 2:] / ray[:, 2:])
        points[:, 2] = 0.0
        return points

    def px_per_m(self, points: Array, picture: Index) -> Array:
        """Pixels to a metre [N] across the line of sight at world points [N, 3]."""
        depth = ((points - self.position[picture])[:, None] @ self.rotation[picture])[:, 0, 2]
        return float(np.mean(self.camera.focal_px)) / np.maximum(depth, 1e-3)

    def in_camera(self, vectors: Array, picture: Index) -> Array:
        """World directions [N, 3] in camera axes (x right, y down, z away from the camera)."""
        return (vectors[:, None] @ self.rotation[picture])[:, 0]


def frame_views(views: Sequence[View]) -> Views:
    """Whole frames of one camera."""
    camera = views[0].camera
    return Views(
        camera,
        np.stack([world_from_camera(v.heading_deg, v.pitch_deg, v.roll_deg) for v in views]),
        np.array([v.position_enu_m for v in views], dtype=float),
        np.zeros((len(views), 2)),
        (camera.image_height_px, camera.image_width_px),
    )


#: Points (x, y) of a plane, in its units, at which its homography is fitted: within the shapes, because a lens bends the rest.
FITTED_AT = np.stack(np.meshgrid([-0.38, 0.0, 0.38], [-0.38, 0.0, 0.38]), axis=-1).reshape(-1, 2)


def homographies(pixels: Array) -> Array:
    """Homographies [N, 3, 3] from planes to pixels, fitted to the pixels [N, 9, 2] of the points FITTED_AT.

    Exact for a pinhole camera; where a lens bends the plane, the best fit in the sense of the direct linear transform.
    """
    count = len(pixels)
    middle = pixels[:, 4:5]  # the point (0, 0): measured from there the system is well conditioned
    scale = np.abs(pixels - middle).max(axis=(1, 2), keepdims=True) + 1e-12
    px, py = np.moveaxis((pixels - middle) / scale, 2, 0)
    x, y = FITTED_AT[:, 0], FITTED_AT[:, 1]
    system = np.zeros((count, 18, 8))
    system[:, 0::2, 0], system[:, 0::2, 1], system[:, 0::2, 2] = x, y, 1
    system[:, 1::2, 3], system[:, 1::2, 4], system[:, 1::2, 5] = x, y, 1
    system[:, 0::2, 6], system[:, 0::2, 7] = -x * px, -y * px
    system[:, 1::2, 6], system[:, 1::2, 7] = -x * py, -y * py
    target = np.stack([px, py], axis=2).reshape(count, 18, 1)
    turned = system.transpose(0, 2, 1)
    solved = np.linalg.solve(turned @ system, turned @ target)[..., 0]
    fitted = np.concatenate([solved, np.ones((count, 1))], axis=1).reshape(count, 3, 3)
    back = np.zeros((count, 3, 3))
    back[:, 0, 0] = back[:, 1, 1] = scale[:, 0, 0]
    back[:, :2, 2], back[:, 2, 2] = middle[:, 0], 1
    return back @ fitted


def lens_bends(from_px: Array, pixels: Array) -> Array:
    """What the lens leaves after the homography, as quadratics [N, 2, 6] of plane coordinates (1, x, y, x^2, xy, y^2).

    ``from_px`` [N, 3, 3] are inverse homographies, ``pixels`` [N, 9, 2] the pixels of the points FITTED_AT. Subtracting the
    quadratic from the plane coordinates that the homography gives brings them back to the true ones.
    """
    found = np.concatenate([pixels, np.ones_like(pixels[..., :1])], axis=2) @ from_px.transpose(0, 2, 1)
    error = found[..., :2] / found[..., 2:] - FITTED_AT
    return (_QUADRATIC_FIT @ error).transpose(0, 2, 1)


_X, _Y = FITTED_AT.T
_QUADRATIC_FIT = np.linalg.pinv(np.stack([np.ones(9), _X, _Y, _X * _X, _X * _Y, _Y * _Y], axis=1))


def rotations(heading_deg: Array, pitch_deg: Array, roll_deg: Array) -> Array:
    """mission.camera.world_from_camera for arrays of angles [B]: [B, 3, 3]."""
    h, p, r = (np.radians(a) for a in (heading_deg, pitch_deg, roll_deg))
    one, zero = np.ones_like(h), np.zeros_like(h)

    def stack(*entries: Array) -> Array:
        return np.stack(entries, axis=-1).reshape(-1, 3, 3)

    rz = stack(np.cos(h), np.sin(h), zero, -np.sin(h), np.cos(h), zero, zero, zero, one)
    rx = stack(one, zero, zero, zero, np.cos(p), -np.sin(p), zero, np.sin(p), np.cos(p))
    ry = stack(np.cos(r), zero, np.sin(r), zero, one, zero, -np.sin(r), zero, np.cos(r))
    return rz @ np.diag([1.0, -1.0, -1.0]) @ rx @ ry
