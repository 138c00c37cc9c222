"""People: sizes of bodies, postures, and what counts as part of a person."""

from __future__ import annotations

import numpy as np
import pytest

from mission.recipe import POSTURES, PersonLookSettings
from synth.half_hidden import leafy_shade
from synth.people import sample_people
from synth.scene import take

BARE = dict.fromkeys(
    (
        "bag_share", "bicycle_share", "held_share", "umbrella_share", "blanket_share", "together_share", "child_share",
        "shade_share", "cover_share",
    ),
    0.0,
)  # fmt: skip


def people(posture: str, count: int = 60, **changes: object):
    look = PersonLookSettings.model_validate({"postures": {posture: 1.0}, **BARE, **changes})
    rng = np.random.default_rng(7)
    return sample_people(rng, np.arange(count), np.zeros((count, 3)), look), look


def reach(layout, person: int) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest coordinates [3] of one body."""
    limbs = take(layout.limbs, layout.limbs.owner == person)
    low, high = limbs.ends - limbs.radii_m[..., None], limbs.ends + limbs.radii_m[..., None]
    return low.min(axis=(0, 1)), high.max(axis=(0, 1))


@pytest.mark.parametrize(
    ("posture", "lowest_m", "highest_m"),
    [
        ("standing", 1.4, 2.1),
        ("walking", 1.35, 2.1),
        ("sitting", 0.6, 1.2),
        ("crouching", 0.6, 1.4),
        ("lying", 0.15, 0.9),
        ("kneeling", 0.8, 1.7),
        ("bending", 0.75, 1.75),
        ("cycling", 1.3, 1.95),
        ("pushing", 1.3, 2.05),
        ("spread", 0.15, 0.9),
        ("crawling", 0.5, 1.25),
    ],
)
def test_heights_of_postures(posture: str, lowest_m: float, highest_m: float) -> None:
    layout, _ = people(posture)
    heights = np.array([reach(layout, k)[1][2] for k in range(60)])
    assert np.quantile(heights, 0.05) > lowest_m and np.quantile(heights, 0.95) < highest_m


def test_waving_arms_are_above_the_head() -> None:
    layout, _ = people("waving")
    standing, _ = people("standing")
    assert (
        np.mean([reach(layout, k)[1][2] for k in range(60)])
        > np.mean([reach(standing, k)[1][2] for k in range(60)]) + 0.1
    )


@pytest.mark.parametrize("posture", POSTURES)
def test_nobody_sinks_into_the_ground_or_is_larger_than_life(posture: str) -> None:
    layout, look = people(posture)
    for k in range(60):
        low, high = reach(layout, k)
        assert low[2] > -1e-6
        assert (high - low).max() < 1.35 * look.height_m[1]


def test_a_lying_body_is_as_long_as_its_height() -> None:
    layout, look = people("lying", height_m=[1.8, 1.8])
    spans = [np.linalg.norm((reach(layout, k)[1] - reach(layout, k)[0])[:2]) for k in range(60)]
    assert 1.6 < np.median(spans) < 2.5
    assert look.height_m == (1.8, 1.8)


def test_belongings_belong_to_nobody() -> None:
    plain, _ = people("sitting")
    assert (plain.limbs.owner >= 0).all() and not len(plain.facets.picture)
    loaded, _ = people(
        "standing", bag_share=1.0, bicycle_share=1.0, held_share=1.0, umbrella_share=1.0, together_share=1.0
    )
    assert (loaded.limbs.owner == -1).sum() > 60
    assert len(loaded.facets.picture) >= 60 * 9  # umbrellas
    assert len(loaded.targets.picture) == 60
    assert len(people("sitting", blanket_share=1.0)[0].facets.picture) >= 60


@pytest.mark.parametrize(("posture", "length_m"), [("cycling", (1.5, 1.8)), ("pushing", (1.0, 1.5))])
def test_who_cycles_or_pushes_has_something_for_it(posture: str, length_m: tuple[float, float]) -> None:
    layout, _ = people(posture)
    things = take(layout.limbs, layout.limbs.owner < 0)
    for k in range(0, 60, 7):
        mine = take(things, things.picture == k)
        spread = mine.ends.reshape(-1, 3)[:, :2]
        longest = np.linalg.norm(spread[:, None] - spread[None], axis=2).max()
        assert length_m[0] < longest < length_m[1]
        body = take(layout.limbs, layout.limbs.owner == k)
        # Hands reach the handle or the bar.
        hands = body.ends[[14, 15], 0]
        assert np.linalg.norm(hands[:, None, :2] - spread[None], axis=2).min() < 0.35


def test_children_are_smaller_and_have_large_heads() -> None:
    grown, small = (people("standing", child_share=share, headgear_share=0)[0] for share in (0.0, 1.0))
    heights = [np.array([reach(layout, k)[1][2] for k in range(60)]) for layout in (grown, small)]
    assert np.median(heights[1]) / np.median(heights[0]) == pytest.approx(0.7, abs=0.08)
    heads = [
        np.median([take(layout.limbs, layout.limbs.owner == k).radii_m[17, 0] for k in range(60)])
        for layout in (grown, small)
    ]
    assert heads[1] / heads[0] > 0.75


def test_people_stand_together_only_within_a_picture() -> None:
    look = PersonLookSettings.model_validate({**BARE, "together_share": 1.0})
    far = np.array([[0.0, 0, 0], [9, 0, 0], [18, 0, 0], [27, 0, 0]])
    layout = sample_people(np.random.default_rng(1), np.array([0, 0, 0, 1]), far, look)
    apart = np.linalg.norm(np.diff(layout.targets.ground, axis=0), axis=1)
    assert (apart[:2] < 0.95).all() and apart[2] > 5
    assert (far[:, 0] == [0, 9, 18, 27]).all()  # the places given are left as they were
    # Bodies go with the truth.
    for k in range(4):
        low, high = reach(layout, k)
        middle = (low + high)[:2] / 2
        assert np.linalg.norm(middle - layout.targets.ground[k, :2]) < 1.2


def test_colours_are_reflectances() -> None:
    layout, _ = people("standing", 300)
    assert layout.limbs.albedo.min() > 0 and layout.limbs.albedo.max() <= 1.0


def test_who_lies_spread_takes_more_room_across() -> None:
    def across(posture: str) -> float:
        layout, _ = people(posture)
        spans = [np.sort((reach(layout, k)[1] - reach(layout, k)[0])[:2])[0] for k in range(60)]
        return float(np.median(spans))

    assert across("spread") > across("lying") + 0.15


def test_hands_and_knees_of_those_who_crawl_are_near_the_ground() -> None:
    layout, _ = people("crawling")
    for k in range(60):
        body = take(layout.limbs, layout.limbs.owner == k)
        assert body.ends[[14, 15], 0, 2].max() < 0.45 and body.ends[[2, 3], 0, 2].max() < 0.35


def test_in_the_shade_bodies_are_dim_and_throw_no_shadow() -> None:
    lit, dim = (people("standing", shade_share=share)[0] for share in (0.0, 1.0))
    mine = dim.limbs.owner >= 0
    assert (dim.limbs.casts[mine] == 0).all() and (lit.limbs.casts == 1).all()
    assert 0.1 < dim.limbs.albedo[mine].mean() / lit.limbs.albedo.mean() < 0.45
    around = take(dim.limbs, ~mine)
    assert (np.unique(around.picture) == np.arange(60)).all() and (around.shown == 0).all() and (around.casts > 0).all()


def test_the_shade_of_a_crown_is_a_core_with_boughs_all_about_it() -> None:
    rng, count = np.random.default_rng(5), 40
    ends = np.broadcast_to(np.array([[-1.0, 0, 0], [1.0, 0, 0]]), (count, 2, 3))
    shade = leafy_shade(rng, np.arange(count), ends, np.ones((count, 2)))
    assert (shade.shown == 0).all() and (shade.ends[..., 2] == 0).all()
    core = take(shade, np.arange(count))
    assert (core.ends == ends).all() and (core.radii_m < 0.8).all()
    boughs = take(shade, np.arange(count, len(shade.picture)))
    beside = boughs.ends[..., :2] - np.clip(boughs.ends[..., :2], [-1, 0], [1, 0])
    beyond = np.linalg.norm(beside, axis=2) + boughs.radii_m
    for k in range(count):
        own, reach = boughs.picture == k, beyond[boughs.picture == k]
        # Out of the core on either side, as far as the whole, and not far past it.
        assert reach.max() > 0.8 and reach.max() < 1.8
        assert boughs.ends[own, 0, 1].min() < -0.5 and boughs.ends[own, 0, 1].max() > 0.5


def test_foliage_hides_people_in_part_and_belongs_to_nobody() -> None:
    layout, _ = people("standing", cover_share=1.0)
    leaves = take(layout.limbs, layout.limbs.owner < 0)
    assert len(leaves.picture) == 60 * 14
    for k in range(0, 60, 9):
        body, over = take(layout.limbs, layout.limbs.owner == k), take(leaves, leaves.picture == k)
        assert over.order.min() > body.order.max() and over.ends[..., 2].min() > 1.5
        assert over.order.max() < 10.0 + k + 1  # the next person lies over it
