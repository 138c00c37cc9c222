"""Fusing: right groups, right places, whatever the order of the sightings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mission.vocabulary import ATTRIBUTES
from pipeline.fuse import GATE, Fused, Look, combine, fuse

SHAPES, COLOURS, MARKS = ("circle", "square", "star"), ("red", "blue", "white", "black"), ("A", "B", "F", "T")
VALUES = dict(zip(ATTRIBUTES, (SHAPES, COLOURS, MARKS, COLOURS), strict=True))


def tables(shape: str, panel: str, mark: str, ink: str, sure: float = 0.9) -> dict[str, dict[str, float]]:
    named = dict(zip(ATTRIBUTES, (shape, panel, mark, ink), strict=True))
    return {
        name: {v: sure if v == value else (1 - sure) / (len(VALUES[name]) - 1) for v in VALUES[name]}
        for name, value in named.items()
    }


def look(number: int, image_id: int, place: tuple[float, float], read: dict | None = None, **changes) -> Look:
    base = Look(
        number,
        image_id,
        "run",
        "panel",
        0.9,
        (100.0 * number, 0.0, 100.0 * number + 30, 30.0),
        np.array(place, dtype=float),
        np.eye(2) * 0.29,
        np.eye(2) * 0.25,
        tables("circle", "red", "A", "white") if read is None else read,
    )
    return replace(base, **changes)


def groups(found: list[Fused]) -> set[frozenset[int]]:
    return {frozenset(item.sighting for item in find.looks) for find in found}


def simulated_run(seed: int, objects: int = 8, frames: int = 8) -> tuple[list[Look], dict[int, int]]:
    """Looks at objects at least 4 m apart, each seen in most frames with errors as claimed; truth is sighting -> object."""
    rng = np.random.default_rng(seed)
    places: list[np.ndarray] = []
    while len(places) < objects:
        place = rng.uniform(-30, 30, 2)
        if all(np.hypot(*(place - other)) > 4 for other in places):
            places.append(place)
    names = [tuple(rng.choice(VALUES[name]) for name in ATTRIBUTES) for _ in places]
    looks, truth = [], {}
    drift = rng.normal(0, 0.5, 2)
    for image_id in range(frames):
        for thing, place in enumerate(places):
            if rng.uniform() < 0.75:
                seen = list(names[thing])
                if rng.uniform() < 0.15:
                    seen[2] = str(rng.choice(MARKS))
                number = len(looks)
                at = place + drift + rng.normal(0, 0.2, 2)
                looks.append(look(number, image_id, (at[0], at[1]), tables(*seen), score=float(rng.uniform(0.5, 1))))
                truth[number] = thing
    return looks, truth


def test_simulated_runs_come_back_as_their_objects():
    wrong = 0
    for seed in range(20):
        looks, truth = simulated_run(seed)
        expected: dict[int, set[int]] = {}
        for number, thing in truth.items():
            expected.setdefault(thing, set()).add(number)
        wrong += groups(fuse(looks)) != {frozenset(members) for members in expected.values()}
    assert wrong <= 1


@pytest.mark.parametrize("seed", range(5))
def test_the_order_of_the_sightings_does_not_matter(seed):
    looks, _ = simulated_run(seed)
    first = fuse(looks)
    shuffled = [looks[i] for i in np.random.default_rng(seed).permutation(len(looks))]
    second = fuse(shuffled)
    assert [[item.sighting for item in find.looks] for find in first] == [
        [item.sighting for item in find.looks] for find in second
    ]
    assert all(np.array_equal(a.place_m, b.place_m) for a, b in zip(first, second, strict=True))
    assert all(a.attributes == b.attributes for a, b in zip(first, second, strict=True))


def test_two_sightings_of_one_frame_are_two_objects():
    found = fuse([look(0, 1, (0, 0)), look(1, 1, (1.2, 0)), look(2, 2, (0.1, 0)), look(3, 2, (1.3, 0))])
    assert groups(found) == {frozenset({0, 2}), frozenset({1, 3})}


def test_a_double_in_one_frame_is_dropped():
    double = look(1, 1, (0.1, 0), box_px=(2.0, 2.0, 31.0, 31.0), score=0.6)
    assert groups(fuse([look(0, 1, (0, 0)), double])) == {frozenset({0})}


def test_runs_and_categories_are_never_mixed():
    looks = [look(0, 1, (0, 0)), look(1, 2, (0, 0), mission_run="other"), look(2, 3, (0, 0), {}, category="person")]
    assert len(fuse(looks)) == 3


def test_frames_without_a_run_are_a_flight_each():
    assert len(fuse([look(0, 1, (0, 0), mission_run=None), look(1, 2, (0, 0), mission_run=None)])) == 2


def test_what_lies_beyond_the_gate_is_another_object():
    edge = np.sqrt(GATE * 2 * 0.29)
    assert len(fuse([look(0, 1, (0, 0)), look(1, 2, (0.98 * edge, 0))])) == 1
    assert len(fuse([look(0, 1, (0, 0)), look(1, 2, (1.02 * edge, 0))])) == 2


def test_neighbours_read_as_quite_different_things_stay_apart_and_a_misread_mark_does_not_split():
    one, misread = tables("circle", "red", "A", "white"), tables("circle", "red", "B", "white")
    other = tables("star", "blue", "T", "black")
    assert len(fuse([look(0, 1, (0, 0), one), look(1, 2, (0.3, 0), misread)])) == 1
    assert len(fuse([look(0, 1, (0, 0), one), look(1, 2, (0.3, 0), other)])) == 2


def test_readings_are_multiplied_and_still_tables():
    doubtful = tables("circle", "red", "A", "white", sure=0.5)
    (find,) = fuse([look(i, i, (0, 0), doubtful) for i in range(4)])
    assert find.attributes["mark"]["A"] > 0.6
    assert all(sum(table.values()) == pytest.approx(1) for table in find.attributes.values())


def test_a_sighting_that_was_not_read_neither_helps_nor_harms():
    read = tables("circle", "red", "A", "white", sure=0.7)
    (alone,) = fuse([look(0, 1, (0, 0), read)])
    (both,) = fuse([look(0, 1, (0, 0), read), look(1, 2, (0, 0), {})])
    assert max(both.attributes["mark"], key=lambda v: both.attributes["mark"][v]) == "A"
    assert both.attributes["mark"]["A"] <= alone.attributes["mark"]["A"]


def test_only_what_is_not_shared_averages_out():
    covariance, shared = np.eye(2) * 0.29, np.eye(2) * 0.25
    rng = np.random.default_rng(5)
    errors = []
    for _ in range(4000):
        drift = rng.normal(0, 0.5, 2)
        places = drift + rng.normal(0, 0.2, (9, 2))
        errors.append(combine(places, np.repeat(covariance[None], 9, 0), np.repeat(shared[None], 9, 0))[0])
    _, claimed = combine(np.zeros((9, 2)), np.repeat(covariance[None], 9, 0), np.repeat(shared[None], 9, 0))
    assert np.cov(np.array(errors).T) == pytest.approx(claimed, abs=0.02)
    assert claimed[0, 0] == pytest.approx(0.25 + 0.04 / 9)


def test_nothing_in_nothing_out():
    assert fuse([]) == []


def test_a_large_run_is_fused_in_seconds():
    looks = []
    for copy in range(12):
        some, _ = simulated_run(copy, objects=8, frames=20)
        looks += [replace(s, sighting=len(looks) + i, place_m=s.place_m + 100 * copy) for i, s in enumerate(some)]
    found = fuse(looks)
    assert len(looks) > 1200 and 90 <= len(found) <= 110
