"""What people bring to a meadow: parasols, tents, blankets with things on them, towels, prams, bicycles; flower beds, benches.

Sizes are common practice of such things, no source.
"""

from __future__ import annotations

import numpy as np

from synth.assembly import Assembly
from synth.decoy_places import FLAT_ORDER, LOW_ORDER, TALL_ORDER, Place, layout_of
from synth.scene import Array, Layout, Limbs, join
from synth.wheeled_things import Parts, bicycle_parts, placed_parts, pram_parts

_CLOTH = (
    (0.6, 0.05, 0.04),
    (0.03, 0.1, 0.4),
    (0.04, 0.2, 0.09),
    (0.75, 0.74, 0.7),
    (0.5, 0.42, 0.3),
    (0.7, 0.5, 0.05),
    (0.05, 0.05, 0.055),
)
_WOOD = ((0.3, 0.2, 0.12), (0.42, 0.32, 0.2), (0.22, 0.19, 0.16), (0.16, 0.1, 0.06), (0.35, 0.34, 0.32))


def canopy(
    made: Assembly,
    at: tuple,
    radius: Array,
    drop: Array,
    paints: list[Array],
    sides: int = 8,
    only: Array | None = None,
) -> None:
    """Gores from a peak at ``at`` down to a rim ``drop`` lower, in the paints by turns, with their shadow."""
    x, y, z = (made.each(v) for v in at)
    ring = [
        (x + radius * np.cos(a), y + radius * np.sin(a), z - drop) for a in 2 * np.pi * (np.arange(sides) + 0.5) / sides
    ]
    # A sheet below closes the hair lines between the gores.
    made.face(ring, paints[0] * 0.95, only=only)
    for k in range(sides):
        made.face([ring[k], ring[(k + 1) % sides], (x, y, z)], paints[k % len(paints)], only=only, rounding_m=0.004)
    made.shadow(ring, only=only)


def parasol(place: Place) -> Layout:
    """Sunshades over a table or alone: gores of one or two colours, a knob on top; umbrellas laid on the ground."""
    made = Assembly(place, TALL_ORDER)
    small = made.some(0.3)
    radius = np.where(small, made.between(0.42, 0.62), made.between(0.8, 1.7))
    height = np.where(small, 0.35, made.between(1.8, 2.5))
    one = np.where(made.some(0.5)[:, None], made.one_of(_CLOTH), place.paints())
    two = np.where(made.some(0.5)[:, None], one, np.where(made.some(0.5)[:, None], 0.75, place.paints()))
    made.rod((0, 0, 0), (0, 0, height), 0.03, made.one_of(_WOOD), only=~small)
    canopy(made, (0, 0, height), radius, radius * made.between(0.2, 0.35), [one, two])
    made.ball((0, 0, height), 0.035, made.one_of(_WOOD), casts=0.0)
    return made.layout()


def tent(place: Place) -> Layout:
    """Ridge tents, domes and open pavilions."""
    made = Assembly(place, TALL_ORDER)
    kind = made.rng.integers(0, 3, made.count)
    cloth = np.where(made.some(0.6)[:, None], made.one_of(_CLOTH), place.paints(0.8))
    second = np.where(made.some(0.5)[:, None], cloth * 0.8, place.paints(0.8))
    wide, deep, high = made.between(1.0, 2.0), made.between(1.7, 2.8), made.between(0.9, 1.4)
    ridge = kind == 0
    left, right = [(-wide / 2, y * deep / 2, 0) for y in (-1, 1)], [(wide / 2, y * deep / 2, 0) for y in (-1, 1)]
    top = [(0, y * deep * 0.42, high) for y in (-1, 1)]
    made.face([left[1], left[0], top[0], top[1]], cloth, only=ridge, rounding_m=0.02)
    made.face([right[0], right[1], top[1], top[0]], cloth, only=ridge, rounding_m=0.02)
    made.face([left[0], right[0], top[0]], second, only=ridge)
    made.face([right[1], left[1], top[1]], second, only=ridge)
    made.shadow([*left, *right, *top], only=ridge)
    dome = kind == 1
    radius = made.between(0.9, 1.5)
    hexagon = [(np.cos(t), np.sin(t)) for t in 2 * np.pi / 6 * np.arange(6)]
    for share, z in ((1.0, 0.0), (0.78, 0.62 * high)):
        made.face([(share * radius * x, share * radius * y, z) for x, y in hexagon], cloth * 0.9, only=dome)
    for k in range(6):
        a, b = (2 * np.pi * (k + e) / 6 for e in (0, 1))
        low = [(radius * np.cos(t), radius * np.sin(t), 0) for t in (a, b)]
        mid = [(0.78 * radius * np.cos(t), 0.78 * radius * np.sin(t), 0.62 * high) for t in (b, a)]
        made.face([*low, *mid], second if k % 3 == 0 else cloth, only=dome)
        made.face([mid[1], mid[0], (0, 0, high)], cloth, only=dome)
    made.shadow(
        [(0.8 * radius * np.cos(t), 0.8 * radius * np.sin(t), 0.6 * high) for t in np.pi / 3 * np.arange(6)]
        + [(0, 0, high)] * 2,
        only=dome,
    )
    pavilion = kind == 2
    canopy(
        made,
        (0, 0, made.between(2.6, 3.1)),
        made.between(1.7, 2.2),
        made.between(0.6, 1.0),
        [cloth, cloth, cloth * 0.97],
        4,
        pavilion,
    )
    return made.layout()


def blanket(place: Place) -> Layout:
    """Picnic blankets, plain, striped or chequered, with bags, plates, bottles and shoes on them."""
    made = Assembly(place, FLAT_ORDER + 0.2)
    wide, deep = made.between(1.0, 1.9), made.between(1.2, 2.1)
    cloth, band = (np.where(made.some(0.7)[:, None], made.one_of(_CLOTH), place.paints(0.8)) for _ in range(2))
    skew = made.rng.normal(0, 0.05, made.count)
    wrinkled = {
        "wrinkle": made.between(0.3, 1.0),
        "fold": 0.08,
        "fold_period": 0.25,
        "ragged": 0.006,
        "dirt": 0.1,
        "speckle": 0.1,
    }
    made.sheet((0, 0, 0.01), (wide, deep), cloth, columns=wrinkled, thickness=0.01)
    pattern = made.rng.integers(0, 3, made.count)  # plain, stripes, chequer
    number = made.rng.integers(3, 6, made.count)
    mixed = 0.5 * (cloth + band)
    for k in range(5):
        x = ((k + 0.5) / number - 0.5) * wide
        y, half = ((k + 0.5) / number - 0.5) * deep, 0.2 / number
        some = (pattern > 0) & (number > k)
        ring = [
            (x - half * wide, -deep / 2, 0.012),
            (x + half * wide, -deep / 2, 0.012),
            (x + half * wide + skew, deep / 2, 0.012),
            (x - half * wide + skew, deep / 2, 0.012),
        ]
        made.face(ring, np.where((pattern == 2)[:, None], mixed, band), only=some)
        ring = [
            (-wide / 2, y - half * deep, 0.013),
            (wide / 2, y - half * deep, 0.013),
            (wide / 2, y + half * deep, 0.013),
            (-wide / 2, y + half * deep, 0.013),
        ]
        made.face(ring, mixed, only=some & (pattern == 2))
    _picnic(made, wide, deep)
    return made.layout()


def _picnic(made: Assembly, wide: Array, deep: Array) -> None:
    for _ in range(3):
        x, y = made.between(-0.42, 0.42) * wide, made.between(-0.42, 0.42) * deep
        size = made.between(0.16, 0.26)
        made.sheet(
            (x, y, 0.03),
            (size, size),
            made.one_of([[0.75] * 3, [0.7, 0.7, 0.65], [0.5, 0.05, 0.05]]),
            "circle",
            thickness=0.02,
            only=made.some(0.5),
            columns={"dome": 0.5},
        )
        x, y, radius = made.between(-0.45, 0.45) * wide, made.between(-0.45, 0.45) * deep, made.between(0.08, 0.17)
        end = (x + made.rng.normal(0, 0.15, made.count), y + made.rng.normal(0, 0.15, made.count), radius)
        made.rod((x, y, radius), end, radius, made.place.paints(0.7), grain=0.4, only=made.some(0.5))
        x, y, turn = made.between(-0.45, 0.45) * wide, made.between(-0.45, 0.45) * deep, made.between(0, 2 * np.pi)
        end = (x + 0.2 * np.cos(turn), y + 0.2 * np.sin(turn), 0.05)
        made.rod((x, y, 0.05), end, 0.04, made.one_of(_CLOTH), end_radius=0.03, only=made.some(0.5))


def towel(place: Place) -> Layout:
    """Bath towels and laundry: spread out in strong colours, striped across, some crumpled."""
    many = place.repeated(place.rng.integers(1, 3, place.count), 0.7)
    made = Assembly(many, FLAT_ORDER + 0.3)
    wide, deep = made.between(0.45, 0.9), made.between(0.8, 1.8)
    cloth, band = many.paints(), np.where(made.some(0.5)[:, None], 0.75, many.paints())
    soft = {"wrinkle": made.between(0.3, 1.3), "ragged": made.between(0.005, 0.03), "speckle": 0.1, "dirt": 0.1}
    made.sheet((0, 0, 0.01), (wide, deep), cloth, columns=soft, thickness=0.015)
    bands = np.where(made.some(0.6), made.rng.integers(1, 5, made.count), 0)
    for k in range(4):
        y = (k - (bands - 1) / 2) * deep * 0.8 / np.maximum(bands, 1)
        only = bands > k
        made.sheet((0, y, 0.012), (wide * 0.985, deep * 0.1), band, only=only, columns={"wrinkle": soft["wrinkle"]})
    return made.layout()


def bench(place: Place) -> Layout:
    """Benches with slats and a back, and tables with benches on either side."""
    made = Assembly(place, LOW_ORDER + 0.5)
    wood, half = made.one_of(_WOOD), made.between(0.65, 1.0)
    table = made.some(0.45)
    seat = [(-0.16, 0.44, 0.06), (0.0, 0.45, 0.06), (0.16, 0.45, 0.06), (0.3, 0.75, 0.05)]
    top = [(y, 0.74, 0.085) for y in (-0.28, -0.09, 0.1, 0.29)] + [(-0.68, 0.44, 0.13), (0.68, 0.44, 0.13)]
    for slats, only in ((seat, ~table), (top, table)):
        for y, z, deep in slats:
            ring = [(-half, y - deep, z), (half, y - deep, z), (half, y + deep, z), (-half, y + deep, z)]
            made.face(ring, wood * made.between(0.88, 1.1)[:, None], only=only, level=True, rounding_m=0.004)
            made.shadow(ring, only=only)
    return made.layout()


def pallet(place: Place) -> Layout:
    """Pallets, single and stacked: boards with gaps over dark bearers."""
    made = Assembly(place, LOW_ORDER)
    high = 0.145 * np.where(made.some(0.6), 1, made.rng.integers(2, 6, made.count))
    wood = made.one_of(_WOOD[:3])
    wood = np.where(made.some(0.12)[:, None], [0.03, 0.12, 0.45], wood)
    made.box((0, 0, 0), (0.8, 1.2, high - 0.02), wood * 0.15, side=wood * 0.5)
    for k in range(6):
        y = (k - 2.5) * 0.215
        shade = wood * made.between(0.8, 1.15)[:, None]
        made.face([(-0.4, y - 0.06, high), (0.4, y - 0.06, high), (0.4, y + 0.06, high), (-0.4, y + 0.06, high)], shade)
    return made.layout()


def pram(place: Place) -> Layout:
    """Prams and pushchairs: a body under a hood, a handle, four wheels."""
    made = Assembly(place, LOW_ORDER)
    cloth = np.where(made.some(0.5)[:, None], made.one_of(_CLOTH), place.paints(0.8))
    inside = made.one_of([[0.75] * 3, [0.5, 0.3, 0.35], [0.03] * 3, [0.2, 0.3, 0.5]])
    hood = made.between(-0.16, 0.02)
    return _wheeled(place, LOW_ORDER + 0.6, [pram_parts(cloth[k], inside[k], hood[k]) for k in range(place.count)])


def bicycle(place: Place) -> Layout:
    """Bicycles leaning, standing and lying."""
    lying, bar, paint = place.rng.random(place.count) < 0.6, place.rng.normal(0, 0.4, place.count), place.paints()
    return _wheeled(
        place, LOW_ORDER + 0.4, [bicycle_parts(paint[k], bool(lying[k]), bar[k]) for k in range(place.count)]
    )


def _wheeled(place: Place, order: float, things: list[Parts]) -> Layout:
    turn = place.rng.uniform(0, 2 * np.pi, place.count)
    limbs = [placed_parts(int(place.picture[k]), place.at[k], turn[k], order, parts) for k, parts in enumerate(things)]
    return layout_of(limbs=join(Limbs, limbs))


def flower_bed(place: Place) -> Layout:
    """Beds of earth with flowers in clumps, some behind a kerb."""
    made = Assembly(place, FLAT_ORDER - 0.4)
    wide, deep = made.between(0.7, 1.8), made.between(0.7, 2.6)
    shape = place.shape("square", "ellipse", "circle")
    kerb = made.some(0.5)
    made.sheet(
        (0, 0, 0.02),
        (wide + 0.16, deep + 0.16),
        made.one_of([[0.35, 0.34, 0.32], [0.3, 0.15, 0.1], [0.25, 0.2, 0.13]]),
        shape,
        thickness=0.06,
        only=kerb,
        columns={"speckle": 0.2, "dirt": 0.3},
    )
    made.sheet(
        (0, 0, 0.021),
        (wide, deep),
        made.one_of([[0.06, 0.04, 0.028], [0.1, 0.07, 0.045], [0.16, 0.1, 0.06]]),
        shape,
        columns={
            "ragged": np.where(kerb, 0.004, 0.03),
            "speckle": 0.35,
            "wrinkle": 1.0,
            "blades": np.where(kerb, 0, 0.1),
        },
    )
    first, second = place.paints(), place.paints()
    leaf = np.array([[0.05, 0.11, 0.03]])
    for k in range(14):
        x, y = made.between(-0.34, 0.34) * wide, made.between(-0.34, 0.34) * deep
        size = made.between(0.07, 0.16)
        made.ball((x, y, size), size, leaf * made.between(0.6, 1.6)[:, None], grain=0.8, roundness=0.8)
        bloom = first if k % 3 else second
        made.ball((x + 0.3 * size, y, 1.4 * size), size * made.between(0.35, 0.8), bloom, grain=0.9, casts=0.0)
    return made.layout()
