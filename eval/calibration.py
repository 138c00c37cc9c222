"""Does a stated probability mean what it says? Reliability, expected calibration error, Brier score and its parts.

Brier score and its decomposition reliability - resolution + uncertainty: A. H. Murphy, J. Applied Meteorology 12 (1973),
595-600 (exact where all forecasts of a bin are equal; D. B. Stephenson et al., Weather and Forecasting 23 (2008), give the
two terms that are missing otherwise). Expected calibration error: mean over bins of |stated - observed|, weighted by count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BINS = 10


@dataclass(frozen=True)
class Reliability:
    """Stated and observed share per bin of probability, the empty bins left out. All arrays [bins]."""

    low: Floats
    high: Floats
    stated: Floats
    observed: Floats
    count: NDArray[np.int64]

    @property
    def expected_error(self) -> float:
        """Expected calibration error."""
        return float(np.average(np.abs(self.stated - self.observed), weights=self.count))

    @property
    def largest_error(self) -> float:
        """Largest |stated - observed| of any bin."""
        return float(np.abs(self.stated - self.observed).max())


def reliability(probability: Floats, right: NDArray[np.bool_], bins: int = BINS) -> Reliability:
    """Bin stated probabilities [n] in equal widths over 0..1 (a bin holds its lower edge; the last one holds 1 too)."""
    probability, right = np.asarray(probability, dtype=float), np.asarray(right, dtype=float)
    edges = np.linspace(0, 1, bins + 1)
    place = np.clip(np.searchsorted(edges, probability, side="right") - 1, 0, bins - 1)
    count = np.bincount(place, minlength=bins)
    full = count > 0
    each = np.maximum(count, 1)
    return Reliability(
        low=edges[:-1][full],
        high=edges[1:][full],
        stated=(np.bincount(place, probability, bins) / each)[full],
        observed=(np.bincount(place, right, bins) / each)[full],
        count=count[full],
    )


def brier_score(probability: Floats, right: NDArray[np.bool_]) -> float:
    """Mean squared difference between the stated probability and what happened (0 or 1)."""
    return float(np.mean((np.asarray(probability, dtype=float) - np.asarray(right, dtype=float)) ** 2))


def brier_parts(table: Reliability) -> dict[str, float]:
    """Murphy's reliability (lower is better), resolution (higher is better) and uncertainty (given by the data)."""
    share = table.count / table.count.sum()
    base = float((share * table.observed).sum())
    return {
        "reliability": float((share * (table.stated - table.observed) ** 2).sum()),
        "resolution": float((share * (table.observed - base) ** 2).sum()),
        "uncertainty": base * (1 - base),
    }


#: Shares of the readings that are kept when the least sure ones are called "cannot be read".
KEPT_SHARES = (1.0, 0.95, 0.9, 0.8, 0.7, 0.5)


def risk_coverage(probability: Floats, right: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Share kept, share wrong among the kept, and the least probability kept, by falling probability; each [m].

    Equal probabilities are kept or left together, for no threshold can part them (R. El-Yaniv and Y. Wiener, "On the
    foundations of noise-free selective classification", JMLR 11 (2010), 1605-1641).
    """
    order = np.argsort(-np.asarray(probability, dtype=float), kind="stable")
    stated = np.asarray(probability, dtype=float)[order]
    wrong = np.cumsum(~np.asarray(right, dtype=bool)[order])
    last = np.flatnonzero(np.diff(stated, append=-np.inf) != 0)
    kept = last + 1
    return kept / len(stated), wrong[last] / kept, stated[last]


def risk_at(kept_share: float, curve: tuple[Floats, Floats, Floats]) -> tuple[float, float]:
    """Share wrong and least probability where at least ``kept_share`` of the readings are kept."""
    at = int(np.searchsorted(curve[0], kept_share - 1e-12))
    return float(curve[1][at]), float(curve[2][at])
