"""People who are hard to see: in the shade of something outside the picture, or partly under foliage."""

from __future__ import annotations

import numpy as np

from mission.recipe import PersonLookSettings
from synth.scene import Array, Index, Layout, Limbs, empty_layout, join, rows

# What the sky alone gives against sun and sky together, and its colour (by eye, no source).
_SKY_SHARE = (0.13, 0.42)
_SKY_TINT = np.array([0.92, 1.0, 1.12])
_LEAVES = np.array([[0.03, 0.07, 0.02], [0.05, 0.1, 0.03], [0.08, 0.11, 0.04], [0.12, 0.1, 0.05]])
# Foliage is drawn over whom it hides, and before the next person.
_OVER = 0.8
_LEAVES_EACH = 14


def people_outside_light(rng: np.random.Generator, body: Layout, look: PersonLookSettings) -> Layout:
    """Darken those of a layout who are in the shade (in place) and return shade and foliage as things of nobody."""
    targets, limbs = body.targets, body.limbs
    count, parts = len(targets.picture), []
    if look.shade_share:
        shaded = rng.random(count) < look.shade_share
        dim = rng.uniform(*_SKY_SHARE, count)[:, None] * _SKY_TINT
        mine = shaded[limbs.owner]
        limbs.albedo[mine] *= dim[limbs.owner[mine]]
        limbs.casts[mine] = 0.0
        parts.append(_shade(rng, targets.picture[shaded], targets.ground[shaded]))
    if look.cover_share:
        covered = np.flatnonzero(rng.random(count) < look.cover_share)
        top = np.array([limbs.order[limbs.owner == k].max() for k in covered]).reshape(-1)
        parts.append(_foliage(rng, targets.picture[covered], targets.ground[covered], np.floor(top) + _OVER))
    base = empty_layout()
    return Layout(base.plates, join(Limbs, parts), base.facets, base.blocks, base.targets)


def _shade(rng: np.random.Generator, picture: Index, ground: Array) -> Limbs:
    """Shadows of crowns and walls on the ground about people: some stand well inside, some near the rim."""
    count = len(picture)
    angle = rng.uniform(0, 2 * np.pi, count)
    direction = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    radius = rng.uniform(0.7, 2.6, (count, 1))
    middle = ground + rng.normal(0, 0.35, (count, 3)) * radius * np.array([1, 1, 0])
    half = rng.uniform(0.3, 3.0, (count, 1))
    return rows(
        Limbs,
        count,
        picture=picture,
        ends=np.stack([middle - half * direction, middle + half * direction], axis=1),
        radii_m=radius * rng.uniform(0.7, 1.2, (count, 2)),
        casts=rng.uniform(0.8, 1.0, count),
        shown=0.0,
    )


def _foliage(rng: np.random.Generator, picture: Index, ground: Array, order: Array) -> Limbs:
    """Leaves of a bough on one side of each person, above the head."""
    index = np.repeat(np.arange(len(picture)), _LEAVES_EACH)
    count = len(index)
    towards = rng.uniform(0, 2 * np.pi, len(picture))
    aside = np.stack([np.cos(towards), np.sin(towards)], axis=1) * rng.uniform(0.25, 0.7, (len(picture), 1))
    at = np.zeros((count, 3))
    at[:, :2] = ground[index, :2] + aside[index] + rng.normal(0, 0.28, (count, 2))
    at[:, 2] = rng.uniform(1.9, 2.6, count)
    size = rng.uniform(0.03, 0.14, count)
    turn, long = rng.uniform(0, 2 * np.pi, count), size * rng.uniform(0.5, 2.0, count)
    end = at + np.stack([long * np.cos(turn), long * np.sin(turn), rng.normal(0, 0.05, count)], axis=1)
    leaf = _LEAVES[rng.integers(0, len(_LEAVES), len(picture))][index] * rng.uniform(0.5, 1.6, (count, 1))
    return rows(
        Limbs,
        count,
        picture=picture[index],
        order=order[index],
        ends=np.stack([at, end], axis=1),
        radii_m=np.stack([size, size * 0.4], axis=1),
        albedo=leaf,
        grain=0.9,
        roundness=0.6,
    )
