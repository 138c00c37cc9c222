"""What people have with them: rucksacks, things in their hands, umbrellas, blankets, bicycles and prams; no part of a person."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mission.recipe import POSTURES, PersonLookSettings
from mission.vocabulary import COLOURS
from synth.paints import sample_paints
from synth.scene import Array, Blocks, Facets, Index, Layout, Limbs, empty_layout, join, rows
from synth.wheeled_things import bicycle_parts, placed_parts, pram_parts


@dataclass(frozen=True)
class Bodies:
    """N people as they stand: pictures [N], places [N, 3], joints in units of their height, headings [rad], orders [N]."""

    picture: Index
    ground: Array
    joints: dict[str, Array]
    height_m: Array
    heading: Array
    posture: Index
    order: Array

    def world(self, which: Index, *points: Array) -> Array:
        """Points of the bodies ``which``, each [N, 3] in body axes, in the world [n, K, 3]."""
        some = np.stack([p[which] for p in points], axis=1)[:, :, None]
        return placed(some, self.height_m[which], self.heading[which], self.ground[which])[:, :, 0]


def placed(ends: Array, height_m: Array, heading: Array, ground: Array) -> Array:
    """From body axes [N, K, 2, 3] in units of height to the world."""
    c, s = np.cos(heading)[:, None, None], np.sin(heading)[:, None, None]
    x, y, z = ends[..., 0], ends[..., 1], ends[..., 2]
    turned = np.stack([x * c + y * s, -x * s + y * c, z], axis=-1)
    return turned * height_m[:, None, None, None] + ground[:, None, None]


def sample_belongings(rng: np.random.Generator, bodies: Bodies, look: PersonLookSettings) -> Layout:
    """Everything that lies beside people or is carried by them."""
    limbs = [
        _rucksacks(rng, bodies, look.bag_share),
        *_held(rng, bodies, look.held_share),
        *_wheeled(rng, bodies, look),
    ]
    facets, blocks = _boards(rng, bodies, look.held_share)
    shades, shadows = _umbrellas(rng, bodies, look.umbrella_share)
    base = empty_layout()
    flat = [*facets, *shades, *_blankets(rng, bodies, look.blanket_share)]
    return Layout(base.plates, join(Limbs, limbs), join(Facets, flat), join(Blocks, [*blocks, *shadows]), base.targets)


def _paint(rng: np.random.Generator, count: int) -> Array:
    return sample_paints(rng, rng.integers(0, len(COLOURS), count))


def _is(bodies: Bodies, *names: str) -> Array:
    return np.isin(bodies.posture, [POSTURES.index(name) for name in names])


def _rucksacks(rng: np.random.Generator, bodies: Bodies, share: float) -> Limbs:
    who = np.flatnonzero((rng.random(len(bodies.picture)) < share) & ~_is(bodies, "lying"))
    if not len(who):
        return rows(Limbs, 0)
    joints = bodies.joints
    spine = joints["shoulders"] - joints["pelvis"]
    back = np.cross(spine, np.array([1.0, 0, 0]))
    back /= np.linalg.norm(back, axis=1, keepdims=True) + 1e-9
    back = -np.where(back[:, 1:2] < 0, -back, back)
    ends = bodies.world(
        who, joints["pelvis"] + 0.35 * spine + 0.11 * back, joints["pelvis"] + 0.85 * spine + 0.10 * back
    )
    size = bodies.height_m[who, None] * rng.uniform(0.7, 1.25, (len(who), 1))
    return rows(
        Limbs,
        len(who),
        picture=bodies.picture[who],
        order=bodies.order[who] + 0.2 * ends[..., 2].max(axis=1) + 0.01,
        ends=ends,
        radii_m=np.array([[0.075, 0.06]]) * size,
        albedo=_paint(rng, len(who)) * 0.8,
        grain=0.25,
    )


def _held(rng: np.random.Generator, bodies: Bodies, share: float) -> list[Limbs]:
    """Sticks and poles, bags and buckets hanging from a hand, bundles before the breast."""
    kind = np.where(rng.random(len(bodies.picture)) < share, rng.integers(0, 3, len(bodies.picture)), -1)
    kind = np.where(_is(bodies, "lying", "cycling", "pushing"), -1, kind)
    tables = []
    for k in range(3):
        who = np.flatnonzero(kind == k)
        if not len(who):
            continue
        left, right = np.moveaxis(bodies.world(who, bodies.joints["left_hand"], bodies.joints["right_hand"]), 1, 0)
        n, down = len(who), np.array([0.0, 0.0, 1.0])
        if k == 0:
            lean = rng.normal(0, 0.5, (n, 3)) * np.array([1, 1, 0])
            low = np.maximum(right + lean - 0.9 * down, [-1e9, -1e9, 0.02])
            ends, radii = np.stack([low, right - 0.35 * lean + 0.3 * down], axis=1), rng.uniform(0.012, 0.025, (n, 1))
        elif k == 1:
            foot = np.maximum(right - rng.uniform(0.25, 0.45, (n, 1)) * down, [-1e9, -1e9, 0.12])
            ends, radii = np.stack([foot, right - 0.16 * down], axis=1), rng.uniform(0.08, 0.15, (n, 1))
        else:
            ends, radii = np.stack([left, right], axis=1), rng.uniform(0.07, 0.14, (n, 1))
        order = bodies.order[who] + 0.2 * ends[..., 2].max(axis=1) + 0.005
        limbs = rows(
            Limbs,
            n,
            picture=bodies.picture[who],
            order=order,
            ends=ends,
            radii_m=radii * np.ones((1, 2)),
            albedo=_paint(rng, n) * 0.85,
            grain=0.15,
        )
        tables.append(limbs)
    return tables


def _boards(rng: np.random.Generator, bodies: Bodies, share: float) -> tuple[list[Facets], list[Blocks]]:
    """Boards, maps and trays held level before the body."""
    standing = _is(bodies, "standing", "walking", "sitting", "kneeling")
    who = np.flatnonzero((rng.random(len(bodies.picture)) < 0.25 * share) & standing)
    if not len(who):
        return [], []
    n, up = len(who), np.array([0.0, 0.0, 1.0])
    middle = bodies.world(who, 0.5 * (bodies.joints["left_hand"] + bodies.joints["right_hand"]))[:, 0]
    c, s = np.cos(bodies.heading[who]), np.sin(bodies.heading[who])
    right, ahead = np.stack([c, -s, 0 * c], axis=1), np.stack([s, c, 0 * c], axis=1)
    half = rng.uniform(0.12, 0.28, (n, 2, 1))
    centre = middle + 0.8 * half[:, 1] * ahead + 0.03 * up
    corners = np.stack([centre + a * half[:, 0] * right + b * half[:, 1] * ahead for a, b in _SIGNS], axis=1)
    paint = np.where((rng.random(n) < 0.6)[:, None], 0.7, _paint(rng, n))
    return _level(bodies, who, corners, bodies.order[who] + 0.2 * centre[:, 2] + 0.02, paint, shadows=True)


_SIGNS = ((-1, -1), (1, -1), (1, 1), (-1, 1))


def _level(
    bodies: Bodies, who: Index, corners: Array, order: Array, paint: Array, *, shadows: bool
) -> tuple[list[Facets], list[Blocks]]:
    spare = np.repeat(corners[:, -1:], 8 - corners.shape[1], axis=1)
    eight = np.concatenate([corners, spare], axis=1)
    picture, level = bodies.picture[who], np.array([0.0, 0.0, 1.0])
    face = rows(Facets, len(who), picture=picture, order=order, corners=eight, normal=level, albedo=paint)
    return [face], [rows(Blocks, len(who), picture=picture, corners=eight)] if shadows else []


def _umbrellas(rng: np.random.Generator, bodies: Bodies, share: float) -> tuple[list[Facets], list[Blocks]]:
    who = np.flatnonzero((rng.random(len(bodies.picture)) < share) & _is(bodies, "standing", "walking", "sitting"))
    if not len(who):
        return [], []
    n = len(who)
    peak = bodies.world(who, bodies.joints["head"])[:, 0] + np.array([0, 0, 0.42]) + rng.normal(0, 0.08, (n, 3))
    radius, drop = rng.uniform(0.45, 0.62, (n, 1)), rng.uniform(0.14, 0.24, n)
    angle = rng.uniform(0, 2 * np.pi, n)[:, None] + np.pi / 4 * np.arange(8)
    ring = peak[:, None] + np.stack(
        [radius * np.cos(angle), radius * np.sin(angle), -drop[:, None] * np.ones((1, 8))], axis=2
    )
    one = _paint(rng, n)
    two = np.where((rng.random(n) < 0.6)[:, None], one, _paint(rng, n))
    order = bodies.order[who] + 0.46
    tables, blocks = _level(bodies, who, ring, order, one * 0.95, shadows=True)
    for k in range(8):
        corners = np.stack([ring[:, k], ring[:, (k + 1) % 8], *[peak] * 6], axis=1)
        normal = np.cross(corners[:, 1] - corners[:, 0], peak - corners[:, 1])
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
        paint, picture = two if k % 2 else one, bodies.picture[who]
        face = rows(Facets, n, picture=picture, order=order + 0.001, corners=corners, normal=normal, albedo=paint)
        tables.append(face)
    return tables, blocks


def _blankets(rng: np.random.Generator, bodies: Bodies, share: float) -> list[Facets]:
    """Blankets under people who sit, lie or kneel, plain or with two broad stripes."""
    who = np.flatnonzero((rng.random(len(bodies.picture)) < share) & _is(bodies, "sitting", "lying", "kneeling"))
    if not len(who):
        return []
    n, turn = len(who), rng.uniform(0, 2 * np.pi, len(who))
    turn = np.where(_is(bodies, "lying")[who], bodies.heading[who] + rng.normal(0, 0.2, n), turn)
    c, s = np.cos(turn), np.sin(turn)
    right, ahead = np.stack([c, -s, 0 * c], axis=1), np.stack([s, c, 0 * c], axis=1)
    half = np.stack([rng.uniform(0.4, 0.8, n), rng.uniform(0.8, 1.1, n)], axis=1)[..., None]
    middle = bodies.ground[who] + rng.normal(0, 0.15, (n, 3)) * np.array([1, 1, 0])
    cloth = _paint(rng, n) * rng.uniform(0.5, 1.0, (n, 1))
    striped = rng.random(n) < 0.5
    tables = []
    for k, (low, high) in enumerate(((-1.0, 1.0), (-0.6, -0.3), (0.3, 0.6))):
        some = np.flatnonzero(striped | (k == 0))
        corners = np.stack(
            [
                middle + a * half[:, 0] * right + b * half[:, 1] * ahead
                for a, b in ((-1, low), (1, low), (1, high), (-1, high))
            ],
            axis=1,
        )
        corners[..., 2] += 0.008 + 0.001 * k
        paint = cloth if k == 0 else np.roll(cloth, 1, axis=1) * 0.8 + 0.1
        tables += _level(
            bodies, who[some], corners[some], bodies.order[who[some]] - 0.45 + 0.001 * k, paint[some], shadows=False
        )[0]
    return tables


def _wheeled(rng: np.random.Generator, bodies: Bodies, look: PersonLookSettings) -> list[Limbs]:
    """Bicycles beside people and under them, prams before them."""
    beside = (rng.random(len(bodies.picture)) < look.bicycle_share) & ~_is(bodies, "cycling", "pushing")
    tables = []
    for k in np.flatnonzero(beside | _is(bodies, "cycling", "pushing")):
        turn, at, picture = float(bodies.heading[k]), bodies.ground[k], int(bodies.picture[k])
        ahead, right = np.array([np.sin(turn), np.cos(turn), 0]), np.array([np.cos(turn), -np.sin(turn), 0])
        if beside[k]:
            parts = bicycle_parts(_paint(rng, 1)[0], bool(rng.random() < 0.5), rng.normal(0, 0.3))
            at = at + rng.uniform(0.35, 0.8) * rng.choice([-1, 1]) * right
            turn += rng.normal(0, 0.6)
        elif _is(bodies, "cycling")[k]:
            # The saddle is under the rider, a fifth of a metre behind the middle of the frame.
            parts, at = bicycle_parts(_paint(rng, 1)[0], False, rng.normal(0, 0.1)), at + 0.2 * ahead
        else:
            parts = pram_parts(_paint(rng, 1)[0] * 0.8, np.full(3, rng.uniform(0.05, 0.7)), rng.uniform(-0.16, 0.02))
            at = at + (0.55 + 0.25 * bodies.height_m[k]) * ahead
        tables.append(placed_parts(picture, at, turn, float(bodies.order[k]) - 0.4, parts, 0.05))
    return tables
