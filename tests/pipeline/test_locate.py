"""Places on the ground and their uncertainty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mission.camera import Camera, PoseSigma, View, ground_from_pixels, pixels_from_ground
from pipeline.locate import ASSUMED_SIGMA, ellipse_95_m, locate_boxes, locate_pixels, parallax_covariance_m2

CAMERA = Camera(5520, 3680, 23.184, 15.456, 35.0, distortion=(-0.05, 0.01, 0.0005, -0.0003, 0.0))
VIEW = View(CAMERA, (12.0, -7.0, 120.0), 37.0, 8.0, -5.0, sigma=PoseSigma(0.8, 0.7, 2.0))


def monte_carlo(view: View, pixel: np.ndarray, pixel_sigma: float, draws: int, seed: int) -> np.ndarray:
    """The slow twin: move pixel and pose at random, project each by itself."""
    assert view.sigma is not None
    rng = np.random.default_rng(seed)
    points = []
    for _ in range(draws):
        position = np.asarray(view.position_enu_m) + rng.normal(0, view.sigma.position_m, 3)
        moved = replace(
            view,
            position_enu_m=(position[0], position[1], position[2]),
            heading_deg=view.heading_deg + rng.normal(0, view.sigma.heading_deg),
            pitch_deg=view.pitch_deg + rng.normal(0, view.sigma.attitude_deg),
            roll_deg=view.roll_deg + rng.normal(0, view.sigma.attitude_deg),
        )
        points.append(ground_from_pixels(moved, pixel + rng.normal(0, pixel_sigma, 2))[:2])
    return np.cov(np.array(points).T)


@pytest.mark.parametrize("pixel", [(2760.0, 1840.0), (100.0, 150.0), (5400.0, 3600.0)])
def test_covariance_agrees_with_a_monte_carlo_of_pose_and_pixel(pixel):
    point = np.array(pixel)
    claimed = locate_pixels(replace(VIEW, camera=replace(CAMERA, distortion=None)), point[None], np.array([6.0]))
    drawn = monte_carlo(replace(VIEW, camera=replace(CAMERA, distortion=None)), point, 6.0, 6000, seed=1)
    # 6000 draws: the standard error of a variance is 1.8 %, so 4 of them and a little for the second order.
    assert np.allclose(claimed.covariance_m2[0], drawn, atol=0.09 * np.trace(drawn) / 2)


def test_places_agree_with_the_projection_and_shared_part_is_the_position():
    ground = np.array([[10.0, 5, 0], [-8, -20, 0], [30, 12, 0]])
    located = locate_pixels(VIEW, pixels_from_ground(VIEW, ground), np.ones(3))
    assert np.allclose(located.ground_enu_m, ground, atol=1e-6)
    rest = located.covariance_m2 - located.shared_m2
    assert (np.linalg.eigvalsh(rest) > 0).all()
    # A camera recorded 1 m off along east and north moves every place by as much; height adds on top off the nadir.
    assert (np.linalg.eigvalsh(located.shared_m2) >= 0.8**2 - 1e-6).all()


def test_a_pose_without_errors_gets_assumed_ones():
    box = np.array([[100.0, 100, 160, 160]])
    bare = locate_boxes(replace(VIEW, sigma=None), box, np.array([False]))
    assumed = locate_boxes(replace(VIEW, sigma=ASSUMED_SIGMA), box, np.array([False]))
    assert np.array_equal(bare.covariance_m2, assumed.covariance_m2)


def test_above_the_horizon_there_is_no_place():
    level = replace(VIEW, pitch_deg=85.0, roll_deg=0.0)
    located = locate_boxes(level, np.array([[100.0, 10, 160, 50]]), np.array([False]))
    assert np.isnan(located.ground_enu_m).all() and np.isnan(located.covariance_m2).all()


def test_no_boxes_give_no_places():
    located = locate_boxes(VIEW, np.zeros((0, 4)), np.zeros(0, dtype=bool))
    assert located.ground_enu_m.shape == (0, 3) and located.covariance_m2.shape == (0, 2, 2)


def test_a_person_is_less_sure_off_the_nadir_along_the_line_of_sight():
    nadir = replace(VIEW, pitch_deg=0.0, roll_deg=0.0, position_enu_m=(0.0, 0.0, 50.0))
    points = np.array([[0.0, 0, 0], [30, 0, 0]])
    added = parallax_covariance_m2(nadir, points)
    assert np.allclose(added[0], 0)
    # Similar triangles: a point at 0.875 m seen from 50 m, 30 m off, lands 30 * 0.875 / 49.125 m too far out.
    assert added[1] == pytest.approx(np.array([[(30 * 0.875 / 49.125) ** 2, 0], [0, 0]]))


def test_the_95_percent_ellipse_holds_95_percent():
    covariance = np.array([[4.0, 1.5], [1.5, 1.0]])
    major, minor, bearing = ellipse_95_m(covariance)
    rng = np.random.default_rng(2)
    draws = rng.multivariate_normal([0, 0], covariance, 40_000)
    turn = np.radians(bearing)
    along = draws @ np.array([np.sin(turn), np.cos(turn)])
    across = draws @ np.array([np.cos(turn), -np.sin(turn)])
    inside = (along / major) ** 2 + (across / minor) ** 2 <= 1
    assert inside.mean() == pytest.approx(0.95, abs=0.005)
