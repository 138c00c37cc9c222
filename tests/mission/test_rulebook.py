"""Rulebooks: the place curves, the shipped examples, and what is refused."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from mission.errors import InputError
from mission.rulebook import PlaceCurve, load_rulebook

GOOD = "format: rulebook/1\nname: test\npanel:\n  found: 1\n"


def curve(kind: str, reach: str = "4 m") -> PlaceCurve:
    return PlaceCurve.model_validate({"curve": kind, "reach": reach})


def test_place_curves_by_hand() -> None:
    distance = [0.0, 2.0, 4.0, 4.1, math.nan]
    assert curve("step").share(distance).tolist() == [1, 1, 1, 0, 0]
    assert curve("line").share(distance) == pytest.approx([1, 0.5, 0, 0, 0])
    assert curve("gaussian").share(distance)[:3] == pytest.approx([1, math.exp(-0.125), math.exp(-0.5)])
    assert curve("gaussian").share(np.full((2, 3), 4.0)).shape == (2, 3)


@pytest.mark.parametrize("kind", ["step", "line", "gaussian"])
def test_no_curve_rewards_distance(kind: str) -> None:
    share = curve(kind, "10 ft").share(np.linspace(0, 30, 200))
    assert share[0] == 1 and (np.diff(share) <= 1e-12).all() and share.min() >= 0


@pytest.mark.parametrize("name", ["harrow-fen-careful", "harrow-fen-brisk"])
def test_shipped_rulebooks_load(name: str) -> None:
    book = load_rulebook(name)
    assert book.false_report < 0 <= book.panel.found and book.name.startswith("Harrow Fen")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            GOOD + "false_report: 0.5\n",
            "'false_report' in {file} must be zero or less: a rulebook must not reward false",
        ),
        (GOOD + "duplicate: 1\n", "'duplicate' in {file} must be zero or less"),
        (GOOD + "delivery:\n  wrong: 2\n", "'delivery.wrong' in {file} must be zero or less"),
        (GOOD + "person:\n  found: -1\n", "'person.found' in {file} must be zero or more"),
        (GOOD + "counts_within: -3 m\n", "'counts_within' in {file} must be positive"),
        (GOOD + "counts_within: 3 kg\n", "'counts_within' in {file} must be a quantity that converts to metre"),
        (GOOD + "false_reports: -1\n", "did you mean 'false_report'?"),
        (GOOD + "reports_at_most: 0\n", "'reports_at_most' in {file} must be greater than or equal to 1"),
        (GOOD + "place:\n  curve: wave\n", "'place.curve' in {file} must be 'step', 'line' or 'gaussian'"),
        (GOOD + "false_report: .nan\n", "'false_report' in {file} must be a finite number"),
        ("format: rulebook/1\nname: test\npanel:\n  found: 0\n", "must hold points to earn"),
        ("format: rulebook/2\nname: test\n", "must be rulebook/1. Got rulebook/2"),
        ("", "must have content"),
    ],
)
def test_unsound_rulebooks_are_refused_in_one_sentence(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "book.yaml"
    file.write_text(text)
    with pytest.raises(InputError) as caught:
        load_rulebook(file)
    message = str(caught.value)
    assert words.format(file=file) in message and "\n" not in message


def test_an_unknown_name_is_answered_with_the_shipped_ones() -> None:
    with pytest.raises(InputError, match=r"harrow-fen-brisk, harrow-fen-careful"):
        load_rulebook("harrow-fen-bold")
