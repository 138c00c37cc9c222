"""Assignment against published cost tables (from memory of the sources named; each optimum also follows by trying all)."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.assign import best_pairs

CASES = {
    # SciPy documentation, linear_sum_assignment, example.
    "scipy documentation": ([[4, 1, 3], [2, 0, 5], [3, 2, 2]], 5),
    # Cases of the Hungarian method as they stand in SciPy's own tests.
    "square": ([[400, 150, 400], [400, 450, 600], [300, 225, 300]], 850),
    "rectangular": ([[400, 150, 400, 1], [400, 450, 600, 2], [300, 225, 300, 3]], 452),
    "ties": ([[10, 10, 8], [9, 8, 1], [9, 7, 4]], 18),
    "rectangular ties": ([[10, 10, 8, 11], [9, 8, 1, 1], [9, 7, 4, 10]], 15),
    # W. L. Winston, Operations Research, the Machineco example.
    "machineco": ([[14, 5, 8, 7], [2, 12, 6, 5], [7, 8, 3, 9], [2, 4, 6, 10]], 15),
}


@pytest.mark.parametrize("name", CASES)
def test_published_optimum(name):
    table, optimum = CASES[name]
    costs = np.array(table, dtype=float)
    # Costs as log-probabilities; the threshold is so low that every row is worth pairing.
    pairs = best_pairs(-costs, float(np.exp(-700.0)))
    assert len(pairs) == min(costs.shape) and len(set(pairs.values())) == len(pairs)
    assert sum(costs[row, column] for row, column in pairs.items()) == optimum
