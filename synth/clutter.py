"""What lies about and is no target: boards, signs, marks on the ground, cars, boxes, cones, stones, litter …

Each kind is one function that lays ``count`` things at places on the ground. They are simple, but at one to three
centimetres a pixel they must be taken for what they are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from mission.mission_file import Mission
from mission.recipe import DECOYS, Recipe
from mission.vocabulary import COLOURS, MARKS
from synth.marks import Typefaces
from synth.outlines import OutlineAtlas, outline_atlas
from synth.paints import sample_paint_pairs, sample_paints
from synth.panels import sample_finish, sample_marks
from synth.scene import Array, Blocks, Index, Layout, Limbs, Plates, empty_layout, finish, flat_axes, join_layouts, rows
from synth.solids import boxes, cars

_GROUND_ORDER, _FLAT_ORDER, _LOW_ORDER, _TALL_ORDER = 0.2, 1.0, 4.0, 6.0


# Distance [m] from its middle within which a thing would lie on a panel; small things need half a metre.
_CLEAR_M = {
    "car": 3.2,
    "tarpaulin": 0.0,
    "box": 1.0,
    "furniture": 1.3,
    "board": 1.1,
    "sign": 1.2,
    "bag": 0.8,
    "barrel": 0.9,
    "hose": 0.9,
}


@dataclass(frozen=True)
class _Place:
    """Where things of one kind go, and what they may be made of."""

    rng: np.random.Generator
    picture: Index
    at: Array
    mission: Mission
    recipe: Recipe
    outlines: OutlineAtlas
    typefaces: Typefaces

    @property
    def count(self) -> int:
        return len(self.picture)

    def repeated(self, times: Index, spread_m: float) -> _Place:
        """Several things for each place, scattered about it."""
        index = np.repeat(np.arange(self.count), times)
        at = self.at[index] + np.concatenate(
            [self.rng.normal(0, spread_m, (len(index), 2)), np.zeros((len(index), 1))], axis=1
        )
        return _Place(self.rng, self.picture[index], at, self.mission, self.recipe, self.outlines, self.typefaces)

    def paints(self, saturated: float = 1.0) -> Array:
        """One paint for each thing, of any name; ``saturated`` below 1 greys it."""
        paint = sample_paints(self.rng, self.rng.integers(0, len(COLOURS), self.count))
        return saturated * paint + (1 - saturated) * paint.mean(axis=1, keepdims=True)

    def shape(self, *names: str) -> Index:
        """One of the named outlines for each thing."""
        known = np.array([self.outlines.index(name) for name in names])
        return known[self.rng.integers(0, len(known), self.count)]

    def flat(self, size_m: Array, aspect: Array | float = 1.0, tilt_rad: float = 0.0) -> tuple[Array, Array]:
        """Axes of flat things at any turn; ``aspect`` squeezes the second one."""
        turn, towards = self.rng.uniform(0, 2 * np.pi, (2, self.count))
        tilt = np.abs(self.rng.normal(0, tilt_rad, self.count)) if tilt_rad else np.zeros(self.count)
        along, up = flat_axes(turn, tilt, towards)
        return along * size_m[:, None], up * (size_m * aspect)[:, None]

    def noise(self) -> dict[str, Array]:
        return {"noise_u": self.rng.random(self.count), "noise_v": self.rng.random(self.count)}


def sample_decoys(
    rng: np.random.Generator,
    picture: Index,
    ground: Array,
    mission: Mission,
    recipe: Recipe,
    typefaces: Typefaces | None = None,
    *,
    targets: tuple[Index, Array] | None = None,
) -> Layout:
    """Things that are no target at ``ground`` [N, 3] of pictures [N], kinds drawn by the recipe's weights.

    ``targets`` are pictures and places that most of them keep clear of.
    """
    if not len(picture):
        return empty_layout()
    weight = np.array([recipe.decoys.kinds.get(name, 0.0) for name in DECOYS])
    kind = rng.choice(len(DECOYS), len(picture), p=weight / weight.sum())
    if targets is not None and len(targets[0]):
        room = np.array([_CLEAR_M.get(name, 0.5) for name in DECOYS])[kind] * (rng.random(len(kind)) > 0.08)
        away = np.linalg.norm(ground[:, None, :2] - targets[1][None, :, :2], axis=2)
        away = np.where(picture[:, None] == targets[0][None], away, np.inf).min(axis=1)
        keep = away >= room
        picture, ground, kind = picture[keep], ground[keep], kind[keep]
    outlines = outline_atlas(mission.panels.vocabulary)
    parts = []
    for k in np.unique(kind):
        mine = kind == k
        place = _Place(
            rng, picture[mine], ground[mine], mission, recipe, outlines, typefaces or recipe.panels.typefaces
        )
        parts.append(_KINDS[DECOYS[k]](place))
    return join_layouts(parts)


def _layout(plates: Plates | None = None, limbs: Limbs | None = None) -> Layout:
    base = empty_layout()
    return Layout(plates or base.plates, limbs or base.limbs, base.facets, base.blocks, base.targets)


def _board(place: _Place) -> Layout:
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
        order=_FLAT_ORDER + 0.5 + np.arange(n) * 1e-6,
        origin=place.at + np.array([0, 0, 0.02]),
        along=along,
        up=up,
        shape=shape,
        albedo=place.paints(),
        thickness_m=rng.uniform(0, 0.05, n),
        finish=sample_finish(rng, n, place.recipe.panels, size),
    )
    figure = np.flatnonzero(rng.random(n) < 0.2)
    inner = _Place(rng, place.picture[figure], place.at[figure], *_rest(place))
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
    return join_layouts([_layout(plates), _layout(figures)])


def _rest(place: _Place) -> tuple[Mission, Recipe, OutlineAtlas, Typefaces]:
    return place.mission, place.recipe, place.outlines, place.typefaces


def _sign(place: _Place) -> Layout:
    """A board with several characters in a row or two."""
    rng, n = place.rng, place.count
    length = rng.integers(2, 7, n)
    height_m = np.exp(rng.uniform(np.log(0.08), np.log(0.5), n))
    colours = place.mission.panels.vocabulary.colours
    _, _, paint, ink = sample_paint_pairs(rng, n, colours, 25, 25)
    unit = height_m * 0.85
    width = unit * (length + 0.8)
    along, up = place.flat(np.ones(n), 1.0, 0.05)
    boards = rows(
        Plates,
        n,
        picture=place.picture,
        order=_FLAT_ORDER + 0.6 + np.arange(n) * 1e-6,
        origin=place.at + np.array([0, 0, 0.02]),
        along=along * width[:, None],
        up=up * (height_m * 1.6 * 2)[:, None],
        shape=place.outlines.index("rectangle"),
        albedo=paint,
        thickness_m=rng.uniform(0, 0.04, n),
        finish=sample_finish(rng, n, place.recipe.panels, width),
    )
    which = np.repeat(np.arange(n), length)
    place_in_row = np.concatenate([np.arange(k) for k in length]) - (length[which] - 1) / 2
    marks = sample_marks(
        rng, rng.integers(0, len(MARKS), len(which)), MARKS, place.recipe.panels, place.mission, place.typefaces
    )
    letters = rows(
        Plates,
        len(which),
        picture=place.picture[which],
        order=boards.order[which] + 5e-7,
        origin=boards.origin[which] + along[which] * (place_in_row * unit[which])[:, None],
        along=along[which] * height_m[which, None],
        up=up[which] * height_m[which, None],
        body=0.0,
        albedo=ink[which],
        glyph=marks["glyph"],
        mark_grow=marks["grow"],
        mark_albedo=ink[which],
        finish=finish(len(which), wear=0.1, noise_u=rng.random(len(which))),
    )
    bare = rng.random(n) < 0.3  # letters on the ground, without a board
    return join_layouts([_layout(_only(boards, ~bare)), _layout(letters)])


def _only(plates: Plates, keep: Array) -> Plates:
    from synth.scene import take

    return take(plates, keep)


def _ground_mark(place: _Place) -> Layout:
    """A letter, digit or figure sprayed or chalked on the ground."""
    rng, n = place.rng, place.count
    size = np.exp(rng.uniform(np.log(0.3), np.log(2.0), n))
    along, up = place.flat(size)
    chalk = np.array(
        [
            [0.8, 0.8, 0.78],
            [0.75, 0.6, 0.05],
            [0.8, 0.25, 0.03],
            [0.05, 0.15, 0.6],
            [0.6, 0.05, 0.05],
            [0.03, 0.03, 0.03],
        ]
    )
    ink = chalk[rng.choice(len(chalk), n, p=[0.45, 0.15, 0.15, 0.1, 0.1, 0.05])]
    marks = sample_marks(
        rng, rng.integers(0, len(MARKS), n), MARKS, place.recipe.panels, place.mission, place.typefaces
    )
    letter = rng.random(n) < 0.7
    plates = rows(
        Plates,
        n,
        picture=place.picture,
        order=_GROUND_ORDER + np.arange(n) * 1e-6,
        origin=place.at,
        along=along,
        up=up,
        shape=place.shape("circle", "cross", "triangle", "square"),
        body=np.where(letter, 0.0, 1.0),
        albedo=ink,
        glyph=np.where(letter, marks["glyph"], -1),
        mark_grow=marks["grow"],
        mark_albedo=ink,
        finish=finish(
            n, wear=rng.uniform(0.3, 1.0, n), dirt=rng.uniform(0, 0.6, n), blades=rng.uniform(0.02, 0.12, n),
            ragged=0.02, speckle=0.15, cover_radius=(rng.random(n) < 0.3) * 0.2, cover_u=rng.normal(0, 0.3, n), **place.noise(),
        ),
    )  # fmt: skip
    return _layout(plates)


def _tarpaulin(place: _Place) -> Layout:
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
        order=_FLAT_ORDER + np.arange(n) * 1e-6,
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
    return _layout(plates)


def _litter(place: _Place) -> Layout:
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
        order=_FLAT_ORDER + 0.3 + np.arange(n) * 1e-6,
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
    return _layout(plates)


def _stone(place: _Place) -> Layout:
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
        order=_LOW_ORDER - 1 + np.arange(n) * 1e-6,
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
    return _layout(plates)


def _road_marking(place: _Place) -> Layout:
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
        order=_GROUND_ORDER + np.arange(m) * 1e-6,
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
    return _layout(plates)


def _drain_cover(place: _Place) -> Layout:
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
                order=_GROUND_ORDER + 0.1 + k * 0.01 + np.arange(n) * 1e-6,
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
    return join_layouts([_layout(t) for t in tables])


def _limbs(
    place: _Place, ends: Array, radii: Array, albedo: Array, order: Array | float, grain: float = 0.15
) -> Layout:
    return _layout(
        limbs=rows(
            Limbs, len(ends), picture=place.picture, order=order, ends=ends, radii_m=radii, albedo=albedo, grain=grain
        )
    )


def _cone(place: _Place) -> Layout:
    """A traffic cone: a square foot, an orange cone with white bands."""
    rng, n = place.rng, place.count
    height = rng.uniform(0.3, 0.9, n)
    orange = np.array([0.85, 0.2, 0.03]) * rng.uniform(0.7, 1.1, (n, 1))
    along, up = place.flat(height * rng.uniform(0.5, 0.6, n))
    foot = rows(
        Plates,
        n,
        picture=place.picture,
        order=_LOW_ORDER,
        origin=place.at + np.array([0, 0, 0.03]),
        along=along,
        up=up,
        shape=place.outlines.index("square"),
        albedo=np.where((rng.random(n) < 0.5)[:, None], 0.02, orange),
        thickness_m=0.03,
        finish=finish(n, dirt=0.3, **place.noise()),
    )
    parts = [_layout(foot)]
    top = np.array([0, 0, 1.0])
    for k, (low, high, white) in enumerate(((0.05, 1.0, False), (0.35, 0.5, True), (0.65, 0.78, True))):
        wide = height[:, None] * np.array([[0.19 - 0.16 * low, 0.19 - 0.16 * high]]) + (0.004 if white else 0)
        ends = np.stack([place.at + (height * s)[:, None] * top for s in (low, high)], axis=1)
        colour = np.full((n, 3), 0.75) if white else orange
        parts.append(_limbs(place, ends, wide, colour, _LOW_ORDER + 0.1 * (k + 1), 0.05))
    # The tip lies over the bands.
    ends = np.stack([place.at + (height * s)[:, None] * top for s in (0.8, 1.0)], axis=1)
    parts.append(_limbs(place, ends, height[:, None] * np.array([[0.062, 0.03]]), orange, _LOW_ORDER + 0.6, 0.05))
    return join_layouts(parts)


def _barrel(place: _Place) -> Layout:
    """A drum or a bin, standing or on its side."""
    rng, n = place.rng, place.count
    radius, height = rng.uniform(0.18, 0.32, n), rng.uniform(0.5, 0.95, n)
    paint = place.paints(0.9)
    laid = rng.random(n) < 0.3
    turn = rng.uniform(0, 2 * np.pi, n)
    flat = np.stack([np.sin(turn), np.cos(turn), 0 * turn], axis=1)
    up = np.where(laid[:, None], flat, np.array([0, 0, 1.0]))
    low = place.at + np.where(laid, radius, 0.0)[:, None] * np.array([0, 0, 1.0])
    ends = np.stack([low, low + up * (height - 0.3 * radius)[:, None]], axis=1)
    radii = np.stack([radius, radius], axis=1)
    side = _limbs(place, ends, radii, paint * 0.85, _LOW_ORDER, 0.1)
    standing = np.flatnonzero(~laid)
    tops = []
    for k, share in enumerate((1.0, 0.88)):
        along, across = flat_axes(turn[standing], np.zeros(len(standing)), np.zeros(len(standing)))
        size = 2 * radius[standing, None] * share
        tops.append(
            rows(
                Plates,
                len(standing),
                picture=place.picture[standing],
                order=_LOW_ORDER + 0.5 + 0.1 * k,
                origin=place.at[standing] + height[standing, None] * np.array([0, 0, 1.0]),
                along=along * size,
                up=across * size,
                shape=place.outlines.index("circle"),
                albedo=paint[standing] * (1.0 if k == 0 else rng.uniform(0.5, 1.0)),
                finish=finish(len(standing), gloss=0.15, gloss_width=0.3, dirt=0.3, noise_u=rng.random(len(standing))),
            )
        )
    return join_layouts([side, *(_layout(t) for t in tops)])


def _box(place: _Place) -> Layout:
    rng, n = place.rng, place.count
    size = rng.uniform(0.25, 1.2, (n, 3)) * np.array([1, 1, 0.7])
    wood = np.array([[0.35, 0.22, 0.12], [0.42, 0.30, 0.18], [0.5, 0.5, 0.5], [0.25, 0.2, 0.15]])[rng.integers(0, 4, n)]
    return boxes(rng, place.picture, place.at, size, wood * rng.uniform(0.7, 1.3, (n, 1)), _LOW_ORDER)


def _case(place: _Place) -> Layout:
    """Boxes of the team's own: flight cases, cool boxes, generators, batteries, in strong colours."""
    rng, n = place.rng, place.count
    size = np.stack([rng.uniform(0.3, 0.6, n), rng.uniform(0.4, 0.9, n), rng.uniform(0.15, 0.45, n)], axis=1)
    paint = np.where((rng.random(n) < 0.4)[:, None], 0.02, place.paints())
    return boxes(rng, place.picture, place.at, size, paint, _LOW_ORDER, 0.04)


def _car(place: _Place) -> Layout:
    return cars(place.rng, place.picture, place.at, _TALL_ORDER)


def _bird(place: _Place) -> Layout:
    """White, grey and black birds on the ground: a body, a head, folded wings."""
    rng = place.rng
    many = place.repeated(rng.integers(1, 5, place.count), 0.9)
    n = many.count
    length = rng.uniform(0.25, 0.75, n)
    turn = rng.uniform(0, 2 * np.pi, n)
    ahead = np.stack([np.sin(turn), np.cos(turn), 0 * turn], axis=1)
    colour = np.array([0.8, 0.8, 0.45, 0.03, 0.15])[rng.integers(0, 5, n)][:, None] * np.ones((1, 3))
    up = np.array([0, 0, 1.0])
    middle = many.at + (0.3 * length)[:, None] * up
    tail, neck, head = (middle + (length * k)[:, None] * ahead for k in (-0.5, 0.22, 0.42))
    body = _limbs(many, np.stack([tail, neck], 1), length[:, None] * np.array([[0.05, 0.17]]), colour, _LOW_ORDER + 0.1)
    neck_up = neck + (0.12 * length)[:, None] * up
    front = _limbs(
        many, np.stack([neck_up, head + (0.15 * length)[:, None] * up], 1), length[:, None] * np.array([[0.08, 0.06]]), colour,
        _LOW_ORDER + 0.2,
    )  # fmt: skip
    return join_layouts([body, front])


def _post(place: _Place) -> Layout:
    rng, n = place.rng, place.count
    height, radius = rng.uniform(0.4, 2.2, n), rng.uniform(0.02, 0.08, n)
    lean = rng.normal(0, 0.05, (n, 2)) * height[:, None]
    top = place.at + np.concatenate([lean, height[:, None]], axis=1)
    wood = np.array([[0.25, 0.18, 0.11], [0.5, 0.5, 0.5], [0.7, 0.7, 0.68], [0.5, 0.06, 0.05]])[rng.integers(0, 4, n)]
    return _limbs(
        place,
        np.stack([place.at, top], 1),
        np.stack([radius, radius], 1),
        wood * rng.uniform(0.7, 1.2, (n, 1)),
        _TALL_ORDER,
    )


def _bag(place: _Place) -> Layout:
    """Bags, sacks and bundles: two or three lumps."""
    rng = place.rng
    many = place.repeated(rng.integers(1, 4, place.count), 0.22)
    n = many.count
    radius = rng.uniform(0.1, 0.26, (n, 2))
    start = many.at + radius[:, :1] * np.array([0, 0, 0.8])
    ends = np.stack([start, start + rng.normal(0, 0.15, (n, 3)) * np.array([1, 1, 0.2])], axis=1)
    return _limbs(many, ends, radius, many.paints(0.7) * 0.9, _LOW_ORDER + 0.01 * np.arange(n), 0.5)


def _hose(place: _Place) -> Layout:
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
    spread = _Place(rng, place.picture[which], place.at[which], *_rest(place))
    return _limbs(spread, ends, np.repeat(radius[which, None], 2, axis=1), colour[which], _FLAT_ORDER + 0.4)


def _furniture(place: _Place) -> Layout:
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
        order=_LOW_ORDER + 0.5,
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
    sub = _Place(rng, place.picture[chairs], place.at[chairs], *_rest(place))
    rails = _limbs(
        sub,
        np.stack([back - half + rise, back + half + rise], 1),
        np.full((len(chairs), 2), 0.02),
        paint[chairs],
        _LOW_ORDER + 0.8,
    )
    base = empty_layout()
    return join_layouts([Layout(tops, base.limbs, base.facets, shadow, base.targets), rails])


_KINDS: dict[str, Callable[[_Place], Layout]] = {
    "board": _board,
    "sign": _sign,
    "ground_mark": _ground_mark,
    "tarpaulin": _tarpaulin,
    "car": _car,
    "box": _box,
    "barrel": _barrel,
    "cone": _cone,
    "litter": _litter,
    "stone": _stone,
    "road_marking": _road_marking,
    "drain_cover": _drain_cover,
    "bird": _bird,
    "post": _post,
    "bag": _bag,
    "hose": _hose,
    "furniture": _furniture,
    "case": _case,
}
