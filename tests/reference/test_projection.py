"""Projection against OpenCV's projectPoints (a reference library) and against values that follow from geometry alone."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from mission.camera import (
    Camera,
    View,
    distort,
    footprint_enu_m,
    ground_from_pixels,
    pixels_from_ground,
    undistort,
    world_from_camera,
)

# The camera of a photogrammetry vendor's published calculator sheet: 13.125 mm sensor, 15.4 mm lens, 4608 x 3456 px.
SHEET_CAMERA = Camera(4608, 3456, 13.125, 13.125 * 3456 / 4608, 15.4)
BENT = (-0.2, 0.05, 0.001, -0.002, 0.01)


def test_pixels_of_the_footprint_closed():
    """fx = 15.4 / 13.125 * 4608 = 5406.72 px; the corners of 85.2273 x 63.9205 m are the corners of the image."""
    view = View(SHEET_CAMERA, (0, 0, 100))
    assert SHEET_CAMERA.focal_px == pytest.approx((5406.72, 5406.72))
    east, north = 42.6136363636, 31.9602272727
    corners = [(-east, north, 0), (east, north, 0), (east, -north, 0), (-east, -north, 0)]
    expected = [(0, 0), (4608, 0), (4608, 3456), (0, 3456)]
    np.testing.assert_allclose(pixels_from_ground(view, corners), expected, atol=1e-6)
    np.testing.assert_allclose(footprint_enu_m(view), corners, atol=1e-9)
    np.testing.assert_allclose(pixels_from_ground(view, [0, 0, 0]), (2304, 1728))
    np.testing.assert_allclose(pixels_from_ground(view, [1, 0, 0]), (2358.0672, 1728), atol=1e-9)


def test_brown_conrady_closed():
    """f 1000, c (500, 400), k1 -0.2, k2 0.05, p1 0.001, p2 -0.002, k3 0.01: (0.1, 0.2) -> (598.912625, 598.07525) and
    (-0.3, 0.4) -> (212.915625, 782.3625); cv2.projectPoints gives the same in its order k1 k2 p1 p2 k3."""
    ideal = np.array([[0.1, 0.2], [-0.3, 0.4]])
    bent = distort(ideal, BENT) * 1000 + (500, 400)
    np.testing.assert_allclose(bent, [[598.912625, 598.07525], [212.915625, 782.3625]], atol=1e-9)
    np.testing.assert_allclose(undistort(distort(ideal, BENT), BENT), ideal, atol=1e-10)


@pytest.mark.parametrize("distortion", [None, BENT])
@pytest.mark.parametrize(
    ("heading_deg", "pitch_deg", "roll_deg"), [(0, 0, 0), (37, 0, 0), (125, 12, 0), (301, 0, -9), (212, 18, 7)]
)
def test_agrees_with_project_points(heading_deg, pitch_deg, roll_deg, distortion):
    """OpenCV counts from pixel centres, we from the image's edge: its principal point and its pixels are ours minus 0.5."""
    camera = Camera(5520, 3680, 23.184, 15.456, 35.0, (2770.0, 1821.0), distortion)
    view = View(camera, (12.0, -7.0, 95.0), heading_deg, pitch_deg, roll_deg)
    ground = np.random.default_rng(5).uniform((-20, -20, 0), (40, 20, 2), size=(60, 3))
    rotation = world_from_camera(heading_deg, pitch_deg, roll_deg).T
    translation = -rotation @ np.array(view.position_enu_m)
    fx, fy = camera.focal_px
    matrix = np.array([[fx, 0, camera.centre_px[0] - 0.5], [0, fy, camera.centre_px[1] - 0.5], [0, 0, 1]])
    expected, _ = cv2.projectPoints(
        ground, cv2.Rodrigues(rotation)[0], translation, matrix, np.array(distortion or (0.0,) * 5)
    )
    ours = pixels_from_ground(view, ground)
    np.testing.assert_allclose(ours, expected[:, 0] + 0.5, atol=1e-6)


def test_rotation_is_the_product_that_is_written_down():
    """R = Rz(-heading) diag(1, -1, -1) Rx(pitch) Ry(roll), with the elementary rotations of cv2.Rodrigues."""

    def about(axis: int, angle_deg: float) -> np.ndarray:
        return cv2.Rodrigues(np.eye(3)[axis] * math.radians(angle_deg))[0]

    for heading, pitch, roll in ((0, 0, 0), (33, 11, -6), (250, -20, 15)):
        expected = about(2, -heading) @ np.diag([1.0, -1.0, -1.0]) @ about(0, pitch) @ about(1, roll)
        np.testing.assert_allclose(world_from_camera(heading, pitch, roll), expected, atol=1e-12)


def test_signs_of_the_angles():
    """Zero: image up is north. Heading 90: image up is east. Positive pitch looks towards image up, roll towards right."""
    up_of_centre = [SHEET_CAMERA.centre_px[0], 0.0]
    east, north, _ = ground_from_pixels(View(SHEET_CAMERA, (0, 0, 100)), up_of_centre)
    assert (east, north > 0) == (pytest.approx(0, abs=1e-9), True)
    east, north, _ = ground_from_pixels(View(SHEET_CAMERA, (0, 0, 100), heading_deg=90), up_of_centre)
    assert (east > 0, north) == (True, pytest.approx(0, abs=1e-9))
    centre = SHEET_CAMERA.centre_px
    assert ground_from_pixels(View(SHEET_CAMERA, (0, 0, 100), pitch_deg=10), centre)[1] == pytest.approx(
        100 * math.tan(math.radians(10))
    )
    assert ground_from_pixels(View(SHEET_CAMERA, (0, 0, 100), roll_deg=10), centre)[0] == pytest.approx(
        100 * math.tan(math.radians(10))
    )


def test_tilted_footprint_closed():
    """Ten degrees about the short axis at 100 m: the long side's edges lie at H tan(10 +- 23.080617 deg), that is at
    +65.14098 m and -23.23507 m."""
    view = View(SHEET_CAMERA, (0, 0, 100), roll_deg=10)
    middle = SHEET_CAMERA.centre_px[1]
    right = ground_from_pixels(view, (4608, middle))
    left = ground_from_pixels(view, (0, middle))
    assert (right[0], left[0]) == pytest.approx((65.14098, -23.23507), abs=1e-5)
    # The same through OpenCV: the two ground points project onto the image's edges.
    rotation = world_from_camera(0, 0, 10)
    inverse = rotation.T
    matrix = np.array([[5406.72, 0, 2304 - 0.5], [0, 5406.72, 1728 - 0.5], [0, 0, 1]])
    points, _ = cv2.projectPoints(
        np.array([right, left]), cv2.Rodrigues(inverse)[0], -inverse @ [0.0, 0.0, 100.0], matrix, np.zeros(5)
    )
    np.testing.assert_allclose(points[:, 0, 0] + 0.5, [4608, 0], atol=1e-6)


def test_above_the_horizon_there_is_no_ground():
    view = View(SHEET_CAMERA, (0, 0, 100), pitch_deg=85)
    assert np.isnan(ground_from_pixels(view, (2304, 0))).all()
    assert np.isfinite(ground_from_pixels(view, (2304, 3456))).all()
