"""The transfer benchmark's figures against pycocotools and by hand."""

from __future__ import annotations

import contextlib
import io
from collections import Counter
from typing import Any

import numpy as np
import pytest

from benchmarks.transfer import measure, table
from benchmarks.transfer.alarms import AlarmSheet
from benchmarks.transfer.bundle import Measured, people_table
from benchmarks.transfer.measure import Answer
from benchmarks.transfer.typefaces import stroke_share
from mission.frame_set import Frame, Thing

NAMES = {"shape": "star", "panel_colour": "red", "mark": "6", "mark_colour": "white"}


def _random_case(seed: int) -> tuple[list[Frame], list[Answer]]:
    rng = np.random.default_rng(seed)
    frames, answers = [], []
    for number in range(1, 9):
        things, boxes, scores = [], [], []
        for k in range(int(rng.integers(0, 5))):
            x, y, side = rng.uniform(0, 900), rng.uniform(0, 900), rng.uniform(10, 80)
            visible = float(rng.choice([1.0, 0.9, 0.3]))
            things.append(
                Thing(number * 10 + k, "panel", (x, y, side, side), side * side, attributes=NAMES, visible=visible)
            )
            for _ in range(int(rng.integers(0, 3))):
                dx, dy = rng.normal(0, side * 0.15, 2)
                boxes.append([x + dx, y + dy, x + dx + side, y + dy + side])
                scores.append(rng.uniform(0.2, 1.0))
        for _ in range(int(rng.integers(0, 4))):
            x, y = rng.uniform(0, 900, 2)
            boxes.append([x, y, x + 40, y + 40])
            scores.append(rng.uniform(0.0, 0.7))
        frames.append(Frame(number, f"{number}.jpg", 1000, 1000, things=tuple(things)))
        answers.append(Answer(np.array(boxes, float).reshape(-1, 4), np.array(scores, float), [NAMES] * len(boxes)))
    return frames, answers


def _pycocotools_ap50(frames: list[Frame], answers: list[Answer]) -> float:
    from pycocotools.coco import COCO
    from pycocotools.cocoeval import COCOeval

    truth, said = COCO(), COCO()
    shared: dict[str, Any] = {"images": [{"id": f.id} for f in frames], "categories": [{"id": 1, "name": "panel"}]}
    # Left out: an area outside every range, so that the object is ignored like one of another size.
    rows = []
    for thing, frame in ((t, f) for f in frames for t in f.things):
        row = {"id": thing.id, "image_id": frame.id, "category_id": 1, "bbox": list(thing.bbox_px), "iscrowd": 0}
        rows.append({**row, "area": thing.area_px2 if thing.scored else -1.0})
    results = []
    for frame, answer in zip(frames, answers):
        for box, score in zip(answer.box_px, answer.score):
            wide, high = box[2:] - box[:2]
            results.append(
                {"id": len(results) + 1, "image_id": frame.id, "category_id": 1, "bbox": [box[0], box[1], wide, high],
                 "area": wide * high, "score": score, "iscrowd": 0}
            )  # fmt: skip
    truth.dataset, said.dataset = {**shared, "annotations": rows}, {**shared, "annotations": results}
    with contextlib.redirect_stdout(io.StringIO()):
        truth.createIndex()
        said.createIndex()
        evaluation = COCOeval(truth, said, "bbox")
        evaluation.evaluate()
        evaluation.accumulate()
    return float(np.mean(evaluation.eval["precision"][0, :, 0, 0, 2]))


@pytest.mark.parametrize("seed", range(6))
def test_average_precision_against_pycocotools(seed: int) -> None:
    frames, answers = _random_case(seed)
    ours = measure.average_precision(measure.match(frames, answers, "panel"))
    assert ours == pytest.approx(_pycocotools_ap50(frames, answers), abs=1e-9)


def _hand_case() -> measure.Matched:
    """Two frames of 2000 x 1500 px, four panels of 50, 50, 30 and 10 px; three found, one of them the small one left out."""
    things = [
        Thing(k + 1, "panel", (100.0 * k, 0.0, s, s), s * s, attributes=NAMES)
        for k, s in enumerate((50.0, 50.0, 30.0, 10.0))
    ]
    frames = [Frame(1, "a", 2000, 1500, things=tuple(things)), Frame(2, "b", 2000, 1500)]
    twin, wrong = {**NAMES, "mark": "9"}, {**NAMES, "shape": "cross"}
    boxes = np.array(
        [[0, 0, 50, 50], [100, 0, 150, 50], [200, 0, 230, 30], [300, 0, 310, 10], [900, 900, 950, 950]], float
    )
    answers = [
        Answer(boxes, np.array([0.9, 0.8, 0.3, 0.7, 0.6]), [NAMES, twin, wrong, NAMES, NAMES]),
        Answer(np.array([[5.0, 5, 60, 60]]), np.array([0.5]), [NAMES]),
    ]
    return measure.match(frames, answers, "panel")


def test_false_alarms_and_recall_by_hand() -> None:
    panels = _hand_case()
    assert (panels.objects, int(panels.hit.sum()), int(panels.false.sum())) == (3, 3, 2)
    # One alarm on two frames is half an alarm a frame; the next lower score allows both.
    assert 0.5 < measure.threshold_for_rate(panels, 0.5) < 0.6
    assert measure.recall_at(panels, 0.55) == pytest.approx(2 / 3)
    assert measure.recall_at(panels, 0.55, large=True) == pytest.approx(1.0)
    assert measure.threshold_for_rate(panels, 1.0) == 0.0
    assert measure.threshold_for_recall(panels, 0.9) == pytest.approx(0.3)
    assert measure.false_alarms_per_frame(panels, 0.3) == pytest.approx(1.0)


def test_attributes_by_hand() -> None:
    figures = measure.figures(_hand_case(), _hand_case(), _hand_case(), _hand_case(), 0.02)
    assert figures["all_four"] == pytest.approx(1 / 3)
    assert figures["all_four_twins"] == pytest.approx(2 / 3)
    assert figures["all_four_large"] == pytest.approx(1 / 2)
    assert figures["mark"] == pytest.approx(2 / 3) and figures["shape"] == pytest.approx(2 / 3)
    # 2000 x 1500 px of 2 cm are 40 m x 30 m = 0.12 ha.
    assert figures["alarms_at_90_per_hectare"] == pytest.approx(1.0 / 0.12)


def test_nothing_to_find_is_none_not_zero() -> None:
    empty = measure.match([Frame(1, "a", 100, 100)], [Answer(np.zeros((0, 4)), np.zeros(0))], "panel")
    figures = measure.figures(empty, empty, empty, empty, 0.02)
    assert figures["ap50"] is None and figures["all_four"] is None and figures["alarms_at_90"] is None


def test_parts_and_confusions_by_hand() -> None:
    """One of the two panels of 50 px has its mark read as its twin; the one of 30 px has its shape wrong."""
    panels = _hand_case()
    parts = {part["part"]: part for part in measure.parts_of(panels, 0.2, panels.size_px, measure.SIZES_PX)}
    assert parts["40 to 60"] == {"part": "40 to 60", "panels": 2, "found": 2, "all_four": 1, "alike": 2}
    assert parts["24 to 32"] == {"part": "24 to 32", "panels": 1, "found": 1, "all_four": 0, "alike": 0}
    assert sum(part["panels"] for part in parts.values()) == 3  # the small one is left out everywhere
    assert measure.confusions(panels, 0.2) == {("mark", "6", "9"): 1, ("shape", "star", "cross"): 1}
    assert measure.confusions(panels, 0.5) == {("mark", "6", "9"): 1}


def test_strokes_are_those_of_the_things_that_count() -> None:
    things = [
        Thing(k + 1, "panel", (100.0 * k, 0.0, s, s), s * s, attributes=NAMES) for k, s in enumerate((10.0, 50.0))
    ]
    frame = Frame(1, "a", 200, 200, mission_run="one", things=(*things, Thing(3, "person", (0, 90, 40, 40), 9)))
    nothing = Answer(np.zeros((0, 4)), np.zeros(0))
    panels = measure.match([frame], [nothing], "panel", {"one": [1.5, 4.5, None]})
    assert panels.stroke_px.tolist() == [4.5]
    assert np.isnan(measure.match([frame], [nothing], "panel").stroke_px).all()
    assert [part["panels"] for part in measure.parts_of(panels, 0.5, panels.stroke_px, measure.STROKES_PX)] == [
        0,
        0,
        0,
        1,
        0,
        0,
    ]


def test_the_width_of_a_bar_and_of_a_ring_are_measured() -> None:
    bar = np.full((240, 40), 255, np.uint8)
    y, x = np.mgrid[:240, :240] - 119.5
    ring = np.where((np.hypot(x, y) <= 120) & (np.hypot(x, y) >= 84), 255, 0).astype(np.uint8)
    assert stroke_share(bar) * 240 == pytest.approx(40, rel=0.05)
    assert stroke_share(ring) * 240 == pytest.approx(36, rel=0.12)  # taken for a bar, so a little too wide


def test_people_missed_carry_an_upper_bound_that_clopper_and_pearson_give() -> None:
    """None of 20 missed: the one-sided 95 % bound is 1 - 0.05 ** (1 / 20) (Clopper & Pearson 1934, the case of no event)."""
    row = {"people": 20, "missed": 0, "false": 1, "false untouched": 0, "frames": 4.0, "frames untouched": 2.0}
    sheets = (AlarmSheet(), AlarmSheet(category="person"))
    text = people_table([Measured("park", {}, row, Counter(), sheets)] * 2)
    assert f"| park | 20 | 0 | 0.00, {1 - 0.05 ** (1 / 20):.2f} | 0.25 | 0.00 |" in text
    assert f"| all | 40 | 0 | 0.00, {1 - 0.05 ** (1 / 40):.2f} | 0.25 | 0.00 |" in text


def test_a_sheet_keeps_the_surest_alarms_and_the_worst_misses() -> None:
    pixels = np.zeros((200, 200, 3), np.uint8)
    frame = Frame(1, "a", 200, 200, things=(Thing(1, "panel", (20.0, 20.0, 40.0, 40.0), 1600, attributes=NAMES),))
    first, second = AlarmSheet(0.5), AlarmSheet(0.5)
    first.look(frame, pixels, Answer(np.array([[20.0, 20, 60, 60], [100, 100, 140, 140]]), np.array([0.4, 0.7])))
    second.look(frame, pixels, Answer(np.array([[20.0, 20, 60, 60], [90, 90, 150, 150]]), np.array([0.6, 0.9])))
    second.look(frame, pixels, Answer(np.array([[20.0, 20, 60, 60], [20, 130, 50, 160]]), np.array([0.8, 0.3])))
    both = AlarmSheet()
    both.take_in([first, second])
    assert [tile.score for tile in both.alarms] == [0.9, 0.3]  # the 0.7 is the 0.9 of another layout on the same ground
    assert [tile.score for tile in both.missed] == [0.4]


def test_rows_of_the_table_are_put_together_over_flights_and_seeds() -> None:
    part = {"part": "40 to 60", "panels": 10, "found": 8, "all_four": 6, "alike": 7}
    one = {"row": "real", "persons": 10, "person_recall_at_0.2": 0.5, "person_recall_at_1": 0.9, "by_size": [part]}
    results = [one, {**one, "by_size": [{**part, "found": 2, "all_four": 2, "alike": 2}]}]
    assert "| real | 0.80 (0.90) of 10 |" in table.parts_table(results, "by_size", "px")
    assert table.parts_table(results, "by_stroke", "px") == ""  # results judged where no strokes were written
    # 2 of 20: the bound is the root of P(X <= 2) = 0.05 for 20 trials, 0.283 (Clopper & Pearson 1934, by scipy's beta).
    assert "| real | 20 | 0.50 (0.70) | 0.10 (0.28) |" in table.people_table(results)
