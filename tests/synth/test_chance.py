"""Random numbers out of blocks: distributed as those of numpy's own calls, and a function of the seed."""

import numpy as np
import pytest
from scipy import stats

from synth.chance import Chance

N = 20_000


def test_numbers_are_distributed_as_they_should_be() -> None:
    chance = Chance(np.random.default_rng(4))
    even = [chance.uniform(-2.0, 3.0) for _ in range(N)]
    bell = [chance.normal(1.0, 0.5) for _ in range(N)]
    assert stats.kstest(even, "uniform", args=(-2.0, 5.0)).pvalue > 0.001
    assert stats.kstest(bell, "norm", args=(1.0, 0.5)).pvalue > 0.001
    # Numbers drawn one after the other know nothing of each other.
    assert abs(np.corrcoef(even[:-1], even[1:])[0, 1]) < 4 / N**0.5


def test_whole_numbers_and_choices_are_even() -> None:
    chance = Chance(np.random.default_rng(5))
    for counts in (
        np.bincount([chance.integers(3, 8) for _ in range(N)], minlength=9)[3:8],
        np.bincount([chance.integers(5) for _ in range(N)], minlength=6)[:5],
        np.bincount([chance.choice([0, 1, 2, 3, 4]) for _ in range(N)]),
    ):
        assert counts.sum() == N and stats.chisquare(counts).pvalue > 0.001


def test_the_seed_decides_alone() -> None:
    one, two, other = (Chance(np.random.default_rng(seed)) for seed in (6, 6, 7))
    drawn = [[chance.random(), chance.normal(), chance.integers(2**31)] for chance in (one, two, other)]
    assert drawn[0] == drawn[1] != drawn[2]
    assert Chance.of(one) is one


@pytest.mark.parametrize("calls", [255, 256, 257, 600])
def test_blocks_are_used_up_before_the_next(calls: int) -> None:
    chance, rng = Chance(np.random.default_rng(8)), np.random.default_rng(8)
    wanted = np.concatenate([rng.random(256)[::-1] for _ in range(3)])
    assert [chance.random() for _ in range(calls)] == wanted[:calls].tolist()
