"""Matching finds to the wanted list."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from mission.finds import Find
from mission.vocabulary import ATTRIBUTES
from mission.wanted import WantedPanel
from pipeline.assign import LEAST_PROBABILITY, best_pairs, match_wanted


def find(name: str, confidence: float = 0.9, run: str | None = "run", category: str = "panel", **read: dict) -> Find:
    return Find(name, category, confidence, run, (0.0, 0.0, 0.0), ((1.0, 0.0), (0.0, 1.0)), read)


def sure(shape="circle", panel_colour="red", mark="A", mark_colour="white", p=0.9) -> dict:
    return {
        name: {value: p, "other": 1 - p} for name, value in zip(ATTRIBUTES, (shape, panel_colour, mark, mark_colour))
    }


def slow_best(table: np.ndarray, least: float) -> float:
    """The plain twin: try every injective pairing, pairs left open being worth nothing."""
    worth = np.maximum(table - math.log(least), 0)
    rows, columns = worth.shape
    small, large = min(rows, columns), max(rows, columns)
    worth = worth if rows <= columns else worth.T
    return max(sum(worth[i, chosen[i]] for i in range(small)) for chosen in itertools.permutations(range(large), small))


@pytest.mark.parametrize("seed", range(40))
def test_the_pairing_is_the_best_of_all(seed):
    rng = np.random.default_rng(seed)
    table = np.log(rng.uniform(1e-3, 1, size=(int(rng.integers(1, 6)), int(rng.integers(1, 6)))))
    pairs = best_pairs(table, 0.1)
    assert len(set(pairs.values())) == len(pairs)
    assert sum(table[r, c] - math.log(0.1) for r, c in pairs.items()) == pytest.approx(slow_best(table, 0.1))


def test_one_find_each_and_the_list_as_a_whole_counts():
    wanted = [WantedPanel("any-red", panel_colour="red"), WantedPanel("red-a", panel_colour="red", mark="A")]
    finds = [find("1", **sure(mark="A")), find("2", **sure(mark="B"))]
    assert [f.wanted for f in match_wanted(finds, {"run": wanted})] == ["red-a", "any-red"]


def test_null_means_any_and_a_person_is_never_matched():
    wanted = [WantedPanel("anything")]
    finds = [find("1", category="person"), find("2", **sure())]
    assert [f.wanted for f in match_wanted(finds, {None: wanted})] == [None, "anything"]


def test_an_unlikely_find_stays_open():
    wanted = [WantedPanel("blue", panel_colour="blue")]
    assert match_wanted([find("1", **sure(panel_colour="red"))], {None: wanted})[0].wanted is None
    faint = [find("1", panel_colour={"blue": LEAST_PROBABILITY * 1.2, "red": 0.8})]
    assert match_wanted(faint, {None: wanted})[0].wanted == "blue"


def test_of_two_alike_the_surer_is_taken():
    finds = [find("1", confidence=0.5, **sure()), find("2", confidence=0.95, **sure())]
    assert [f.wanted for f in match_wanted(finds, {None: [WantedPanel("a", mark="A")]})] == [None, "a"]


def test_a_find_that_was_not_read_is_nobodys():
    assert match_wanted([find("1")], {None: [WantedPanel("a", mark="A")]})[0].wanted is None


def test_each_run_has_its_own_list():
    finds = [find("1", run="a", **sure()), find("2", run="b", **sure())]
    wanted = {"a": [WantedPanel("one", mark="A")], None: [WantedPanel("rest", mark="A")]}
    assert [f.wanted for f in match_wanted(finds, wanted)] == ["one", "rest"]
    assert [f.wanted for f in match_wanted(finds, {})] == [None, None]
