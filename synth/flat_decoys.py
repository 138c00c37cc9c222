"""Flat things that are no target: boards, sheets, litter, stones, stripes, covers.

Each function lays one thing of its kind at every place.
"""

from __future__ import annotations

import numpy as np

from synth.assembly import Assembly
from synth.decoy_places import FLAT_ORDER, GROUND_ORDER, LOW_ORDER, Place, layout_of
from synth.panels import sample_finish
from synth.scene import Layout, Plates, finish, join_layouts, rows


def board(place: Place) -> Layout:
    """A plate without a mark: most of them of a panel's make, some larger, some with a plain figure on it."""
    rng, n = place.rng, place.count
    size = np.exp(rng.uniform(np.log(0.25), np.log(1.6), n))
    shapes = place.mission.panels.vocabulary.shapes
    shape = np.where(rng.random(n) < 0.6, place.shape(*shapes), place.shape("square", "rectangle", "circle"))
    along, up = place.flat(size, rng.choice([1.0, 1.0, 0.7, 0.45], n), 0.08)
    plates = rows(
        Plates,
        n,
        picture=place.picture,
        order=FLAT_ORDER + 0.5 + np.arange(n) * 1e-6,
        origin=place.at + np.array([0, 0, 0.02]),
        along=along,
        up=up,
        shape=shape,
        albedo=place.paints(),
        thickness_m=rng.uniform(0, 0.05, n),
        finish=sample_finish(rng, n, place.recipe.panels, size),
    )
    figure = np.flatnonzero(rng.random(n) < 0.2)
    inner = Place(rng, place.picture[figure], place.at[figure], *place.made_of)
    share = rng.uniform(0.2, 0.5, len(figure))
    figures = rows(
        Plates,
        len(figure),
        picture=inner.picture,
        order=plates.order[figure] + 5e-7,
        origin=plates.origin[figure],
        along=along[figure] * share[:, None],
        up=up[figure] * share[:, None],
        shape=inner.shape("circle", "triangle", "cross", "star", "rectangle", "square"),
        albedo=inner.paints(),
        finish=finish(len(figure), **inner.noise()),
    )
    return join_layouts([layout_of(plates), layout_of(figures)])


def tarpaulin(place: Place) -> Layout:
    rng, n = place.rng, place.count
    size = np.exp(rng.uniform(np.log(1.0), np.log(4.5), n))
    along, up = place.flat(size, rng.uniform(0.5, 1.0, n))
    usual = np.array(
        [
            [0.03, 0.12, 0.45],
            [0.04, 0.17, 0.08],
            [0.45, 0.45, 0.44],
            [0.7, 0.7, 0.7],
            [0.03, 0.03, 0.03],
            [0.5, 0.2, 0.04],
        ]
    )
    paint = np.where((rng.random(n) < 0.75)[:, None], usual[rng.integers(0, len(usual), n)], place.paints())
    plates = rows(
        Plates,
        n,
        picture=place.picture,
        order=FLAT_ORDER + np.arange(n) * 1e-6,
        origin=place.at,
        along=along,
        up=up,
        shape=place.shape("square", "square", "rectangle"),
        albedo=paint * rng.uniform(0.8, 1.2, (n, 1)),
        thickness_m=rng.uniform(0.0, 0.15, n),
        finish=finish(
            n, wrinkle=rng.uniform(0.4, 1.6, n), fold=(rng.random(n) < 0.6) * 0.15, fold_period=rng.uniform(0.12, 0.4, n),
            fold_angle=rng.choice([0, np.pi / 2], n), dirt=rng.uniform(0, 0.4, n), gloss=rng.uniform(0, 0.2, n),
            gloss_width=0.4, gloss_u=rng.normal(0, 0.3, n), ragged=rng.uniform(0.003, 0.012, n), **place.noise(),
        ),
    )  # fmt: skip
    return layout_of(plates)


def litter(place: Place) -> Layout:
    rng = place.rng
    many = place.repeated(rng.integers(1, 6, place.count), 0.6)
    n = many.count
    size = np.exp(rng.uniform(np.log(0.04), np.log(0.4), n))
    along, up = many.flat(size, rng.uniform(0.3, 1.0, n), 0.2)
    paint = np.where((rng.random(n) < 0.45)[:, None], rng.uniform(0.5, 0.85, (n, 1)), many.paints())
    plates = rows(
        Plates,
        n,
        picture=many.picture,
        order=FLAT_ORDER + 0.3 + np.arange(n) * 1e-6,
        origin=many.at + np.array([0, 0, 0.01]),
        along=along,
        up=up,
        shape=many.shape("rectangle", "square", "ellipse", "trapezium", "triangle", "circle"),
        albedo=paint,
        thickness_m=rng.uniform(0, 0.04, n),
        finish=finish(
            n,
            wrinkle=rng.uniform(0.3, 1.5, n),
            ragged=rng.uniform(0, 0.08, n),
            dirt=rng.uniform(0, 0.4, n),
            **many.noise(),
        ),
    )
    return layout_of(plates)


def stone(place: Place) -> Layout:
    rng = place.rng
    many = place.repeated(rng.integers(1, 5, place.count), 0.7)
    n = many.count
    size = np.exp(rng.uniform(np.log(0.06), np.log(0.7), n))
    along, up = many.flat(size, rng.uniform(0.55, 1.0, n))
    grey = np.exp(rng.normal(np.log(0.3), 0.5, (n, 1))).clip(0.06, 0.8)
    plates = rows(
        Plates,
        n,
        picture=many.picture,
        order=LOW_ORDER - 1 + np.arange(n) * 1e-6,
        origin=many.at + np.array([0, 0, 0.3]) * size[:, None] * 0.5,
        along=along,
        up=up,
        shape=many.shape("circle", "ellipse", "octagon", "pentagon"),
        albedo=grey * np.array([1.0, 0.96, 0.88]) * rng.uniform(0.9, 1.1, (n, 3)),
        thickness_m=size * 0.25,
        finish=finish(
            n, ragged=rng.uniform(0.02, 0.06, n), dome=rng.uniform(0.5, 1.1, n), wrinkle=rng.uniform(0.4, 1.2, n), speckle=0.15,
            dirt=rng.uniform(0, 0.5, n), blades=(rng.random(n) < 0.5) * 0.04, **many.noise(),
        ),
    )  # fmt: skip
    return layout_of(plates)


def road_marking(place: Place) -> Layout:
    """Stripes in a row, as on a road, a court or a pitch."""
    rng, n = place.rng, place.count
    dashes = rng.integers(1, 4, n)
    length = rng.uniform(0.6, 3.0, n)
    width = rng.uniform(0.06, 0.2, n)
    along, up = place.flat(np.ones(n))
    which = np.repeat(np.arange(n), dashes)
    step = np.concatenate([np.arange(k) for k in dashes]) - (dashes[which] - 1) / 2
    colour = np.where((rng.random(n) < 0.8)[:, None], np.array([0.75, 0.75, 0.72]), np.array([0.7, 0.5, 0.05]))
    m = len(which)
    plates = rows(
        Plates,
        m,
        picture=place.picture[which],
        order=GROUND_ORDER + np.arange(m) * 1e-6,
        origin=place.at[which] + along[which] * (step * length[which] * 1.8)[:, None],
        along=along[which] * length[which, None],
        up=up[which] * width[which, None] * 2,
        shape=place.outlines.index("rectangle"),
        albedo=colour[which],
        finish=finish(
            m, dirt=rng.uniform(0.1, 0.7, n)[which], speckle=0.2, ragged=0.004, blades=(rng.random(n)[which] < 0.4) * 0.06,
            noise_u=rng.random(m), noise_v=rng.random(m),
        ),
    )  # fmt: skip
    return layout_of(plates)


def sports_line(place: Place) -> Layout:
    """Lines of pitches and courts: straight ones, corners, arcs, worn and overgrown in places."""
    made = Assembly(place, GROUND_ORDER + 0.01)
    chalk = np.where(
        made.some(0.8)[:, None], made.one_of([[0.72, 0.72, 0.7]]), made.one_of([[0.7, 0.5, 0.05], [0.05, 0.2, 0.5]])
    )
    half, kind = made.between(0.02, 0.06), made.rng.integers(0, 3, made.count)  # straight, corner, arc
    length, other = made.between(1.0, 3.5), made.between(0.6, 2.5)
    ground = {"grain": made.between(0.1, 0.5), "roundness": 0.0, "casts": 0.0}
    made.rod((-length, 0, 0), (0, 0, 0), half, chalk, only=kind < 2, **ground)
    made.rod((0, 0, 0), (0, other, 0), half, chalk, only=kind == 1, **ground)
    radius, turn = made.between(0.6, 2.2), np.radians(made.between(8, 26))
    for k in range(7):
        here, there = ((radius * np.cos(e * turn) - radius, radius * np.sin(e * turn), 0.0) for e in (k, k + 1))
        made.rod(here, there, half, chalk, only=kind == 2, **ground)
    return made.layout()


def drain_cover(place: Place) -> Layout:
    rng, n = place.rng, place.count
    size = rng.uniform(0.4, 0.8, n)
    along, up = place.flat(size)
    shape = place.shape("circle", "square")
    tables = []
    for k, (share, level) in enumerate(((1.0, (0.15, 0.4)), (0.84, (0.04, 0.14)))):
        tables.append(
            rows(
                Plates,
                n,
                picture=place.picture,
                order=GROUND_ORDER + 0.1 + k * 0.01 + np.arange(n) * 1e-6,
                origin=place.at,
                along=along * share,
                up=up * share,
                shape=shape,
                albedo=rng.uniform(*level, (n, 1)) * np.array([1.0, 0.97, 0.92]),
                finish=finish(
                    n,
                    speckle=0.25,
                    dirt=0.4,
                    fold=0.5 * k,
                    fold_period=0.08,
                    gloss=0.1 * k,
                    gloss_width=0.4,
                    **place.noise(),
                ),
            )
        )
    return join_layouts([layout_of(t) for t in tables])
