"""Ground looked at, looks, pixels across a panel, holes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from mission.camera import Camera, Origin, View, pixels_from_ground
from pipeline.coverage import cover, coverage_to_json, frame_ground, looks

CAMERA = Camera(5520, 3680, 23.184, 15.456, 35.0)
ORIGIN = Origin(52.5, 0.25, 45.0)
# 100 m up: 1.2 cm to the pixel, 66.24 m x 44.16 m of ground.
VIEW = View(CAMERA, (0.0, 0.0, 100.0), origin=ORIGIN)


def test_a_level_frame_covers_its_footprint():
    ground = frame_ground(VIEW, 0.5)
    assert ground.fine.area == pytest.approx(66.24 * 44.16, rel=1e-5)
    assert ground.coarse.is_empty
    assert ground.gsd_m == pytest.approx(0.012)
    assert ground.pixels_across == pytest.approx(0.5 / 0.012)


def test_ground_seen_too_coarsely_is_not_counted():
    ground = frame_ground(VIEW, 0.25)
    assert ground.pixels_across == pytest.approx(20.8, abs=0.1)
    assert ground.fine.is_empty and ground.coarse.area == pytest.approx(66.24 * 44.16, rel=1e-5)


def test_an_oblique_frame_counts_as_far_as_it_is_fine():
    """Against a plain twin: points of the fine ground see a panel at 24 px along the line of sight, points beyond do not."""
    view = replace(VIEW, position_enu_m=(0.0, 0.0, 40.0), pitch_deg=65.0)
    ground = frame_ground(view, 0.4)
    rng = np.random.default_rng(1)
    points = np.stack([rng.uniform(-60, 60, 4000), rng.uniform(0, 200, 4000), np.zeros(4000)], axis=1)
    sight = 0.2 * points / np.linalg.norm(points, axis=1, keepdims=True)
    across = np.linalg.norm(pixels_from_ground(view, points + sight) - pixels_from_ground(view, points - sight), axis=1)
    pixels = pixels_from_ground(view, points)
    inside_image = ((pixels > 0) & (pixels < [5520, 3680])).all(axis=1)
    counted = shapely.contains_xy(ground.fine, points[:, 0], points[:, 1])
    assert counted[inside_image & (across > 27)].all()
    assert not counted[~inside_image | (across < 22)].any()
    assert 0 < counted.sum() < inside_image.sum()
    assert ground.coarse.area > 0


def test_looks_agree_with_a_grid_that_counts():
    views = [
        replace(VIEW, position_enu_m=(e, n, 100.0), heading_deg=h)
        for e, n, h in [(0, 0, 0), (20, 5, 30), (-15, 20, 80)]
    ]
    polygons = [frame_ground(view, 0.5).fine for view in views]
    parts = looks(polygons, most=3)
    rng = np.random.default_rng(0)
    points = rng.uniform(-80, 80, (5000, 2))
    count = sum(shapely.contains_xy(p, points[:, 0], points[:, 1]).astype(int) for p in polygons)
    for k, part in enumerate(parts, start=1):
        assert np.array_equal(shapely.contains_xy(part, points[:, 0], points[:, 1]), count == k)
    assert sum(part.area for part in parts) == pytest.approx(shapely.union_all(polygons).area, rel=1e-6)


def test_the_last_class_of_looks_means_this_many_or_more():
    parts = looks([shapely.box(0, 0, 1, 1)] * 5, most=3)
    assert [part.area for part in parts] == [0, 0, 1]


def test_holes_are_what_was_not_looked_at_in_the_search_area():
    left = frame_ground(replace(VIEW, position_enu_m=(-40.0, 0.0, 100.0)), 0.5)
    right = frame_ground(replace(VIEW, position_enu_m=(40.0, 0.0, 100.0)), 0.5)
    run = cover([left, right], (100.0, 40.0))
    (hole,) = run.holes
    # Between the footprints, 80 m apart and 66.24 m wide, 13.76 m of the 100 m are open.
    assert hole.area == pytest.approx(13.76 * 40, rel=1e-4)
    assert run.covered_share == pytest.approx(1 - 0.1376, abs=1e-4)
    assert cover([left, right], None).covered_share is None


def test_frames_at_and_above_the_horizon_count_for_nothing_there():
    sky = replace(VIEW, position_enu_m=(0.0, 0.0, 2.0), pitch_deg=89.0)
    ground = frame_ground(sky, 0.5)
    assert np.isfinite(ground.fine.area) and ground.fine.area < 1000
    upward = frame_ground(replace(VIEW, pitch_deg=179.0), 0.5)
    assert upward.fine.is_empty and upward.gsd_m is None


def test_runs_without_an_origin_are_summed_up_but_not_drawn():
    run = cover([frame_ground(VIEW, None)], (50.0, 50.0))
    content = coverage_to_json([(run, None)], frames_without_pose=2)
    assert content["features"] == [] and content["frames_without_pose"] == 2
    assert content["runs"][0]["covered_share"] == pytest.approx(44.16 / 50, abs=1e-4)
    assert content["runs"][0]["looked_at_m2"] == pytest.approx(66.24 * 44.16, abs=0.1)


def test_every_kind_of_ground_is_drawn():
    coarse = frame_ground(replace(VIEW, position_enu_m=(60.0, 0.0, 300.0)), 0.5)
    run = cover([frame_ground(VIEW, 0.5), frame_ground(VIEW, 0.5), coarse], (100.0, 100.0))
    content = coverage_to_json([(run, ORIGIN)], 0)
    kinds = [feature["properties"]["kind"] for feature in content["features"]]
    assert set(kinds) == {"search area", "looks", "seen too coarsely", "hole", "frame"}
    by_looks = {f["properties"]["looks"] for f in content["features"] if f["properties"]["kind"] == "looks"}
    assert by_looks == {2}
