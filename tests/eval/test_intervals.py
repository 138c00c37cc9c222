"""Intervals from resampled clusters: against plain formulas where clusters are single trials, and in simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t

from eval.detection import figures_of, resampled_figures
from eval.intervals import (
    Spread,
    effective_wilson,
    plain_interval,
    positive_interval,
    share_interval,
    spread_of,
)
from eval.proportions import wilson_interval
from eval.resampling import cluster_draws


def test_spread_of_a_mean_is_its_standard_error() -> None:
    values = np.random.default_rng(0).normal(5, 2, 40)
    draws = cluster_draws(40, 4000)
    spread = spread_of(draws @ values / 40, draws)
    assert spread is not None
    assert spread.error == pytest.approx(values.std(ddof=1) / np.sqrt(40), rel=0.03)
    assert 25 <= spread.degrees <= 39


def test_plain_interval_is_students() -> None:
    low, high = plain_interval(1.0, Spread(0.5, 9, 10))
    assert (high - 1.0) == pytest.approx(t.ppf(0.975, 9) * 0.5) == pytest.approx(1.0 - low)


def test_interval_of_single_trials_is_wilsons() -> None:
    # Many clusters of one trial each: the effective number of trials is the number of trials.
    hits = np.random.default_rng(1).random(400) < 0.3
    draws = cluster_draws(400, 3000)
    spread = spread_of(draws @ hits / 400, draws)
    assert spread is not None
    assert share_interval(hits.mean(), spread) == pytest.approx(wilson_interval(hits.sum(), 400), abs=0.004)
    assert effective_wilson(hits.astype(float), np.ones(400)) == pytest.approx(
        wilson_interval(hits.sum(), 400), abs=1e-3
    )


def test_likeness_within_clusters_widens_wilsons_interval() -> None:
    rng = np.random.default_rng(2)
    alike = rng.binomial(10, rng.beta(1.6, 0.4, 30)).astype(float)
    wide = effective_wilson(alike, np.full(30, 10.0))
    narrow = wilson_interval(alike.sum(), 300)
    assert wide[1] - wide[0] > 1.3 * (narrow[1] - narrow[0])


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_where_nothing_varies_each_cluster_is_one_trial(share: float) -> None:
    expected = wilson_interval(share * 12, 12)
    assert share_interval(share, Spread(0.0, 11, 12)) == expected
    assert effective_wilson(share * np.full(12, 5.0), np.full(12, 5.0)) == expected


def test_errors_in_few_clusters_leave_room_for_unseen_ones() -> None:
    # Three of 30 clusters hold an error each: no surer than Wilson's of 300 trials, and not surer than none at all by much.
    few = share_interval(0.999, Spread(0.0007, 3, 30))
    many = share_interval(0.999, Spread(0.0007, 29, 30))
    assert few[0] < 0.985 < many[0]
    assert few[0] > share_interval(1.0, Spread(0.0, 29, 30))[0]


def test_bounds_stay_where_they_can_be() -> None:
    low, high = share_interval(0.999, Spread(0.02, 5, 10))
    assert 0 <= low < 0.999 < high <= 1
    low, high = positive_interval(0.2, Spread(0.3, 5, 10))
    assert 0 < low < 0.2 < high


@pytest.mark.parametrize("missing", [0.2, 1.0])
def test_no_spread_where_draws_could_not_be_measured(missing: float) -> None:
    values = np.linspace(0, 1, 100)
    values[: int(100 * missing)] = np.nan
    assert spread_of(values, cluster_draws(10, 100)) is None


def test_average_precision_near_1_is_covered_as_often_as_promised() -> None:
    # Small sizes; the whole table is benchmarks/scorecard/coverage.py.
    from benchmarks.scorecard.simulated import Process, with_figure

    process = with_figure(Process(0.1, missed=0.0), "AP50", 0.97)
    truth = process.true_figure("AP50", frames=50_000)
    rng, inside, sides = np.random.default_rng(3), 0, 60
    for _ in range(sides):
        matches, cluster = process.matches(rng, 30)
        drawn = cluster_draws(30, 200)
        values = resampled_figures(matches, drawn[:, cluster], ("AP50",), envelope=False)["AP50"][:, 0]
        spread = spread_of(values, drawn)
        assert spread is not None
        low, high = share_interval(float(figures_of(matches, ("AP50",), envelope=False)["AP50"][0]), spread)
        inside += low <= truth <= high
    assert inside >= 0.88 * sides
