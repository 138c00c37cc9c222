"""Batched views against mission.camera, and homographies against projection itself."""

from __future__ import annotations

import numpy as np

from mission.camera import Camera, View, ground_from_pixels, pixels_from_ground, world_from_camera
from synth.projection import FITTED_AT, Views, frame_views, homographies, rotations

CAMERA = Camera(1200, 900, 6.0, 4.5, 8.0, (590.0, 455.0), (-0.1, 0.02, 0.001, -0.002, 0.0))


def test_views_project_as_the_mission_camera_does() -> None:
    rng = np.random.default_rng(0)
    for _ in range(20):
        angles = rng.uniform([0, -25, -25], [360, 25, 25])
        view = View(CAMERA, (3.0, -4.0, 40.0), *(float(a) for a in angles))
        points = np.column_stack([rng.uniform(-20, 20, (7, 2)), rng.uniform(0, 2, 7)])
        views = frame_views([view])
        assert np.allclose(
            views.project(points[None], np.zeros(1, int))[0], pixels_from_ground(view, points), atol=1e-9
        )
        pixels = rng.uniform([100, 100], [1100, 800], (5, 2))
        assert np.allclose(views.ground(pixels, np.zeros(5, int)), ground_from_pixels(view, pixels), atol=1e-7)


def test_rotations_are_the_mission_cameras() -> None:
    rng = np.random.default_rng(1)
    h, p, r = rng.uniform(-180, 180, (3, 30))
    for i, found in enumerate(rotations(h, p, r)):
        assert np.allclose(found, world_from_camera(h[i], p[i], r[i]), atol=1e-12)


def test_a_chip_is_a_window_of_its_frame() -> None:
    view = View(CAMERA, (0.0, 0.0, 30.0), 20.0, 5.0, -3.0)
    whole = frame_views([view])
    chip = Views(CAMERA, whole.rotation, whole.position, np.array([[200.0, 300.0]]), (128, 128))
    point = np.array([[[1.0, 2.0, 0.0]]])
    zero = np.zeros(1, int)
    assert np.allclose(whole.project(point, zero) - chip.project(point, zero), [200.0, 300.0])


def test_homographies_of_a_pinhole_are_exact() -> None:
    pinhole = Camera(1200, 900, 6.0, 4.5, 8.0)
    views = frame_views([View(pinhole, (0.0, 0.0, 30.0), 70.0, 20.0, -10.0)])
    rng = np.random.default_rng(2)
    along, up, origin = np.array([0.9, 0.3, 0.1]), np.array([-0.2, 0.8, 0.05]), np.array([2.0, 9.0, 0.1])
    corners = origin + FITTED_AT[:, :1] * along + FITTED_AT[:, 1:] * up
    zero = np.zeros(1, int)
    found = homographies(views.project(corners[None], zero))[0]
    plane = rng.uniform(-0.7, 0.7, (50, 2))
    px = np.column_stack([plane, np.ones(50)]) @ found.T
    world = origin + plane[:, :1] * along + plane[:, 1:] * up
    assert np.allclose(px[:, :2] / px[:, 2:], views.project(world[None], zero)[0], atol=1e-7)
