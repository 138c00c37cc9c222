"""Cones, marker discs, buckets, bins, balls and lids: round things that show rings from above and are no target.

Sizes are common practice of sports, roadworks and households, no source.
"""

from __future__ import annotations

import numpy as np

from synth.assembly import Assembly
from synth.decoy_places import LOW_ORDER, Place
from synth.scene import Array, Layout, join_layouts

_CONE_PAINTS = (
    (0.85, 0.2, 0.03),
    (0.8, 0.09, 0.04),
    (0.85, 0.6, 0.03),
    (0.45, 0.75, 0.05),
    (0.03, 0.12, 0.5),
    (0.8, 0.8, 0.78),
)
_PLASTIC = (
    (0.03, 0.03, 0.03),
    (0.08, 0.09, 0.09),
    (0.03, 0.16, 0.07),
    (0.03, 0.1, 0.4),
    (0.45, 0.45, 0.45),
    (0.75, 0.75, 0.73),
    (0.65, 0.05, 0.04),
    (0.8, 0.6, 0.03),
)


def cone(place: Place) -> Layout:
    """Traffic cones and sports cones: standing ones show their foot, rings and the tip; some have fallen over."""
    laid = place.rng.random(place.count) < 0.22
    return join_layouts([_standing_cones(place.only(~laid)), _fallen_cones(place.only(laid))])


def cone_paints(made: Assembly) -> tuple[Array, Array, Array]:
    """Paints of body, rings and foot."""
    orange = made.some(0.65)[:, None]
    body = np.where(orange, made.one_of(_CONE_PAINTS[:1]), made.one_of(_CONE_PAINTS))
    body = np.where(made.some(0.12)[:, None], made.place.paints(), body)
    pale = np.where(made.some(0.8)[:, None], made.one_of([[0.72, 0.72, 0.7]]), made.one_of(_CONE_PAINTS))
    foot = np.where(made.some(0.45)[:, None], made.one_of([[0.02, 0.02, 0.022]]), body)
    foot = np.where(made.some(0.08)[:, None], made.one_of(_CONE_PAINTS), foot)
    return body, pale, foot


def _standing_cones(place: Place) -> Layout:
    made = Assembly(place, LOW_ORDER)
    height = np.exp(made.between(np.log(0.28), np.log(1.0)))
    body, pale, foot = cone_paints(made)
    low, high = height * made.between(0.13, 0.21), height * made.between(0.02, 0.05) + 0.008
    side = 2 * low * made.between(1.05, 1.75)
    figure = np.where(made.some(0.72), place.outlines.index("square"), place.outlines.index("circle"))
    figure = np.where(made.some(0.12), place.outlines.index("octagon"), figure)
    made.sheet((0, 0, 0.03), (side, side), foot, figure, thickness=0.03, columns={"dirt": 0.35, "wrinkle": 0.2})
    # Bands between the foot and the tip, some of them pale; a plain cone has none.
    bands = np.where(made.some(0.2), 0, made.rng.integers(1, 4, made.count))
    edges = np.sort(made.rng.uniform(0.15, 0.92, (made.count, 6)), axis=1)
    ends = np.concatenate([(0.035 / height)[:, None].clip(0.02, 0.2), edges, np.ones((made.count, 1))], axis=1)
    whole = np.ones(made.count)

    def piece(start: Array, stop: Array, colour: Array, only: Array) -> None:
        radius, end_radius = low + (high - low) * start, low + (high - low) * stop
        made.rod(
            (0, 0, start * height), (0, 0, stop * height), radius, colour, end_radius=end_radius, grain=0.05, only=only
        )

    piece(ends[:, 0], whole, body, whole > 0)
    for k in range(3):
        piece(ends[:, 2 * k + 1], ends[:, 2 * k + 2], pale, bands > k)
        piece(ends[:, 2 * k + 2], whole, body, bands > k)
    hole = np.full((made.count, 3), 0.015)
    made.ball((0, 0, height), high * 0.65, hole, roundness=0.2, casts=0.0, only=made.some(0.6))
    return made.layout()


def _fallen_cones(place: Place) -> Layout:
    made = Assembly(place, LOW_ORDER)
    height = np.exp(made.between(np.log(0.2), np.log(1.0)))
    body, pale, foot = cone_paints(made)
    low, high = height * made.between(0.13, 0.19), height * 0.035
    half = low * made.between(1.1, 1.45)
    # It lies on the rim of its foot and on its tip; the foot stands nearly on edge.
    drop = np.arctan2(half - high, height)
    along = made.ahead * np.cos(drop)[:, None] - np.array([0, 0, 1.0]) * np.sin(drop)[:, None]
    normal = made.ahead * np.sin(drop)[:, None] + np.array([0, 0, 1.0]) * np.cos(drop)[:, None]
    round_foot = made.some(0.3)
    figure = np.where(round_foot, place.outlines.index("circle"), place.outlines.index("square"))
    middle = made.point((0, 0, half * np.cos(drop)))
    for lift in (0.0, 0.02):
        made.plate(
            middle + along * lift,
            made.right * (2 * half)[:, None],
            normal * (2 * half)[:, None],
            foot * (0.7 if lift else 1),
            figure,
        )
    for k, (start, stop) in enumerate(((0.0, 1.0), (0.3, 0.5), (0.66, 0.8))):
        z = half * np.cos(drop)
        ends = [(0, t * height * np.cos(drop), z - t * height * np.sin(drop)) for t in (start, stop)]
        radius, end_radius = low + (high - low) * start + 0.002 * k, low + (high - low) * stop + 0.002 * k
        made.rod(
            ends[0], ends[1], radius, pale if k else body, end_radius=end_radius, only=made.some(0.7) if k else None
        )
    return made.layout()


def marker_disc(place: Place) -> Layout:
    """Low sports markers with a hole, a few in a line or scattered."""
    many = place.repeated(place.rng.integers(1, 5, place.count), 0.8)
    made = Assembly(many, LOW_ORDER - 0.5)
    size = made.between(0.16, 0.26)
    paint = np.where(made.some(0.7)[:, None], made.one_of(_CONE_PAINTS), many.paints())
    for k, share in enumerate((1.0, 0.72, 0.46)):
        colour = paint * (0.9, 1.05, 0.9)[k]
        made.sheet(
            (0, 0, 0.015 + 0.015 * k),
            (size * share, size * share),
            colour,
            "circle",
            thickness=0.02,
            columns={"dome": 1.2 - 0.3 * k, "gloss": 0.1, "gloss_width": 0.3},
        )
    inner = np.where(made.some(0.7)[:, None], 0.02, paint * 0.3)
    made.sheet((0, 0, 0.046), (size * 0.24, size * 0.24), inner, "circle")
    return made.layout()


def bucket(place: Place) -> Layout:
    """Buckets, tubs and flower pots: open, full of water or earth, or under a lid."""
    made = Assembly(place, LOW_ORDER)
    radius, height = made.between(0.1, 0.3), made.between(0.12, 0.4)
    paint = np.where(made.some(0.7)[:, None], made.one_of(_PLASTIC), place.paints())
    shut = made.some(0.4)
    made.rod((0, 0, 0.6 * radius), (0, 0, height - 0.2 * radius), radius * 0.8, paint * 0.8, end_radius=radius * 0.94)
    made.sheet((0, 0, height), (2 * radius, 2 * radius), paint, "circle", columns={"gloss": 0.12, "gloss_width": 0.4})
    lid = np.where(made.some(0.5)[:, None], made.one_of(_PLASTIC), place.paints())
    filling = made.one_of([[0.01, 0.01, 0.012], [0.05, 0.06, 0.06], [0.06, 0.045, 0.03], [0.3, 0.28, 0.25]])
    for k, share in enumerate((0.86, 0.62)):
        width = 2 * radius * share
        colour = np.where(shut[:, None], lid * (1.0 if k == 0 else 0.85), np.where(k == 0, paint * 0.35, filling))
        made.sheet(
            (0, 0, height + np.where(shut, 0.01, -0.05 * (k + 1))),
            (width, width),
            colour,
            "circle",
            only=None if k == 0 else made.some(0.75),
            columns={"dirt": 0.3, "gloss": 0.15, "gloss_width": 0.25},
        )
    bow = made.between(-0.9, 0.9) * radius
    for side in (-1, 1):
        made.rod(
            (side * radius, 0, height),
            (0, bow, height + 0.04),
            0.006,
            np.full((made.count, 3), 0.4),
            only=made.some(0.5),
        )
    return made.layout()


def ball(place: Place) -> Layout:
    """Footballs with dark patches, plain, beach and exercise balls."""
    made = Assembly(place, LOW_ORDER)
    kind = made.rng.integers(0, 4, made.count)  # patches, plain, sectors, large and plain
    radius = np.choose(
        kind, [made.between(0.1, 0.115), made.between(0.03, 0.13), made.between(0.12, 0.22), made.between(0.2, 0.4)]
    )
    skin = np.where(
        (kind == 0)[:, None], made.one_of([[0.75, 0.75, 0.74], [0.8, 0.7, 0.1], [0.75, 0.75, 0.74]]), place.paints()
    )
    made.ball((0, 0, radius), radius, skin, grain=0.04)
    dark = np.where(made.some(0.7)[:, None], 0.02, place.paints())
    turn = made.between(0, 2 * np.pi)
    for k in range(5):
        # A ring of patches half way down the visible half, and one on top of it.
        azimuth, rise = turn + k * 2 * np.pi / 4, np.radians(30.0 if k < 4 else 88.0)
        out, up = np.cos(rise) * radius * 0.8, np.sin(rise) * radius * 0.8
        made.ball(
            (out * np.cos(azimuth), out * np.sin(azimuth), radius + up),
            radius * 0.33,
            dark,
            roundness=0.7,
            casts=0.0,
            only=kind == 0,
        )
    paints = [place.paints() for _ in range(3)]
    for k in range(6):
        here, there = turn + k * np.pi / 3, turn + (k + 0.75) * np.pi / 3
        ring = [(0, 0, 1.99 * radius)]
        ring += [
            (0.66 * radius * np.cos(a), 0.66 * radius * np.sin(a), 1.74 * radius)
            for a in (here, (here + there) / 2, there)
        ]
        made.face(ring, paints[k % 3] if k % 2 else np.full((made.count, 3), 0.75), only=kind == 2, gloss=0.05)
    return made.layout()


def round_lid(place: Place) -> Layout:
    """Flying discs, plates, lids and hub caps: a disc with a rim or several rings."""
    made = Assembly(place, LOW_ORDER - 0.6)
    size = np.exp(made.between(np.log(0.18), np.log(0.75)))
    metal = made.some(0.3)
    paint = np.where(metal[:, None], made.one_of([[0.4, 0.4, 0.41], [0.6, 0.6, 0.6], [0.2, 0.2, 0.2]]), place.paints())
    second = np.where(made.some(0.55)[:, None], paint * made.between(0.6, 1.25)[:, None], place.paints())
    gloss = {
        "gloss": np.where(metal, 0.4, 0.1),
        "gloss_width": 0.25,
        "gloss_u": made.rng.normal(0, 0.3, made.count),
        "dirt": 0.25,
    }
    made.sheet(
        (0, 0, 0.03),
        (size, size),
        paint.clip(0, 0.95),
        "circle",
        thickness=0.03,
        columns=gloss | {"dome": made.between(0, 0.8)},
    )
    rings = made.rng.integers(0, 5, made.count)
    share = made.between(0.75, 0.92)
    for k in range(4):
        colour = (second if k % 2 == 0 else paint).clip(0, 0.95)
        made.sheet((0, 0, 0.033), (size * share, size * share), colour, "circle", only=rings > k, columns=gloss)
        share = share * made.between(0.35, 0.9)
    return made.layout()


def bin_on_wheels(place: Place) -> Layout:
    """Bins on wheels: a box that widens upwards, a lid with a grip, often of another colour."""
    made = Assembly(place, LOW_ORDER)
    wide, deep, high = made.between(0.46, 0.62), made.between(0.52, 0.76), made.between(0.9, 1.1)
    body = made.one_of(_PLASTIC[:6])
    lid = np.where(made.some(0.5)[:, None], body, made.one_of(_PLASTIC))
    made.box((0, 0, 0.05), (wide * 0.8, deep * 0.75, high), body, taper=1.2)
    made.box((0, 0, high), (wide, deep, 0.05), lid, rounding=0.05, gloss=0.03)
    made.sheet(
        (0, 0.1 * deep, high + 0.051), (wide * 0.7, deep * 0.5), lid * 0.8, columns={"gloss": 0.1, "gloss_width": 0.5}
    )
    made.rod((-wide * 0.35, -deep * 0.56, high), (wide * 0.35, -deep * 0.56, high), 0.02, lid * 0.6)
    return made.layout()
