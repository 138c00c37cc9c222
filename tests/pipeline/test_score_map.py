"""From scores to probabilities: checked against scikit-learn on the same outputs, on reports to which nothing was fitted."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import torch
from sklearn.calibration import calibration_curve
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import average_precision_score, brier_score_loss

from eval.calibration import reliability
from pipeline.frame_reader import FrameReader
from pipeline.score_map import ScoreMap, calibration_errors, fit_score_map, probabilities
from pipeline.second_look import Settled
from pipeline.tiles import Detections
from pipeline.validation import Matches
from pipeline.working_confidence import AtWork
from tests.pipeline.painted_flight import VOCABULARY


def reports(count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Scores of a detector that is far too unsure of what it is right about, and whether each report is right."""
    rng = np.random.default_rng(seed)
    odds = rng.normal(-1.0, 2.5, count)
    hit = rng.random(count) < 1 / (1 + np.exp(-(1.8 * odds + 1.5)))
    return 1 / (1 + np.exp(-odds)), hit


def test_the_even_map_changes_nothing():
    score = np.array([0.02, 0.3, 0.5, 0.97])
    assert ScoreMap(1.0, 1.0, 0.0, 0.0)(score) == pytest.approx(score)
    floor = 0.01 * (1 + score / 10)
    assert ScoreMap(1.0, 1.0, 0.0)(score) == pytest.approx(floor + (1 - floor) * score)


def test_the_order_of_hopeless_reports_outlives_a_file_of_nine_digits():
    """A map as steep as a poorly learnt category on a sparse field asks for: log-odds of 0.1 are -34."""
    score = np.linspace(0.01, 0.99, 2000)
    mapped = np.round(ScoreMap(12.7, 3.2, -5.4)(score), 9)
    assert (np.diff(mapped) > 0).all() and mapped[0] > 0.01


def test_the_fit_is_that_of_logistic_regression():
    """Beta calibration is logistic regression on log s and -log(1 - s) (Kull, Silva Filho & Flach 2017, sec. 4)."""
    score, hit = reports(3000, 1)
    known = LogisticRegression(C=1e6, tol=1e-8, max_iter=2000).fit(np.stack([np.log(score), -np.log1p(-score)], 1), hit)
    fitted = fit_score_map(score, hit, lowest=0.0)
    assert fitted is not None
    assert (fitted.a, fitted.b) == pytest.approx(tuple(known.coef_[0]), rel=0.04)  # ours is held a little to 1
    assert fitted.c == pytest.approx(float(known.intercept_[0]), abs=0.05)


def test_probabilities_hold_on_other_reports_as_scikit_learn_measures_it():
    score, hit = reports(4000, 2)
    fitted = fit_score_map(*reports(2000, 3))
    assert fitted is not None
    mapped = fitted(score)
    assert brier_score_loss(hit, mapped) < brier_score_loss(hit, score) - 0.01
    errors = []
    for p in (score, mapped):
        observed, stated = calibration_curve(hit, p, n_bins=10)
        place = np.clip((p * 10).astype(int), 0, 9)
        weight = np.bincount(place, minlength=10)
        errors.append(float(np.average(np.abs(observed - stated), weights=weight[weight > 0])))
        assert reliability(p, hit).expected_error == pytest.approx(errors[-1], abs=1e-9)
    assert errors[0] > 0.08 and errors[1] < 0.02, errors
    # The order is what it was, and with it the average precision.
    order = np.argsort(score)
    assert (np.diff(mapped[order]) >= 0).all() and len(np.unique(mapped)) > 0.99 * len(mapped)
    assert average_precision_score(hit, mapped) == pytest.approx(average_precision_score(hit, score), abs=1e-6)


def test_the_map_rises_even_where_scores_mislead():
    score, hit = reports(500, 4)
    fitted = fit_score_map(1 - score, hit)
    assert fitted is not None and fitted.a > 0 and fitted.b > 0
    assert (np.diff(fitted(np.linspace(0, 1, 50))) >= 0).all()


def test_a_map_holds_at_the_prior_of_its_weights():
    """Right reports score with density 2 s, false ones with 2 (1 - s): the odds are s / (1 - s) times those of the prior, which
    is a beta map of a = b = 1 and c = log(prior odds), here of one right report in a hundred false ones."""
    grid = np.sqrt((np.arange(4000) + 0.5) / 4000)
    score, hit = np.concatenate([grid, 1 - grid[::2]]), np.arange(6000) < 4000
    fitted = fit_score_map(score, hit, np.where(hit, 1 / 4000, 100 / 2000), lowest=0.0)
    assert fitted is not None
    assert (fitted.a, fitted.b, fitted.c) == pytest.approx((1.0, 1.0, np.log(1 / 100)), abs=0.03)
    as_given = fit_score_map(score, hit, lowest=0.0)
    assert as_given is not None and as_given.c == pytest.approx(np.log(4000 / 2000), abs=0.03)


def test_perfectly_parted_reports_give_a_finite_map():
    score = np.concatenate([np.linspace(0.02, 0.3, 60), np.linspace(0.6, 0.99, 60)])
    fitted = fit_score_map(score, score > 0.45)
    assert fitted is not None and np.isfinite([fitted.a, fitted.b, fitted.c]).all()
    assert fitted(np.array([0.0, 1.0]))[0] >= 0.01 and fitted(np.array([0.0, 1.0]))[1] <= 1.0


def test_too_few_reports_give_no_map():
    score, hit = reports(300, 5)
    assert fit_score_map(score[hit][:19], hit[hit][:19]) is None
    assert fit_score_map(np.zeros(0), np.zeros(0, bool)) is None


def test_score_of_undoes_the_map():
    own = ScoreMap(0.7, 2.0, 0.4)
    for score in (0.03, 0.4, 0.93):
        assert own.score_of(float(own(np.array([score]))[0])) == pytest.approx(score, abs=1e-6)
    assert own.score_of(0.001) == pytest.approx(0.0, abs=1e-6)


def test_errors_are_measured_on_chips_that_the_map_was_not_fitted_to():
    """Chips whose number is even are right where odd ones are wrong: a map fitted to the other half must look bad."""
    score, hit = reports(2000, 6)
    chip = np.arange(2000)
    honest = Matches(score, hit, np.zeros(2000, bool), int(hit.sum()), chip, chip * 0)
    before, after = calibration_errors(honest)
    assert after < 0.04 < before
    crossed = Matches(score, np.where(chip % 2 == 0, hit, ~hit), np.zeros(2000, bool), 1000, chip, chip * 0)
    assert calibration_errors(crossed)[1] > 0.2
    nothing = Matches(score[:30], hit[:30], np.zeros(30, bool), 10, chip[:30], chip[:30] * 0)
    assert np.isnan(calibration_errors(nothing)).all()


def test_working_confidences_go_with_their_maps():
    own = ScoreMap(0.7, 2.0, 0.4)
    figures = {"panel AP50": 0.9}
    panel = AtWork(0.4, 0.9, 50, 0.2, 0.1, 3, 5.0, 10.0, 0.8, 1.0, 1.4, (1000, 1000), False)
    at_work = {"panel": panel, "person": replace(panel, confidence=0.3)}
    settled = Settled(0.5, figures, figures, at_work, {"panel": own}, {"panel": (0.2, 0.03)})
    assert settled.working_confidence["panel"] == pytest.approx(float(own(np.array([0.4]))[0]))
    assert settled.working_confidence["person"] == 0.3
    assert settled.record()["panel calibration error"] == 0.03


def test_a_frame_is_read_in_the_same_order_with_and_without_maps():
    """Boxes, order and what reaches the working confidence stay; scores become probabilities; persons have no map here."""
    own = {"panel": ScoreMap(0.6, 1.7, 0.8)}
    found = Detections(np.arange(20.0).reshape(5, 4), np.array([0.9, 0.6, 0.45, 0.2, 0.011]), np.array([0, 1, 0, 0, 1]))
    looks: list[int] = []

    def read_attributes(frame, box_px):
        looks.append(len(box_px))
        tables = {"shape": VOCABULARY.shapes, "mark": VOCABULARY.marks}
        out = {name: torch.ones(len(box_px), len(words)) / len(words) for name, words in tables.items()}
        colours = torch.ones(len(box_px), len(VOCABULARY.colours)) / len(VOCABULARY.colours)
        return out | {"panel_colour": colours, "mark_colour": colours, "panel": torch.linspace(0.9, 0.4, len(box_px))}

    read = []
    for maps in ({}, own):
        working = {"panel": 0.4, "person": 0.3}
        if maps:
            working["panel"] = float(own["panel"](np.array([0.4]))[0])
        bundle = SimpleNamespace(
            categories=("panel", "person"), vocabulary=VOCABULARY, device="cpu", second_look_weight=0.5,
            score_maps=maps, working_confidence=working, read_attributes=read_attributes,
        )  # fmt: skip
        reader = FrameReader(bundle, None, {"panel": 1, "person": 2}, working)  # type: ignore[arg-type]
        again, tables = reader._read(torch.zeros(3, 64, 64, dtype=torch.uint8), found)
        panels = again.category == 0
        read.append((again.box_px[panels], again.score[panels], again.score[panels] >= working["panel"], tables))
        assert again.score[~panels].tolist() == [0.6, 0.011]
        for number, table in tables.items():
            assert again.category[number] == 0 and set(table) == {"shape", "panel_colour", "mark", "mark_colour"}
    assert looks[0] == looks[1] and np.array_equal(read[0][0], read[1][0])
    assert np.array_equal(read[0][2], read[1][2]) and not np.allclose(read[0][1], read[1][1])
    assert read[1][1] == pytest.approx(own["panel"](read[0][1]))


def test_categories_without_a_map_keep_their_scores():
    score, category = np.array([0.5, 0.5]), np.array([0, 1])
    mapped = probabilities(score, category, {1: ScoreMap(1.0, 1.0, 2.0)})
    assert mapped[0] == 0.5 and mapped[1] > 0.8


def test_a_map_is_fitted_where_nothing_else_learns() -> None:
    rng = np.random.default_rng(3)
    score = rng.random(500)
    hit = rng.random(500) < score**2
    with torch.inference_mode():
        fitted = fit_score_map(score, hit)
    assert fitted is not None and fitted == fit_score_map(score, hit)
