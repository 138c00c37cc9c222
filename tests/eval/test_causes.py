"""Lost points: each named once, and all of them together exactly what is missing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from eval.case import case_of
from eval.causes import CAUSES
from eval.judgement import RunsJudgement, judge, judge_runs
from eval.runs import run_cases
from mission.finds import Finds
from mission.frame_set import FrameSet
from mission.rulebook import Rulebook, load_rulebook
from mission.sightings import Sightings
from tests.eval.made_case import MARKS, made_frame_set, perfect_finds, perfect_sightings, table, worsened

CAREFUL = load_rulebook("harrow-fen-careful")


def judged(frame_set: FrameSet, sightings: Sightings, finds: Finds, book: Rulebook = CAREFUL) -> RunsJudgement:
    case = case_of(frame_set, sightings, "the sightings")
    judgement = judge(case, sightings.working_confidence)
    runs = run_cases(case, judgement.matches, finds.finds, frame_set.runs, where="the finds")
    return judge_runs(judgement, runs, book)


def one_run(tmp_path: Path) -> tuple[FrameSet, Sightings, Finds]:
    frame_set = made_frame_set(tmp_path, runs=1, panels=3)
    sightings = perfect_sightings(frame_set)
    return frame_set, sightings, perfect_finds(frame_set, sightings)


def changed(finds: Finds, number: int, **fields: Any) -> Finds:
    listed = list(finds.finds)
    listed[number] = replace(listed[number], **fields)
    return replace(finds, finds=tuple(listed))


def without(finds: Finds, number: int) -> Finds:
    return replace(finds, finds=tuple(f for i, f in enumerate(finds.finds) if i != number))


def lost(result: RunsJudgement) -> dict[str, float]:
    return result.losses[0].points


def test_a_perfect_hand_in_loses_nothing(tmp_path: Path) -> None:
    result = judged(*one_run(tmp_path))
    assert lost(result) == {}
    assert result.points[0].earned == result.points[0].possible == 3 * 5.0 + 2.5 + 2.0


def test_a_thing_without_a_sighting_was_not_seen(tmp_path: Path) -> None:
    frame_set, sightings, finds = one_run(tmp_path)
    far = list(sightings.sightings)
    far[1] = replace(far[1], bbox_px=(600.0, 440.0, 20.0, 20.0))
    assert lost(judged(frame_set, replace(sightings, sightings=tuple(far)), without(finds, 1))) == {"not_seen": 5.0}


def test_a_weak_sighting_is_below_confidence(tmp_path: Path) -> None:
    frame_set, sightings, finds = one_run(tmp_path)
    weak = list(sightings.sightings)
    weak[1] = replace(weak[1], score=0.3)
    assert lost(judged(frame_set, replace(sightings, sightings=tuple(weak)), without(finds, 1))) == {
        "below_confidence": 5.0
    }


def test_a_good_sighting_in_no_find_was_lost_in_fusing(tmp_path: Path) -> None:
    frame_set, sightings, finds = one_run(tmp_path)
    assert lost(judged(frame_set, sightings, without(finds, 1))) == {"lost_in_fusing": 5.0}


def test_a_find_far_from_its_thing_is_misplaced_and_costs_as_such(tmp_path: Path) -> None:
    frame_set, sightings, finds = one_run(tmp_path)
    moved = changed(finds, 1, ground_enu_m=(90.0, 90.0, 0.0))
    assert lost(judged(frame_set, sightings, moved)) == {"misplaced": 5.0 + 1.5}


def test_two_things_in_one_find_are_merged(tmp_path: Path) -> None:
    frame_set, sightings, finds = one_run(tmp_path)
    merged = changed(finds, 2, sightings=(1, 2))
    assert lost(judged(frame_set, sightings, without(merged, 1))) == {"merged": 5.0}


def test_a_misread_mark_loses_its_points_and_the_bonus(tmp_path: Path) -> None:
    frame_set, sightings, finds = one_run(tmp_path)
    true = frame_set.frames[0].things[1].attributes["mark"]
    wrong = next(mark for mark in MARKS if mark != true)
    misread = changed(finds, 1, attributes={**finds.finds[1].attributes, "mark": table(wrong, MARKS, 0.9)})
    assert lost(judged(frame_set, sightings, misread)) == {"misread_mark": 1.5}


def test_held_unmatched_and_wrongly_matched_finds(tmp_path: Path) -> None:
    frame_set, sightings, finds = one_run(tmp_path)
    assert lost(judged(frame_set, sightings, changed(finds, 0, held="a person is near"))) == {"held": 2.0}
    assert lost(judged(frame_set, sightings, changed(finds, 0, wanted=None))) == {"not_matched": 2.0}
    swapped = changed(changed(finds, 0, wanted=None), 1, wanted="first")
    assert lost(judged(frame_set, sightings, swapped)) == {"not_matched": 2.0, "wrong_match": 3.0}


def test_false_and_double_reports(tmp_path: Path) -> None:
    frame_set, sightings, finds = one_run(tmp_path)
    more = [
        replace(finds.finds[1], id="false", ground_enu_m=(90.0, 90.0, 0.0), sightings=(), confidence=0.8),
        replace(finds.finds[1], id="double", confidence=0.8),
    ]
    result = judged(frame_set, sightings, replace(finds, finds=(*finds.finds, *more)))
    assert lost(result) == {"false_report": 1.5, "duplicate": 0.5}


@pytest.mark.parametrize("most", [None, 1, 2, 3, 5])
@pytest.mark.parametrize("name", ["harrow-fen-careful", "harrow-fen-brisk"])
def test_losses_sum_to_what_is_missing(tmp_path: Path, name: str, most: int | None) -> None:
    book = load_rulebook(name).model_copy(update={"reports_at_most": most})
    frame_set = made_frame_set(tmp_path, runs=20, panels=4, seed=3)
    for seed in range(3):
        result = judged(frame_set, *worsened(frame_set, seed), book)
        for points, losses in zip(result.points, result.losses, strict=True):
            assert sum(losses.points.values()) == pytest.approx(points.possible - points.earned, abs=1e-6)
            assert set(losses.points) <= set(CAUSES) and all(value > 0 for value in losses.points.values())
