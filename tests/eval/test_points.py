"""Points of a run: by hand, against every possible assignment, and what no hand-in may ever gain."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from eval.points import RunReports, RunTruth, score_run
from mission.rulebook import Rulebook, load_rulebook

CAREFUL = load_rulebook("harrow-fen-careful")
PLAIN = Rulebook.model_validate(
    {
        "name": "plain", "counts_within": "5 m", "panel": {"found": 2, "mark": 1, "all_four": 0.5, "place": 1},
        "person": {"found": 3}, "place": {"curve": "line", "reach": "4 m"}, "delivery": {"right": 2, "wrong": -3},
        "false_report": -1, "duplicate": -0.5,
    }
)  # fmt: skip


def truth(
    *rows: tuple[int, float, float], counted: tuple[bool, ...] | None = None, asked: tuple[int, ...] = ()
) -> RunTruth:
    """Rows of (category, east, north); attributes of thing i are (i, i, i, i)."""
    count = len(rows)
    return RunTruth(
        np.array([row[0] for row in rows], dtype=int),
        np.repeat(np.arange(count), 4).reshape(count, 4),
        np.array([row[1:] for row in rows], dtype=float).reshape(-1, 2),
        np.array(counted if counted is not None else [True] * count, dtype=bool),
        np.isin(np.arange(count), asked),
    )


def reports(things: int, *rows: tuple[int, float, float, int]) -> RunReports:
    """Rows of (category, east, north, number that all four attributes read), by falling confidence; no deliveries."""
    count = len(rows)
    return RunReports(
        np.array([row[0] for row in rows], dtype=int),
        np.repeat([row[3] for row in rows], 4).reshape(count, 4).astype(int),
        np.array([row[1:3] for row in rows], dtype=float).reshape(-1, 2),
        np.linspace(0.9, 0.5, count),
        np.zeros(count, dtype=bool),
        np.zeros((count, things), dtype=bool),
        np.zeros((count, things), dtype=bool),
    )


def test_a_perfect_report_earns_everything() -> None:
    result = score_run(truth((0, 0, 0), (1, 9, 9)), reports(2, (0, 0, 0, 0), (1, 9, 9, -1)), PLAIN)
    assert result.earned == result.possible == 2 + 1 + 0.5 + 1 + 3


def test_each_part_is_taken_off_by_hand() -> None:
    # 1 m off on a line of 4 m keeps 3/4 of the place; the marks are misread, so mark and the bonus are gone.
    result = score_run(truth((0, 0, 0)), reports(1, (0, 1, 0, 7)), PLAIN)
    assert result.earned == pytest.approx(2 + 0.75)


def test_false_and_double_reports_cost() -> None:
    result = score_run(truth((0, 0, 0)), reports(1, (0, 0, 0, 0), (0, 1, 0, 0), (0, 50, 0, 0)), PLAIN)
    assert result.earned == pytest.approx(4.5 - 0.5 - 1)
    assert result.duplicate.tolist() == [False, True, False] and result.false.tolist() == [False, False, True]


def test_a_panel_reported_where_a_person_is_counts_for_nothing() -> None:
    result = score_run(truth((1, 0, 0)), reports(1, (0, 0, 0, 0)), PLAIN)
    assert result.earned == -1 and result.object_of.tolist() == [-1]


def test_a_thing_left_out_neither_earns_nor_costs() -> None:
    result = score_run(truth((0, 0, 0), counted=(False,)), reports(1, (0, 0, 0, 0), (0, 1, 1, 0)), PLAIN)
    assert result.earned == result.possible == 0


def test_deliveries_right_wrong_and_for_nothing() -> None:
    things = truth((0, 0, 0), (0, 20, 0), asked=(0,))
    right = reports(2, (0, 0, 0, 0))
    fits = np.array([[True, False]])
    delivers = np.array([True])
    assert score_run(things, replace(right, delivers=delivers, fits=fits), PLAIN).earned == 4.5 + 2
    wrong = reports(2, (0, 20, 0, 1))
    assert score_run(things, replace(wrong, delivers=delivers, fits=fits), PLAIN).earned == 4.5 - 3
    nowhere = reports(2, (0, 90, 0, 0))
    assert score_run(things, replace(nowhere, delivers=delivers, fits=fits), PLAIN).earned == -1 - 3
    held = replace(right, delivers=np.array([False]), fits=fits)
    assert score_run(things, held, PLAIN).earned == 4.5


def test_a_place_unknown_goes_by_what_was_seen() -> None:
    unknown = replace(reports(1, (0, np.nan, np.nan, 0)), seen_on=np.array([[True]]))
    assert score_run(truth((0, 0, 0)), unknown, PLAIN).earned == pytest.approx(3.5)
    assert score_run(truth((0, 0, 0)), reports(1, (0, np.nan, np.nan, 0)), PLAIN).earned == -1


def test_only_the_most_confident_reports_are_handed_in() -> None:
    few = PLAIN.model_copy(update={"reports_at_most": 1})
    things = truth((0, 0, 0), (0, 20, 0))
    result = score_run(things, reports(2, (0, 50, 0, 0), (0, 0, 0, 0)), few)
    assert result.earned == -1 and result.handed_in.tolist() == [True, False]
    assert result.possible == 4.5


def test_nothing_reported_and_nothing_there() -> None:
    assert score_run(truth((0, 0, 0)), reports(1), PLAIN).earned == 0
    empty = score_run(truth(), reports(0, (0, 0, 0, 0)), PLAIN)
    assert (empty.earned, empty.possible) == (-1, 0)


def test_an_unknown_attribute_can_neither_be_earned_nor_lost() -> None:
    things = truth((0, 0, 0))
    things.attributes[0, 2] = -1
    result = score_run(things, reports(1, (0, 0, 0, -1)), PLAIN)
    assert result.earned == result.possible == 3.0


def random_run(rng: np.random.Generator) -> tuple[RunTruth, RunReports]:
    things, count = int(rng.integers(0, 4)), int(rng.integers(0, 5))
    there = RunTruth(
        rng.integers(0, 2, things), rng.integers(-1, 3, (things, 4)), rng.uniform(0, 8, (things, 2)),
        rng.random(things) < 0.85, rng.random(things) < 0.5,
    )  # fmt: skip
    told = RunReports(
        rng.integers(0, 2, count), rng.integers(-1, 3, (count, 4)), rng.uniform(0, 8, (count, 2)), rng.random(count),
        rng.random(count) < 0.4, rng.random((count, things)) < 0.3, np.zeros((count, things), dtype=bool),
    )  # fmt: skip
    return there, told


def naive_points(there: RunTruth, told: RunReports, book: Rulebook) -> float:
    """Every way to give reports to things, added up word for word; the best of those that leave no allowed pair idle."""
    count, things = len(told.category), len(there.category)
    order = sorted(range(count), key=lambda i: -told.confidence[i])[: book.reports_at_most]
    distance = [[float(np.hypot(*(told.ground_m[i] - there.ground_m[j]))) for j in range(things)] for i in range(count)]
    near = [
        [told.category[i] == there.category[j] and distance[i][j] <= book.counts_within_m for j in range(things)]
        for i in range(count)
    ]
    best: tuple[int, float] | None = None
    for choice in itertools.product(range(-1, things), repeat=len(order)):
        taken = [j for j in choice if j >= 0]
        if len(set(taken)) < len(taken) or any(
            j >= 0 and not (near[i][j] and there.counted[j]) for i, j in zip(order, choice)
        ):
            continue
        total = 0.0
        for i, j in zip(order, choice):
            fits = j >= 0 and bool(told.fits[i, j])
            if j < 0 and any(near[i][k] and not there.counted[k] for k in range(things)):
                continue
            if j < 0:
                total += (
                    book.duplicate if any(near[i][k] and there.counted[k] for k in range(things)) else book.false_report
                )
            elif there.category[j] == 1:
                total += book.person.found + book.person.place * float(book.place.share(distance[i][j]))
            else:
                right = [
                    there.attributes[j, a] >= 0 and there.attributes[j, a] == told.attributes[i, a] for a in range(4)
                ]
                total += book.panel.found + sum(p for p, r in zip(book.panel.per_attribute, right) if r)
                total += book.panel.all_four * all(right) + book.panel.place * float(book.place.share(distance[i][j]))
                total += book.delivery.right if told.delivers[i] and fits and there.asked[j] else 0.0
            if told.delivers[i] and not fits:
                total += book.delivery.wrong
        if best is None or total > best[1]:
            best = (len(taken), total)
    assert best is not None
    return best[1]


@pytest.mark.parametrize("book", [PLAIN, CAREFUL, load_rulebook("harrow-fen-brisk")], ids=lambda book: book.name)
def test_the_assignment_is_the_best_of_all(book: Rulebook) -> None:
    rng = np.random.default_rng(5)
    for _ in range(150):
        there, told = random_run(rng)
        # A report excused because a left-out thing is near it may do better idle; take those cases out of the comparison.
        if not there.counted.all():
            there = replace(there, counted=np.ones_like(there.counted))
        assert score_run(there, told, book).earned == pytest.approx(naive_points(there, told, book), abs=1e-6)


@pytest.mark.parametrize("book", [PLAIN, CAREFUL], ids=lambda book: book.name)
def test_nobody_earns_more_than_possible_and_no_false_report_gains(book: Rulebook) -> None:
    rng = np.random.default_rng(6)
    for _ in range(200):
        there, told = random_run(rng)
        result = score_run(there, told, book)
        assert result.earned <= result.possible + 1e-9
        things = len(there.category)
        nothing = RunReports(
            np.append(told.category, 0), np.vstack([told.attributes, [[-1] * 4]]), np.vstack([told.ground_m, [[99.0, 99.0]]]),
            np.append(told.confidence, 0.0), np.append(told.delivers, False),
            np.vstack([told.fits, np.zeros((1, things), bool)]), np.vstack([told.seen_on, np.zeros((1, things), bool)]),
        )  # fmt: skip
        assert score_run(there, nothing, book).earned <= result.earned + 1e-9


def test_points_do_not_depend_on_the_order_of_reports() -> None:
    rng = np.random.default_rng(7)
    for _ in range(100):
        there, told = random_run(rng)
        turn = rng.permutation(len(told.category))
        turned = RunReports(*(getattr(told, name)[turn] for name in RunReports.__dataclass_fields__))
        assert score_run(there, turned, CAREFUL).earned == pytest.approx(
            score_run(there, told, CAREFUL).earned, abs=1e-6
        )
