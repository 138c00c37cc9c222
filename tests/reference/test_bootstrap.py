"""Resampling against Efron's law-school data (B. Efron and R. Tibshirani, An Introduction to the Bootstrap, 1993)."""

from __future__ import annotations

import numpy as np
import pytest

from eval.resampling import cluster_draws

LSAT = [576, 635, 558, 578, 666, 580, 555, 661, 651, 605, 653, 575, 545, 572, 594]
GPA = [3.39, 3.30, 2.81, 3.03, 3.44, 3.07, 3.00, 3.43, 3.36, 3.13, 3.12, 2.74, 2.76, 2.88, 2.96]


def test_standard_error_of_a_correlation_efron() -> None:
    data = np.array([LSAT, GPA])
    assert np.corrcoef(data)[0, 1] == pytest.approx(0.7763745, abs=1e-6)
    drawn = [np.corrcoef(np.repeat(data, row.astype(int), axis=1))[0, 1] for row in cluster_draws(15, 3200)]
    # The book gives .132 for 3,200 draws (from memory).
    assert np.std(drawn, ddof=1) == pytest.approx(0.132, abs=0.006)
