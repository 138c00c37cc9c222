"""Attributes of panels: found and of all, look-alikes, unknown truth, narrowed tables."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from eval.attributes import NOT_READ, Readings, attribute_figures, confusion, likeliest, readings_of
from eval.case import case_of
from eval.judgement import judge
from eval.proportions import wilson_interval
from mission.frame_set import FrameSet
from mission.sightings import Sightings
from mission.vocabulary import Vocabulary
from tests.eval.made_case import made_frame_set, perfect_sightings


def readings(frame_set: FrameSet, sightings: Sightings, confidence: float = 0.5) -> Readings:
    case = case_of(frame_set, sightings, "the sightings")
    return readings_of(case, judge(case, sightings.working_confidence).matches, confidence)


def test_all_read_right(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path, runs=2)
    figures = attribute_figures(readings(frame_set, perfect_sightings(frame_set)))
    for key in ("shape", "panel_colour", "mark", "mark_colour", "all_four", "all_four_of_all"):
        assert (figures[key]["accuracy"], figures[key]["n"]) == (1.0, 6)
        assert figures[key]["ci95"] == list(wilson_interval(6, 6))


def test_of_found_and_of_all_differ_by_the_panels_missed(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path, runs=2)
    sightings = perfect_sightings(frame_set)
    weak = [replace(s, score=0.4) if i == 0 else s for i, s in enumerate(sightings.sightings)]
    figures = attribute_figures(readings(frame_set, replace(sightings, sightings=tuple(weak))))
    assert (figures["mark"]["accuracy"], figures["mark"]["n"]) == (1.0, 5)
    assert (figures["mark_of_all"]["accuracy"], figures["mark_of_all"]["n"]) == (pytest.approx(5 / 6), 6)


def test_look_alikes_are_granted_beside_the_strict_figure(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path, runs=1)
    panel = frame_set.frames[0].things[0]
    frame = replace(
        frame_set.frames[0],
        things=(replace(panel, attributes={**panel.attributes, "mark": "8"}), *frame_set.frames[0].things[1:]),
    )
    sightings = perfect_sightings(frame_set)
    first = replace(
        sightings.sightings[0], attributes={**sightings.sightings[0].attributes, "mark": {"B": 0.7, "8": 0.3}}
    )
    figures = attribute_figures(
        readings(replace(frame_set, frames=(frame,)), replace(sightings, sightings=(first, *sightings.sightings[1:])))
    )
    assert figures["mark"]["accuracy"] == pytest.approx(2 / 3) and figures["mark"]["look_alikes_granted"] == 1.0


def test_unknown_truth_is_not_counted_and_a_missing_table_is_wrong(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path, runs=1)
    things = list(frame_set.frames[0].things)
    things[0] = replace(things[0], attributes={**things[0].attributes, "shape": None})
    sightings = perfect_sightings(frame_set)
    first = replace(sightings.sightings[1], attributes={})
    found = readings(
        replace(frame_set, frames=(replace(frame_set.frames[0], things=tuple(things)),)),
        replace(sightings, sightings=(sightings.sightings[0], first, *sightings.sightings[2:])),
    )
    figures = attribute_figures(found)
    assert (figures["shape"]["accuracy"], figures["shape"]["n"]) == (0.5, 2)
    assert (figures["all_four"]["accuracy"], figures["all_four"]["n"]) == (0.5, 2)
    table = confusion(found, "shape")
    assert table is not None and table["labels"][-1] == NOT_READ and sum(map(sum, table["counts"])) == 2


def test_nothing_found_gives_nulls_with_a_reason(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path, runs=1)
    found = readings(frame_set, perfect_sightings(frame_set), confidence=0.99)
    figures = attribute_figures(found)
    assert (
        figures["mark"]["accuracy"] is None
        and figures["mark"]["why"]["accuracy"] == "no panel with a known truth to read"
    )
    assert figures["mark_of_all"]["accuracy"] == 0.0
    assert confusion(found, "mark") is None


def test_a_narrowed_vocabulary_masks_and_makes_the_table_whole() -> None:
    table = {"A": 0.5, "B": 0.3, "C": 0.2}
    assert likeliest(table, "mark") == ("A", 0.5)
    assert likeliest(table, "mark", Vocabulary(marks=("B", "C"))) == ("B", pytest.approx(0.6))
    assert likeliest(table, "mark", Vocabulary(marks=("Z",))) is None
    assert likeliest({}, "mark") is None and likeliest(None, "mark") is None
