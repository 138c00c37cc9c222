"""Fusing against outside values and libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from mission.camera import Camera, PoseSigma, View
from pipeline.fuse import GATE, READING_CORRELATION, combine, pool
from pipeline.locate import CHI_SQUARE_2_95, ellipse_95_m, locate_pixels
from pipeline.tiles import Detections, Tile, box_iou, merge_tiles


def test_gate_and_ellipse_are_the_chi_square_table():
    # Chi-square with two degrees of freedom, printed in every statistical table: 5.991 at 95 %, 13.816 at 99.9 %.
    assert pytest.approx(5.991, abs=5e-4) == CHI_SQUARE_2_95 == pytest.approx(stats.chi2.ppf(0.95, 2))
    assert pytest.approx(13.816, abs=5e-4) == GATE == pytest.approx(stats.chi2.ppf(0.999, 2))


def test_inverse_covariance_mean_is_statsmodels_fixed_effect():
    """One axis at a time the fused place is the fixed-effect mean of a meta-analysis (statsmodels combine_effects)."""
    rng = np.random.default_rng(0)
    places, variances = rng.normal(0, 1, (6, 2)), rng.uniform(0.1, 2, (6, 2))
    place, covariance = combine(places, np.array([np.diag(v) for v in variances]), np.zeros((6, 2, 2)))
    for axis in (0, 1):
        table = combine_effects(places[:, axis], variances[:, axis]).summary_frame()
        assert place[axis] == pytest.approx(table.loc["fixed effect", "eff"])
        assert np.sqrt(covariance[axis, axis]) == pytest.approx(table.loc["fixed effect", "sd_eff"])


def test_correlated_covariances_give_the_generalised_least_squares_mean():
    """Aitken's estimate as a whole: with block-diagonal errors, (X' V^-1 X)^-1 X' V^-1 y (textbook, closed form)."""
    rng = np.random.default_rng(1)
    roots = rng.normal(size=(5, 2, 2))
    covariances = roots @ roots.transpose(0, 2, 1) + 0.1 * np.eye(2)
    places = rng.normal(size=(5, 2))
    whole = np.zeros((10, 10))
    for i in range(5):
        whole[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = covariances[i]
    design, inverse = np.tile(np.eye(2), (5, 1)), np.linalg.inv(whole)
    expected_covariance = np.linalg.inv(design.T @ inverse @ design)
    expected = expected_covariance @ design.T @ inverse @ places.ravel()
    place, covariance = combine(places, covariances, np.zeros((5, 2, 2)))
    assert place == pytest.approx(expected)
    assert covariance == pytest.approx(expected_covariance)


def test_two_independent_tables_multiply_as_bayes_says():
    # Bayes with an even prior: 0.8 * 0.6 : 0.2 * 0.4 = 6 : 1 (closed form), here for readings made independent by
    # the power.
    weight = 1 + READING_CORRELATION
    tables = np.log(np.array([[0.8, 0.2], [0.6, 0.4]]))
    assert pool(weight * tables) == pytest.approx([6 / 7, 1 / 7])
    assert pool(tables[:1]) == pytest.approx([0.8, 0.2])


def test_position_error_straight_down_is_the_textbook_one():
    """Straight down at the nadir a tilt of s moves the place by H tan s, a heading error moves nothing (closed form)."""
    camera = Camera(4000, 3000, 13.2, 9.9, 8.8)
    view = View(camera, (0.0, 0.0, 100.0), sigma=PoseSigma(0.0, 1.0, 5.0))
    located = locate_pixels(view, np.array([[2000.0, 1500.0]]), np.zeros(1))
    expected = (100 * np.radians(1.0)) ** 2
    assert located.covariance_m2[0] == pytest.approx(np.diag([expected, expected]), rel=1e-3)
    # A heading error of s moves a point at the distance r by r s, across the line of sight.
    sideways = View(camera, (0.0, 0.0, 100.0), sigma=PoseSigma(0.0, 0.0, 5.0))
    east = locate_pixels(sideways, np.array([[3000.0, 1500.0]]), np.zeros(1))
    r = 1000 * 100 * 0.0033 / 8.8
    assert east.covariance_m2[0] == pytest.approx(np.diag([0, (r * np.radians(5.0)) ** 2]), rel=1e-3, abs=1e-6)


def test_circular_error_ellipse_is_2_4477_sigma():
    # Radius of the 95 % circle of a circular normal error: 2.4477 sigma (FGDC-STD-007.3-1998, Appendix 3-A).
    major, minor, _ = ellipse_95_m(np.eye(2))
    assert major == pytest.approx(2.4477, abs=5e-5) == minor


def test_box_iou_of_torchvisions_own_test():
    # torchvision test_ops, integer boxes: (0,0,100,100), (0,0,50,50), (200,200,300,300) -> 1, .25, 0.
    boxes = np.array([[0.0, 0, 100, 100], [0, 0, 50, 50], [200, 200, 300, 300]])
    assert box_iou(boxes[0], boxes)[0] == pytest.approx([1, 0.25, 0])


def test_overlapping_tiles_keep_what_the_closed_form_keeps():
    # IoU of (0,0,100,100) and (5,5,105,105) is 9025/10975 = 0.8223 (closed form): at 0.5 the second is the first
    # again.
    def one(x, y, w, h, score):
        return Detections(np.array([[x, y, x + w, y + h]], dtype=float), np.array([score]), np.zeros(1, dtype=np.int64))

    tiles = [Tile(0, 0, 512, 512), Tile(0, 0, 512, 513), Tile(0, 0, 512, 514)]
    parts = [one(0, 0, 100, 100, 0.9), one(5, 5, 100, 100, 0.8), one(200, 200, 50, 50, 0.7)]
    assert box_iou(parts[0].box_px[0], parts[1].box_px)[0][0] == pytest.approx(9025 / 10975)
    kept = merge_tiles(list(zip(tiles, parts, strict=True)), 512, 512)
    assert kept.score.tolist() == [0.9, 0.7]
