"""Plates of a panel's make with two to four characters: in a row, stacked, one large and one small, each in its own paint."""

from __future__ import annotations

import numpy as np

from mission.vocabulary import COLOURS
from synth.decoy_places import FLAT_ORDER, Place, layout_of
from synth.lettering import fit_in_shapes, letters, typeset_short
from synth.paints import sample_paint_pairs
from synth.panels import sample_finish
from synth.scene import Array, Layout, Plates, finish, join_layouts, rows, take

# A plate lies a little off the ground.
_LIFT = np.array([0.0, 0.0, 0.02])


def short_sign(place: Place) -> Layout:
    """Plates with two to four characters; some have a frame, an arrow or a line, a few characters lie there without a plate."""
    rng, n = place.rng, place.count
    setting = typeset_short(place)
    _, _, paint, ink = sample_paint_pairs(rng, n, COLOURS, 25, 25)
    usual = (rng.random(n) < 0.3)[:, None]
    paint, ink = np.where(usual, _usual(rng, n), paint), np.where(usual, 0.02, ink)
    along, up = place.flat(np.ones(n), 1.0, np.radians(5.0))
    # Half are cut to their text, tightly or with room; the others have a panel's outline, and the text is fitted in.
    cut = rng.random(n) < 0.5
    shape = np.where(cut, place.outlines.index("square"), place.shape(*place.mission.panels.vocabulary.shapes))
    size = np.exp(rng.uniform(np.log(0.35), np.log(1.6), n))
    at, unit = fit_in_shapes(place, shape, setting, np.zeros(n), rng.uniform(0.4, 0.8, n))
    extra = rng.random(n) < 0.16  # room for an arrow or a line beside the text
    margin = rng.uniform(0.2, 0.9, (n, 2)) + np.stack([np.zeros(n), np.where(cut & extra, 0.8, 0.0)], axis=1)
    block = setting.block + margin
    letter = np.where(cut, size / block.max(axis=1), unit * size)
    width, depth = (np.where(cut, block[:, k] * letter, size) for k in (0, 1))
    at = np.where(cut[:, None], 0.0, at * size[:, None])
    at[:, 1] += np.where(cut & extra, 0.4 * letter, 0.0)
    order, origin = FLAT_ORDER + 0.6 + np.arange(n) * 1e-6, place.at + _LIFT
    boards = rows(
        Plates,
        n,
        picture=place.picture,
        order=order,
        origin=origin,
        along=along * width[:, None],
        up=up * depth[:, None],
        shape=shape,
        albedo=paint,
        thickness_m=rng.uniform(0, 0.04, n),
        finish=sample_finish(rng, n, place.recipe.panels, size),
    )
    on = rng.random(n) >= 0.08
    text = letters(
        place,
        setting,
        origin + at[:, :1] * along + at[:, 1:] * up,
        along * letter[:, None],
        up * letter[:, None],
        ink,
        order,
        wear=rng.uniform(0, 0.25, n),
    )
    own = (rng.random(n) < 0.12)[setting.which]
    others = sample_paint_pairs(rng, len(own), COLOURS, 25, 25)[3]
    text.albedo[own], text.mark_albedo[own] = others[own], others[own]
    framed = np.flatnonzero(on & cut & (rng.random(n) < 0.25))
    pointing = np.flatnonzero(on & cut & extra)
    beside = _beside(
        place, pointing, origin - 0.5 * (setting.block[:, 1] * letter)[:, None] * up, along, up, letter, ink, order
    )
    return join_layouts(
        [layout_of(take(boards, on)), layout_of(_frames(boards, framed, paint, ink)), beside, layout_of(text)]
    )


def _usual(rng: np.random.Generator, count: int) -> Array:
    """Paints of everyday plates: white, yellow, orange, pale grey."""
    table = np.array([[0.76, 0.76, 0.75], [0.8, 0.62, 0.04], [0.8, 0.28, 0.03], [0.5, 0.5, 0.5]])
    return table[rng.integers(0, len(table), count)] * rng.uniform(0.85, 1.1, (count, 1))


def _frames(boards: Plates, framed: Array, paint: Array, ink: Array) -> Plates:
    """A line of the letters' paint around some boards: the board turns into it, a smaller one lies inside."""
    inner = take(boards, framed)
    boards.albedo[framed] = ink[framed]
    return rows(
        Plates,
        len(framed),
        picture=inner.picture,
        order=inner.order + 2e-7,
        origin=inner.origin,
        along=inner.along * 0.93,
        up=inner.up * 0.9,
        shape=inner.shape,
        albedo=paint[framed],
        finish=inner.finish,
    )


def _beside(
    place: Place, which: Array, at: Array, along: Array, up: Array, letter: Array, ink: Array, order: Array
) -> Layout:
    """An arrow or a line below the text of some plates."""
    rng, n = place.rng, len(which)
    line, side = rng.random(n) < 0.4, rng.integers(0, 4, n) * np.pi / 2
    c, s = np.cos(side)[:, None], np.sin(side)[:, None]
    long, wide = np.where(line, 1.4, 0.7)[:, None], np.where(line, 0.24, 0.7)[:, None]
    a, u = along[which], up[which]
    axes = [np.where(line[:, None], one, turned) for one, turned in ((a, c * a - s * u), (u, s * a + c * u))]
    return layout_of(
        rows(
            Plates,
            n,
            picture=place.picture[which],
            order=order[which] + 4e-7,
            origin=at[which],
            along=axes[0] * long * letter[which, None],
            up=axes[1] * wide * letter[which, None],
            shape=np.where(line, place.outlines.index("rectangle"), place.outlines.index("triangle")),
            albedo=ink[which],
            finish=finish(n, noise_u=rng.random(n), noise_v=rng.random(n)),
        )
    )
