"""Resampled figures equal the figures of the frames drawn; figures do not depend on order, numbers or doubling."""

from __future__ import annotations

import numpy as np
import pytest

from eval.detection import FIGURES, mean_over_categories, resampled_figures
from eval.detection import figures_of as figures_of_matches
from eval.matching import Detections, Objects
from tests.eval.rows import SIZE, detections, matched, objects, random_rows
from tests.reference.coco_oracle import accumulated_figures, coco_evaluation


def figures_of(truth: Objects, answers: Detections, frames: int, categories: int = 2) -> dict[str, np.ndarray]:
    evaluation = coco_evaluation(truth, answers, sizes_px=[SIZE] * frames, categories=categories)
    return accumulated_figures(evaluation)


def assert_same(one: dict[str, np.ndarray], other: dict[str, np.ndarray]) -> None:
    for name in FIGURES:
        assert one[name] == pytest.approx(other[name], abs=1e-12, nan_ok=True), name


def drawn(truth: Objects, answers: Detections, counts: np.ndarray) -> tuple[Objects, Detections, int]:
    """The frame set in which frame i stands counts[i] times."""
    copies = np.repeat(np.arange(len(counts)), counts)
    rows = [[np.flatnonzero(things.frame == old) for old in copies] for things in (truth, answers)]
    objects_of, detections_of = (np.concatenate(part) if part else np.zeros(0, dtype=int) for part in rows)
    frames = [np.concatenate([np.full(len(r), new) for new, r in enumerate(part)]) for part in rows]
    return (
        Objects(
            frames[0].astype(int), truth.category[objects_of], truth.box_px[objects_of], truth.area_px2[objects_of],
            truth.crowd[objects_of], truth.left_out[objects_of],
        ),
        Detections(
            frames[1].astype(int), answers.category[detections_of], answers.box_px[detections_of],
            answers.area_px2[detections_of], answers.score[detections_of],
        ),
        len(copies),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(12))
def test_weighted_figures_are_those_of_the_frames_drawn(seed: int) -> None:
    rng = np.random.default_rng(seed)
    frames = 6
    truth, answers = random_rows(rng, frames)
    counts = rng.multinomial(frames, np.full(frames, 1 / frames), size=3)
    weighted = resampled_figures(matched(truth, answers, frames, 2), counts.astype(float))
    for row, count in enumerate(counts):
        expected = figures_of(*drawn(truth, answers, count))
        assert_same({name: values[row] for name, values in weighted.items()}, expected)


def test_chunks_do_not_change_the_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    truth, answers = random_rows(np.random.default_rng(3), 5)
    matches = matched(truth, answers, 5, 2)
    weights = np.random.default_rng(4).integers(0, 3, (7, 5)).astype(float)
    whole = resampled_figures(matches, weights)
    monkeypatch.setattr("eval.detection._CHUNK_NUMBERS", 1)
    assert_same(whole, resampled_figures(matches, weights))


@pytest.mark.parametrize("seed", range(5))
def test_figures_do_not_depend_on_order_or_doubling(seed: int) -> None:
    rng = np.random.default_rng(seed)
    truth, answers = random_rows(rng, 5)
    plain = figures_of(truth, answers, 5)
    turn = rng.permutation(len(answers.frame))
    shuffled = Detections(
        *(getattr(answers, name)[turn] for name in ("frame", "category", "box_px", "area_px2", "score"))
    )
    assert_same(plain, figures_of(truth, shuffled, 5))
    assert_same(plain, figures_of(*drawn(truth, answers, np.full(5, 2))))


def test_swapping_the_categories_swaps_their_figures() -> None:
    truth, answers = random_rows(np.random.default_rng(8), 6)
    swapped = figures_of(
        Objects(truth.frame, 1 - truth.category, truth.box_px, truth.area_px2, truth.crowd, truth.left_out),
        Detections(answers.frame, 1 - answers.category, answers.box_px, answers.area_px2, answers.score),
        6,
    )
    plain = figures_of(truth, answers, 6)
    assert_same({name: values[::-1] for name, values in plain.items()}, swapped)


def test_a_category_without_objects_is_not_a_number_and_not_part_of_the_mean() -> None:
    truth = objects((0, 0, (10, 10, 50, 50)))
    found = figures_of(truth, detections((0, 0, (10, 10, 50, 50), 0.9), (0, 1, (10, 10, 50, 50), 0.9)), 1)
    assert found["AP"][0] == pytest.approx(1.0) and np.isnan(found["AP"][1])
    assert float(mean_over_categories(found["AP"])) == pytest.approx(1.0)
    assert np.isnan(mean_over_categories(np.array([np.nan, np.nan])))


def test_missing_everything_is_zero_and_not_unknown() -> None:
    found = figures_of(objects((0, 0, (10, 10, 50, 50))), detections(), 1, 1)
    assert found["AP"].tolist() == [0.0] and found["AR100"].tolist() == [0.0]


@pytest.mark.parametrize("seed", range(6))
def test_without_the_envelope_precision_is_taken_as_it_is(seed: int) -> None:
    truth, answers = random_rows(np.random.default_rng(seed), 8, categories=1)
    matches = matched(truth, answers, 8, 1)
    asked = int((~matches.obj_ignored[0]).sum())
    order = np.argsort(-matches.det_score, kind="stable")
    hits = np.cumsum(matches.true()[order])
    wrong = np.cumsum(matches.false()[order])
    naive = 0.0
    for step in np.linspace(0, 1, 101):
        there = np.flatnonzero((hits / asked >= step) & (hits > 0))
        naive += hits[there[0]] / (hits[there[0]] + wrong[there[0]]) / 101 if len(there) else 0.0
    found = figures_of_matches(matches, ("AP50",), envelope=False)["AP50"][0]
    assert found == pytest.approx(naive, abs=1e-12)
    assert found <= figures_of_matches(matches, ("AP50",))["AP50"][0] + 1e-12
