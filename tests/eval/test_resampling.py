"""Clusters and their intervals."""

from __future__ import annotations

import numpy as np

from eval.resampling import MIN_CLUSTERS, cluster_draws, clusters_of


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
