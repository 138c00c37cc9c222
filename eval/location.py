"""How far from the truth finds are placed: horizontal errors in east-north metres.

RMSE_r = sqrt(mean(dE^2 + dN^2)), and the accuracy at 95 % of circular errors 2.4477 * 0.5 * (RMSE_E + RMSE_N), as
FGDC-STD-007.3-1998 (NSSDA), appendix 3-A, define them. CE90 is the empirical 90th
percentile of the radial error; on circular normal errors it is sqrt(-2 ln 0.1) = 2.1460 standard deviations per axis.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def rmse_m(errors_m: Floats, weights: Floats | None = None) -> float:
    """Root of the mean squared radial error [m] of errors [n, 2]; NaN without errors."""
    squared = (np.asarray(errors_m, dtype=float) ** 2).sum(axis=-1)
    total = len(squared) if weights is None else float(np.sum(weights))
    return (
        float(np.sqrt(np.sum(squared if weights is None else squared * weights) / total)) if total > 0 else float("nan")
    )


def ce90_m(errors_m: Floats, weights: Floats | None = None) -> float:
    """90th percentile of the radial error [m] (linear between order statistics); whole ``weights`` [n] repeat an error."""
    radial = np.linalg.norm(np.asarray(errors_m, dtype=float).reshape(-1, 2), axis=-1)
    if weights is not None:
        radial = np.repeat(radial, np.asarray(weights).astype(int))
    return float(np.quantile(radial, 0.9)) if len(radial) else float("nan")


#: NSSDA: sqrt(-2 ln 0.05), the radius that holds 95 % of circular normal errors of one standard deviation per axis.
NSSDA_FACTOR = 2.4477
#: NSSDA allows its approximation where the axes are this much alike.
NSSDA_LEAST_RATIO = 0.6
#: Shares for which the claimed ellipses are checked.
CLAIMED_SHARES = (0.5, 0.9, 0.95)


def nssda95_m(errors_m: Floats) -> float:
    """NSSDA's horizontal accuracy at 95 % [m]; NaN where the axes differ more than it allows, or without errors."""
    east, north = axis_rmse_m(errors_m)
    least, most = min(east, north), max(east, north)
    if not most > 0:
        return 0.0 if most == 0 else math.nan
    return NSSDA_FACTOR * 0.5 * (east + north) if least / most >= NSSDA_LEAST_RATIO else math.nan


def axis_rmse_m(errors_m: Floats) -> tuple[float, float]:
    """Root mean square error east and north [m]; NaN without errors."""
    if not len(errors_m):
        return math.nan, math.nan
    east, north = np.sqrt((np.asarray(errors_m, dtype=float) ** 2).mean(axis=0)).tolist()
    return east, north


def ce90_upper_m(errors_m: Floats, confidence: float = 0.975) -> float:
    """Upper end of the two-sided 95 % range of CE90 [m] by order statistics, whatever the distribution; NaN below 36 errors.

    The k-th smallest of n radii exceeds the 90th percentile with the chance that fewer than k fall below it (binomial):
    with 35 errors not even the largest does so in 97.5 % (W. Conover, Practical Nonparametric Statistics, 1999, 3.2).
    """
    from scipy.stats import binom

    radial = np.sort(np.linalg.norm(np.asarray(errors_m, dtype=float).reshape(-1, 2), axis=-1))
    enough = np.flatnonzero(binom.cdf(np.arange(len(radial)), len(radial), 0.9) >= confidence)
    return float(radial[enough[0]]) if len(enough) else math.nan


def ellipse_shares(errors_m: Floats, covariance_m2: Floats) -> Floats:
    """The share [n] of its own claimed normal distribution that each error lies within: uniform on 0..1 if the claims hold.

    ``covariance_m2`` [n, 2, 2]; NaN where a claim is missing or not positive definite.
    """
    within = np.full(len(errors_m), np.nan)
    for i, (error, claim) in enumerate(zip(errors_m, covariance_m2)):
        if np.isfinite(claim).all() and np.linalg.det(claim) > 0 and claim[0, 0] > 0:
            within[i] = 1 - math.exp(-0.5 * float(error @ np.linalg.solve(claim, error)))
    return within
