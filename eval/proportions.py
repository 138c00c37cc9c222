"""Intervals of a single proportion.

Source of the formulas: R. G. Newcombe, "Two-sided confidence intervals for the single proportion: comparison of seven
methods", Statistics in Medicine 17 (1998), 857-872: method 3 (Wilson's score interval, no continuity correction) and
method 5 (Clopper and Pearson's exact interval).
"""

from __future__ import annotations

import math

from scipy.stats import beta, norm

from mission.errors import must


def wilson_interval(hits: float, trials: float, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of hits / trials (method 3). ``trials`` may be an effective, fractional number.

    Raises InputError where trials is not positive or hits lies outside 0..trials.
    """
    _check(hits, trials)
    z = float(norm.ppf(0.5 + confidence / 2))
    share = hits / trials
    centre = share + z * z / (2 * trials)
    half = z * math.sqrt(share * (1 - share) / trials + z * z / (4 * trials * trials))
    scale = 1 + z * z / trials
    # At the ends the bound is exactly 0 or 1; rounding would leave it a hair outside.
    low = 0.0 if hits == 0 else max(0.0, (centre - half) / scale)
    high = 1.0 if hits == trials else min(1.0, (centre + half) / scale)
    return low, high


def exact_interval(hits: int, trials: int, confidence: float = 0.95) -> tuple[float, float]:
    """Clopper and Pearson's interval of hits / trials (method 5)."""
    _check(hits, trials)
    tail = (1 - confidence) / 2
    low = 0.0 if hits == 0 else float(beta.ppf(tail, hits, trials - hits + 1))
    return low, exact_upper_bound(hits, trials, 1 - tail)


def exact_upper_bound(hits: int, trials: int, confidence: float = 0.95) -> float:
    """One-sided upper bound of hits / trials: the share above which so few hits would be seen less often than 1 - confidence."""
    _check(hits, trials)
    return 1.0 if hits == trials else float(beta.ppf(confidence, hits + 1, trials - hits))


def _check(hits: float, trials: float) -> None:
    if not trials > 0:
        raise must("trials", "be positive", trials)
    if not 0 <= hits <= trials:
        raise must("hits", f"lie between 0 and the {trials:g} trials", hits)
