"""People missed, parts of a frame set, causes of every object, fused free-response: counted by hand on made cases."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from eval.contrast import lightness
from eval.proportions import exact_upper_bound
from eval.runs import named_at
from eval.score import score
from mission.frame_set import FrameSet, OtherThing, write_truth
from mission.sightings import Sightings
from tests.eval.made_case import made_frame_set, perfect_finds, perfect_sightings, written


def card_of(frame_set: FrameSet, folder: Path, sightings: Sightings, finds=None) -> dict[str, Any]:
    paths = written(folder / "answers", sightings, finds or perfect_finds(frame_set, sightings))
    return score(frame_set.folder, paths[0], folder / "card", finds=paths[1], rulebook="harrow-fen-brisk")


def without(sightings: Sightings, numbers: set[int]) -> Sightings:
    return replace(sightings, sightings=tuple(s for i, s in enumerate(sightings.sightings) if i not in numbers))


def test_missed_people_carry_the_exact_bound(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path / "frames", runs=10)
    good = perfect_sightings(frame_set)
    people = [i for i, s in enumerate(good.sightings) if frame_set.categories[s.category_id] == "person"]
    card = card_of(frame_set, tmp_path, without(good, set(people[:2])))
    assert (card["persons"]["n"], card["persons"]["missed"]) == (10, 2)
    assert card["persons"]["upper95"] == exact_upper_bound(2, 10)
    assert list(card).index("persons") < list(card).index("detection")
    whole = card_of(frame_set, tmp_path / "whole", good)["persons"]
    # None of 10 missed: Hanley and Lippman-Hand (1983), exact 1 - 0.05^(1/10).
    assert whole["upper95"] == pytest.approx(0.258866, abs=1e-6)


def test_slices_by_size_count_their_own_objects(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path / "frames", runs=10)
    good = perfect_sightings(frame_set)
    people = {i for i, s in enumerate(good.sightings) if frame_set.categories[s.category_id] == "person"}
    small = replace(
        frame_set,
        frames=tuple(
            replace(
                frame,
                things=tuple(
                    replace(t, bbox_px=(t.bbox_px[0], t.bbox_px[1], 20.0, 20.0), area_px2=400.0) if i == 0 else t
                    for i, t in enumerate(frame.things)
                ),
            )
            for frame in frame_set.frames
        ),
    )

    write_truth(frame_set.folder, small)
    sightings = perfect_sightings(small)
    first = {i for i, s in enumerate(sightings.sightings) if s.bbox_px[2] == 20.0}
    card = card_of(small, tmp_path, without(sightings, set(sorted(first)[:5]) | people))
    parts = {part["part"]: part for part in card["slices"]["pixels_across"]}
    assert parts["16 to 24"]["objects"] == 10 and parts["16 to 24"]["recall"] == 0.5
    assert parts["32 to 48"]["objects"] == 30 and parts["32 to 48"]["recall"] == pytest.approx(20 / 30)


def test_every_object_has_one_cause(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path / "frames", runs=10)
    good = perfect_sightings(frame_set)
    weak = replace(good.sightings[1], score=0.2)
    sightings = replace(good, sightings=(good.sightings[0], weak, *good.sightings[2:]))
    finds = perfect_finds(frame_set, sightings)
    chosen = [f for i, f in enumerate(finds.finds) if i not in (1, 2)]  # weak one and a lost one are no finds
    assert chosen[3].ground_enu_m is not None
    away = replace(chosen[3], ground_enu_m=(90.0, 90.0, 0.0))
    twin = replace(chosen[6], id="twin")
    bare = replace(chosen[7], id="bare", ground_enu_m=(70.0, 70.0, 0.0), sightings=(), category="panel")
    told = [*chosen[:3], away, *chosen[4:], twin, bare]
    card = card_of(frame_set, tmp_path, sightings, replace(finds, finds=tuple(told)))
    causes = card["causes"]
    assert sum(causes["objects"].values()) == 40
    assert causes["objects"]["below_confidence"] == 1 and causes["objects"]["lost_in_fusing"] == 1
    assert causes["objects"]["misplaced"] == 1
    assert causes["reports"] == {"split": 1, "false_on_ground": 1}


def test_a_false_report_on_a_thing_that_the_truth_names_tells_its_kind(tmp_path: Path) -> None:
    made = made_frame_set(tmp_path / "frames", runs=10)
    cone = OtherThing("cone", (20.0, 30.0, 18.0, 18.0))
    made = replace(made, frames=tuple(replace(frame, other_things=(cone,)) for frame in made.frames))
    write_truth(made.folder, made)
    good = perfect_sightings(made)
    on_cone = replace(good.sightings[0], bbox_px=(22.0, 28.0, 20.0, 20.0), ground_enu_m=(-12.0, 9.0, 0.0))
    on_grass = replace(good.sightings[0], bbox_px=(600.0, 28.0, 20.0, 20.0), ground_enu_m=(12.0, 9.0, 0.0))
    sightings = replace(good, sightings=(*good.sightings, on_cone, on_grass))
    causes = card_of(made, tmp_path, sightings, perfect_finds(made, sightings))["causes"]
    assert causes["reports"] == {"false_on_look_alike": 1, "false_on_ground": 1}
    assert causes["look_alikes"] == {"cone": 1}
    assert "(cone 1)" in (tmp_path / "card" / "report.html").read_text()
    assert "noted in 10 of 10 frames, by views: cone 10." in (tmp_path / "card" / "datasheet.html").read_text()
    assert named_at(made.frames[0], on_cone.bbox_px) == "cone" and named_at(made.frames[0], on_grass.bbox_px) is None


def test_fused_free_response_counts_each_object_once(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path / "frames", runs=10)
    good = perfect_sightings(frame_set)
    finds = perfect_finds(frame_set, good)
    false = replace(finds.finds[0], id="false", ground_enu_m=(70.0, 70.0, 0.0), sightings=(), confidence=0.95)
    twin = replace(finds.finds[0], id="twin", confidence=0.5)
    card = card_of(frame_set, tmp_path, good, replace(finds, finds=(*finds.finds, false, twin)))
    panel = card["search"]["panel"]
    assert (panel["n"], panel["recall"], panel["false_finds"]) == (30, 1.0, 1)
    assert panel["false_per_hectare"] == pytest.approx(1 / card["search"]["hectares"])
    # At a rate below the one false find nothing is found, for the false find is the surest.
    assert panel["recall_per_hectare"]["0.5"] == 0.0


def test_nothing_left_in_a_frame_set_of_one_flight_gives_nulls(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path / "frames", runs=2)
    card = card_of(frame_set, tmp_path, perfect_sightings(frame_set))
    assert card["points"]["best_confidence"] is None and "4 runs" in card["points"]["why"]["best_confidence"]
    assert card["location"]["ce90_upper_m"] is None and "36 finds" in card["location"]["why"]["ce90_upper_m"]
    assert card["attributes"]["mark"]["ci95"] is None and "8 clusters" in card["attributes"]["mark"]["why"]["ci95"]


def test_lightness_of_white_black_and_middle_grey() -> None:
    # CIE 1976 L*: white 100, black 0; sRGB 119 is L* 50 to the nearest level (IEC 61966-2-1 with CIE 15).
    found = lightness(np.array([[255] * 3, [0] * 3, [119] * 3], dtype=np.uint8))
    assert found == pytest.approx([100.0, 0.0, 50.0], abs=0.1)
