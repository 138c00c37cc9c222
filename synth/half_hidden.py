"""What is hard to see: in the shade of something outside the picture, or partly under foliage."""

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
    """Shadows of crowns on the ground about people: some stand well inside, some near the rim."""
    count = len(picture)
    angle = rng.uniform(0, 2 * np.pi, count)
    direction = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    radius = rng.uniform(0.7, 2.6, (count, 1))
    middle = ground + rng.normal(0, 0.35, (count, 3)) * radius * np.array([1, 1, 0])
    half = rng.uniform(0.3, 3.0, (count, 1))
    ends = np.stack([middle - half * direction, middle + half * direction], axis=1)
    return leafy_shade(rng, picture, ends, radius * rng.uniform(0.7, 1.2, (count, 2)))


def shade_across(rng: np.random.Generator, picture: Index, ground: Array) -> Limbs:
    """Shadows of trunks, boughs, poles and crowns outside the picture that fall across things at ``ground`` [N, 3]."""
    count = len(picture)
    angle = rng.uniform(0, 2 * np.pi, count)
    direction = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    middle = (ground + rng.normal(0, 0.3, (count, 3))) * np.array([1, 1, 0])
    half = rng.uniform(0.8, 4.0, (count, 1))
    # From a pole across the thing to a crown whose shade holds the whole of it.
    radius = np.exp(rng.uniform(np.log(0.04), np.log(2.2), count))
    ends = np.stack([middle - half * direction, middle + half * direction], axis=1)
    radii_m, casts = radius[:, None] * rng.uniform(0.6, 1.2, (count, 2)), rng.uniform(0.7, 1.0, count)
    thin, crown = np.flatnonzero(radius < _CROWN_M), np.flatnonzero(radius >= _CROWN_M)
    poles = rows(
        Limbs, len(thin), picture=picture[thin], ends=ends[thin], radii_m=radii_m[thin], casts=casts[thin], shown=0.0
    )
    return join(Limbs, [poles, leafy_shade(rng, picture[crown], ends[crown], radii_m[crown])])


# From this radius on a shadow is a crown's and no trunk's.
_CROWN_M = 0.35


def leafy_shade(rng: np.random.Generator, picture: Index, ends: Array, radii_m: Array) -> Limbs:
    """The shade of a crown about each line ``ends`` [N, 2, 3] on the ground, ``radii_m`` [N, 2] wide: a core and, about its rim,
    boughs of which each takes a part of the light."""
    count = len(picture)
    core = rows(
        Limbs,
        count,
        picture=picture,
        ends=ends,
        radii_m=_CORE * radii_m,
        casts=rng.uniform(0.75, 0.95, count),
        shown=0.0,
    )
    index = np.repeat(np.arange(count), _BOUGHS)
    # The whole outline has boughs: its ends as well as its sides.
    share, angle = rng.uniform(-0.15, 1.15, (len(index), 1)).clip(0, 1), rng.uniform(0, 2 * np.pi, len(index))
    radius = radii_m[index, :1] + share * (radii_m[index, 1:] - radii_m[index, :1])
    # Large boughs stand further in than twigs.
    size = np.exp(rng.uniform(np.log(0.06), np.log(0.5), (len(index), 1)))
    reach = radius * (1.1 - size) * rng.uniform(0.6, 1.0, (len(index), 1))
    start = ends[index, 0] + share * (ends[index, 1] - ends[index, 0])
    start = start + reach * np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    end = start + rng.normal(0, 0.2, (len(index), 3)) * radius * np.array([1, 1, 0])
    boughs = rows(
        Limbs,
        len(index),
        picture=picture[index],
        ends=np.stack([start, end], axis=1),
        radii_m=size * radius * rng.uniform(0.6, 1.0, (len(index), 2)),
        casts=rng.uniform(0.4, 0.9, len(index)),
        shown=0.0,
    )
    return join(Limbs, [core, boughs])


# Radius of a crown's core in that of the whole, and how many boughs stand out of it.
_CORE, _BOUGHS = 0.5, 24


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
