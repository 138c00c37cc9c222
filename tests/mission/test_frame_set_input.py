"""truth.json from outside: damaged, doubled, non-finite or leaving its folder, it is refused in one sentence."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path
from typing import Any

import pytest

from mission.errors import InputError
from mission.frame_set import FrameSet, OtherThing, read_frame_set, truth_to_json, write_truth

SENTENCE = re.compile(r"^The .+ must .+\. Got .+ instead\.$")
CAMERA = {
    "image_width_px": 64, "image_height_px": 48, "sensor_width_mm": 6.4, "sensor_height_mm": 4.8,
    "focal_length_mm": 5.0, "principal_point_px": None, "distortion": None,
}  # fmt: skip
TRUTH: dict[str, Any] = {
    "format": "frame-set/1",
    "truth": "rendered",
    "info": {},
    "licenses": [],
    "categories": [{"id": 7, "name": "panel"}, {"id": 3, "name": "person"}],
    "runs": [{"mission_run": "one", "wanted": [{"id": "a", "shape": "circle", "object": "p1"}]}],
    "images": [
        {
            "id": 1, "file_name": "frames/a.png", "width": 64, "height": 48, "mission_run": "one", "background": "g",
            "view": {
                "camera": CAMERA, "position_enu_m": [0, 0, 50], "heading_deg": 0, "pitch_deg": 0, "roll_deg": 0,
                "origin": {"latitude_deg": 52.5, "longitude_deg": 0.25, "height_m": 45}, "time": None, "sigma": None,
            },
            "other_things": [{"kind": "cone", "bbox": [40, 6, 9, 9]}],
        },
        {"id": 2, "file_name": "frames/b.png", "width": 64, "height": 48, "view": None},
    ],
    "annotations": [
        {
            "id": 11, "image_id": 1, "category_id": 7, "bbox": [5, 6, 20, 18], "area": 300, "iscrowd": 0,
            "segmentation": [[5, 6, 25, 6, 25, 24]], "object": "p1", "ground_enu_m": [1, 2, 0], "visible": 1.0,
            "attributes": {"shape": "circle", "panel_colour": "red", "mark": "A", "mark_colour": None},
            "mark_turn_deg": 12.5,
        },
    ],
}  # fmt: skip


def refusal(folder: Path, text: str) -> str:
    (folder / "truth.json").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_frame_set(folder)
    message = str(caught.value)
    assert SENTENCE.match(message), message
    assert "truth.json" in message
    return message


def test_whole_truth_is_read(tmp_path):
    (tmp_path / "truth.json").write_text(json.dumps(TRUTH), encoding="utf-8")
    frame_set = read_frame_set(tmp_path)
    assert [frame.id for frame in frame_set.frames] == [1, 2]
    thing = frame_set.frames[0].things[0]
    assert (thing.category, thing.bbox_px, thing.attributes["mark_colour"]) == ("panel", (5, 6, 20, 18), None)
    assert frame_set.frames[1].things == ()  # a frame without annotations is valid
    assert frame_set.category_id("person") == 3
    assert frame_set.frames[0].other_things == (OtherThing("cone", (40, 6, 9, 9)),)
    assert frame_set.frames[1].other_things is None  # nobody has noted what else there is


def test_written_truth_reads_back_the_same(tmp_path):
    (tmp_path / "truth.json").write_text(json.dumps(TRUTH), encoding="utf-8")
    frame_set = read_frame_set(tmp_path)
    other = tmp_path / "copy"
    other.mkdir()
    write_truth(other, frame_set)
    again = read_frame_set(other)
    assert truth_to_json(again) == truth_to_json(frame_set)
    assert FrameSet(frame_set.folder, again.truth, again.frames, again.runs, again.categories) == frame_set


def test_unknown_keys_are_passed_over(tmp_path):
    truth = copy.deepcopy(TRUTH)
    truth["images"][0]["coco_url"] = truth["annotations"][0]["score"] = truth["extra"] = 1
    (tmp_path / "truth.json").write_text(json.dumps(truth), encoding="utf-8")
    assert len(read_frame_set(tmp_path).frames) == 2


def _set(path: str, value: object):
    def change(truth: dict[str, Any]) -> None:
        place: Any = truth
        *way, last = [int(step) if step.isdigit() else step for step in path.split(".")]
        for step in way:
            place = place[step]
        if value is KeyError:
            del place[last]
        else:
            place[last] = value

    return change


@pytest.mark.parametrize(
    ("path", "value", "phrase"),
    [
        ("format", "frame-set/2", "frame-set/2"),
        ("format", KeyError, "frame-set/1"),
        ("truth", "imagined", "rendered, photographed, mixed"),
        ("images", KeyError, "be a list"),
        ("images", [3], "be an object"),
        ("images.0.id", KeyError, "images[0].id"),
        ("images.0.id", "1", "whole number"),
        ("images.1.id", 1, "each id once"),
        ("images.0.width", -64, "positive"),
        ("images.0.width", 65, "image's size"),
        ("images.0.file_name", "../outside.png", "stay inside"),
        ("images.0.file_name", "/etc/passwd", "stay inside"),
        ("images.0.file_name", "frames\\..\\..\\a.png", "stay inside"),
        ("images.0.file_name", "C:\\a.png", "stay inside"),
        ("images.0.file_name", "a\u0000.png", "be text"),
        ("images.0.file_name", KeyError, "be text"),
        ("images.0.view", 5, "object or null"),
        ("images.0.view.position_enu_m", [0, 0], "3 finite numbers"),
        ("images.0.view.heading_deg", None, "finite number"),
        ("images.0.view.camera.focal_length_mm", 0, "positive"),
        ("images.0.view.origin.latitude_deg", 91, "lie in -90..90"),
        ("images.0.other_things", 5, "be a list"),
        ("images.0.other_things.0.kind", KeyError, "be text"),
        ("images.0.other_things.0.bbox", [1, 2, -3, 4], "not negative"),
        ("annotations.0.id", KeyError, "annotations[0].id"),
        ("annotations.0.image_id", 99, "id of an image"),
        ("annotations.0.category_id", 99, "id of a category"),
        ("annotations.0.bbox", [1, 2, 3], "[x, y, w, h]"),
        ("annotations.0.bbox", [1, 2, -3, 4], "not negative"),
        ("annotations.0.bbox", [1, 2, "3", 4], "finite numbers"),
        ("annotations.0.area", -1, "zero or more"),
        ("annotations.0.visible", 1.5, "lie in 0..1"),
        ("annotations.0.ground_enu_m", [1, 2], "three finite numbers"),
        ("annotations.0.segmentation", [[1, 2, 3]], "x, y pairs"),
        ("annotations.0.attributes", ["circle"], "object or null"),
        ("annotations.0.attributes.shape", 3, "text or null"),
        ("categories", [{"id": 1, "name": "panel"}, {"id": 1, "name": "person"}], "each id and name once"),
        ("categories.0.name", 4, "be text"),
        ("runs.0.mission_run", None, "be text"),
        ("runs.0.wanted", [{"shape": "circle"}], "id"),
    ],
)  # fmt: skip
def test_wrong_values_are_named(tmp_path, path, value, phrase):
    truth = copy.deepcopy(TRUTH)
    _set(path, value)(truth)
    assert phrase in refusal(tmp_path, json.dumps(truth))


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_are_none(tmp_path, number):
    text = json.dumps(TRUTH).replace('"bbox": [5, 6', f'"bbox": [{number}, 6')
    assert "finite numbers" in refusal(tmp_path, text)


@pytest.mark.parametrize("text", ["", "  \n", "[]", "null", json.dumps(TRUTH)[:400], "{" * 5000, '{"format": '])
def test_text_that_is_no_truth(tmp_path, text):
    refusal(tmp_path, text)


def test_missing_truth(tmp_path):
    with pytest.raises(InputError, match=r"truth\.json must exist"):
        read_frame_set(tmp_path)
