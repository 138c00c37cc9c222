"""Intervals of a proportion against published tables."""

from __future__ import annotations

import math

import pytest
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from eval.proportions import exact_interval, exact_upper_bound, wilson_interval

# R. G. Newcombe, Statistics in Medicine 17 (1998), 857-872, Table I: methods 3 (Wilson) and 5 (Clopper-Pearson).
NEWCOMBE_TABLE_I = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0000, 0.1611), (0.0000, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]
# Quoted in test suites of statistics packages, without a table number.
QUOTED = [(490, 500, (0.9636, 0.9891), (0.9635, 0.9904)), (20, 20, (0.8389, 1.0), (0.8316, 1.0))]


@pytest.mark.parametrize(("hits", "trials", "wilson", "exact"), NEWCOMBE_TABLE_I + QUOTED)
def test_intervals_newcombe1998(
    hits: int, trials: int, wilson: tuple[float, float], exact: tuple[float, float]
) -> None:
    assert wilson_interval(hits, trials) == pytest.approx(wilson, abs=5e-5)
    assert exact_interval(hits, trials) == pytest.approx(exact, abs=5e-5)


def test_one_sided_ends_quoted() -> None:
    assert wilson_interval(0, 10)[1] == pytest.approx(0.2775, abs=5e-5)
    assert wilson_interval(10, 10)[0] == pytest.approx(0.7225, abs=5e-5)


# Exact upper 95 % bound after no event, 1 - 0.05 ** (1 / n) (closed form); the rule of three 3 / n approximates it:
# J. A. Hanley and A. Lippman-Hand, JAMA 249 (1983), 1743-1745.
@pytest.mark.parametrize(("trials", "bound"), [(10, 0.258866), (30, 0.095034), (100, 0.029513), (300, 0.009936)])
def test_no_event_hanley1983(trials: int, bound: float) -> None:
    assert exact_upper_bound(0, trials) == pytest.approx(bound, abs=1e-6)
    if trials > 30:
        assert exact_upper_bound(0, trials) == pytest.approx(3 / trials, rel=0.02)


# Trials without a failure that demonstrate a reliability (standard tables): 95 % confidence.
@pytest.mark.parametrize(("reliability", "trials"), [(0.90, 29), (0.95, 59), (0.99, 299)])
def test_zero_failure_demonstration(reliability: float, trials: int) -> None:
    assert exact_upper_bound(0, trials) <= 1 - reliability < exact_upper_bound(0, trials - 1)


@pytest.mark.parametrize(("hits", "trials"), [(0, 1), (1, 1), (3, 7), (50, 51), (123, 1000)])
def test_intervals_agree_with_statsmodels(hits: int, trials: int) -> None:
    assert wilson_interval(hits, trials) == pytest.approx(proportion_confint(hits, trials, method="wilson"), abs=1e-12)
    assert exact_interval(hits, trials) == pytest.approx(proportion_confint(hits, trials, method="beta"), abs=1e-12)


def test_difference_of_two_shares_newcombe1998() -> None:
    # R. G. Newcombe, Statistics in Medicine 17 (1998), 873-890, Table II, method 10: 56/70 - 48/80 gives (0.0524, 0.3339). The
    # method squares and adds the distances to the ends of two Wilson intervals, here ours.
    first, second = 56 / 70, 48 / 80
    (low1, high1), (low2, high2) = wilson_interval(56, 70), wilson_interval(48, 80)
    ends = (
        first - second - math.hypot(first - low1, high2 - second),
        first - second + math.hypot(high1 - first, second - low2),
    )
    assert ends == pytest.approx((0.0524, 0.3339), abs=5e-5)
    theirs = confint_proportions_2indep(56, 70, 48, 80, method="newcomb", compare="diff")
    assert ends == pytest.approx(theirs, abs=1e-12)
