"""Panels that are hard to find: paint near the ground's, the thinnest marks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from mission.mission_file import load_mission
from mission.recipe import Recipe
from mission.vocabulary import COLOURS, MARKS
from synth.colour import ciede2000, lab_from_linear
from synth.ground_like import _GROUND, with_ground_like
from synth.paints import colour_name, sample_paint_pairs
from synth.panels import THIN_MARKS, sample_panels

#: A mission with the whole vocabulary.
ALL_MARKS = Path(__file__).parents[2] / "benchmarks/transfer/mission.yaml"


def look(**changes: float) -> Recipe:
    return Recipe.model_validate({"format": "recipe/1", "name": "x", "panels": changes})


def panels(count: int = 3000, **changes: float):
    rng = np.random.default_rng(8)
    return sample_panels(rng, np.arange(count), np.zeros((count, 3)), load_mission(ALL_MARKS), look(**changes))


def test_a_share_of_panels_is_near_a_ground_in_colour_and_keeps_its_name() -> None:
    ground = lab_from_linear(_GROUND)

    def nearest(share: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        rng = np.random.default_rng(4)
        pairs = sample_paint_pairs(rng, 800, COLOURS, 20, 20)
        names, _, paint, mark = with_ground_like(
            rng, pairs, COLOURS, 20, 20, look(ground_like_share=share).panels
        )  # fmt: skip
        lab = lab_from_linear(paint)
        assert (colour_name(lab) == names).mean() > 0.99
        assert ciede2000(lab, lab_from_linear(mark)).min() > 19.9
        return ciede2000(lab[:, None], ground[None]).min(axis=1), names, paint

    plain, mixed, like = (nearest(share)[0] for share in (0.0, 0.5, 1.0))
    assert np.median(like) < 0.5 * np.median(plain)
    assert np.median(like) < np.median(mixed) < np.median(plain)


def test_no_share_draws_nothing_anew() -> None:
    one, other = np.random.default_rng(1), np.random.default_rng(1)
    pairs = sample_paint_pairs(one, 50, COLOURS, 20, 20)
    sample_paint_pairs(other, 50, COLOURS, 20, 20)
    assert with_ground_like(one, pairs, COLOURS, 20, 20, look(ground_like_share=0.0).panels) is pairs
    assert one.random() == other.random()


@pytest.mark.parametrize("share", [0.0, 0.3])
def test_thin_marks_come_more_often_by_their_share(share: float) -> None:
    thin = np.array([MARKS.index(name) for name in THIN_MARKS])
    found = np.isin(panels(thin_mark_share=share).targets.attributes[:, 2], thin).mean()
    expected = (1 - share) * len(THIN_MARKS) / len(MARKS) + share
    assert found == pytest.approx(expected, abs=0.03)
