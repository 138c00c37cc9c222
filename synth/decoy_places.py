"""Where things that are no target go, and what they may be made of: shared by all kinds of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mission.mission_file import Mission
from mission.recipe import Recipe
from mission.vocabulary import COLOURS
from synth.marks import Typefaces
from synth.outlines import OutlineAtlas
from synth.paints import sample_paints
from synth.scene import Array, Index, Layout, Limbs, Plates, empty_layout, flat_axes, rows

# What is drawn over what: paint on the ground, sheets, low things, tall things (panels lie between sheets and low things).
GROUND_ORDER, FLAT_ORDER, LOW_ORDER, TALL_ORDER = 0.2, 1.0, 4.0, 6.0


@dataclass(frozen=True)
class Place:
    """Where things of one kind go, and what they may be made of."""

    rng: np.random.Generator
    picture: Index
    at: Array
    mission: Mission
    recipe: Recipe
    outlines: OutlineAtlas
    typefaces: Typefaces

    @property
    def count(self) -> int:
        """How many things."""
        return len(self.picture)

    @property
    def made_of(self) -> tuple[Mission, Recipe, OutlineAtlas, Typefaces]:
        """What a place for parts of these things shares with this one."""
        return self.mission, self.recipe, self.outlines, self.typefaces

    def only(self, which: Index) -> Place:
        """Some of the places, by mask or indices."""
        return Place(self.rng, self.picture[which], self.at[which], *self.made_of)

    def repeated(self, times: Index, spread_m: Array | float) -> Place:
        """Several things for each place, scattered about it; ``spread_m`` for all of them or for each."""
        index = np.repeat(np.arange(self.count), times)
        scatter = self.rng.normal(0, 1, (len(index), 2)) * np.reshape(spread_m, (-1, 1))
        # The first of several stays near the place.
        scatter[np.flatnonzero(np.diff(index, prepend=-1))] *= 0.2
        at = self.at[index] + np.concatenate([scatter, np.zeros((len(index), 1))], axis=1)
        return Place(self.rng, self.picture[index], at, *self.made_of)

    def paints(self, saturated: float = 1.0) -> Array:
        """One paint for each thing, of any name; ``saturated`` below 1 greys it."""
        paint = sample_paints(self.rng, self.rng.integers(0, len(COLOURS), self.count))
        return saturated * paint + (1 - saturated) * paint.mean(axis=1, keepdims=True)

    def shape(self, *names: str) -> Index:
        """One of the named outlines for each thing."""
        known = np.array([self.outlines.index(name) for name in names])
        return known[self.rng.integers(0, len(known), self.count)]

    def flat(self, size_m: Array, aspect: Array | float = 1.0, tilt_rad: float = 0.0) -> tuple[Array, Array]:
        """Axes of flat things at any turn; ``aspect`` squeezes the second one."""
        turn, towards = self.rng.uniform(0, 2 * np.pi, (2, self.count))
        tilt = np.abs(self.rng.normal(0, tilt_rad, self.count)) if tilt_rad else np.zeros(self.count)
        along, up = flat_axes(turn, tilt, towards)
        return along * size_m[:, None], up * (size_m * aspect)[:, None]

    def noise(self) -> dict[str, Array]:
        """Finish columns that give each thing its own piece of the noise."""
        return {"noise_u": self.rng.random(self.count), "noise_v": self.rng.random(self.count)}


def layout_of(plates: Plates | None = None, limbs: Limbs | None = None) -> Layout:
    """A layout of plates or limbs alone."""
    base = empty_layout()
    return Layout(plates or base.plates, limbs or base.limbs, base.facets, base.blocks, base.targets)


def limbs_of(
    place: Place, ends: Array, radii: Array, albedo: Array, order: Array | float, grain: float = 0.15
) -> Layout:
    """A layout of limbs at a place."""
    return layout_of(
        limbs=rows(
            Limbs, len(ends), picture=place.picture, order=order, ends=ends, radii_m=radii, albedo=albedo, grain=grain
        )
    )
