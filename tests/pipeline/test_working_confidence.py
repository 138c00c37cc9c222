"""The working confidence against closed forms: scores whose laws are known, on fields whose densities are known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import root_scalar
from scipy.stats import norm

from mission.mission_file import load_mission
from mission.recipe import load_recipe
from pipeline.empty_ground import NOTHING_EMPTY, GroundReports
from pipeline.field import Field, field_of
from pipeline.validation import Matches
from pipeline.working_confidence import AtWork, Evidence, choose, evidence_of, sentence

# A frame of 1000 x 1000 px at 10 cm shows one hectare.
FIELD = Field({"panel": 1.4, "person": 0.3}, 40.0, 0.1, (1000, 1000))
GROUND = replace(NOTHING_EMPTY, hectares=50.0)
SPREAD, RIGHT, WRONG = 0.08, 0.6, 0.3
CAP = 0.5


def quantiles(mean: float, count: int) -> np.ndarray:
    """Scores of a Gaussian law, evenly spread over its probability."""
    return norm.ppf((np.arange(count) + 0.5) / count, mean, SPREAD)


def gaussian(per_hectare: float, false_per_hectare: float, found: int = 4000, false: int = 40_000) -> Evidence:
    """Objects that score about RIGHT, false reports about WRONG, as many a hectare as given."""
    return Evidence(
        quantiles(RIGHT, found), found, per_hectare, quantiles(WRONG, false),
        np.full(false, false_per_hectare / false), np.ones(false, dtype=bool),
    )  # fmt: skip


@pytest.mark.parametrize("weight", [1.0, 2.0])
@pytest.mark.parametrize(("objects", "false"), [(1.4, 300.0), (0.3, 20.0), (300.0, 300.0)])
def test_the_best_threshold_of_gaussian_scores_is_where_the_probability_is_f_over_one_plus_w_squared(
    objects, false, weight
):
    """Lipton, Elkan & Narayanaswamy (ECML 2014), theorem 1, for w = 1; the same step gives F / (1 + w^2). The probability at a
    score is the ratio of two Gaussian densities, F two tails: the fixed point is found by root finding alone."""

    def f_of(score: float) -> float:
        right, wrong = objects * norm.sf(score, RIGHT, SPREAD), false * norm.sf(score, WRONG, SPREAD)
        return (1 + weight**2) * right / (right + wrong + weight**2 * objects)

    def gap(score: float) -> float:
        right, wrong = objects * norm.pdf(score, RIGHT, SPREAD), false * norm.pdf(score, WRONG, SPREAD)
        return right / (right + wrong) - f_of(score) / (1 + weight**2)

    best = root_scalar(gap, bracket=(0.2, 0.8)).root
    chosen = choose(gaussian(objects, false), GROUND, FIELD, weight, math.inf)
    assert chosen.confidence == pytest.approx(best, abs=0.004)
    assert chosen.f_measure == pytest.approx(f_of(best), abs=0.002)
    assert chosen.recall == pytest.approx(norm.sf(best, RIGHT, SPREAD), abs=0.02)


def test_the_sparser_the_field_the_higher_the_confidence():
    chosen = [choose(gaussian(objects, 100.0), GROUND, FIELD, 1.0, CAP).confidence for objects in (100.0, 1.0, 0.01)]
    assert chosen[0] < chosen[1] < chosen[2]


def test_the_cap_sets_the_confidence_where_scores_say_little():
    """Two in five objects are ever found, right and false scores alike, evenly over 0..1: F grows with every report, so the cap
    decides: 10 (1 - s) = 0.5."""
    score = (np.arange(2000) + 0.5) / 2000
    one = Evidence(score, 5000, 1.4, score + 1e-7, np.full(2000, 10.0 / 2000), np.ones(2000, bool))
    chosen = choose(one, GROUND, FIELD, 2.0, CAP)
    assert chosen.capped and chosen.confidence == pytest.approx(1 - CAP / 10.0, abs=0.001)
    assert chosen.recall == pytest.approx(0.02, abs=0.001) and chosen.false_per_frame <= CAP
    assert sentence("person", chosen) == (
        "People are hardly learnt: at this confidence 2 % of people are found and 0.5 false reports a frame of 1000 x 1000 px"
        " (0.5 a hectare) are expected."
    )
    # With a tenth of the false reports the cap is out of reach.
    fewer = choose(replace(one, false_per_hectare=one.false_per_hectare / 100), GROUND, FIELD, 2.0, CAP)
    assert not fewer.capped and fewer.confidence < 0.1
    # Of what is well learnt the F-measure alone decides, and on too little ground the cap cannot be told.
    learnt = choose(replace(one, objects=2000), GROUND, FIELD, 2.0, CAP)
    assert not learnt.capped and learnt.false_per_frame > 9 and "hardly" not in sentence("person", learnt)
    little = choose(one, replace(GROUND, hectares=1.9), FIELD, 2.0, CAP)
    assert (
        not little.capped and little.confidence < 0.1 and "cannot be told from 1.9 frames" in sentence("person", little)
    )


def test_a_confidence_lies_halfway_to_the_next_report_below():
    one = Evidence(np.array([0.9, 0.8]), 3, 1.0, np.array([0.6, 0.5]), np.array([0.5, 0.5]), np.array([True, False]))
    chosen = choose(one, GROUND, FIELD, 1.0, CAP)
    assert chosen.confidence == pytest.approx(0.7) and chosen.recall == pytest.approx(2 / 3)
    assert chosen.false_counted == 0 and chosen.false_per_hectare == 0.0


def test_neither_order_nor_repetition_changes_what_is_chosen():
    one, rng = gaussian(1.0, 50.0, 300, 500), np.random.default_rng(1)
    mixed = rng.permutation(500)
    other = replace(one, found=rng.permutation(one.found), false=one.false[mixed])
    assert (
        choose(one, GROUND, FIELD, 2.0, CAP)
        == choose(one, GROUND, FIELD, 2.0, CAP)
        == choose(other, GROUND, FIELD, 2.0, CAP)
    )


def test_nothing_held_out_and_nothing_found():
    none = choose(replace(gaussian(1.0, 5.0, 1, 9), found=np.zeros(0), objects=0), GROUND, FIELD, 1.0, CAP)
    assert none.confidence == 0.5 and math.isnan(none.recall) and "none was held out" in sentence("panel", none)
    missed = choose(replace(gaussian(1.0, 5.0, 1, 9), found=np.zeros(0), objects=9), GROUND, FIELD, 1.0, CAP)
    assert missed.confidence == 0.99 and missed.recall == 0.0 and "0 % of panels" in sentence("panel", missed)


def test_too_little_empty_ground_says_so():
    told = AtWork(0.4, 0.9, 50, 0.2, 0.2, 0, 1.0, 1.0, 0.8, 1.0, 1.4, (1000, 1000), False)
    assert "cannot be told from 1 frames of empty ground" in sentence("panel", told)
    assert "0.2 false reports a frame" in sentence("panel", replace(told, empty_frames=2.0))


def test_only_empty_ground_and_what_targets_draw_counts_as_false_reports_of_the_field():
    """Six reports on chips with 10 panels and 4 people: two hits, one left out, one that touches a person, one a panel, one
    nothing. A hectare holds 1.4 panels and 0.3 people, so those that touch count 1.4 / 10 and 0.3 / 4."""
    matches = Matches(
        np.array([0.9, 0.8, 0.7, 0.6, 0.5, 0.4]), np.array([True, True, False, False, False, False]),
        np.array([False, False, True, False, False, False]), 4, np.zeros(6, np.int64), np.array([1, 1, 1, 1, 0, -1]),
    )  # fmt: skip
    ground = GroundReports(np.array([0.3, 0.2]), np.array([1, 0]), np.array([0.25, 0.25]), 0.125, 4.0)
    one = evidence_of(matches, 1, ground, FIELD, [10, 4])
    assert one.recall(0.85) == 0.25 and one.recall(0.1) == 0.5
    assert one.false_reports(0.55) == pytest.approx(0.125 + 0.3 / 4)
    assert one.false_reports(0.45) == pytest.approx(0.125 + 0.3 / 4 + 1.4 / 10)
    assert one.false_reports(0.0) == pytest.approx(0.125 + 0.3 / 4 + 1.4 / 10 + 0.25)
    score, hit, weight = one.reports()
    assert score.tolist() == [0.9, 0.8, 0.6, 0.5, 0.3] and hit.tolist() == [True, True, False, False, False]
    assert weight == pytest.approx([0.3 / 4, 0.3 / 4, 0.3 / 4, 1.4 / 10, 0.25])


def test_the_field_of_a_mission():
    """Harrow Fen: 4 to 6 panels and 0 to 2 people over 150 m x 240 m; 115 m x 4.2 um / 35 mm = 1.38 cm a pixel."""
    mission = load_mission("harrow-fen")
    field = field_of(mission, load_recipe("field"))
    assert field.per_hectare == pytest.approx({"panel": 5 / 3.6, "person": 1 / 3.6})
    assert field.hectares_a_frame == pytest.approx(5520 * 3680 * 0.0138**2 / 1e4)
    assert field.decoys_per_hectare == 40.0 and field_of(mission, None).decoys_per_hectare is None
    nobody = mission.model_copy(update={"persons": mission.persons.model_copy(update={"per_run_most": 0})})
    assert field_of(nobody, None).per_hectare["person"] == pytest.approx(1 / 3.6)
