"""Calibration figures against documented examples."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from eval.calibration import brier_parts, brier_score, reliability, risk_at, risk_coverage


def test_expected_error_torchmetrics_documentation() -> None:
    # torchmetrics, calibration error: l1 0.2900, max 0.3167 with two bins.
    table = reliability(np.array([0.25, 0.25, 0.55, 0.75, 0.75]), np.array([0, 0, 1, 1, 1], dtype=bool), bins=2)
    assert table.expected_error == pytest.approx(0.2900, abs=5e-5)
    assert table.largest_error == pytest.approx(0.3167, abs=5e-5)


def test_expected_error_of_several_classes_torchmetrics_documentation() -> None:
    # The same documentation, three classes and three bins: l1 0.2000, max 0.2333, of the likeliest class.
    tables = np.array([[0.25, 0.20, 0.55], [0.55, 0.05, 0.40], [0.10, 0.30, 0.60], [0.90, 0.05, 0.05]])
    right = tables.argmax(axis=1) == np.array([0, 1, 2, 0])
    table = reliability(tables.max(axis=1), right, bins=3)
    assert table.expected_error == pytest.approx(0.2000, abs=5e-5)
    assert table.largest_error == pytest.approx(0.2333, abs=5e-5)


def test_reliability_curve_scikit_learn_documentation() -> None:
    # scikit-learn, calibration_curve: prob_true [0, .5, 1], prob_pred [.2, .525, .85] (values from memory).
    stated = np.array([0.1, 0.2, 0.3, 0.4, 0.65, 0.7, 0.8, 0.9, 1.0])
    happened = np.array([0, 0, 0, 0, 1, 1, 1, 1, 1])
    table = reliability(stated, happened.astype(bool), bins=3)
    assert table.observed == pytest.approx([0.0, 0.5, 1.0])
    assert table.stated == pytest.approx([0.2, 0.525, 0.85])
    truth, predicted = calibration_curve(happened, stated, n_bins=3)
    assert table.observed == pytest.approx(truth) and table.stated == pytest.approx(predicted)


def test_brier_score_scikit_learn_documentation() -> None:
    # scikit-learn, brier_score_loss: 0.037 (0.0375).
    stated, happened = np.array([0.1, 0.9, 0.8, 0.3]), np.array([0, 1, 1, 0])
    assert brier_score(stated, happened.astype(bool)) == pytest.approx(0.0375)
    assert brier_score(stated, happened.astype(bool)) == pytest.approx(brier_score_loss(happened, stated))


def test_parts_of_the_brier_score_murphy1973() -> None:
    # A. H. Murphy (1973): score = reliability - resolution + uncertainty; numbers by algebra, no published example.
    forecasts, events = (0.1, 0.3, 0.5, 0.7, 0.9), (0, 4, 5, 6, 10)
    stated = np.repeat(forecasts, 10)
    happened = np.concatenate([np.arange(10) < count for count in events])
    table = reliability(stated, happened, bins=5)
    parts = brier_parts(table)
    assert parts == pytest.approx({"reliability": 0.008, "resolution": 0.104, "uncertainty": 0.25})
    assert brier_score(stated, happened) == pytest.approx(0.154)
    assert parts["reliability"] - parts["resolution"] + parts["uncertainty"] == pytest.approx(0.154)
    assert table.expected_error == pytest.approx(0.080)


def test_risk_coverage_by_hand() -> None:
    # Keeping the surest 2 of 4 readings leaves none wrong, all 4 leave half wrong; equal probabilities go together.
    kept, wrong, least = risk_coverage(np.array([0.9, 0.8, 0.6, 0.6]), np.array([True, True, False, False]))
    assert kept.tolist() == [0.25, 0.5, 1.0] and wrong.tolist() == [0.0, 0.0, 0.5] and least.tolist() == [0.9, 0.8, 0.6]
    assert risk_at(0.75, (kept, wrong, least)) == (0.5, 0.6)
