"""Solids of flat faces: boxes and cars, with the facets that a camera sees and the block that throws the shadow."""

from __future__ import annotations

import numpy as np

from synth.scene import Array, Blocks, Facets, Index, Layout, cross, empty_layout, join, rows

# Corners of a box: bottom ring, then top ring, counter-clockwise seen from above.
_RING = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) / 2


def axes(turn_rad: Array) -> tuple[Array, Array]:
    """Horizontal unit vectors (right, forward) [N, 3] of things whose forward heads ``turn_rad`` clockwise from north."""
    c, s, zero = np.cos(turn_rad), np.sin(turn_rad), np.zeros_like(turn_rad)
    return np.stack([c, -s, zero], axis=1), np.stack([s, c, zero], axis=1)


def frustum(
    at: Array, turn_rad: Array, bottom: Array, top: Array, low_m: Array, high_m: Array, top_shift_m: Array | float = 0.0
) -> Array:
    """Corners [N, 8, 3] of boxes that may narrow upwards; ``bottom`` and ``top`` [N, 2] are widths right and forward."""
    right, forward = axes(turn_rad)
    ring_low = _RING * bottom[:, None]
    ring_high = _RING * top[:, None]
    ring_high = ring_high + np.stack([np.zeros(len(at)), np.broadcast_to(top_shift_m, len(at))], axis=1)[:, None]
    ring = np.concatenate([ring_low, ring_high], axis=1)
    height = np.concatenate([np.repeat(low_m[:, None], 4, axis=1), np.repeat(high_m[:, None], 4, axis=1)], axis=1)
    flat = ring[..., :1] * right[:, None] + ring[..., 1:] * forward[:, None]
    return at[:, None] + flat + height[..., None] * np.array([0.0, 0.0, 1.0])


def face_normal(ring: Array) -> Array:
    """Outward unit normals [N, 3] of flat faces of corners [N, K, 3], counter-clockwise as seen from outside."""
    normal = cross(ring[:, 1] - ring[:, 0], ring[:, 2] - ring[:, 1])
    return normal / np.maximum(np.sqrt((normal * normal).sum(axis=1, keepdims=True)), 1e-12)


def faces(
    picture: Index,
    order: Array,
    corners: Array,
    top_albedo: Array,
    side_albedo: Array,
    rounding_m: Array | float = 0.01,
    gloss: Array | float = 0.0,
) -> Facets:
    """The top and the four sides of frustums; sides come below the top in the order of drawing."""
    count = len(picture)
    quads = [corners[:, [4, 5, 6, 7]]]
    quads += [corners[:, [i, (i + 1) % 4, 4 + (i + 1) % 4, 4 + i]] for i in range(4)]
    tables = []
    for k, quad in enumerate(quads):
        normal = face_normal(quad)
        tables.append(
            rows(
                Facets,
                count,
                picture=picture,
                order=order + (0.0 if k else 0.01),
                corners=np.concatenate([quad, np.repeat(quad[:, 3:], 4, axis=1)], axis=1),
                normal=normal,
                albedo=side_albedo if k else top_albedo,
                rounding_m=rounding_m if not k else 0.01,
                gloss=gloss,
            )
        )
    return join(Facets, tables)


def boxes(
    rng: np.random.Generator,
    picture: Index,
    at: Array,
    size_m: Array,
    albedo: Array,
    order: float,
    rounding_m: float = 0.01,
) -> Layout:
    """Boxes of ``size_m`` [N, 3] (right, forward, up) at any turn."""
    count = len(picture)
    turn = rng.uniform(0, 2 * np.pi, count)
    corners = frustum(at, turn, size_m[:, :2], size_m[:, :2], np.zeros(count), size_m[:, 2])
    base = empty_layout()
    return Layout(
        base.plates,
        base.limbs,
        faces(picture, np.full(count, order), corners, albedo, albedo * 0.9, rounding_m),
        rows(Blocks, count, picture=picture, corners=corners),
        base.targets,
    )


def cars(rng: np.random.Generator, picture: Index, at: Array, order: float) -> Layout:
    """Cars and vans: a lower body, dark glass between pillars, a roof, a windscreen that slopes, lamps, wheels, mirrors."""
    count = len(picture)
    turn = rng.uniform(0, 2 * np.pi, count)
    van = rng.random(count) < 0.3
    length = np.where(van, rng.uniform(4.6, 5.6, count), rng.uniform(3.7, 4.7, count))
    width = np.where(van, rng.uniform(1.8, 2.0, count), rng.uniform(1.65, 1.85, count))
    roof_m = np.where(van, rng.uniform(1.8, 2.3, count), rng.uniform(1.4, 1.6, count))
    belt_m = np.where(van, 1.1, 0.85)
    greys = np.array([0.75, 0.55, 0.3, 0.12, 0.02])[rng.integers(0, 5, count)][:, None] * np.ones((1, 3))
    tints = np.array([[0.35, 0.03, 0.03], [0.03, 0.06, 0.25], [0.04, 0.12, 0.06], [0.3, 0.2, 0.05]])
    paint = np.where((rng.random(count) < 0.35)[:, None], tints[rng.integers(0, 4, count)], greys)
    paint = paint * rng.uniform(0.8, 1.1, (count, 1))
    glass = np.full((count, 3), 0.025) * rng.uniform(0.6, 2.0, (count, 1))
    lower = frustum(
        at, turn, np.stack([width, length], 1), np.stack([width * 0.94, length * 0.97], 1), np.full(count, 0.18), belt_m
    )
    cabin_length = np.where(van, 0.82, 0.58) * length
    shift = np.where(van, -0.06, -0.05) * length
    _, forward = axes(turn)
    cabin_at = at + forward * shift[:, None]
    cabin = frustum(
        cabin_at,
        turn,
        np.stack([width * 0.92, cabin_length], 1),
        np.stack([width * 0.74, cabin_length * np.where(van, 0.86, 0.66)], 1),
        belt_m,
        roof_m,
        np.where(van, -0.02, -0.04) * length,
    )
    # The roof's sheet covers the cabin's top but for a rim of glass and pillars.
    roof = cabin[:, 4:].copy()
    roof = np.concatenate([roof, roof], axis=1)
    roof[:, 4:, 2] += 0.02
    base = empty_layout()
    seed = np.full(count, order) + np.arange(count) * 0.1
    tables = [
        faces(picture, seed, lower, paint, paint * 0.9, 0.22, 0.05),
        faces(picture, seed + 0.02, cabin, glass, glass, 0.05, 0.04),
        faces(picture, seed + 0.04, roof, paint, paint, 0.12, 0.05),
        *_pillars(picture, seed + 0.035, cabin, paint * 0.8),
        *_lamps(picture, seed + 0.015, lower, rng),
        *_wheels(picture, seed + 0.005, at, turn, width, length),
        *_mirrors(
            picture, seed + 0.06, at + forward * (shift + 0.42 * cabin_length)[:, None], turn, width, belt_m, paint
        ),
    ]
    shadow = np.concatenate([lower[:, :4] * [1, 1, 0], cabin[:, 4:]], axis=1)
    body = lower.copy()
    body[:, :4, 2] = 0
    blocks = [rows(Blocks, count, picture=picture, corners=c) for c in (body, shadow)]
    return Layout(base.plates, base.limbs, join(Facets, tables), join(Blocks, blocks), base.targets)


def _pillars(picture: Index, order: Array, cabin: Array, paint: Array) -> list[Facets]:
    """Strips of the body's colour on the glass of a cabin [N, 8, 3]: at its corners and in the middle of its sides."""
    tables = []
    for one, other, places in (
        (0, 3, (0.0, 0.47, 0.95)),
        (2, 1, (0.0, 0.48, 0.95)),
        (3, 2, (0.0, 0.96)),
        (1, 0, (0.0, 0.96)),
    ):
        low, high = cabin[:, [one, other]], cabin[:, [one + 4, other + 4]]
        normal = np.cross(high[:, 0] - low[:, 0], low[:, 1] - low[:, 0])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        for a in places:
            b = a + (0.05 if len(places) == 3 else 0.04)
            ends = [
                edge[:, 0] + (edge[:, 1] - edge[:, 0]) * share
                for edge, share in ((low, a), (low, b), (high, b), (high, a))
            ]
            tables.append(_facet(picture, order, np.stack(ends, axis=1), normal, paint))
    return tables


def _lamps(picture: Index, order: Array, lower: Array, rng: np.random.Generator) -> list[Facets]:
    """Pale lamps in front and red ones behind, set into the corners of the body's top."""
    rear_left, rear_right, front_right, front_left = (lower[:, 4 + i] for i in range(4))
    up = np.array([0.0, 0.0, 1.0])
    deep, wide = rng.uniform(0.018, 0.032, (len(picture), 1)), rng.uniform(0.13, 0.2, (len(picture), 1))
    pale = np.full((len(picture), 3), 1.0) * rng.uniform(0.35, 0.75, (len(picture), 1))
    red = np.array([0.22, 0.012, 0.012]) * rng.uniform(0.6, 1.4, (len(picture), 1))
    tables = []
    for here, across, behind, colour in (
        (front_left, front_right, rear_left, pale), (front_right, front_left, rear_right, pale),
        (rear_left, rear_right, front_left, red), (rear_right, rear_left, front_right, red),
    ):  # fmt: skip
        side, back = across - here, behind - here
        corner = here + 0.09 * side + 0.006 * back
        ends = [corner, corner + wide * side, corner + wide * side + 0.6 * deep * back, corner + deep * back]
        tables.append(_facet(picture, order, np.stack(ends, axis=1) + 0.004 * up, up, colour))
    return tables


def _wheels(picture: Index, order: Array, at: Array, turn: Array, width_m: Array, length_m: Array) -> list[Facets]:
    """The outer faces of four wheels: rubber, and a rim of metal."""
    right, forward = axes(turn)
    up = np.array([0.0, 0.0, 1.0])
    ring = np.radians(np.arange(8) * 45.0 + 22.5)
    tables = []
    for side in (-1.0, 1.0):
        for ahead in (-0.29, 0.31):
            middle = (
                at + right * (side * (width_m / 2 + 0.015))[:, None] + forward * (ahead * length_m)[:, None] + 0.31 * up
            )
            for radius_m, colour, step in ((0.31, 0.02, 0.0), (0.19, 0.3, 0.001)):
                disc = np.stack([middle + radius_m * (np.cos(a) * forward + np.sin(a) * up) for a in ring], axis=1)
                tables.append(_facet(picture, order + step, disc, side * right, np.full((len(picture), 3), colour)))
    return tables


def _mirrors(
    picture: Index, order: Array, at: Array, turn: Array, width_m: Array, belt_m: Array, paint: Array
) -> list[Facets]:
    """The tops of two outside mirrors, ``at`` abreast of the windscreen's foot."""
    right, forward = axes(turn)
    up = np.array([0.0, 0.0, 1.0])
    tables = []
    for side in (-1.0, 1.0):
        inner = at + right * (side * 0.455 * width_m)[:, None] + up * (belt_m + 0.12)[:, None]
        outer = inner + right * (side * 0.2) - forward * 0.05
        quad = np.stack([inner, outer, outer - forward * 0.1, inner - forward * 0.12], axis=1)
        tables.append(_facet(picture, order, quad, up, paint))
    return tables


def cylinders(
    picture: Index, at: Array, turn_rad: Array, radius_m: Array, length_m: Array, albedo: Array, order: float
) -> Layout:
    """Cylinders lying on the ground along the heading ``turn_rad``: strips round the upper half, and two flat ends."""
    count = len(picture)
    right, forward = axes(turn_rad)
    up = np.array([0.0, 0.0, 1.0])
    middle = at + radius_m[:, None] * up
    angle = np.radians(np.linspace(-90, 90, 9))

    def around(a: float) -> Array:
        return np.sin(a) * right + np.cos(a) * up

    half = 0.5 * length_m[:, None] * forward
    tables = []
    for a, b in zip(angle[:-1], angle[1:]):
        low, high = middle + radius_m[:, None] * around(a), middle + radius_m[:, None] * around(b)
        quad = np.stack([low - half, high - half, high + half, low + half], axis=1)
        tables.append(_facet(picture, order, quad, around((a + b) / 2), albedo))
    ring = np.radians(np.linspace(0, 360, 9)[:-1])
    for side in (-1.0, 1.0):
        disc = np.stack([middle + side * half + radius_m[:, None] * around(a) for a in ring], axis=1)
        tables.append(_facet(picture, order - 0.001, disc, side * forward, albedo * 0.8))
    square = frustum(at, turn_rad, np.stack([2 * radius_m, length_m], 1), np.stack([2 * radius_m, length_m], 1),
                     0.25 * radius_m, 1.75 * radius_m)  # fmt: skip
    base = empty_layout()
    return Layout(
        base.plates,
        base.limbs,
        join(Facets, tables),
        rows(Blocks, count, picture=picture, corners=square),
        base.targets,
    )


def _facet(picture: Index, order: Array | float, corners: Array, normal: Array, albedo: Array) -> Facets:
    spare = np.repeat(corners[:, -1:], 8 - corners.shape[1], axis=1)
    return rows(
        Facets,
        len(picture),
        picture=picture,
        order=order,
        corners=np.concatenate([corners, spare], axis=1),
        normal=normal,
        albedo=albedo,
        gloss=0.02,
    )
