"""How far from the truth finds are placed: horizontal errors in east-north metres.

RMSE_r = sqrt(mean(dE^2 + dN^2)), as FGDC-STD-007.3-1998 (NSSDA), appendix 3-A, defines it. CE90 is the empirical 90th
percentile of the radial error; on circular normal errors it is sqrt(-2 ln 0.1) = 2.1460 standard deviations per axis.
"""

from __future__ import annotations

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
