"""Clusters and their intervals."""

from __future__ import annotations

import numpy as np
import pytest

from eval.resampling import MIN_CLUSTERS, cluster_draws, clusters_of, percentile_interval


def test_background_comes_before_run_before_frame() -> None:
    clusters = clusters_of(["a", None, None, "a", None], ["r", "r", None, "s", None])
    assert clusters.code.tolist() == [0, 1, 2, 0, 3]
    assert clusters.by == ("background", "frame", "mission_run")


def test_below_eight_clusters_there_is_a_reason_instead_of_an_interval() -> None:
    few = clusters_of([str(i) for i in range(MIN_CLUSTERS - 1)], [None] * (MIN_CLUSTERS - 1))
    assert few.why_no_interval == "an interval needs at least 8 clusters; the frames come from 7 (by background)"
    assert clusters_of([str(i) for i in range(MIN_CLUSTERS)], [None] * MIN_CLUSTERS).why_no_interval is None


def test_frames_of_a_cluster_are_drawn_together() -> None:
    clusters = clusters_of(["a", "b", "a"], [None] * 3)
    weights = clusters.frame_weights(50)
    assert (weights[:, 0] == weights[:, 2]).all() and weights.shape == (50, 3)
    assert (cluster_draws(4, 20).sum(axis=1) == 4).all()


def test_draws_are_the_same_every_time() -> None:
    assert np.array_equal(cluster_draws(9, 30), cluster_draws(9, 30))


def test_interval_covers_the_mean_as_often_as_it_says() -> None:
    rng = np.random.default_rng(0)
    inside = 0
    draws = cluster_draws(30, 400)
    for _ in range(300):
        values = rng.normal(5, 2, 30)
        interval = percentile_interval(draws @ values / 30)
        assert interval is not None
        inside += interval[0] <= 5 <= interval[1]
    # Nominal 95 %; the percentile interval of 30 clusters is known to be a little short.
    assert 0.90 <= inside / 300 <= 0.98


@pytest.mark.parametrize("missing", [0.2, 1.0])
def test_no_interval_where_draws_could_not_be_measured(missing: float) -> None:
    values = np.linspace(0, 1, 100)
    values[: int(100 * missing)] = np.nan
    assert percentile_interval(values) is None
