"""Resampling and bounds against published data: law school, mice, maize, approval, and the rule of three."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import permutation_test, t

from eval.intervals import Spread, plain_interval, spread_of
from eval.proportions import exact_upper_bound
from eval.resampling import cluster_draws

LSAT = [576, 635, 558, 578, 666, 580, 555, 661, 651, 605, 653, 575, 545, 572, 594]
GPA = [3.39, 3.30, 2.81, 3.03, 3.44, 3.07, 3.00, 3.43, 3.36, 3.13, 3.12, 2.74, 2.76, 2.88, 2.96]


def test_standard_error_of_a_correlation_efron() -> None:
    data = np.array([LSAT, GPA])
    # B. Efron and R. Tibshirani, An Introduction to the Bootstrap (1993): r = 0.776.
    assert np.corrcoef(data)[0, 1] == pytest.approx(0.7763745, abs=1e-6)
    drawn = [np.corrcoef(np.repeat(data, row.astype(int), axis=1))[0, 1] for row in cluster_draws(15, 3200)]
    # The book gives .132 for 3,200 draws (from memory).
    assert np.std(drawn, ddof=1) == pytest.approx(0.132, abs=0.006)


def _standard_error(values: list[float]) -> float:
    """Our standard error of the mean of values that are a cluster each."""
    draws = cluster_draws(len(values), 20_000)
    spread = spread_of(draws @ np.array(values) / len(values), draws)
    assert spread is not None
    return spread.error


@pytest.mark.parametrize(
    ("values", "published"),
    [([94, 197, 16, 38, 99, 141, 23], 25.2355), ([52, 104, 146, 10, 51, 30, 40, 27, 46], 14.1586)],
)
def test_standard_errors_of_the_mouse_data_efron1993(values: list[float], published: float) -> None:
    # B. Efron and R. Tibshirani, An Introduction to the Bootstrap (1993), p. 11: 25.24 and 14.14.
    assert _standard_error(values) == pytest.approx(published, rel=0.02)


def test_paired_differences_of_darwins_maize_fisher1935() -> None:
    # R. Fisher, The Design of Experiments (1935): 15 paired differences, sum 314, t = 2.14799, two-sided p 0.0497.
    differences = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
    error = _standard_error(differences)
    assert 314 / 15 / error == pytest.approx(2.14799, rel=0.02)
    # At p = 0.0497 the 95 % interval just leaves out 0.
    low, _ = plain_interval(314 / 15, Spread(314 / 15 / 2.14799, 14, 15))
    assert 0 < low < 0.1


def _two_sided_p(values: list[float]) -> float:
    """The largest p whose interval of the mean, resampled a value a cluster, just touches 0."""
    draws = cluster_draws(len(values), 20_000)
    spread = spread_of(draws @ np.array(values) / len(values), draws)
    assert spread is not None
    mean = float(np.mean(values))
    return float(brentq(lambda p: plain_interval(mean, spread, 1 - p)[0], 1e-6, 1 - 1e-6))


def test_chance_of_darwins_maize_by_exact_permutation_fisher1935() -> None:
    # R. Fisher, The Design of Experiments (1935), the same data: 1,726 of the 2^15 signs are as far out, p = 0.05267.
    differences = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
    exact = permutation_test(
        (differences,), np.mean, permutation_type="samples", n_resamples=np.inf, vectorized=False
    ).pvalue
    assert exact == pytest.approx(1726 / 32768)
    assert _two_sided_p([float(d) for d in differences]) == pytest.approx(exact, abs=0.015)


def test_chance_of_the_mouse_data_by_exact_permutation_efron1993() -> None:
    # B. Efron and R. Tibshirani (1993), p. 11: means differ by 30.63, standard error of the difference 28.93; exact one-sided
    # permutation over all C(16, 7) divisions 0.1410 (scipy; the book's own drawing gives about .13, from memory).
    treated, control = [94, 197, 16, 38, 99, 141, 23], [52, 104, 146, 10, 51, 30, 40, 27, 46]

    def apart(a, b) -> float:
        return float(np.mean(a) - np.mean(b))

    exact = permutation_test(
        (treated, control), apart, n_resamples=np.inf, alternative="greater", vectorized=False
    ).pvalue
    assert exact == pytest.approx(0.1409965, abs=1e-6)
    error = np.hypot(_standard_error(treated), _standard_error(control))
    assert error == pytest.approx(28.93, rel=0.02)
    assert t.sf(apart(treated, control) / error, 14) == pytest.approx(exact, abs=0.03)


def test_paired_difference_of_two_shares_agresti1990() -> None:
    # A. Agresti, Categorical Data Analysis (1990), p. 350: [[794, 86], [150, 570]], McNemar without correction 17.3559.
    loss = np.repeat([0.0, 1.0, -1.0, 0.0], [794, 86, 150, 570])
    draws = cluster_draws(len(loss), 3000)
    spread = spread_of(draws @ loss / len(loss), draws)
    assert spread is not None
    # McNemar's variance is that under no difference, 236 / n^2; ours subtracts the square of the difference.
    under_none = np.sqrt(spread.error**2 + (64 / 1600) ** 2 / 1600)
    assert (64 / 1600 / under_none) ** 2 == pytest.approx(17.3559, rel=0.08)


@pytest.mark.parametrize(("count", "exact"), [(10, 0.258866), (30, 0.095034), (100, 0.029513), (300, 0.009936)])
def test_nobody_missed_rule_of_three_hanley1983(count: int, exact: float) -> None:
    # J. Hanley and A. Lippman-Hand, JAMA 249 (1983): none of n leaves up to 3/n; exact 1 - 0.05^(1/n).
    assert exact_upper_bound(0, count) == pytest.approx(exact, abs=1e-6)


@pytest.mark.parametrize(("reliability", "trials"), [(0.90, 29), (0.95, 59), (0.99, 299)])
def test_zero_failure_demonstration(reliability: float, trials: int) -> None:
    # Standard reliability tables: so many trials without failure show the reliability with 95 % confidence.
    assert exact_upper_bound(0, trials) <= 1 - reliability < exact_upper_bound(0, trials - 1)
