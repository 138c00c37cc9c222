"""What meets what: objects left out, crowds, ties and empty frames."""

from __future__ import annotations

import numpy as np

from eval.matching import AREAS, IOU_THRESHOLDS
from tests.eval.rows import detections, matched, objects

BOX = (100.0, 100.0, 40.0, 40.0)
HALF = (100.0, 100.0, 40.0, 20.0)  # IoU 0.5 with BOX, wholly inside it


def test_a_detection_on_a_left_out_object_is_neither_right_nor_false() -> None:
    matches = matched(objects((0, 0, BOX), left_out=(0,)), detections((0, 0, BOX, 0.9)))
    assert not matches.true().any() and not matches.false().any()
    assert matches.obj_ignored.all()


def test_left_out_objects_are_matched_by_ordinary_iou_and_not_as_crowds() -> None:
    # As a crowd the small detection would lie wholly inside (intersection over its own area = 1) and be excused.
    small = (100.0, 100.0, 10.0, 10.0)
    matches = matched(objects((0, 0, BOX), left_out=(0,)), detections((0, 0, small, 0.9)))
    assert matches.false().tolist() == [True]
    as_crowd = matched(objects((0, 0, BOX), crowd=(0,)), detections((0, 0, small, 0.9)))
    assert as_crowd.false().tolist() == [False]


def test_a_left_out_object_excuses_one_detection_only() -> None:
    matches = matched(objects((0, 0, BOX), left_out=(0,)), detections((0, 0, BOX, 0.9), (0, 0, BOX, 0.8)))
    assert matches.false().tolist() == [False, True]


def test_an_object_asked_for_comes_before_a_left_out_one() -> None:
    near = (102.0, 100.0, 40.0, 40.0)
    matches = matched(objects((0, 0, BOX), (0, 0, near), left_out=(0,)), detections((0, 0, BOX, 0.9)))
    assert matches.true().tolist() == [True]
    assert matches.det_object[0, 0].tolist() == [1]


def test_flags_follow_the_iou_thresholds() -> None:
    matches = matched(objects((0, 0, BOX)), detections((0, 0, HALF, 0.9)))
    assert [bool(matches.true(0, t)[0]) for t in range(len(IOU_THRESHOLDS))] == [True] + [False] * 9


def test_the_better_scored_of_two_detections_takes_the_object() -> None:
    matches = matched(objects((0, 0, BOX)), detections((0, 0, HALF, 0.9), (0, 0, BOX, 0.8)))
    assert matches.det_row.tolist() == [0, 1]
    assert matches.true().tolist() == [True, False]


def test_size_classes_use_the_given_area() -> None:
    matches = matched(objects((0, 0, (0, 0, 200, 200))), detections((0, 0, (0, 0, 200, 200), 0.9)))
    asked = {name: not matches.obj_ignored[area, 0] for area, name in enumerate(AREAS)}
    assert asked == {"all": True, "small": False, "medium": False, "large": True}


def test_nothing_at_all_is_fine() -> None:
    matches = matched(objects(), detections(), frames=3)
    assert len(matches.det_row) == 0 and matches.obj_ignored.shape == (4, 0)
    matches = matched(objects((1, 0, BOX)), detections(), frames=3)
    assert matches.true().shape == (0,) and not matches.obj_ignored[0, 0]


def test_at_most_a_hundred_detections_of_a_frame_and_category_are_judged() -> None:
    rows = [(0, 0, (float(i), 0.0, 20.0, 20.0), 1 - i / 200) for i in range(150)]
    matches = matched(objects((0, 0, BOX)), detections(*rows))
    assert len(matches.det_row) == 100 and matches.det_rank.max() == 99
    assert np.all(np.diff(matches.det_score) < 0)
