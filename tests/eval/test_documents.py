"""Data sheets and model cards count what is there and escape what files bring."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from eval.documents import data_sheet, model_card
from eval.score import score
from tests.eval.made_case import made_frame_set, perfect_finds, perfect_sightings, written


def test_a_data_sheet_counts_the_frame_set(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path / "set", runs=5)
    data_sheet(tmp_path / "sheet.html", frame_set)
    page = (tmp_path / "sheet.html").read_text()
    assert "20 annotations, of which 20 count" in page and "5 frames of 640 x 480 px (5)" in page
    assert "too few different grounds" in page and "Every frame and everything in it is rendered" in page
    assert "<td>panel</td><td>15</td><td>15</td>" in page


def test_hostile_values_are_escaped(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path / "set", runs=2)
    frame = frame_set.frames[0]
    evil = replace(frame.things[0], attributes={**frame.things[0].attributes, "mark": "<script>alert(1)</script>"})
    frame_set = replace(frame_set, frames=(replace(frame, things=(evil, *frame.things[1:])),))
    data_sheet(tmp_path / "sheet.html", frame_set)
    page = (tmp_path / "sheet.html").read_text()
    assert "<script" not in page and "&lt;script&gt;" in page


def test_a_model_card_tells_the_scorecard_and_the_record(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path / "set", runs=9)
    sightings = perfect_sightings(frame_set)
    paths = written(tmp_path / "answers", sightings, perfect_finds(frame_set, sightings))
    card = score(frame_set.folder, paths[0], tmp_path / "out", finds=paths[1])
    model_card(tmp_path / "card.html", {"training": {"steps": 12}, "vocabulary": {"marks": ["A", "<b>"]}}, card)
    page = (tmp_path / "card.html").read_text()
    assert "Measured on rendered frames; expect less on photographs." in page
    assert "<td>training.steps</td><td>12</td>" in page and "A, &lt;b&gt;" in page
    assert (tmp_path / "out" / "datasheet.html").exists()
