"""False alarms and the free-response curve, by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from eval.false_alarms import false_per_frame, free_response, imaged_hectares
from mission.frame_set import Frame
from tests.eval.made_case import CAMERA, HEIGHT_M, view
from tests.eval.rows import detections, matched, objects

A, B, C = (10.0, 10.0, 40.0, 40.0), (200.0, 10.0, 40.0, 40.0), (400.0, 300.0, 40.0, 40.0)


def case():
    truth = objects((0, 0, A), (0, 0, B), (1, 0, A), (1, 0, C), left_out=(3,))
    return matched(
        truth,
        detections(
            (0, 0, A, 0.9),  # right
            (0, 0, C, 0.8),  # false
            (1, 0, C, 0.7),  # on the object left out
            (1, 0, B, 0.6),  # false
            (1, 0, A, 0.6),  # right, equal score
        ),
        frames=2,
    )


def test_curve_by_hand() -> None:
    curve = free_response(case(), 0)
    assert curve.objects == 3
    assert curve.confidence.tolist() == [0.9, 0.8, 0.7, 0.6]
    assert curve.recall == pytest.approx([1 / 3, 1 / 3, 1 / 3, 2 / 3])
    assert curve.false_alarms.tolist() == [0, 1, 1, 2]


def test_recall_at_an_allowed_number_of_false_alarms() -> None:
    curve = free_response(case(), 0)
    assert [curve.recall_at(allowed) for allowed in (0, 1, 1.9, 2)] == pytest.approx([1 / 3, 1 / 3, 1 / 3, 2 / 3])


def test_false_alarms_at_the_working_confidence() -> None:
    assert false_per_frame(case(), 0, 0.5).tolist() == [1, 1]
    assert false_per_frame(case(), 0, 0.7).tolist() == [1, 0]
    assert false_per_frame(case(), 0, 0.95).tolist() == [0, 0]


def test_a_curve_without_objects_or_detections() -> None:
    assert math.isnan(free_response(matched(objects(), detections((0, 0, A, 0.9))), 0).recall_at(1))
    assert free_response(matched(objects((0, 0, A)), detections()), 0).recall_at(5) == 0.0


def test_hectares_of_a_level_frame() -> None:
    # By similar triangles: ground side = height * sensor side / focal length.
    width, height = HEIGHT_M * CAMERA.sensor_width_mm / 35, HEIGHT_M * CAMERA.sensor_height_mm / 35
    frames = [Frame(1, "a.png", 640, 480, view(3, 4)), Frame(2, "b.png", 640, 480)]
    found = imaged_hectares(frames)
    assert found[0] == pytest.approx(width * height / 10_000) and np.isnan(found[1])
