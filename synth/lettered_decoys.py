"""Things that bear several characters, and marks painted on the ground: none of them is a panel."""

from __future__ import annotations

import numpy as np

from mission.vocabulary import COLOURS, MARKS
from synth.assembly import Assembly
from synth.decoy_places import FLAT_ORDER, GROUND_ORDER, LOW_ORDER, Place, layout_of
from synth.lettering import fit_in_shapes, letters, typeset
from synth.paints import sample_paint_pairs
from synth.panels import sample_finish, sample_marks
from synth.scene import Array, Layout, Plates, finish, join_layouts, rows, take

_CHALK = np.array(
    [[0.8, 0.8, 0.78], [0.75, 0.6, 0.05], [0.8, 0.25, 0.03], [0.05, 0.15, 0.6], [0.6, 0.05, 0.05], [0.03, 0.03, 0.03]]
)
_CARD = (
    (0.36, 0.24, 0.13),
    (0.42, 0.30, 0.18),
    (0.75, 0.75, 0.74),
    (0.05, 0.05, 0.05),
    (0.2, 0.13, 0.07),
    (0.03, 0.1, 0.3),
)


def _inks(place: Place) -> tuple[Array, Array]:
    """Paints of board and letters: half of them the usual black on pale, white on a strong colour and so on."""
    rng, n = place.rng, place.count
    _, _, paint, ink = sample_paint_pairs(rng, n, COLOURS, 25, 25)
    usual = rng.integers(0, 4, n)
    board = np.array([[0.75, 0.75, 0.74], [0.8, 0.62, 0.04], [0.02, 0.08, 0.35], [0.6, 0.04, 0.04]])[usual]
    text = np.array([[0.02] * 3, [0.02] * 3, [0.8] * 3, [0.8] * 3])[usual]
    plain = (rng.random(n) < 0.45)[:, None]
    return np.where(plain, board * rng.uniform(0.8, 1.1, (n, 1)), paint), np.where(plain, text, ink)


def sign(place: Place) -> Layout:
    """A board of any shape with two to six characters in a row or two; some letters lie on the ground without a board."""
    rng, n = place.rng, place.count
    setting, (paint, ink) = typeset(place), _inks(place)
    along, up = place.flat(np.ones(n), 1.0, 0.05)
    # Most boards are cut to their text; the others are of a panel's shape, and the text is fitted into that.
    cut = rng.random(n) < 0.5
    shape = place.shape(*place.mission.panels.vocabulary.shapes, "octagon", "ellipse")
    shape = np.where(cut, place.outlines.index("square"), shape)
    size = np.exp(rng.uniform(np.log(0.4), np.log(1.6), n))
    at, unit = fit_in_shapes(place, shape, setting, np.zeros(n), rng.uniform(0.35, 0.8, n))
    letter = np.exp(rng.uniform(np.log(0.07), np.log(0.42), n))
    width, depth = ((setting.block[:, k] + rng.uniform(0.4, 1.2, n)) * letter for k in (0, 1))
    letter = np.where(cut, letter, unit * size)
    at = np.where(cut[:, None], 0.0, at * size[:, None])
    order = FLAT_ORDER + 0.6 + np.arange(n) * 1e-6
    origin = place.at + np.array([0, 0, 0.02])
    side = {"along": along * np.where(cut, width, size)[:, None], "up": up * np.where(cut, depth, size)[:, None]}
    boards = rows(
        Plates,
        n,
        picture=place.picture,
        order=order,
        origin=origin,
        shape=shape,
        albedo=paint,
        thickness_m=rng.uniform(0, 0.04, n),
        finish=sample_finish(rng, n, place.recipe.panels, width),
        **side,
    )
    # A line of the letters' colour runs round some boards.
    lined = np.flatnonzero(rng.random(n) < 0.25)
    rim = take(boards, lined)
    inner = rows(
        Plates,
        len(lined),
        picture=rim.picture,
        order=rim.order + 2e-7,
        origin=rim.origin,
        along=rim.along * 0.95,
        up=rim.up * np.where(cut, 1 - 0.05 * width / depth, 0.95).clip(0.5, 1)[lined, None],
        shape=rim.shape,
        albedo=paint[lined],
        finish=rim.finish,
    )
    boards.albedo[lined] = ink[lined]
    text = letters(
        place,
        setting,
        origin + at[:, :1] * along + at[:, 1:] * up,
        along * letter[:, None],
        up * letter[:, None],
        ink,
        order,
    )
    bare = rng.random(n) < 0.15
    kept = layout_of(take(boards, ~bare))
    return join_layouts([kept, layout_of(take(inner, ~bare[lined])), layout_of(text)])


def number_plate(place: Place) -> Layout:
    """Number plates and small labels: four to seven characters on a narrow board."""
    rng, n = place.rng, place.count
    setting = typeset(place, 7, 1)
    letter = rng.uniform(0.07, 0.14, n)
    along, up = place.flat(letter, 1.0, 0.1)
    paint = np.where((rng.random(n) < 0.6)[:, None], 0.75, np.array([0.8, 0.6, 0.03])) * rng.uniform(0.85, 1.1, (n, 1))
    order = FLAT_ORDER + 0.62 + np.arange(n) * 1e-6
    origin = place.at + np.array([0, 0, 0.01])
    boards = rows(
        Plates,
        n,
        picture=place.picture,
        order=order,
        origin=origin,
        along=along * (setting.block[:, :1] + 0.7),
        up=up * 1.5,
        shape=place.outlines.index("square"),
        albedo=paint,
        thickness_m=0.004,
        finish=finish(n, dirt=0.3, gloss=0.1, gloss_width=0.5, **place.noise()),
    )
    return join_layouts(
        [layout_of(boards), layout_of(letters(place, setting, origin, along, up, np.full((n, 3), 0.02), order))]
    )


def banner(place: Place) -> Layout:
    """Long cloths with a line of text, wrinkled, lying on the ground."""
    rng, n = place.rng, place.count
    setting, (paint, ink) = typeset(place, 8, 1), _inks(place)
    letter = np.exp(rng.uniform(np.log(0.2), np.log(0.6), n))
    along, up = place.flat(letter)
    order = FLAT_ORDER + 0.1 + np.arange(n) * 1e-6
    folds = {
        "wrinkle": rng.uniform(0.4, 1.4, n),
        "fold": (rng.random(n) < 0.5) * 0.15,
        "fold_period": rng.uniform(0.1, 0.3, n),
    }
    cloth = rows(
        Plates,
        n,
        picture=place.picture,
        order=order,
        origin=place.at,
        along=along * (setting.block[:, :1] * rng.uniform(1.15, 1.6, (n, 1))),
        up=up * rng.uniform(1.4, 2.4, (n, 1)),
        shape=place.outlines.index("square"),
        albedo=paint,
        thickness_m=0.01,
        finish=finish(n, dirt=rng.uniform(0, 0.4, n), ragged=0.004, **folds, **place.noise()),
    )
    return join_layouts(
        [layout_of(cloth), layout_of(letters(place, setting, place.at, along, up, ink, order, wear=0.3))]
    )


def labelled_box(place: Place) -> Layout:
    """Boxes and cases with letters, a label or tape on their lid."""
    made = Assembly(place, LOW_ORDER)
    setting = typeset(place, 5)
    wide, deep, high = made.between(0.3, 0.9), made.between(0.3, 0.8), made.between(0.15, 0.6)
    paint = np.where(made.some(0.65)[:, None], made.one_of(_CARD), place.paints())
    made.box((0, 0, 0), (wide, deep, high), paint, rounding=0.02)
    pale = paint.mean(axis=1, keepdims=True) > 0.18
    ink = np.where(pale, 0.02, 0.75) * np.ones((made.count, 3))
    tape = made.some(0.4)
    made.sheet(
        (0, 0, high + 0.001),
        (wide, 0.055),
        made.one_of([[0.5, 0.36, 0.18], [0.6, 0.6, 0.6]]),
        only=tape,
        columns={"gloss": 0.15, "gloss_width": 0.5},
    )
    label = made.some(0.4)
    share = np.where(label, 0.6, 0.8)
    letter = np.minimum(wide * share / (setting.block[:, 0] + 0.4), deep * share / (setting.block[:, 1] + 0.4))
    size = (letter * (setting.block[:, 0] + 0.8), letter * (setting.block[:, 1] + 0.7))
    made.sheet((0, 0, high + 0.002), size, made.one_of([[0.75] * 3, [0.75, 0.6, 0.05], [0.7, 0.2, 0.03]]), only=label)
    ink = np.where(label[:, None], 0.02, ink)
    order = made.last_order()
    text = letters(
        place,
        setting,
        made.point((0, 0, high + 0.003)),
        made.right * letter[:, None],
        made.ahead * letter[:, None],
        ink,
        order,
    )
    return join_layouts([made.layout(), layout_of(text)])


def road_lettering(place: Place) -> Layout:
    """Words, numbers and arrows painted straight on the ground and drawn out lengthwise, some on asphalt."""
    made = Assembly(place, GROUND_ORDER + 0.02)
    rng, n = place.rng, place.count
    setting = typeset(place, 5, 1)
    letter, stretch = np.exp(rng.uniform(np.log(0.25), np.log(0.9), n)), rng.uniform(1.0, 2.8, n)
    white = np.where(
        (rng.random(n) < 0.75)[:, None], np.array([0.72, 0.72, 0.69]), np.array([0.7, 0.5, 0.05])
    ) * rng.uniform(0.7, 1.1, (n, 1))
    wide, deep = (
        letter * (setting.block[:, 0] + 1.5),
        letter * stretch * (setting.block[:, 1] + rng.uniform(0.5, 2.5, n)),
    )
    worn = {"dirt": 0.3, "speckle": 0.3, "ragged": 0.004}
    made.sheet(
        (0, 0, 0),
        (wide, deep),
        made.one_of([[0.06, 0.06, 0.065], [0.12, 0.12, 0.12], [0.2, 0.19, 0.18]]),
        only=made.some(0.45),
        columns=worn,
    )
    arrow = made.some(0.25)
    length = deep * made.between(0.35, 0.8)
    made.sheet((0, -0.15 * length, 0), (0.13 * length, 0.7 * length), white, only=arrow, columns=worn)
    made.sheet((0, 0.3 * length, 0), (0.42 * length, 0.42 * length), white, "triangle", only=arrow, columns=worn)
    text = letters(
        place,
        setting,
        place.at,
        made.right * letter[:, None],
        made.ahead * letter[:, None],
        white,
        made.last_order(),
        wear=rng.uniform(0.2, 0.9, n),
        stretch=stretch,
        speckle=0.25,
        dirt=rng.uniform(0, 0.5, n),
    )
    return join_layouts([made.layout(), layout_of(take(text, ~arrow[setting.which]))])


def ground_mark(place: Place) -> Layout:
    """A letter, digit or figure sprayed or chalked on the ground."""
    rng, n = place.rng, place.count
    size = np.exp(rng.uniform(np.log(0.3), np.log(2.0), n))
    along, up = place.flat(size)
    ink = _CHALK[rng.choice(len(_CHALK), n, p=[0.45, 0.15, 0.15, 0.1, 0.1, 0.05])]
    marks = sample_marks(
        rng, rng.integers(0, len(MARKS), n), MARKS, place.recipe.panels, place.mission, place.typefaces
    )
    letter = rng.random(n) < 0.7
    plates = rows(
        Plates,
        n,
        picture=place.picture,
        order=GROUND_ORDER + np.arange(n) * 1e-6,
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
            n,
            wear=rng.uniform(0.3, 1.0, n),
            dirt=rng.uniform(0, 0.6, n),
            blades=rng.uniform(0.02, 0.12, n),
            ragged=0.02,
            speckle=0.15,
            cover_radius=(rng.random(n) < 0.3) * 0.2,
            cover_u=rng.normal(0, 0.3, n),
            **place.noise(),
        ),
    )
    return layout_of(plates)
