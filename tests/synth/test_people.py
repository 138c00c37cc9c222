"""People: sizes of bodies, postures, and what counts as part of a person."""

from __future__ import annotations

import numpy as np
import pytest

from mission.recipe import POSTURES, PersonLookSettings
from synth.people import sample_people
from synth.scene import take


def people(posture: str, count: int = 60, **changes: float):
    look = PersonLookSettings.model_validate(
        {"postures": {posture: 1.0}, "bag_share": 0, "bicycle_share": 0, **changes}
    )
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


def test_bags_and_bicycles_belong_to_nobody() -> None:
    plain, _ = people("standing")
    loaded, _ = people("standing", bag_share=1.0, bicycle_share=1.0)
    assert (loaded.limbs.owner == -1).sum() > 60
    assert (plain.limbs.owner >= 0).all()
    assert len(loaded.targets.picture) == 60


def test_colours_are_reflectances() -> None:
    layout, _ = people("standing", 300)
    assert layout.limbs.albedo.min() > 0 and layout.limbs.albedo.max() <= 1.0
