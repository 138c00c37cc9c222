"""Finds from sightings on disk: the same as those of the reading, and from anybody's results list."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from mission.errors import InputError
from mission.sightings import Sighting, Sightings, read_sightings
from pipeline.finding import find_objects
from pipeline.frames_to_read import frames_to_read
from pipeline.read import read
from tests.pipeline.painted_flight import TARGETS, SeeingBundle, thing_of, view_at, write_flight

VIEWS = [view_at(0, 0), view_at(3, 1, 15)]


def test_finds_fused_again_from_disk_are_those_of_the_reading(tmp_path):
    frames = write_flight(tmp_path / "in", [view_at(0, 0), view_at(3, 1, 15), None])
    result = read(SeeingBundle(), frames, tmp_path / "out", previews=False)  # type: ignore[arg-type]
    source = frames_to_read(frames)
    again = find_objects(read_sightings(tmp_path / "out/sightings.json"), source, wanted=source.wanted)
    assert again.finds == result.finds.finds
    assert sum(find.ground_enu_m is None for find in again.finds) >= 1


def test_a_bare_results_list_with_poses_is_placed_and_fused(tmp_path):
    frames = write_flight(tmp_path / "in", list(VIEWS))
    results = [
        {"image_id": i, "category_id": 1, "bbox": list(thing.bbox_px), "score": 0.9}
        for i, view in enumerate(VIEWS, start=1)
        for target in TARGETS[:2]
        if (thing := thing_of(target, view, 1)) is not None
    ]
    (tmp_path / "results.json").write_text(json.dumps(results))
    finds = find_objects(read_sightings(tmp_path / "results.json"), frames_to_read(frames)).finds
    assert [len(find.sightings) for find in finds] == [2, 2]
    for find, target in zip(sorted(finds, key=lambda f: f.ground_enu_m or ()), TARGETS, strict=False):
        assert find.ground_enu_m == pytest.approx((target.east_m, target.north_m, 0.0), abs=0.02)
        assert find.attributes == {} and find.wanted is None


def test_without_a_pose_the_place_that_a_sighting_carries_is_used(tmp_path):
    source = frames_to_read(write_flight(tmp_path / "in", [None, None]))
    seen = [
        Sighting(i, 1, (10.0, 10.0, 40.0, 40.0), 0.9, {}, (5.0 + 0.1 * i, 6.0, 0.0), ((0.5, 0.1), (0.1, 0.4)))
        for i in (1, 2)
    ]
    (find,) = find_objects(Sightings(tuple(seen)), source).finds
    assert find.ground_enu_m == pytest.approx((5.15, 6.0, 0.0))
    assert np.array(find.ground_covariance_m2) == pytest.approx(np.array([[0.25, 0.05], [0.05, 0.2]]))
    broken = replace(seen[0], ground_covariance_m2=((0.0, 0.0), (0.0, 0.0)))
    (held,) = find_objects(Sightings((broken,)), source).finds
    assert held.ground_enu_m is None and held.held == "its place is not known"


def test_only_the_working_confidence_counts_and_foreign_categories_are_passed_over(tmp_path):
    source = frames_to_read(write_flight(tmp_path / "in", [view_at(0, 0)]))
    seen = tuple(
        Sighting(1, category, (100.0, 100.0, 40.0, 40.0), score) for category, score in [(1, 0.49), (1, 0.5), (77, 0.9)]
    )
    assert [find.sightings for find in find_objects(Sightings(seen), source).finds] == [(1,)]


def test_sightings_of_another_frame_set_are_refused(tmp_path):
    source = frames_to_read(write_flight(tmp_path / "in", [view_at(0, 0)]))
    with pytest.raises(InputError, match=r"The sightings must be of frames in in. Got one of frame 9 instead."):
        find_objects(Sightings((Sighting(9, 1, (0.0, 0.0, 9.0, 9.0), 0.9),)), source)
