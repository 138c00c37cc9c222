"""Round things of a panel's size that show a ring from straight above: broad cones, hoops, buoys, wheels, feet, covers, dishes.

Sizes are common practice of roadworks, sports, boats and households, no source.
"""

from __future__ import annotations

import numpy as np

from synth.assembly import Assembly
from synth.cone_decoys import cone_paints
from synth.decoy_places import FLAT_ORDER, GROUND_ORDER, LOW_ORDER, Place
from synth.scene import Array, Layout, join_layouts

_DARK = ((0.015, 0.015, 0.016), (0.03, 0.03, 0.03), (0.06, 0.06, 0.06))
_METAL = ((0.45, 0.45, 0.46), (0.6, 0.6, 0.6), (0.25, 0.25, 0.25), (0.12, 0.12, 0.12))
_STONE = ((0.35, 0.34, 0.32), (0.22, 0.21, 0.2), (0.5, 0.49, 0.46), (0.3, 0.15, 0.1))


def broad_cone(place: Place) -> Layout:
    """Road cones whose foot is as large as a panel: square, round, six or eight-sided, low or tall, with one to three rings."""
    made = Assembly(place, LOW_ORDER)
    side = np.exp(made.between(np.log(0.35), np.log(1.15)))
    body, pale, foot = cone_paints(made)
    foot = np.where(made.some(0.3)[:, None], place.paints(), foot)
    figure = place.shape("square", "square", "square", "square", "circle", "hexagon", "octagon")
    made.sheet(
        (0, 0, 0.04), (side, side * made.between(0.92, 1.0)), foot, figure, thickness=0.04,
        columns={"dirt": 0.35, "wrinkle": 0.2, "gloss": 0.05, "gloss_width": 0.5},
    )  # fmt: skip
    low = side * made.between(0.26, 0.45)
    high = low * made.between(0.1, 0.4)
    height = side * made.between(0.25, 1.3)
    rings = made.rng.choice(4, made.count, p=[0.08, 0.47, 0.33, 0.12])
    edges = np.sort(made.rng.uniform(0.08, 0.95, (made.count, 6)), axis=1)
    # One broad ring is commonest.
    broad = rings == 1
    edges[broad, 0], edges[broad, 1] = made.between(0.02, 0.35)[broad], made.between(0.5, 0.95)[broad]
    ends = np.concatenate([np.zeros((made.count, 1)), edges, np.ones((made.count, 1))], axis=1)
    whole = np.ones(made.count, dtype=bool)

    def piece(start: Array, stop: Array, colour: Array, only: Array) -> None:
        made.rod(
            (0, 0, 0.04 + start * height), (0, 0, 0.04 + stop * height), low + (high - low) * start, colour,
            end_radius=low + (high - low) * stop, grain=0.05, only=only,
        )  # fmt: skip

    piece(ends[:, 0], whole.astype(float), body, whole)
    for k in range(3):
        piece(ends[:, 2 * k + 1], ends[:, 2 * k + 2], pale, rings > k)
        piece(ends[:, 2 * k + 2], whole.astype(float), body, rings > k)
    tip = made.one_of([[0.012] * 3, [0.02] * 3, [0.72, 0.72, 0.7]])
    made.ball((0, 0, height + 0.04), high * made.between(0.5, 0.9), tip, roundness=0.2, casts=0.0, only=made.some(0.7))
    return made.layout()


def ringed_thing(place: Place) -> Layout:
    """Hoops and life-buoys, wheels and tyres, feet of posts and parasols, framed covers, dishes with a rim."""
    kinds = (_hoop, _wheel, _foot, _cover, _dish)
    kind = place.rng.choice(len(kinds), place.count, p=[0.24, 0.22, 0.22, 0.16, 0.16])
    return join_layouts([make(place.only(kind == k)) for k, make in enumerate(kinds) if (kind == k).any()])


def _hoop(place: Place) -> Layout:
    """A ring of one or two paints on the ground, which shows through: thin as a hoop, thick as a buoy."""
    made = Assembly(place, LOW_ORDER - 0.3)
    radius = np.exp(made.between(np.log(0.18), np.log(0.5)))
    thick = radius * np.where(made.some(0.5), made.between(0.03, 0.08), made.between(0.16, 0.3))
    one = np.where(
        made.some(0.5)[:, None], made.one_of([[0.85, 0.2, 0.03], [0.75, 0.75, 0.73], [0.6, 0.04, 0.04]]), place.paints()
    )
    two = np.where(made.some(0.45)[:, None], one, np.where(made.some(0.6)[:, None], 0.74, place.paints()))
    step = 2 * np.pi / 16
    for k in range(16):
        here, there = ((radius * np.cos(a), radius * np.sin(a), thick) for a in (k * step, (k + 1) * step))
        made.rod(here, there, thick, two if k % 4 == 0 else one, grain=0.05)
    return made.layout()


def _wheel(place: Place) -> Layout:
    """Tyres, with a rim and a hub or open, and cable drums."""
    made = Assembly(place, LOW_ORDER - 0.3)
    size = np.exp(made.between(np.log(0.35), np.log(1.0)))
    tyre = np.where(made.some(0.75)[:, None], made.one_of(_DARK), place.paints())
    made.sheet(
        (0, 0, 0.16), (size, size), tyre, "circle", thickness=0.16, columns={"dome": 0.5, "dirt": 0.4, "speckle": 0.1}
    )
    share, rim = made.between(0.45, 0.72), made.some(0.65)
    inner = np.where(rim[:, None], made.one_of(_METAL), made.one_of(_DARK) * 0.6)
    made.sheet(
        (0, 0, 0.162),
        (size * share, size * share),
        inner,
        "circle",
        columns={"gloss": 0.2, "gloss_width": 0.3, "dirt": 0.3},
    )
    hub = size * share * made.between(0.2, 0.45)
    made.sheet((0, 0, 0.164), (hub, hub), made.one_of(_DARK), "circle", only=rim & made.some(0.8))
    spokes = made.rng.integers(0, 7, made.count)
    for k in range(6):
        angle, reach = 2 * np.pi * k / np.maximum(spokes, 1), 0.45 * size * share
        made.rod(
            (0, 0, 0.166), (reach * np.cos(angle), reach * np.sin(angle), 0.166), 0.05 * size * share, tyre * 1.2,
            casts=0.0, roundness=0.3, only=rim & (spokes > max(k, 2)),
        )  # fmt: skip
    return made.layout()


def _foot(place: Place) -> Layout:
    """Feet of signs, fences and parasols: a slab with a socket, a hole or a stump of pole in the middle."""
    made = Assembly(place, LOW_ORDER - 0.3)
    size = np.exp(made.between(np.log(0.35), np.log(0.95)))
    slab = np.where(made.some(0.5)[:, None], made.one_of([*_DARK, *_STONE]), place.paints())
    figure = place.shape("square", "square", "circle", "rectangle", "octagon", "hexagon", "cross")
    made.sheet(
        (0, 0, 0.06), (size, size), slab, figure, thickness=0.06, columns={"dirt": 0.3, "wrinkle": 0.2, "speckle": 0.1}
    )
    socket = size * made.between(0.16, 0.5)
    ring = np.where(made.some(0.5)[:, None], slab * made.between(0.5, 1.5)[:, None], made.one_of(_METAL))
    made.sheet(
        (0, 0, 0.1), (socket, socket), ring, "circle", thickness=0.04, columns={"gloss": 0.15, "gloss_width": 0.3}
    )
    hole = socket * made.between(0.35, 0.75)
    made.sheet((0, 0, 0.101), (hole, hole), made.one_of(_DARK) * 0.7, "circle")
    pole = made.some(0.45)
    paint = made.one_of([*_METAL, (0.75, 0.75, 0.73), (0.6, 0.05, 0.04)])
    made.rod((0, 0, 0.1), (0, 0, made.between(0.2, 1.6)), hole * 0.4, paint, only=pole)
    return made.layout()


def _cover(place: Place) -> Layout:
    """Round covers in a square or round frame: iron with a pattern, plastic, concrete with an iron lid."""
    made = Assembly(place, GROUND_ORDER + 0.1)
    size = made.between(0.4, 1.0)
    frame, lid = made.one_of([*_STONE, *_METAL]), made.one_of([*_METAL, (0.05, 0.045, 0.04), (0.03, 0.16, 0.07)])
    worn = {"dirt": 0.4, "speckle": 0.2}
    made.sheet((0, 0, 0), (size, size), frame, place.shape("square", "square", "circle", "octagon"), columns=worn)
    share = made.between(0.62, 0.92)
    made.sheet((0, 0, 0), (size * share, size * share), made.one_of(_DARK), "circle", columns=worn)
    pattern = worn | {"fold": made.between(0, 0.6), "fold_period": made.between(0.06, 0.2)}
    for shrink in (0.94, 0.5, 0.4):
        colour = lid * (0.7 if shrink == 0.5 else 1.0)
        only = None if shrink > 0.9 else made.some(0.6)
        made.sheet(
            (0, 0, 0), (size * share * shrink, size * share * shrink), colour, "circle", only=only, columns=pattern
        )
    for x in (-0.25, 0.25):
        made.sheet((x * size * share, 0, 0), (0.06 * size, 0.03 * size), made.one_of(_DARK) * 0.5, only=made.some(0.5))
    return made.layout()


def _dish(place: Place) -> Layout:
    """Dishes, trays and basins: a rim around a sunk middle that the sun shades from one side."""
    made = Assembly(place, FLAT_ORDER + 0.4)
    size = np.exp(made.between(np.log(0.3), np.log(1.1)))
    paint = np.where(made.some(0.5)[:, None], made.one_of([(0.75, 0.75, 0.73), *_METAL]), place.paints())
    figure = place.shape("circle", "circle", "circle", "ellipse", "square", "octagon")
    made.sheet(
        (0, 0, 0.05),
        (size, size),
        paint,
        figure,
        thickness=0.05,
        columns={"gloss": 0.15, "gloss_width": 0.4, "dome": 0.6},
    )
    share = made.between(0.7, 0.9)
    sunk = np.where(made.some(0.7)[:, None], paint * made.between(0.55, 0.95)[:, None], place.paints())
    made.sheet(
        (0, 0, 0.051),
        (size * share, size * share),
        sunk,
        figure,
        columns={"dome": made.between(-1.2, 0.2), "dirt": 0.3},
    )
    water = made.some(0.3)
    made.sheet(
        (0, 0, 0.052), (size * share * 0.9, size * share * 0.9), made.one_of([[0.03, 0.04, 0.04], [0.08, 0.09, 0.06]]), figure,
        only=water, columns={"gloss": 0.4, "gloss_width": 0.3},
    )  # fmt: skip
    x, y = made.between(-0.3, 0.3) * size, made.between(-0.3, 0.3) * size
    made.sheet(
        (x, y, 0.06), (0.18 * size, 0.18 * size), made.one_of(_DARK), "circle", only=made.some(0.3), thickness=0.05
    )
    made.rod((x, y, 0.08), (0.5 * size, 0, 0.06), 0.012, made.one_of(_METAL), only=made.some(0.25))
    return made.layout()
