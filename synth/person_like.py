"""What is taken for a person from above and is none: bushes, stumps, logs, clothes left lying, shadows without a body.

Sizes are common practice, no source.
"""

from __future__ import annotations

import numpy as np

from synth.assembly import Assembly
from synth.decoy_places import FLAT_ORDER, LOW_ORDER, Place
from synth.scene import Layout, join_layouts

_LEAVES = (
    (0.03, 0.07, 0.02),
    (0.05, 0.1, 0.03),
    (0.08, 0.11, 0.04),
    (0.02, 0.035, 0.015),
    (0.12, 0.1, 0.05),
    (0.2, 0.17, 0.09),
    (0.1, 0.05, 0.03),
)
_BARK = ((0.12, 0.09, 0.06), (0.07, 0.055, 0.045), (0.2, 0.17, 0.14), (0.03, 0.025, 0.02), (0.35, 0.33, 0.3))
_CUT = ((0.42, 0.3, 0.16), (0.3, 0.24, 0.18), (0.55, 0.42, 0.25), (0.18, 0.15, 0.12))
_CLOTH = (
    (0.03, 0.04, 0.09),
    (0.015, 0.015, 0.016),
    (0.1, 0.1, 0.1),
    (0.2, 0.16, 0.09),
    (0.06, 0.08, 0.04),
    (0.75, 0.95, 0.06),
    (1.0, 0.3, 0.03),
)


def bush(place: Place) -> Layout:
    """Low bushes and tufts alone on open ground, leaf by leaf: dark, dry or in autumn colours, some with a few twigs."""
    made = Assembly(place, LOW_ORDER - 0.2)
    reach = np.exp(made.between(np.log(0.15), np.log(0.7)))
    leaf, second = made.one_of(_LEAVES), made.one_of(_LEAVES)
    squeeze = made.between(0.45, 1.0)
    for _ in range(22):
        angle, away = made.between(0, 2 * np.pi), reach * np.sqrt(made.between(0, 1))
        x, y = away * np.cos(angle), away * np.sin(angle) * squeeze
        size = reach * made.between(0.08, 0.24)
        top = (reach - 0.6 * away) * made.between(0.5, 1.1)
        turn, flat = made.between(0, 2 * np.pi), size * made.between(0.3, 1.6)
        colour = np.where(made.some(0.7)[:, None], leaf, second) * made.between(0.5, 1.5)[:, None]
        end = (x + flat * np.cos(turn), y + flat * np.sin(turn), top * made.between(0.7, 1.1))
        made.rod((x, y, top), end, size, colour, end_radius=size * made.between(0.2, 0.8), grain=0.9, roundness=0.6)
    twigs = made.some(0.4)
    for _ in range(4):
        angle = made.between(0, 2 * np.pi)
        end = (1.2 * reach * np.cos(angle), 1.2 * reach * np.sin(angle), 0.7 * reach)
        made.rod((0, 0, 0.2 * reach), end, 0.012, made.one_of(_BARK), end_radius=0.005, only=twigs)
    return made.layout()


def stump(place: Place) -> Layout:
    """Stumps with a pale cut, and logs and boughs lying alone, straight or forked."""
    standing = place.rng.random(place.count) < 0.45
    return join_layouts([_stumps(place.only(standing)), _logs(place.only(~standing))])


def _stumps(place: Place) -> Layout:
    made = Assembly(place, LOW_ORDER)
    radius, high = made.between(0.1, 0.32), made.between(0.1, 0.7)
    bark, cut = made.one_of(_BARK), made.one_of(_CUT)
    for k in range(5):  # roots
        angle = 2 * np.pi * k / 5 + made.between(0, 1)
        end = (1.8 * radius * np.cos(angle), 1.8 * radius * np.sin(angle), 0.02)
        made.rod((0, 0, 0.3 * high), end, 0.45 * radius, bark, end_radius=0.12 * radius, grain=0.5, only=made.some(0.7))
    made.rod((0, 0, 0.5 * radius), (0, 0, high - 0.3 * radius), radius, bark, grain=0.5)
    for share, dark in ((1.75, 1.0), (1.2, 0.8), (1.05, 1.0), (0.5, 0.75)):
        size = radius * share
        made.sheet(
            (0, 0, high),
            (size, size),
            cut * dark,
            "circle",
            only=None if share > 1.5 else made.some(0.6),
            columns={"speckle": 0.2, "ragged": 0.02},
        )
    return made.layout()


def _logs(place: Place) -> Layout:
    made = Assembly(place, LOW_ORDER)
    half, radius = made.between(0.25, 1.1), made.between(0.05, 0.22)
    bark = made.one_of(_BARK)
    bend = made.rng.normal(0, 0.15, made.count) * half
    thin = radius * made.between(0.5, 1.0)
    made.rod((-half, 0, radius), (0, bend, radius), radius, bark, end_radius=0.5 * (radius + thin), grain=0.5)
    made.rod((0, bend, radius), (half, 0, radius), 0.5 * (radius + thin), bark, end_radius=thin, grain=0.5)
    for _ in range(3):
        x, side = made.between(-0.7, 0.7) * half, np.where(made.some(0.5), 1.0, -1.0)
        length = made.between(0.1, 0.7) * half
        end = (x + 0.6 * length, side * length, radius * made.between(0.5, 2.0))
        made.rod((x, 0, radius), end, 0.4 * radius, bark, end_radius=0.15 * radius, grain=0.5, only=made.some(0.5))
    cut = made.one_of(_CUT)
    made.ball((-half - 0.5 * radius, 0, radius), 0.75 * radius, cut, roundness=0.2, casts=0.0, only=made.some(0.6))
    return made.layout()


def clothing(place: Place) -> Layout:
    """Coats, shirts and trousers spread or in a heap, rucksacks and shoes: what somebody left there."""
    made = Assembly(place, FLAT_ORDER + 0.4)
    cloth = np.where(made.some(0.6)[:, None], made.one_of(_CLOTH), place.paints())
    soft = {"wrinkle": made.between(0.5, 1.6), "ragged": made.between(0.01, 0.05), "fold": 0.1, "fold_period": 0.3}
    kind = made.rng.choice(4, made.count, p=[0.3, 0.2, 0.25, 0.25])  # coat, trousers, heap, rucksack
    wide, long = made.between(0.42, 0.62), made.between(0.55, 0.95)
    coat = kind == 0
    made.sheet(
        (0, 0, 0.03),
        (wide, long),
        cloth,
        place.shape("trapezium", "rectangle", "square"),
        only=coat,
        thickness=0.02,
        columns=soft,
    )
    for side in (-1, 1):
        angle = made.between(0.1, 1.5)
        x, y = side * (0.4 * wide + 0.25 * np.cos(angle)), 0.3 * long - 0.25 * np.sin(angle)
        made.sheet(
            (x, y, 0.035),
            (0.55, 0.17),
            cloth * 0.95,
            turn=side * angle,
            only=coat & made.some(0.85),
            thickness=0.02,
            columns=soft,
        )
        turn = made.rng.normal(0, 0.25, made.count)
        made.sheet(
            (side * 0.11, -0.35, 0.03), (0.19, 0.8), cloth, turn=turn, only=kind == 1, thickness=0.02, columns=soft
        )
    made.sheet((0, 0.05, 0.032), (0.4, 0.22), cloth, only=kind == 1, columns=soft)
    for _ in range(6):
        x, y = made.rng.normal(0, 0.14, (2, made.count))
        size, turn = made.between(0.06, 0.16), made.between(0, 2 * np.pi)
        end = (x + 0.25 * np.cos(turn), y + 0.25 * np.sin(turn), size)
        colour = np.where(made.some(0.6)[:, None], cloth, made.one_of(_CLOTH))
        made.rod((x, y, size), end, size, colour, end_radius=size * 0.7, grain=0.7, roundness=0.7, only=kind == 2)
    pack = kind == 3
    made.rod((0, -0.16, 0.14), (0, 0.16, 0.14), 0.16, cloth, end_radius=0.13, grain=0.3, roundness=0.7, only=pack)
    made.rod((0, -0.12, 0.24), (0, 0.02, 0.24), 0.1, cloth * 1.2, grain=0.3, roundness=0.6, only=pack & made.some(0.7))
    for side in (-1, 1):
        end = (side * made.between(0.15, 0.3), made.between(-0.2, 0.2), 0.03)
        made.rod((side * 0.08, 0.18, 0.2), end, 0.022, made.one_of(_CLOTH[:3]), only=pack & made.some(0.6))
        x = 0.5 + 0.07 * side
        made.rod((x, 0.1, 0.04), (x, 0.32, 0.03), 0.045, made.one_of(_CLOTH[:4]), only=made.some(0.15))
    return made.layout()


def lone_shadow(place: Place) -> Layout:
    """Shadows whose thing stands outside or is too thin to be seen: as long as people's, with and without a head."""
    made = Assembly(place, LOW_ORDER)
    high, wide = made.between(0.8, 2.4), made.between(0.05, 0.26)
    lean = made.rng.normal(0, 0.15, (2, made.count))
    hidden = {"casts": made.between(0.6, 1.0), "only": None}
    none = np.zeros((made.count, 3))
    foot = made.between(0.0, 1.5)
    parts = [((0.0, 0.0, foot), (lean[0], lean[1], high), wide)]
    parts += [((lean[0], lean[1], high + 0.1), (lean[0], lean[1], high + 0.2), np.minimum(wide, 0.12))]
    for start, end, radius in parts:
        made.rod(start, end, radius, none, **hidden)
    layout = made.layout()
    layout.limbs.shown[:] = 0.0
    return layout
