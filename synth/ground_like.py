"""Panels whose paint is near the colour of what they lie on: the hardest to find, and rare by chance."""

from __future__ import annotations

import numpy as np

from mission.recipe import PanelLookSettings
from synth.paints import sample_paint_pairs
from synth.scene import Array, Index

# Reflectances of grass, straw, soil, paving and deep leaves (by eye, no source).
_GROUND = np.array(
    [
        [0.05, 0.09, 0.03], [0.1, 0.15, 0.05], [0.16, 0.2, 0.08], [0.3, 0.25, 0.14], [0.16, 0.11, 0.07], [0.08, 0.06, 0.045],
        [0.12, 0.12, 0.12], [0.3, 0.28, 0.25], [0.03, 0.05, 0.02],
    ]
)  # fmt: skip
# So many pairs of paints are drawn for such a panel; the one nearest to its ground is taken.
_TRIES = 12
Pairs = tuple[Index, Index, Array, Array]


def with_ground_like(
    rng: np.random.Generator,
    pairs: Pairs,
    colours: tuple[str, ...],
    lightness_min: float,
    difference_min: float,
    look: PanelLookSettings,
) -> Pairs:
    """Names and paints of panels and marks as from ``sample_paint_pairs``, a share exchanged for paints near a ground's.

    The paints stay within what goes by their names, and marks differ from panels as the mission asks.
    """
    chosen = np.flatnonzero(rng.random(len(pairs[0])) < look.ground_like_share) if look.ground_like_share else []
    if not len(chosen):
        return pairs
    drawn = sample_paint_pairs(
        rng, len(chosen) * _TRIES, colours, lightness_min, difference_min, look.paint_spread
    )  # fmt: skip
    ground = _GROUND[rng.integers(0, len(_GROUND), len(chosen))] * np.exp(rng.normal(0, 0.2, (len(chosen), 1)))
    paint = drawn[2].reshape(len(chosen), _TRIES, 3)
    # Cube roots are about even to the eye.
    apart = np.abs(np.cbrt(paint) - np.cbrt(ground)[:, None]).sum(axis=2)
    row = np.arange(len(chosen)) * _TRIES + apart.argmin(axis=1)
    exchanged = []
    for old, new in zip(pairs, drawn, strict=True):
        column = old.copy()
        column[chosen] = new[row]
        exchanged.append(column)
    return (exchanged[0], exchanged[1], exchanged[2], exchanged[3])
