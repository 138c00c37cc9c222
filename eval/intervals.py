"""95 % intervals from resampled clusters that keep their promise near 0 and 1 and with few clusters.

The percentile interval is too narrow there (benchmarks/scorecard/coverage.py). Instead the resampled figures give a standard
error, and the interval is built on the scale that suits the figure:

- a share (AP, recall, accuracy): Wilson's interval with the effective number of trials n = p (1 - p) / se^2 (as in
  L. Kish, Survey Sampling, 1965, for the design effect); it is never outside 0..1 and leans away from the nearer end;
- a rate or a length: normal on its logarithm; anything else: normal as it is.

Student's t takes the place of the normal, with the degrees of freedom that the clusters are worth: 2 n / (kurtosis - 1) of
their influences on the figure, since the variance of a variance grows with the kurtosis (e.g. F. Satterthwaite, Biometrics
Bulletin 2 (1946)); where few clusters hold all the errors these are few. The standard error itself is then hardly known and
mostly too small, so a part of the variance is taken as if each cluster were a single trial, all right or all wrong: the part
is 1 / (1 + (degrees + 1)^2), small for ten and none for many. It was chosen in simulation (the benchmark named above), with no
other source; where nothing varied it would be the whole, which is what is given there.

COCO's precision at single thresholds is a staircase of 101 steps; endless data lie anywhere on a step, which adds the variance
of a uniform distribution over one step. Its envelope (the best precision at or beyond each recall) makes the figure too high
on small sets, by about half its standard error near 1: intervals are built about the precision without the envelope, and made
to hold the figure as stated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t

from eval.proportions import wilson_interval
from eval.resampling import MIN_MEASURED_SHARE

Floats = NDArray[np.float64]
Interval = tuple[float, float]

#: Variance of a uniform distribution over one of COCO's 101 steps of recall.
STEP_VARIANCE = (1 / 101) ** 2 / 12


@dataclass(frozen=True)
class Spread:
    """How far a figure varies from one choice of clusters to another: standard error and degrees of freedom."""

    error: float
    degrees: float
    clusters: int

    def factor(self, confidence: float = 0.95) -> float:
        """Student's t for a two-sided interval."""
        return float(t.ppf(0.5 + confidence / 2, self.degrees))


def spread_of(values: Floats, drawn: Floats) -> Spread | None:
    """Spread of resampled values [draws] of clusters drawn ``drawn`` [draws, C] times.

    None where too many of the values are NaN (could not be measured).
    """
    clusters = drawn.shape[1]
    measured = ~np.isnan(values)
    if not len(values) or clusters < 2 or measured.sum() < MIN_MEASURED_SHARE * len(values):
        return None
    values, drawn = values[measured], drawn[measured]
    deviation = values - values.mean()
    error = math.sqrt(float((deviation**2).mean()) * clusters / (clusters - 1))
    return Spread(error, _degrees((drawn - drawn.mean(axis=0)).T @ deviation), clusters)


def _degrees(influence: Floats) -> float:
    """Degrees of freedom that clusters of these influences [C] are worth, between 3 and C - 1."""
    clusters = len(influence)
    centred = influence - influence.mean()
    second = float((centred**2).mean())
    if not second > 0:
        return clusters - 1.0
    kurtosis = float((centred**4).mean()) / second**2
    return float(np.clip(2 * clusters / max(kurtosis - 1, 1e-9) - 1, min(3, clusters - 1), clusters - 1))


def share_interval(share: float, spread: Spread, *, extra_variance: float = 0.0, confidence: float = 0.95) -> Interval:
    """Wilson's interval of a share with the effective number of trials; where nothing varies, each cluster is one trial."""
    within = share * (1 - share)
    z = spread.factor(confidence)
    unknown = 1 / (1 + (spread.degrees + 1) ** 2)
    as_trials = max(within / spread.clusters, spread.error**2)
    variance = (1 - unknown) * spread.error**2 + unknown * as_trials + extra_variance
    if spread.error <= 0 or within <= 0:
        return wilson_interval(share * spread.clusters, spread.clusters, confidence)
    trials = within / variance
    centre = (share + z * z / (2 * trials)) / (1 + z * z / trials)
    half = z * math.sqrt(within / trials + z * z / (4 * trials * trials)) / (1 + z * z / trials)
    return max(0.0, centre - half), min(1.0, centre + half)


def effective_wilson(hits: Floats, trials: Floats, confidence: float = 0.95) -> Interval:
    """Wilson's interval of sum(hits) / sum(trials) with hits and trials [C] counted by cluster.

    The effective number of trials comes from the variance of the ratio between clusters (W. Cochran, Sampling Techniques,
    1977, chapter 6) and is at most the number of trials; where all clusters agree, it is the number of clusters.
    """
    asked = trials > 0
    hits, trials = hits[asked], trials[asked]
    clusters, total = len(trials), float(trials.sum())
    share = float(hits.sum()) / total
    rest = hits - share * trials
    variance = float((rest**2).sum()) / total**2 * clusters / max(1, clusters - 1)
    within = share * (1 - share)
    if clusters < 2 or within <= 0 or variance <= 0:
        count = float(min(clusters, total))
        return wilson_interval(share * count, count, confidence)
    z = float(t.ppf(0.5 + confidence / 2, clusters - 1))
    count = min(total, within / variance)
    # Student's t in the place of the normal, by fewer trials still.
    normal = float(t.ppf(0.5 + confidence / 2, math.inf))
    count *= (normal / z) ** 2
    return wilson_interval(share * count, count, confidence)


def positive_interval(value: float, spread: Spread, confidence: float = 0.95) -> Interval:
    """Interval of a rate or a length, normal on its logarithm; nothing but the value itself where it is 0."""
    if value <= 0:
        return 0.0, 0.0
    ratio = math.exp(spread.factor(confidence) * spread.error / value)
    return value / ratio, value * ratio


def plain_interval(value: float, spread: Spread, confidence: float = 0.95) -> Interval:
    """Interval of a figure of either sign."""
    half = spread.factor(confidence) * spread.error
    return value - half, value + half
