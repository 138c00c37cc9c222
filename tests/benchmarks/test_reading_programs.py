"""The benchmarks of reading: what they reckon, by hand; the trainings themselves take a GPU."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import torch

from benchmarks.reading import at_home, rival, team, text_baseline
from benchmarks.reading.frame_time import summary, times_ms
from benchmarks.reading.text_baseline import EXTENTS, HEIGHT_PX, TURNS, Found
from benchmarks.transfer.pool import write_chips
from eval.detection import figures_of
from eval.matching import Detections, Objects, match
from mission.errors import InputError
from mission.frame_set import Thing
from mission.model_file import load_model_file
from tests.pipeline.drawn_chips import boxes_in_chips


def test_times_leave_the_warm_up_out() -> None:
    calls: list[int] = []
    assert len(times_ms(lambda: calls.append(1), 20, torch.device("cpu"))) == 20 and len(calls) == 22
    assert summary([1.0, 2.0, 3.0], 4.0) == {"median_ms": 2.0, "p5_ms": 1.1, "p95_ms": 2.9, "decodings": 0.5}


def test_the_rival_is_given_the_batch_and_the_chips_of_ours() -> None:
    ours, theirs = (load_model_file(path).detector_training for path in ("benchmarks/transfer/model.yaml", rival.RIVAL))
    assert (ours.batch, ours.chip_px) == (theirs.batch, theirs.chip_px)
    run = rival.run_of(1, ["park", "bush"])
    assert run.left_out == ("park", "bush") and not set(run.left_out) & set(run.grounds)


def test_the_table_of_rivals_shows_mean_and_worst_flight() -> None:
    shared = {"parameters": 1e6, "steps": 7, "seen": 70, "s_a_frame": 0.5} | dict.fromkeys(rival.COLUMNS, 0.5)
    lines = rival.table(
        [{"network": "ours", **shared, "ap50": value} for value in (0.9, 0.7)]
        + [{"network": "fcos", **shared, "ap50": None}]
    )
    assert "| ours | 1.0 M | 7 | 70 | 0.50 | 0.80 (0.70) | 0.50 (0.50) |" in lines
    assert "| fcos | 1.0 M | 7 | 70 | 0.50 | – | 0.50 (0.50) |" in lines


def test_figures_at_home_count_what_is_found_and_large_enough() -> None:
    """Four panels of 50, 30, 30 and 20 px: one not found, one read as a look-alike; the small one does not count."""
    things = [Thing(k, "panel", (0.0, 0.0, s, s / 2), s) for k, s in enumerate((50.0, 30.0, 30.0, 20.0))]
    right = np.array([[1, 1, 1, 1], [1, 1, 0, 1], [0, 0, 0, 0], [0, 1, 1, 1]], bool)
    nearly = np.array([[1, 1, 1, 1], [1, 1, 1, 1], [0, 0, 0, 0], [0, 1, 1, 1]], bool)
    readings = SimpleNamespace(
        object_row=np.arange(4), found=np.array([True, True, False, True]), right=right, nearly=nearly
    )
    judgement = SimpleNamespace(
        readings=readings, case=SimpleNamespace(things=things), overall={"AP": 0.9, "AP50": 1.0}.get
    )
    assert at_home.figures(judgement) == {
        "AP": 0.9, "AP50": 1.0, "all four": 0.5, "all four, pairs granted": 1.0,
        "panels": 4, "found": 0.75, "readable and found": 2,
    }  # fmt: skip


def test_by_category_at_home_tells_loose_boxes_from_missed_and_false_ones() -> None:
    """Two panels, one boxed exactly and one with an IoU of 0.6 at low confidence, a sure report on nothing; one person missed."""
    box = np.array([[0, 0, 50, 50], [100, 0, 50, 50], [200, 0, 40, 40.0]])
    none, category = np.zeros(3, bool), np.array([0, 0, 1])
    objects = Objects(np.zeros(3, int), category, box, box[:, 2] * box[:, 3], none, none)
    reported = np.array([[0, 0, 50, 50], [100, 0, 30, 50], [300, 0, 50, 50.0]])
    score = np.array([0.9, 0.3, 0.8])
    detections = Detections(np.zeros(3, int), np.zeros(3, int), reported, reported[:, 2] * reported[:, 3], score)
    matches = match(objects, detections, frames=1, categories=2)
    case = SimpleNamespace(categories=("panel", "person"), things=(None,) * 3)
    judgement = SimpleNamespace(
        matches=matches, case=case, figures=figures_of(matches), working={"panel": 0.5, "person": 0.5}
    )
    found = at_home.by_category(judgement)
    panel = found["panel"]
    assert panel["objects"] == 2 and panel["recall"] == 1.0 and panel["recall at work"] == 0.5
    assert panel["false at work"] == 1
    # 51 of COCO's 101 steps of recall are reached with the first; at IoU 0.5 the rest at a precision of 2/3.
    assert panel["AP75"] == pytest.approx(51 / 101) and panel["AP50"] == pytest.approx((51 + 50 * 2 / 3) / 101)
    assert found["person"]["objects"] == 1 and found["person"]["recall"] == 0.0


def test_the_text_package_is_shown_the_mark_upright_at_one_of_its_turns() -> None:
    """A white dot right of the middle comes above the middle when the picture is turned by a quarter."""
    pixels = np.zeros((120, 120, 3), np.uint8)
    pixels[58:62, 68:72] = 255
    squares = text_baseline.turned_squares(Found(pixels, np.array([40.0, 40.0, 80.0, 80.0]), "A", "A"))
    assert len(squares) == TURNS * len(EXTENTS) and {s.shape for s in squares} == {(HEIGHT_PX, HEIGHT_PX, 3)}
    places = []
    for turn in (0, TURNS // 4):
        y, x = np.nonzero(squares[turn * len(EXTENTS) + 1][..., 0] > 127)
        places.append((x.mean() + 0.5 - HEIGHT_PX / 2, y.mean() + 0.5 - HEIGHT_PX / 2))
    out = 10 / (EXTENTS[1] * 40) * HEIGHT_PX  # 10 px from the middle, in pixels of the square
    assert places[0] == pytest.approx((out, 0), abs=1.0) and places[1] == pytest.approx((0, -out), abs=1.0)


def test_marks_are_counted_strictly_and_with_look_alikes() -> None:
    def found(mark: str, ours: str, side: float) -> Found:
        return Found(np.zeros((1, 1, 3), np.uint8), np.array([0.0, 0.0, side, side]), mark, ours)

    pairs = [(found("6", "9", 50.0), "6"), (found("K", "K", 30.0), "X")]
    lines = {(line["reader"], line["sizes"]): line for line in text_baseline.lines_of(pairs)}
    assert lines[("ours", "all")]["strict"]["share"] == 0.5 and lines[("ours", "all")]["granted"]["share"] == 1.0
    assert lines[("text package", "all")]["granted"]["share"] == 0.5
    assert lines[("ours", ">= 40 px")]["strict"]["n"] == 1
    assert text_baseline.share([]) == {"share": None, "ci95": None, "n": 0}


def test_without_the_text_package_there_is_one_sentence() -> None:
    try:
        import rapidocr_onnxruntime  # noqa: F401  # pyright: ignore[reportMissingImports]
    except ImportError:
        with pytest.raises(InputError, match="The package rapidocr-onnxruntime must be installed"):
            text_baseline.TextReader(["A"])
    else:
        pytest.skip("the package is installed here")


def test_kept_chips_come_back_as_they_were(tmp_path: Path) -> None:
    chips = boxes_in_chips([(0, 5, 6, 20, 30), (1, 2, 3, 9, 9)])
    chips.image = torch.arange(2 * 3 * 8 * 8, dtype=torch.int64).remainder(256).to(torch.uint8).view(2, 3, 8, 8)
    write_chips(tmp_path / "chips.safetensors", [chips])
    kept = team.KeptChips(tmp_path / "chips.safetensors")
    assert len(kept) == 2 and torch.equal(kept.batch(2).image, chips.image)
    assert torch.equal(kept.batch(2).box_px, chips.box_px) and torch.equal(kept.batch(2).category, chips.category)
    assert len(kept.batch(1).image) == 1 and kept.batch(1).chip.tolist() == [0]
