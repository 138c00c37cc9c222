"""What lies on the ground: sampled first and frozen, drawn later.

A scene is a set of tables. Each row is one flat thing (a plate), one rounded part (a limb), one flat face of a solid (a
facet), one solid that throws a shadow (a block) or one target (a panel or a person); ``picture`` says in which picture of a
batch it lies (frames of one run share a layout: there it is 0). World coordinates are east-north-up metres about the run's
origin, the ground at u = 0. Colours are linear reflectances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Index = NDArray[Any]

#: Columns of ``Plates.finish`` with what 0 means, beside the strengths:
FINISH = (
    "dirt",  # soil and dust, patchy
    "fade",  # bleached towards a pale grey, patchy
    "fold", "fold_period", "fold_angle", "fold_phase",  # creases: strength, distance in units, direction [rad], 0..1
    "wrinkle",  # uneven turn to the sun
    "gloss", "gloss_u", "gloss_v", "gloss_width",  # glare of the sun: strength and place in the plane
    "veil",  # sky mirrored evenly
    "speckle",  # grain from pixel to pixel
    "ragged",  # uneven edge, in units
    "dome",  # bulges towards the viewer
    "blades",  # grass over the edge, in metres
    "cover_u", "cover_v", "cover_radius",  # a patch hidden under what lies there, in units
    "wear",  # paint gone from the mark
    "noise_u", "noise_v",  # which piece of the noise
)  # fmt: skip
COLUMN = {name: i for i, name in enumerate(FINISH)}


@dataclass(frozen=True)
class Plates:
    """Flat things. A shape's plane point (x, y) lies at ``origin + x * along + y * up``: one unit is its larger side."""

    picture: Index
    owner: Index
    """Row of the targets that it belongs to, -1 for none."""
    order: Array
    """What is drawn over what: higher comes later."""
    origin: Array
    along: Array
    up: Array
    shape: Index
    albedo: Array
    body: Array
    """1 a plate, 0 only its mark."""
    glyph: Index
    """Face * 36 + mark in the atlas of marks, -1 for none."""
    mark_at: Array
    mark_height: Array
    mark_turn: Array
    """Clockwise in the plane [rad]."""
    mark_grow: Array
    """Fattens the strokes, in units of the mark's height."""
    mark_albedo: Array
    thickness_m: Array
    finish: Array


@dataclass(frozen=True)
class Limbs:
    """Rounded parts: spheres of two radii and what lies between them. ``ends`` [N, 2, 3], ``radii_m`` [N, 2]."""

    picture: Index
    owner: Index
    order: Array
    ends: Array
    radii_m: Array
    albedo: Array
    grain: Array
    """Unevenness of the surface (cloth, bark)."""
    roundness: Array
    """1 round, less where flat cloth spans several parts."""
    casts: Array
    """How dark its shadow is, 0..1."""
    shown: Array
    """0 where only the shadow of the thing reaches the picture."""


@dataclass(frozen=True)
class Facets:
    """Convex faces of solids, ``corners`` [N, 8, 3] (the last corner repeated where there are fewer), normals outward."""

    picture: Index
    order: Array
    corners: Array
    normal: Array
    albedo: Array
    rounding_m: Array
    gloss: Array


@dataclass(frozen=True)
class Blocks:
    """Convex solids that throw a shadow on the ground: ``corners`` [N, 8, 3]."""

    picture: Index
    corners: Array
    darkness: Array


@dataclass(frozen=True)
class Targets:
    """Panels and persons. ``attributes`` are indices into the mission's vocabulary (-1 for persons)."""

    picture: Index
    category: Index
    ground: Array
    attributes: Index


Rows = TypeVar("Rows", Plates, Limbs, Facets, Blocks, Targets)


@dataclass(frozen=True)
class Layout:
    """Everything that lies on the ground of a batch of pictures, or of one run."""

    plates: Plates
    limbs: Limbs
    facets: Facets
    blocks: Blocks
    targets: Targets


_SHAPES: dict[type, dict[str, tuple[int, ...]]] = {
    Plates: {
        "origin": (3,), "along": (3,), "up": (3,), "albedo": (3,), "mark_at": (2,), "mark_albedo": (3,),
        "finish": (len(FINISH),),
    },
    Limbs: {"ends": (2, 3), "radii_m": (2,), "albedo": (3,)},
    Facets: {"corners": (8, 3), "normal": (3,), "albedo": (3,)},
    Blocks: {"corners": (8, 3)},
    Targets: {"ground": (3,), "attributes": (4,)},
}  # fmt: skip
_WHOLE = {"picture", "owner", "shape", "glyph", "category", "attributes"}
_DEFAULTS = {
    "owner": -1,
    "glyph": -1,
    "body": 1.0,
    "casts": 1.0,
    "shown": 1.0,
    "darkness": 1.0,
    "mark_height": 1.0,
    "rounding_m": 0.01,
}


def column(kind: type, name: str, count: int, value: Any = None) -> Array:
    """A column of a table with ``count`` rows: ``value`` for each row or once for all of them, None for the default."""
    shape = (count, *_SHAPES[kind].get(name, ()))
    given = np.asarray(_DEFAULTS.get(name, 0) if value is None else value)
    if given.shape == shape:
        return given
    whole = np.empty(shape, dtype=given.dtype)
    whole[...] = given
    return whole


def rows(kind: type[Rows], count: int, **given: Any) -> Rows:
    """A table of ``count`` rows; fields left out get their default (mostly 0), scalars are repeated."""
    if not (count or given):
        return _none(kind)
    filled: dict[str, Any] = {}
    for name, tail, dtype, default in _columns(kind):
        values = given.pop(name, default)
        array = np.asarray(values, dtype=dtype)
        if array.ndim == len(tail) or array.ndim == 0:
            array = np.empty((count, *tail), dtype=dtype)
            array[...] = values
        filled[name] = array
    if given:
        raise TypeError(f"{kind.__name__} has no {', '.join(given)}")
    return kind(**filled)


@cache
def _columns(kind: type) -> list[tuple[str, tuple[int, ...], type, float]]:
    """Name, shape of a row, type and default of each column of a kind of table."""
    return [
        (f.name, _SHAPES[kind].get(f.name, ()), np.int64 if f.name in _WHOLE else np.float64, _DEFAULTS.get(f.name, 0))
        for f in fields(kind)
    ]


@cache
def _none(kind: type) -> Any:
    return kind(
        **{f.name: column(kind, f.name, 0).astype(np.int64 if f.name in _WHOLE else np.float64) for f in fields(kind)}
    )


def join(kind: type[Rows], parts: Sequence[Rows]) -> Rows:
    """Tables one after the other."""
    parts = [part for part in parts if len(part.picture)]
    if len(parts) < 2:
        return parts[0] if parts else _none(kind)
    return kind(**{name: np.concatenate([getattr(part, name) for part in parts]) for name, *_ in _columns(kind)})


def take(table: Rows, which: Any) -> Rows:
    """The rows of a mask or of indices."""
    return type(table)(**{name: getattr(table, name)[which] for name, *_ in _columns(type(table))})


def finish(count: int, **columns: Any) -> Array:
    """A ``finish`` array [N, F] from named columns."""
    table = np.zeros((count, len(FINISH)))
    for name, values in columns.items():
        table[:, COLUMN[name]] = values
    return table


@cache
def empty_layout() -> Layout:
    """A layout with nothing in it."""
    return Layout(rows(Plates, 0), rows(Limbs, 0), rows(Facets, 0), rows(Blocks, 0), rows(Targets, 0))


def join_layouts(parts: Sequence[Layout]) -> Layout:
    """Layouts one after the other; owners keep counting."""
    first = 0
    plates, limbs = [], []
    for part in parts:
        plates.append(_moved(part.plates, first))
        limbs.append(_moved(part.limbs, first))
        first += len(part.targets.picture)
    return Layout(
        join(Plates, plates),
        join(Limbs, limbs),
        join(Facets, [part.facets for part in parts]),
        join(Blocks, [part.blocks for part in parts]),
        join(Targets, [part.targets for part in parts]),
    )


def in_picture(layout: Layout, number: int) -> Layout:
    """The same things, all in one picture."""
    tables = {f.name: getattr(layout, f.name) for f in fields(layout)}
    return Layout(**{name: replace(t, picture=np.full(len(t.picture), number)) for name, t in tables.items()})


def _moved(table: Rows, first: int) -> Rows:
    if not first:
        return table
    content = {f.name: getattr(table, f.name) for f in fields(table)}
    owner = content["owner"]
    return type(table)(**{**content, "owner": np.where(owner >= 0, owner + first, owner)})


def cross(a: Array, b: Array) -> Array:
    """Cross products [..., 3]; numpy's own takes several times as long for few vectors."""
    out = np.empty(np.broadcast_shapes(a.shape, b.shape))
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        out[..., k] = a[..., i] * b[..., j] - a[..., j] * b[..., i]
    return out


def flat_axes(turn_rad: Array, tilt_rad: Array, tilt_towards_rad: Array) -> tuple[Array, Array]:
    """Unit vectors (along, up) [N, 3] of planes lying on the ground.

    ``turn_rad`` is the heading of the plane's y axis, clockwise from north; the plane is then tilted by ``tilt_rad`` so that
    it rises towards the heading ``tilt_towards_rad``.
    """
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    zero = np.zeros_like(c)
    along, up = np.stack([c, -s, zero], axis=1), np.stack([s, c, zero], axis=1)
    rise = np.stack([np.sin(tilt_towards_rad), np.cos(tilt_towards_rad)], axis=1)
    for axis in (along, up):
        share = (axis[:, :2] * rise).sum(axis=1)
        axis[:, :2] += (share * (np.cos(tilt_rad) - 1))[:, None] * rise
        axis[:, 2] = share * np.sin(tilt_rad)
    return along, up
