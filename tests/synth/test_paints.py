"""Paints: named as asked, wide, and told apart where they must be."""

from __future__ import annotations

import numpy as np
import pytest

from mission.errors import InputError
from mission.vocabulary import COLOURS
from synth.colour import ciede2000, lab_from_linear
from synth.paints import (
    anchor,
    colour_name,
    paint_bank,
    paints_within,
    pairs_that_differ,
    sample_paint_pairs,
    sample_paints,
)


@pytest.mark.parametrize("name", COLOURS)
def test_every_paint_keeps_its_name_when_moved_a_little(name: str) -> None:
    bank = paint_bank(name)
    assert bank.min() > 0 and bank.max() < 1
    lab = lab_from_linear(bank)
    for step in np.vstack([np.zeros(3), 2.5 * np.eye(3), -2.5 * np.eye(3)]):
        assert (colour_name(lab + step) == COLOURS.index(name)).all()


@pytest.mark.parametrize("name", COLOURS)
def test_paints_of_a_name_are_wide(name: str) -> None:
    lab = lab_from_linear(paint_bank(name))
    one, other = lab[:700], lab[700:1400]
    # Half of all pairs of one name differ by more than most people call "another shade".
    assert np.median(ciede2000(one, other)) > (4.0 if name in ("white", "black") else 8.0)


def test_pairs_differ_as_the_mission_asks() -> None:
    rng = np.random.default_rng(5)
    panel, mark, paint, mark_paint = sample_paint_pairs(rng, 3000, COLOURS, 25.0, 30.0)
    one, other = lab_from_linear(paint), lab_from_linear(mark_paint)
    assert (np.abs(one[:, 0] - other[:, 0]) >= 25).mean() > 0.999
    assert (ciede2000(one, other) >= 30).mean() > 0.99
    assert (panel != mark).all()
    assert (colour_name(one) == panel).all() and (colour_name(other) == mark).all()
    share = np.bincount(panel, minlength=11) / 3000
    assert share.min() > 0.07 and share.max() < 0.115


def test_too_few_colours_to_tell_apart_is_said() -> None:
    with pytest.raises(InputError, match=r"must hold two that differ by 25 in lightness .* Got white instead"):
        sample_paint_pairs(np.random.default_rng(0), 3, ("white",), 25.0, 30.0)


def test_lightness_rules_out_pairs_of_like_lightness() -> None:
    allowed = pairs_that_differ(COLOURS, 25.0, 30.0)
    assert not allowed[COLOURS.index("orange"), COLOURS.index("pink")]
    assert allowed[COLOURS.index("white"), COLOURS.index("black")]
    assert not allowed.diagonal().any()


def test_sampled_paints_follow_their_names() -> None:
    names = np.arange(11).repeat(40)
    paint = sample_paints(np.random.default_rng(1), names)
    assert (colour_name(lab_from_linear(paint)) == names).all()


@pytest.mark.parametrize("spread", [0.0, 0.3, 0.6, 0.9])
def test_narrow_paints_keep_their_names_and_draw_towards_the_anchor(spread: float) -> None:
    for name in COLOURS:
        lab, middle = lab_from_linear(paints_within(name, spread)), lab_from_linear(anchor(name))
        assert (colour_name(lab) == COLOURS.index(name)).all()
        wide = np.linalg.norm(lab_from_linear(paint_bank(name)) - middle, axis=1)
        assert np.median(np.linalg.norm(lab - middle, axis=1)) == pytest.approx(spread * np.median(wide), abs=0.6)


def test_without_spread_each_name_is_one_paint() -> None:
    panel, mark, paint, mark_paint = sample_paint_pairs(np.random.default_rng(2), 400, COLOURS, 25.0, 30.0, spread=0.0)
    for names, paints in ((panel, paint), (mark, mark_paint)):
        for i in set(names.tolist()):
            np.testing.assert_allclose(
                paints[names == i], np.broadcast_to(anchor(COLOURS[i]), paints[names == i].shape), atol=1e-6
            )
