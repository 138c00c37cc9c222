"""The blocks of scorecard.json about the finds of runs: place, points, what was lost to what."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from eval.best_confidence import LEAST_RUNS, best_confidence
from eval.intervals import plain_interval, positive_interval
from eval.judgement import RunsJudgement
from eval.location import (
    CLAIMED_SHARES,
    axis_rmse_m,
    ce90_m,
    ce90_upper_m,
    ellipse_shares,
    nssda95_m,
    rmse_m,
)
from eval.resampling import Clusters, cluster_draws
from eval.scorecard import put, put_interval

Block = dict[str, Any]


def location_block(runs: RunsJudgement, clusters: Clusters) -> Block:
    """Horizontal error of the finds with a sighting on a thing, however far they were put from it."""
    errors = runs.errors_m
    block: Block = {}
    why = "no find with a place was seen on a thing whose place is known"
    put(block, "rmse_m", rmse_m(errors), why)
    put(block, "ce90_m", ce90_m(errors), why)
    block["n"] = len(errors)
    _put_statistics(block, runs, why)
    block["ci95"] = {}
    draws = (
        None if clusters.why_no_interval or not len(errors) else cluster_draws(clusters.count)[:, runs.error_cluster]
    )
    for key, measure in (("rmse_m", rmse_m), ("ce90_m", ce90_m)):
        values = None if draws is None else np.array([measure(errors, row) for row in draws])
        if not len(errors):
            put(block["ci95"], key, None, why)
        else:
            put_interval(block["ci95"], key, block[key], values, clusters, positive_interval)
    return block


def _put_statistics(block: Block, runs: RunsJudgement, why: str) -> None:
    """Bias, both axes, NSSDA's 95 %, the upper bound of CE90, and how often claimed ellipses hold the truth."""
    errors = runs.errors_m
    east, north = axis_rmse_m(errors)
    bias = errors.mean(axis=0).tolist() if len(errors) else [math.nan, math.nan]
    for key, value in zip(("rmse_east_m", "rmse_north_m", "bias_east_m", "bias_north_m"), (east, north, *bias)):
        put(block, key, value, why)
    put(block, "ce90_upper_m", ce90_upper_m(errors), f"an upper bound needs 36 finds; here are {len(errors)}")
    put(block, "nssda95_m", nssda95_m(errors), why if not len(errors) else "east and north differ too much for it")
    within = ellipse_shares(errors, runs.claimed_m2)
    within = within[~np.isnan(within)]
    held: Block | None = None
    if len(within):
        held = {f"{share:g}": float((within <= share).mean()) for share in CLAIMED_SHARES} | {"n": len(within)}
    put(block, "claimed_ellipses", held, "no find claims how sure its place is")


def points_block(runs: RunsJudgement, clusters: Clusters) -> Block:
    """Points per run, what could have been earned, and where the rest went."""
    assert runs.rulebook is not None
    earned = np.array([result.earned for result in runs.points])
    count = len(earned)
    best = best_confidence(runs.runs, runs.rulebook)
    block: Block = {
        "mean": float(earned.mean()),
        "possible": float(np.mean([result.possible for result in runs.points])),
        "runs": count,
        "rulebook": runs.rulebook.name,
        "lost_to": lost_to(runs),
        "reports": report_counts(runs),
        "quantiles": {f"{q:g}": float(np.quantile(earned, q)) for q in (0.0, 0.1, 0.5, 0.9, 1.0)},
    }
    put(
        block,
        "best_confidence",
        best,
        f"it takes {LEAST_RUNS} runs with finds to choose on one half and state on the other",
    )
    if clusters.why_no_interval is None:
        drawn = cluster_draws(clusters.count)[:, [run.cluster for run in runs.runs]]
        total = drawn.sum(axis=1)
        means = np.where(total > 0, drawn @ earned / np.maximum(total, 1), np.nan)
        put_interval(block, "ci95", block["mean"], means, clusters, plain_interval)
    else:
        put(block, "ci95", None, clusters.why_no_interval)
    return block


def lost_to(runs: RunsJudgement) -> Block:
    """Cause -> mean points a run, and things or reports concerned in all runs; the greatest loss first."""
    causes: dict[str, list[float]] = {}
    for losses in runs.losses:
        for cause, points in losses.points.items():
            entry = causes.setdefault(cause, [0.0, 0])
            entry[0] += points
            entry[1] += losses.count[cause]
    ordered = sorted(causes.items(), key=lambda item: (-item[1][0], item[0]))
    return {cause: {"points": points / len(runs.runs), "count": int(count)} for cause, (points, count) in ordered}


def report_counts(runs: RunsJudgement) -> Block:
    """How many things lay there and were reported, and how many reports were false or doubled, in all runs."""
    counts: Block = {}
    for name in ("panels", "panels_found", "persons", "persons_found", "false", "duplicates", "held"):
        counts[name] = 0
    for run, result in zip(runs.runs, runs.points, strict=True):
        used = result.object_of >= 0
        for category, name in enumerate(("panels", "persons")):
            counts[name] += int((run.truth.counted & (run.truth.category == category)).sum())
            counts[f"{name}_found"] += int((run.truth.category[result.object_of[used]] == category).sum())
        counts["false"] += int(result.false.sum())
        counts["duplicates"] += int(result.duplicate.sum())
        counts["held"] += int(run.held.sum())
    return counts
