"""Assignment behind the points against published worked examples (from memory, reproduced with SciPy)."""

from __future__ import annotations

import numpy as np
import pytest

from eval.points import _assign

# SciPy manual, linear_sum_assignment, and cases of J. Munkres (J. SIAM 5, 1957) in SciPy's tests; Machineco is from
# W. L. Winston, Operations Research, chapter on assignment. Values from memory.
COSTS = [
    ([[4, 1, 3], [2, 0, 5], [3, 2, 2]], 5),
    ([[400, 150, 400], [400, 450, 600], [300, 225, 300]], 850),
    ([[400, 150, 400, 1], [400, 450, 600, 2], [300, 225, 300, 3]], 452),
    ([[10, 10, 8], [9, 8, 1], [9, 7, 4]], 18),
    ([[10, 10, 8, 11], [9, 8, 1, 1], [9, 7, 4, 10]], 15),
    ([[14, 5, 8, 7], [2, 12, 6, 5], [7, 8, 3, 9], [2, 4, 6, 10]], 15),
]


@pytest.mark.parametrize(("cost", "total"), COSTS)
def test_assignment_earns_what_the_published_example_says(cost: list[list[int]], total: int) -> None:
    table = np.array(cost, dtype=float)
    gain = 1000.0 - table  # every report is worth handing in, so a least cost is a largest gain
    object_of = _assign(gain, np.ones_like(gain, dtype=bool), np.zeros_like(gain))
    assert sorted(set(object_of)) == sorted(object_of)
    assert table[np.arange(len(table)), object_of].sum() == total
