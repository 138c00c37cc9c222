"""Scoring from files: the contract, known answers, honest nulls, equal bytes, and one sentence for bad input."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from eval.evidence import file_sha256
from eval.score import score
from mission.errors import InputError
from mission.frame_set import FrameSet, write_truth
from mission.mission_file import load_mission
from tests.eval.made_case import made_frame_set, perfect_finds, perfect_sightings, worsened, written

BOOK = "harrow-fen-careful"


@pytest.fixture(scope="module")
def frame_set(tmp_path_factory: pytest.TempPathFactory) -> FrameSet:
    return made_frame_set(tmp_path_factory.mktemp("made") / "set", runs=10)


@pytest.fixture(scope="module")
def perfect(frame_set: FrameSet, tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Path]:
    folder = tmp_path_factory.mktemp("perfect")
    sightings = perfect_sightings(frame_set)
    answers = written(folder / "answers", sightings, perfect_finds(frame_set, sightings))
    return score(frame_set.folder, answers[0], folder / "out", finds=answers[1], rulebook=BOOK), folder / "out"


def nulls(value: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any], str]]:
    """Every null of a scorecard, with the object that holds it."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if inner is None:
                yield path, value, key
            elif key != "why":
                yield from nulls(inner, f"{path}.{key}")


def numbers(value: Any) -> Iterator[float]:
    if isinstance(value, dict | list):
        for inner in value.values() if isinstance(value, dict) else value:
            yield from numbers(inner)
    elif isinstance(value, float):
        yield value


def test_scorecard_keeps_the_contract(frame_set: FrameSet, perfect: tuple[dict[str, Any], Path]) -> None:
    card, out = perfect
    assert json.loads((out / "scorecard.json").read_text()) == json.loads(json.dumps(card))
    assert {
        "format", "frame_set", "bundle", "truth", "finds", "detection", "false_alarms", "recall_at_false_alarms",
        "attributes", "calibration", "location", "points", "evidence_sha256", "truth_sha256",
    } <= set(card)  # fmt: skip
    assert (card["format"], card["truth"], card["finds"], card["bundle"]) == (
        "scorecard/1",
        "rendered",
        "given",
        "made",
    )
    twelve = {
        "AP", "AP50", "AP75", "AP_small", "AP_medium", "AP_large", "AR1", "AR10", "AR100", "AR_small", "AR_medium", "AR_large",
    }  # fmt: skip
    for block in (card["detection"], *card["detection"]["per_category"].values()):
        assert twelve <= set(block) and twelve <= set(block["ci95"])
    for block in card["false_alarms"].values():
        assert {"per_frame", "per_hectare", "ci95", "at_confidence"} <= set(block)
    for name in ("shape", "panel_colour", "mark", "mark_colour", "all_four", "all_four_of_all"):
        assert {"accuracy", "ci95", "n"} <= set(card["attributes"][name])
    assert {"rmse_m", "ce90_m", "n", "ci95"} <= set(card["location"])
    assert {"mean", "ci95", "possible", "runs", "lost_to"} <= set(card["points"])
    assert card["evidence_sha256"] == file_sha256(out / "evidence.npz")
    assert card["truth_sha256"] == file_sha256(frame_set.folder / "truth.json")


def test_perfect_answers_earn_everything(perfect: tuple[dict[str, Any], Path]) -> None:
    card, _ = perfect
    assert card["detection"]["AP"] == pytest.approx(1.0)
    assert card["false_alarms"]["panel"]["per_frame"] == 0.0
    assert card["attributes"]["all_four_of_all"]["accuracy"] == 1.0
    assert card["location"]["rmse_m"] == 0.0 and card["location"]["n"] == 40
    assert card["points"]["mean"] == card["points"]["possible"] == 19.5
    assert card["points"]["lost_to"] == {}
    assert card["points"]["reports"] == {
        "panels": 30, "panels_found": 30, "persons": 10, "persons_found": 10, "false": 0, "duplicates": 0, "held": 0,
    }  # fmt: skip


def test_no_false_alarm_seen_does_not_mean_none_to_come(perfect: tuple[dict[str, Any], Path]) -> None:
    low, high = perfect[0]["false_alarms"]["panel"]["ci95"]["per_frame"]
    # Exact 95 % interval of a Poisson count of 0: 0 to 3.689 (Garwood 1936, from memory), over 10 clusters.
    assert (low, high) == (0.0, pytest.approx(0.3689, abs=5e-5))


def test_every_null_has_its_reason(frame_set: FrameSet, perfect: tuple[dict[str, Any], Path], tmp_path: Path) -> None:
    few = made_frame_set(tmp_path / "few", runs=3)
    posed = replace(few, frames=tuple(replace(f, view=None) for f in few.frames))
    write_truth(few.folder, posed)
    bare = [s for s in perfect_sightings(few).sightings if s.category_id == 1]
    sightings = written(tmp_path / "bare", replace(perfect_sightings(few), sightings=tuple(bare), bundle=None))[0]
    card = score(few.folder, sightings, tmp_path / "out")
    found = list(nulls(card))
    assert {key for _, _, key in found} >= {"bundle", "finds", "location", "points", "per_hectare", "AP_large", "ci95"}
    for path, holder, key in [*found, *nulls(perfect[0])]:
        assert holder.get("why", {}).get(key), f"{path}.{key} is null without a why"
    assert "at least 8 clusters" in card["detection"]["why"]["ci95"]
    assert card["why"]["points"] == "no finds were given"


def test_evidence_holds_what_the_scorecard_says(frame_set: FrameSet, tmp_path: Path) -> None:
    sightings, finds = worsened(frame_set)
    answers = written(tmp_path / "answers", sightings, finds)
    card = score(frame_set.folder, answers[0], tmp_path / "out", finds=answers[1], rulebook=BOOK)
    with np.load(tmp_path / "out" / "evidence.npz", allow_pickle=False) as evidence:
        arrays = {name: evidence[name] for name in evidence.files}
    assert arrays["run_earned"].mean() == pytest.approx(card["points"]["mean"])
    errors = arrays["location_error_m"]
    assert np.sqrt((errors**2).sum(axis=1).mean()) == pytest.approx(card["location"]["rmse_m"])
    found = arrays["panel_found"]
    assert found.mean() == pytest.approx(card["recall_at_false_alarms"]["panel"]["at_working_confidence"]["recall"])
    assert arrays["attribute_hit"][found].mean(axis=0)[2] == pytest.approx(card["attributes"]["mark"]["accuracy"])
    panel = arrays["det_category"] == 0
    false = ~arrays["det_match"][0, 0] & ~arrays["det_ignored"][0, 0] & panel & (arrays["det_score"] >= 0.5)
    assert false.sum() == card["false_alarms"]["panel"]["count"]
    assert arrays["det_match"].shape[:2] == (4, 10) and len(arrays["frame_cluster"]) == 10


def test_intervals_hold_the_figure_and_say_more_with_more_frames(frame_set: FrameSet, tmp_path: Path) -> None:
    widths = []
    for runs in (10, 60):
        larger = made_frame_set(tmp_path / f"set-{runs}", runs=runs)
        answers = written(tmp_path / f"answers-{runs}", worsened(larger)[0])
        block = score(larger.folder, answers[0], tmp_path / f"out-{runs}")["detection"]
        low, high = block["ci95"]["AP50"]
        assert low <= block["AP50"] <= high
        widths.append(high - low)
    assert widths[1] < widths[0]


def test_equal_input_gives_equal_bytes_in_any_order(frame_set: FrameSet, tmp_path: Path) -> None:
    sightings, _ = worsened(frame_set)
    turned = replace(sightings, sightings=tuple(reversed(sightings.sightings)))
    cards = []
    for name, content in (("one", sightings), ("two", sightings), ("turned", turned)):
        answers = written(tmp_path / name, content)
        score(frame_set.folder, answers[0], tmp_path / name / "out")
        cards.append(tmp_path / name / "out")
    for file in ("scorecard.json", "evidence.npz", "report.html"):
        assert (cards[0] / file).read_bytes() == (cards[1] / file).read_bytes()
    one, turned_card = (json.loads((folder / "scorecard.json").read_text()) for folder in (cards[0], cards[2]))
    assert list(numbers(one)) == pytest.approx(list(numbers(turned_card)), abs=1e-12)


def test_left_out_things_change_nothing(frame_set: FrameSet, tmp_path: Path) -> None:
    sightings = perfect_sightings(frame_set)
    answers = written(tmp_path / "answers", sightings, perfect_finds(frame_set, sightings))
    frames = list(frame_set.frames)
    hidden = replace(frames[0].things[1], visible=0.4)
    tiny = replace(frames[1].things[1], bbox_px=(*frames[1].things[1].bbox_px[:2], 15.0, 15.0))
    frames[0] = replace(frames[0], things=(frames[0].things[0], hidden, *frames[0].things[2:]))
    frames[1] = replace(frames[1], things=(frames[1].things[0], tiny, *frames[1].things[2:]))
    changed = replace(frame_set, folder=tmp_path / "changed", frames=tuple(frames))
    changed.folder.mkdir()
    write_truth(changed.folder, changed)
    moved = list(sightings.sightings)
    row = [i for i, s in enumerate(moved) if s.image_id == 2][1]
    moved[row] = replace(moved[row], bbox_px=tiny.bbox_px)
    answers = written(
        tmp_path / "moved", replace(sightings, sightings=tuple(moved)), perfect_finds(frame_set, sightings)
    )
    card = score(changed.folder, answers[0], tmp_path / "out", finds=answers[1], rulebook=BOOK)
    assert card["detection"]["per_category"]["panel"]["AP50"] == pytest.approx(1.0)
    assert card["false_alarms"]["panel"]["count"] == 0
    assert card["attributes"]["mark_of_all"]["n"] == 28
    assert card["points"]["reports"]["panels"] == 28 and card["points"]["reports"]["false"] == 0
    assert card["points"]["mean"] == pytest.approx(card["points"]["possible"])


def test_a_mission_brings_its_rulebook_and_narrows_the_tables(frame_set: FrameSet, tmp_path: Path) -> None:
    mission = load_mission("harrow-fen")
    sightings = perfect_sightings(frame_set)
    finds = perfect_finds(frame_set, sightings)
    answers = written(tmp_path / "answers", sightings)
    card = score(frame_set.folder, answers[0], tmp_path / "out", finds=finds, mission=mission)
    assert card["points"]["rulebook"].startswith("Harrow Fen") and card["finds"] == "fused here"


def test_a_plain_coco_pair_fills_detection_only(tmp_path: Path) -> None:
    square = [[10, 10, 40, 10, 40, 40, 10, 40]]
    boat = {"category_id": 4, "segmentation": square}
    truth = {
        "images": [{"id": i, "width": 100, "height": 100} for i in range(9)],
        "categories": [{"id": 4, "name": "boat"}],
        "annotations": [boat | {"id": i, "image_id": i, "bbox": [10, 10, 30, 30], "area": 900} for i in range(9)],
    }
    results = [boat | {"image_id": i, "score": 0.9} for i in range(9)]
    (tmp_path / "instances.json").write_text(json.dumps(truth))
    (tmp_path / "results.json").write_text(json.dumps(results))
    card = score(tmp_path / "instances.json", tmp_path / "results.json", tmp_path / "out")
    assert card["detection"]["AP"] == pytest.approx(1.0) and card["detection"]["masks"]["AP"] == pytest.approx(1.0)
    for key in ("false_alarms", "attributes", "calibration", "location", "points"):
        assert card[key] is None and card["why"][key] == "a plain COCO pair says nothing about it"
    assert card["clusters"] == {"count": 9, "by": ["frame"], "frames": 9}
    assert (tmp_path / "out" / "report.html").exists()


def test_masks_are_scored_where_both_sides_carry_them(frame_set: FrameSet, tmp_path: Path) -> None:
    def ring(box: tuple[float, ...]) -> list[float]:
        x, y, w, h = box
        return [x, y, x + w, y, x + w, y + h, x, y + h]

    frames = [
        replace(f, things=tuple(replace(t, segmentation=(tuple(ring(t.bbox_px)),)) for t in f.things))
        for f in frame_set.frames
    ]
    outlined = replace(frame_set, folder=tmp_path / "set", frames=tuple(frames))
    outlined.folder.mkdir()
    write_truth(outlined.folder, outlined)
    results = [
        {"image_id": s.image_id, "category_id": s.category_id, "score": s.score, "segmentation": [ring(s.bbox_px)]}
        for s in perfect_sightings(frame_set).sightings
    ]
    (tmp_path / "results.json").write_text(json.dumps(results))
    card = score(outlined.folder, tmp_path / "results.json", tmp_path / "out")
    assert card["detection"]["masks"]["AP"] == pytest.approx(1.0)
    assert card["detection"]["AP50"] == pytest.approx(1.0)  # boxes taken from the masks
    results[0]["segmentation"] = {"size": [480, 640], "counts": [5]}
    (tmp_path / "results.json").write_text(json.dumps(results))
    with pytest.raises(InputError, match=r"'sightings\[0\]\.segmentation\.counts' .* must fill the image exactly"):
        score(outlined.folder, tmp_path / "results.json", tmp_path / "out")


def test_places_far_off_are_not_left_out_of_the_location_error(frame_set: FrameSet, tmp_path: Path) -> None:
    sightings = perfect_sightings(frame_set)
    finds = perfect_finds(frame_set, sightings)
    first = finds.finds[0]
    assert first.ground_enu_m is not None
    moved = replace(first, ground_enu_m=(first.ground_enu_m[0] + 300.0, first.ground_enu_m[1] + 400.0, 0.0))
    answers = written(tmp_path / "answers", sightings, replace(finds, finds=(moved, *finds.finds[1:])))
    card = score(frame_set.folder, answers[0], tmp_path / "out", finds=answers[1], rulebook=BOOK)
    assert card["location"]["rmse_m"] == pytest.approx(500.0 / np.sqrt(40)) and card["location"]["n"] == 40


def broken_sightings(**fields: Any) -> str:
    item = {"image_id": 1, "category_id": 1, "bbox": [1, 1, 20, 20], "score": 0.5} | fields
    return json.dumps({"format": "sightings/1", "sightings": [item]})


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"image_id": 77}, "must be a frame of the frame set. Got 77"),
        ({"category_id": 9}, "must be a category of the frame set. Got 9"),
        ({"score": 1.5}, "must lie in 0..1. Got 1.5"),
        ({"score": -0.1}, "must lie in 0..1. Got -0.1"),
        ({"score": float("nan")}, "must hold finite numbers only"),
        ({"bbox": [0, 0, -5, 5]}, "w and h not negative"),
        ({"bbox": [0, 0, 5]}, "must be [x, y, w, h]"),
    ],
)
def test_unsound_sightings_are_refused(frame_set: FrameSet, tmp_path: Path, fields: dict[str, Any], words: str) -> None:
    (tmp_path / "sightings.json").write_text(broken_sightings(**fields))
    with pytest.raises(InputError) as caught:
        score(frame_set.folder, tmp_path / "sightings.json", tmp_path / "out")
    assert words in str(caught.value) and "\n" not in str(caught.value)
    assert not (tmp_path / "out").exists()


def test_truth_without_anything_to_find_is_refused(tmp_path: Path) -> None:
    made = made_frame_set(tmp_path / "set", runs=1)
    empty = replace(made, frames=(replace(made.frames[0], things=()),))
    write_truth(made.folder, empty)
    answers = written(tmp_path / "answers", replace(perfect_sightings(made), sightings=()))
    with pytest.raises(InputError, match=r"must have a panel or person that counts\. Got 0 .* instead\.$"):
        score(made.folder, answers[0], tmp_path / "out")


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"mission_run": "elsewhere"}, "must be a run of the frame set. Got elsewhere"),
        ({"sightings": (4000,)}, "must be numbers of the sightings. Got 4000"),
    ],
)
def test_finds_of_another_flight_are_refused(
    frame_set: FrameSet, tmp_path: Path, fields: dict[str, Any], words: str
) -> None:
    sightings = perfect_sightings(frame_set)
    finds = perfect_finds(frame_set, sightings)
    strange = replace(finds, finds=(replace(finds.finds[0], **fields),))
    answers = written(tmp_path / "answers", sightings, strange)
    with pytest.raises(InputError) as caught:
        score(frame_set.folder, answers[0], tmp_path / "out", finds=answers[1], rulebook=BOOK)
    assert words in str(caught.value)
    assert not (tmp_path / "out").exists()


def test_no_sightings_at_all_is_a_result_and_not_an_error(frame_set: FrameSet, tmp_path: Path) -> None:
    none = replace(perfect_sightings(frame_set), sightings=())
    answers = written(tmp_path / "answers", none, replace(perfect_finds(frame_set, none), finds=()))
    card = score(frame_set.folder, answers[0], tmp_path / "out", finds=answers[1], rulebook=BOOK)
    assert card["detection"]["AP"] == 0.0 and card["points"]["mean"] == 0.0
    assert list(card["points"]["lost_to"]) == ["not_seen"]
    assert card["why"]["attributes"] == "the sightings carry no attributes"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"annotations": []}, "must hold an object. Got none"),
        ({"images": [{"id": 1, "width": 0, "height": 5}]}, "must have a positive width and height"),
        (
            {"annotations": [{"id": 1, "image_id": 2, "category_id": 1, "bbox": [0, 0, 1, 1]}]},
            "must be the id of an image",
        ),
        ({"annotations": [{"id": 1, "image_id": 1, "category_id": 1, "bbox": [0, 0, -1, 1]}]}, "w and h not negative"),
        ({"categories": "boat"}, "must be a list of objects"),
    ],
)
def test_unsound_plain_coco_is_refused(tmp_path: Path, change: dict[str, Any], words: str) -> None:
    truth: dict[str, Any] = {
        "images": [{"id": 1, "width": 9, "height": 9}],
        "categories": [{"id": 1, "name": "boat"}],
        "annotations": [{"id": 1, "image_id": 1, "category_id": 1, "bbox": [0, 0, 1, 1]}],
    }
    (tmp_path / "instances.json").write_text(json.dumps(truth | change))
    (tmp_path / "results.json").write_text("[]")
    with pytest.raises(InputError) as caught:
        score(tmp_path / "instances.json", tmp_path / "results.json", tmp_path / "out")
    assert words in str(caught.value) and "\n" not in str(caught.value)


def test_without_a_rulebook_places_are_still_measured(frame_set: FrameSet, tmp_path: Path) -> None:
    sightings, finds = worsened(frame_set)
    answers = written(tmp_path / "answers", sightings, finds)
    card = score(frame_set.folder, answers[0], tmp_path / "out", finds=answers[1])
    assert card["points"] is None and card["why"]["points"] == "no rulebook was given"
    assert card["location"]["n"] > 20 and card["location"]["rmse_m"] > 0
