"""Panels: a shape, a paint, one mark, and the way such a thing looks after a day on the ground."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mission.mission_file import MarkTurn, Mission
from mission.recipe import PanelLookSettings, Recipe, check_recipe
from mission.vocabulary import MARKS
from synth.ground_like import with_ground_like
from synth.half_hidden import shade_across
from synth.marks import Typefaces, mark_atlas
from synth.outlines import OutlineAtlas, outline_atlas, place_marks
from synth.paints import refuse_like_colours, sample_paint_pairs
from synth.scene import (
    COLUMN,
    Array,
    Index,
    Layout,
    Limbs,
    Plates,
    Targets,
    empty_layout,
    finish,
    flat_axes,
    join,
    rows,
)

PANEL_ORDER = 2.0
#: Marks with the least ink, which are missed most often.
THIN_MARKS = ("1", "7", "I", "J", "L")
# Strokes are fattened or thinned by no more than this (units of the mark's height), so that counters stay open.
_GROW = (-0.03, 0.055)
# How far from upright marks come out that were meant to be [deg].
UPRIGHT_SIGMA_DEG = 4.0
# A base bar in units of its mark's height: below the feet, about a stroke thick and as far away (our own choice), and never
# narrower than this on either side of the middle, or that of an I would be a dot.
BAR_GAP, BAR_THICKNESS, BAR_LEAST_HALF = 0.12, 0.13, 0.22


def check_drawable(recipe: Recipe, mission: Mission) -> None:
    """Refuse a recipe that contradicts the mission, and panels of which no two colours can be told apart (InputError)."""
    check_recipe(recipe, mission)
    panels = mission.panels
    refuse_like_colours(
        panels.vocabulary.colours,
        panels.lightness_difference_min,
        panels.colour_difference_min,
        recipe.panels.paint_spread,
    )


def sample_panels(
    rng: np.random.Generator,
    picture: Index,
    ground: Array,
    mission: Mission,
    recipe: Recipe,
    typefaces: Typefaces | None = None,
) -> Layout:
    """Panels lying at ``ground`` [N, 3] of pictures [N]; one target each."""
    count, look, panels = len(picture), recipe.panels, mission.panels
    if not count:
        return empty_layout()
    vocabulary = panels.vocabulary
    outlines = outline_atlas(vocabulary)
    shape = rng.integers(0, len(vocabulary.shapes), count)
    differ = panels.lightness_difference_min, panels.colour_difference_min
    pairs = sample_paint_pairs(rng, count, vocabulary.colours, *differ, look.paint_spread)
    colour, mark_colour, paint, mark_paint = with_ground_like(rng, pairs, vocabulary.colours, *differ, look)
    mark = rng.integers(0, len(vocabulary.marks), count)
    mark = _thinner(rng, mark, vocabulary.marks, look.thin_mark_share)
    size_m = np.exp(rng.uniform(np.log(panels.size_smallest_m), np.log(panels.size_largest_m), count))
    turn, tilt, towards = _pose(rng, count, look)
    along, up = flat_axes(turn, tilt, towards)
    marks = sample_marks(rng, mark, vocabulary.marks, look, mission, typefaces or look.typefaces)
    mark_turn = _mark_turns(rng, count, look, panels.mark_turn)
    barred = panels.mark_turn == "base-bar"
    at, height = _mark_place(rng, outlines, shape, marks["rim"], mark_turn, look, panels.mark_share_min, barred)
    thickness = rng.uniform(*look.thickness_m, count)
    lift = thickness + 0.5 * np.abs(np.sin(tilt)) * size_m
    plates = rows(
        Plates,
        count,
        picture=picture,
        owner=np.arange(count),
        order=PANEL_ORDER + np.arange(count) * 1e-6,
        origin=ground + np.stack([np.zeros(count), np.zeros(count), lift], axis=1),
        along=along * size_m[:, None],
        up=up * size_m[:, None],
        shape=shape,
        albedo=paint,
        glyph=marks["glyph"],
        mark_at=at,
        mark_height=height,
        mark_turn=mark_turn,
        mark_grow=marks["grow"],
        mark_albedo=mark_paint,
        thickness_m=lift,
        finish=_off_bars(sample_finish(rng, count, look, size_m), mark_turn, barred),
    )
    bars = base_bars(plates, marks["rim"], outlines) if barred else rows(Plates, 0)
    tape = _tape(rng, plates, look, outlines)
    weights, shaded = _weights(rng, plates, look), np.flatnonzero(rng.random(count) < look.shade_share)
    limbs = join(Limbs, [weights, shade_across(rng, plates.picture[shaded], plates.origin[shaded])])
    targets = rows(
        Targets,
        count,
        picture=picture,
        category=0,
        ground=ground,
        attributes=np.stack([shape, colour, mark, mark_colour], axis=1),
    )
    base = empty_layout()
    return Layout(join(Plates, [plates, bars, tape]), limbs, base.facets, base.blocks, targets)


def _thinner(rng: np.random.Generator, mark: Index, names: tuple[str, ...], share: float) -> Index:
    """Marks [N] (rows of ``names``), a share of them exchanged for one of the thinnest."""
    thin = np.array([k for k, name in enumerate(names) if name in THIN_MARKS])
    if not share or not len(thin):
        return mark
    return np.where(rng.random(len(mark)) < share, thin[rng.integers(0, len(thin), len(mark))], mark)


def _pose(rng: np.random.Generator, count: int, look: PanelLookSettings) -> tuple[Array, Array, Array]:
    turn, towards = rng.uniform(0, 2 * np.pi, (2, count))
    return turn, np.radians(np.abs(rng.normal(0, look.tilt_deg, count))).clip(0, 0.5), towards


def _mark_turns(rng: np.random.Generator, count: int, look: PanelLookSettings, mark_turn: MarkTurn) -> Array:
    """Turns of marks against their panels, clockwise [rad], as the mission lays them (nobody paints quite upright)."""
    turn = np.radians(rng.uniform(*look.mark_turn_deg, count))
    upright = rng.random(count) < (1.0 if mark_turn == "upright-on-panel" else look.upright_share)
    return np.where(upright, np.radians(rng.normal(0, UPRIGHT_SIGMA_DEG, count)), turn)


def _bar_corners(rim: Array) -> Array:
    """Corners [N, 4, 2] of the base bars of marks with rim points [N, R, 2], in units of the mark: as wide as its ink."""
    half = np.maximum(np.abs(rim[..., 0]).max(axis=1), BAR_LEAST_HALF)
    top = np.full_like(half, -0.5 - BAR_GAP)
    low = top - BAR_THICKNESS
    x, y = np.stack([-half, half, half, -half], axis=1), np.stack([top, top, low, low], axis=1)
    return np.stack([x, y], axis=2)


def _off_bars(look: Array, turn: Array, barred: bool) -> Array:
    """The finish [N, F] of panels with what lies on them moved to the side above the mark, where it covers no base bar."""
    if barred:
        away = np.hypot(look[:, COLUMN["cover_u"]], look[:, COLUMN["cover_v"]])
        look[:, COLUMN["cover_u"]], look[:, COLUMN["cover_v"]] = away * np.sin(turn), away * np.cos(turn)
    return look


def base_bars(plates: Plates, rim: Array, outlines: OutlineAtlas) -> Plates:
    """The bars below the feet of the marks of panels [N], as thin plates of the mark's paint."""
    count = len(plates.picture)
    corner = _bar_corners(rim) * plates.mark_height[:, None, None]
    middle, half = corner.mean(axis=1), (corner.max(axis=1) - corner.min(axis=1)) / 2
    c, s = np.cos(plates.mark_turn)[:, None], np.sin(plates.mark_turn)[:, None]
    # The mark's own right and up in the world, per unit of its panel.
    right, up = c * plates.along - s * plates.up, s * plates.along + c * plates.up
    at = plates.mark_at[:, :1] * plates.along + plates.mark_at[:, 1:] * plates.up
    own = outlines.outline[outlines.index("rectangle")]
    width, depth = own.max(axis=0) - own.min(axis=0)
    look = plates.finish.copy()
    # Grass, cover and creases belong to the panel's edge and its own plane.
    for name in ("blades", "cover_radius", "fold", "ragged", "dome"):
        look[:, COLUMN[name]] = 0.0
    return rows(
        Plates,
        count,
        picture=plates.picture,
        owner=plates.owner,
        order=plates.order + 1e-7,
        origin=plates.origin + at + middle[:, :1] * right + middle[:, 1:] * up,
        along=right * (2 * half[:, :1] / width),
        up=up * (2 * half[:, 1:] / depth),
        shape=outlines.index("rectangle"),
        albedo=plates.mark_albedo,
        finish=look,
    )


def sample_marks(
    rng: np.random.Generator,
    mark: Index,
    names: tuple[str, ...],
    look: PanelLookSettings,
    mission: Mission,
    typefaces: Typefaces,
) -> dict[str, NDArray]:
    """Faces for marks [N] (indices into ``names``): glyph [N], rim [N, R, 2] and grow [N].

    Families are drawn evenly, then a face of the family, so that large families do not prevail.
    """
    atlas = mark_atlas()
    faces = atlas.faces(typefaces)
    weight = 1 / np.bincount(atlas.family[faces])[atlas.family[faces]]
    face = faces[rng.choice(len(faces), len(mark), p=weight / weight.sum())]
    number = np.array([MARKS.index(name) for name in names])[mark]
    stroke = atlas.stroke[face, number]
    low, high = look.stroke_share
    wanted = rng.uniform(
        max(low, mission.panels.stroke_share_min), max(high, mission.panels.stroke_share_min), len(mark)
    )
    # Move part of the way from the face's own weight, so that light and black faces both remain; but never too thin.
    grow = np.clip((wanted - stroke) / 2 * rng.uniform(0, 1, len(mark)), *_GROW)
    least = (max(low, mission.panels.stroke_share_min) - stroke) / 2
    return {
        "glyph": face * len(MARKS) + number,
        "rim": atlas.rim[face, number],
        "grow": np.maximum(grow, np.minimum(least, 0.08)),
    }


def _mark_place(
    rng: np.random.Generator,
    outlines: OutlineAtlas,
    shape: Index,
    rim: Array,
    turn: Array,
    look: PanelLookSettings,
    least: float,
    barred: bool,
) -> tuple[Array, Array]:
    low, high = max(look.mark_share[0], least), max(look.mark_share[1], least)
    wanted, lift = rng.uniform(low, high, len(shape)), 0.0
    if barred:  # mark and bar together are what has to find room
        lift = (BAR_GAP + BAR_THICKNESS) / 2
        rim = np.concatenate([rim, _bar_corners(rim)], axis=1) + np.array([0.0, lift])
    at, height = place_marks(outlines, shape, rim, turn, wanted)
    at = at + (lift * height)[:, None] * np.stack([np.sin(turn), np.cos(turn)], axis=1)
    # Nobody paints quite centred; small marks wander more.
    return at + rng.normal(0, 0.012, at.shape), height


def sample_finish(rng: np.random.Generator, count: int, look: PanelLookSettings, size_m: Array) -> Array:
    """Dirt, folds, gloss, grass … of ``count`` plates of a size [m]: the ``finish`` columns."""

    def some(share: float) -> Array:
        return (rng.random(count) < share).astype(float)

    def upto(most: float, power: float = 2.0) -> Array:
        return most * rng.random(count) ** power

    angle = rng.uniform(0, 2 * np.pi, count)
    radius = rng.uniform(0.1, 0.32, count)
    covered = some(look.cover_share)
    away = rng.uniform(0.2, 0.5, count)
    return finish(
        count,
        dirt=upto(look.dirt),
        fade=upto(look.fade),
        fold=some(look.fold_share) * rng.uniform(0.05, 0.3, count),
        fold_period=rng.choice([0.25, 1 / 3, 0.5, 1.0], count) * rng.uniform(0.9, 1.1, count),
        fold_angle=rng.choice([0, np.pi / 2], count) + rng.normal(0, 0.05, count),
        fold_phase=rng.random(count),
        wrinkle=upto(look.wrinkle),
        gloss=some(0.4) * upto(look.gloss, 1.0),
        gloss_u=rng.uniform(-0.6, 0.6, count),
        gloss_v=rng.uniform(-0.6, 0.6, count),
        gloss_width=rng.uniform(0.15, 0.7, count),
        veil=upto(0.05),
        speckle=upto(0.12),
        ragged=some(0.3) * upto(0.012),
        blades=some(look.blades_share) * rng.uniform(0.02, 0.09, count),
        cover_u=away * np.cos(angle),
        cover_v=away * np.sin(angle),
        cover_radius=covered * radius,
        wear=upto(0.25, 3.0),
        noise_u=rng.random(count),
        noise_v=rng.random(count),
    )


def _tape(rng: np.random.Generator, plates: Plates, look: PanelLookSettings, outlines: OutlineAtlas) -> Plates:
    """Strips of tape over the rim of some panels."""
    chosen = np.flatnonzero(rng.random(len(plates.picture)) < look.tape_share)
    chosen = np.repeat(chosen, rng.integers(1, 4, len(chosen)))
    count = len(chosen)
    if not count:
        return rows(Plates, 0)
    corner = np.array([outlines.outline[s][rng.integers(len(outlines.outline[s]))] for s in plates.shape[chosen]])
    corner = corner * rng.uniform(0.75, 0.98, (count, 1))
    origin = plates.origin[chosen] + corner[:, :1] * plates.along[chosen] + corner[:, 1:] * plates.up[chosen]
    turn = rng.uniform(0, 2 * np.pi, count)
    along, up = flat_axes(turn, np.zeros(count), np.zeros(count))
    length = rng.uniform(0.08, 0.22, count)[:, None]
    grey = np.array([0.75, 0.35, 0.06, 0.3, 0.5])[rng.integers(0, 5, count)][:, None]
    return rows(
        Plates,
        count,
        picture=plates.picture[chosen],
        owner=plates.owner[chosen],
        order=plates.order[chosen] + 3e-7,
        origin=origin,
        along=along * length,
        up=up * length * rng.uniform(0.5, 0.9, (count, 1)),
        shape=outlines.index("rectangle"),
        albedo=grey * rng.uniform(0.8, 1.1, (count, 3)),
        finish=finish(count, gloss=0.1, gloss_width=0.3, wrinkle=0.2, noise_u=rng.random(count)),
    )


def _weights(rng: np.random.Generator, plates: Plates, look: PanelLookSettings) -> Limbs:
    """Stones or pegs on the rim of some panels."""
    chosen = np.flatnonzero(rng.random(len(plates.picture)) < look.weight_share)
    chosen = np.repeat(chosen, rng.integers(2, 5, len(chosen)))
    count = len(chosen)
    angle = rng.uniform(0, 2 * np.pi, count)
    reach = rng.uniform(0.36, 0.5, count)
    at = plates.origin[chosen] + reach[:, None] * (
        np.cos(angle)[:, None] * plates.along[chosen] + np.sin(angle)[:, None] * plates.up[chosen]
    )
    radius = rng.uniform(0.015, 0.06, count)
    at = at + radius[:, None] * np.array([0.0, 0.0, 0.6])
    other = at + rng.normal(0, 0.6, (count, 3)) * radius[:, None] * np.array([1, 1, 0.1])
    return rows(
        Limbs,
        count,
        picture=plates.picture[chosen],
        order=plates.order[chosen] + 5e-7,
        ends=np.stack([at, other], axis=1),
        radii_m=np.stack([radius, radius * 0.8], axis=1),
        albedo=np.exp(rng.normal(np.log(0.22), 0.5, (count, 1))).clip(0.03, 0.7) * rng.uniform(0.85, 1.1, (count, 3)),
        grain=0.3,
    )
