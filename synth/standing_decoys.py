"""Things that stand on the ground and are no target: barrels, boxes, cars, posts, bags, hoses, furniture.

Each function lays one thing of its kind at every place.
"""

from __future__ import annotations

import numpy as np

from synth.decoy_places import FLAT_ORDER, LOW_ORDER, TALL_ORDER, Place, layout_of, limbs_of
from synth.scene import Array, Blocks, Index, Layout, Limbs, Plates, empty_layout, finish, flat_axes, join_layouts, rows
from synth.solids import boxes, cars, cylinders


def barrel(place: Place) -> Layout:
    """Drums and bins, standing or on their side."""
    rng, n = place.rng, place.count
    radius, height = rng.uniform(0.18, 0.32, n), rng.uniform(0.5, 0.95, n)
    paint = place.paints(0.9)
    turn = rng.uniform(0, 2 * np.pi, n)
    laid = np.flatnonzero(rng.random(n) < 0.3)
    stands = np.setdiff1d(np.arange(n), laid)
    lying = cylinders(
        place.picture[laid], place.at[laid], turn[laid], radius[laid], height[laid], paint[laid], LOW_ORDER
    )
    return join_layouts([lying, _drums(place, stands, radius[stands], height[stands], paint[stands])])


def _drums(place: Place, which: Index, radius: Array, height: Array, paint: Array) -> Layout:
    rng, n = place.rng, len(which)
    up = np.array([0, 0, 1.0])
    at, picture = place.at[which], place.picture[which]
    ends = np.stack([at + 0.3 * radius[:, None] * up, at + (height - 0.5 * radius)[:, None] * up], axis=1)
    side = rows(
        Limbs, n, picture=picture, order=LOW_ORDER, ends=ends, radii_m=np.stack([radius, radius], axis=1), albedo=paint * 0.85,
        grain=0.1,
    )  # fmt: skip
    turn, zero = rng.uniform(0, 2 * np.pi, n), np.zeros(n)
    along, across = flat_axes(turn, zero, zero)
    parts = [layout_of(limbs=side)]
    for k, share in enumerate((1.0, 0.88)):
        size = 2 * radius[:, None] * share
        lid = rows(
            Plates,
            n,
            picture=picture,
            order=LOW_ORDER + 0.5 + 0.1 * k,
            origin=at + height[:, None] * up,
            along=along * size,
            up=across * size,
            shape=place.outlines.index("circle"),
            albedo=paint * (1.0 if k == 0 else rng.uniform(0.5, 1.0)),
            finish=finish(n, gloss=0.15, gloss_width=0.3, dirt=0.3, noise_u=rng.random(n)),
        )
        parts.append(layout_of(lid))
    return join_layouts(parts)


def box(place: Place) -> Layout:
    rng, n = place.rng, place.count
    size = rng.uniform(0.25, 1.2, (n, 3)) * np.array([1, 1, 0.7])
    wood = np.array([[0.35, 0.22, 0.12], [0.42, 0.30, 0.18], [0.5, 0.5, 0.5], [0.25, 0.2, 0.15]])[rng.integers(0, 4, n)]
    return boxes(rng, place.picture, place.at, size, wood * rng.uniform(0.7, 1.3, (n, 1)), LOW_ORDER)


def case(place: Place) -> Layout:
    """Boxes of the team's own: flight cases, cool boxes, generators, batteries, in strong colours."""
    rng, n = place.rng, place.count
    size = np.stack([rng.uniform(0.3, 0.6, n), rng.uniform(0.4, 0.9, n), rng.uniform(0.15, 0.45, n)], axis=1)
    paint = np.where((rng.random(n) < 0.4)[:, None], 0.02, place.paints())
    return boxes(rng, place.picture, place.at, size, paint, LOW_ORDER, 0.04)


def car(place: Place) -> Layout:
    return cars(place.rng, place.picture, place.at, TALL_ORDER)


def post(place: Place) -> Layout:
    rng, n = place.rng, place.count
    height, radius = rng.uniform(0.4, 2.2, n), rng.uniform(0.02, 0.08, n)
    lean = rng.normal(0, 0.05, (n, 2)) * height[:, None]
    top = place.at + np.concatenate([lean, height[:, None]], axis=1)
    wood = np.array([[0.25, 0.18, 0.11], [0.5, 0.5, 0.5], [0.7, 0.7, 0.68], [0.5, 0.06, 0.05]])[rng.integers(0, 4, n)]
    return limbs_of(
        place,
        np.stack([place.at, top], 1),
        np.stack([radius, radius], 1),
        wood * rng.uniform(0.7, 1.2, (n, 1)),
        TALL_ORDER,
    )


def bag(place: Place) -> Layout:
    """Bags, sacks and bundles: two or three lumps."""
    rng = place.rng
    many = place.repeated(rng.integers(1, 4, place.count), 0.22)
    n = many.count
    radius = rng.uniform(0.1, 0.26, (n, 2))
    start = many.at + radius[:, :1] * np.array([0, 0, 0.8])
    ends = np.stack([start, start + rng.normal(0, 0.15, (n, 3)) * np.array([1, 1, 0.2])], axis=1)
    return limbs_of(many, ends, radius, many.paints(0.7) * 0.9, LOW_ORDER + 0.01 * np.arange(n), 0.5)


def hose(place: Place) -> Layout:
    """Hoses, ropes, cables and branches: a wandering line."""
    rng, n = place.rng, place.count
    steps = 14
    bend = np.cumsum(rng.normal(0, 0.45, (n, steps)), axis=1) + rng.uniform(0, 2 * np.pi, (n, 1))
    stride = rng.uniform(0.1, 0.3, (n, 1))
    path = np.cumsum(np.stack([np.sin(bend), np.cos(bend)], axis=2) * stride[..., None], axis=1)
    path = path - path[:, steps // 2 : steps // 2 + 1]
    radius = np.exp(rng.uniform(np.log(0.01), np.log(0.05), n))
    points = place.at[:, None] + np.concatenate([path, np.broadcast_to(radius[:, None, None], (n, steps, 1))], axis=2)
    ends = np.stack([points[:, :-1], points[:, 1:]], axis=2).reshape(-1, 2, 3)
    which = np.repeat(np.arange(n), steps - 1)
    colour = np.where((rng.random(n) < 0.5)[:, None], np.array([0.12, 0.09, 0.06]), place.paints(0.8))
    spread = Place(rng, place.picture[which], place.at[which], *place.made_of)
    return limbs_of(spread, ends, np.repeat(radius[which, None], 2, axis=1), colour[which], FLAT_ORDER + 0.4)


def furniture(place: Place) -> Layout:
    """Folding tables and chairs."""
    rng, n = place.rng, place.count
    along, up = place.flat(np.ones(n))
    table = rng.random(n) < 0.55
    size = np.where(table[:, None], rng.uniform([1.0, 0.6], [1.9, 0.8], (n, 2)), rng.uniform(0.38, 0.5, (n, 2)))
    height = np.where(table, 0.73, 0.44)
    paint = np.where(table[:, None], np.array([0.7, 0.69, 0.66]) * rng.uniform(0.5, 1.1, (n, 1)), place.paints())
    tops = rows(
        Plates,
        n,
        picture=place.picture,
        order=LOW_ORDER + 0.5,
        origin=place.at + height[:, None] * np.array([0, 0, 1.0]),
        along=along * size[:, :1],
        up=up * size[:, 1:] * 1.0,
        shape=place.outlines.index("square"),
        albedo=paint,
        finish=finish(n, gloss=rng.uniform(0, 0.2, n), gloss_width=0.4, dirt=0.1, **place.noise()),
    )
    ring = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2
    slab = tops.origin[:, None] + ring[:, :1] * tops.along[:, None] + ring[:, 1:] * tops.up[:, None]
    shadow = rows(Blocks, n, picture=place.picture, corners=np.concatenate([slab, slab], axis=1))
    chairs = np.flatnonzero(~table)
    back = tops.origin[chairs] + up[chairs] * (size[chairs, 1:] / 2)
    half = along[chairs] * (size[chairs, :1] / 2)
    rise = np.array([0, 0, 0.38])
    sub = Place(rng, place.picture[chairs], place.at[chairs], *place.made_of)
    rails = limbs_of(
        sub,
        np.stack([back - half + rise, back + half + rise], 1),
        np.full((len(chairs), 2), 0.02),
        paint[chairs],
        LOW_ORDER + 0.8,
    )
    base = empty_layout()
    return join_layouts([Layout(tops, base.limbs, base.facets, shadow, base.targets), rails])
