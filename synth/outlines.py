"""Outlines of flat things as signed distance fields, and the room that a mark finds inside them.

A field is negative inside, in units of the larger side of the shape's bounding box, in the shape's own plane (x right,
y up, origin at the area centroid), on a square of CELL x CELL samples that spans -SPAN..SPAN; row 0 is at the top.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mission.vocabulary import SHAPES, Vocabulary

Array = NDArray[Any]
CELL, SPAN = 128, 0.75
# A mark keeps this distance from the edge of its shape.
_MARGIN = 0.015
_FINEST = 0.86  # each trial size of a mark is this share of the one before
_TRIALS, _TRIED_TOGETHER = 14, 3


@dataclass(frozen=True)
class OutlineAtlas:
    """Fields of the mission's shapes (first, in the vocabulary's order) and of the other known ones.

    ``field`` float32 [S, CELL, CELL], ``names`` of all, ``outline`` polygon of each, ``pole`` [S, 2] the point furthest
    from the edge.
    """

    names: tuple[str, ...]
    outline: tuple[Array, ...]
    field: NDArray[np.float32]
    pole: Array

    def index(self, name: str) -> int:
        """Place of a shape in the atlas."""
        return self.names.index(name)

    def mosaic(self) -> NDArray[np.float32]:
        """All fields side by side: [CELL, S * CELL]."""
        return np.concatenate(list(self.field), axis=1)

    def distance(self, shape: NDArray[np.int64], points: Array) -> Array:
        """Signed distance at points [N, ..., 2] of shapes [N], read off the nearest sample."""
        cell = np.clip(((points + SPAN) / (2 * SPAN) * CELL).astype(np.int64), 0, CELL - 1)
        which = shape.reshape(-1, *([1] * (points.ndim - 2)))
        return self.field[which, CELL - 1 - cell[..., 1], cell[..., 0]]


def polygon_distance(polygon: Array, points: Array) -> Array:
    """Signed distance [N] of points [N, 2] to a simple polygon [V, 2], negative inside (even-odd rule)."""
    start, end = polygon, np.roll(polygon, -1, axis=0)
    edge = end - start
    to_point = points[:, None] - start
    along = np.clip((to_point * edge).sum(-1) / (edge * edge).sum(-1), 0, 1)
    nearest = np.linalg.norm(to_point - along[..., None] * edge, axis=-1).min(axis=1)
    y = points[:, None, 1]
    crosses = (start[:, 1] <= y) != (end[:, 1] <= y)
    rise = np.where(edge[:, 1] == 0, 1.0, edge[:, 1])
    x_there = start[:, 0] + (y - start[:, 1]) / rise * edge[:, 0]
    inside = (crosses & (points[:, None, 0] < x_there)).sum(axis=1) % 2 == 1
    return np.where(inside, -nearest, nearest)


def outline_atlas(vocabulary: Vocabulary) -> OutlineAtlas:
    """The atlas of a mission's shapes."""
    return _atlas(vocabulary.shapes, _frozen(vocabulary.extra_outlines))


def _frozen(
    extra: Mapping[str, tuple[tuple[float, float], ...]],
) -> tuple[tuple[str, tuple[tuple[float, float], ...]], ...]:
    return tuple(sorted((name, tuple(map(tuple, points))) for name, points in extra.items()))  # type: ignore[misc]


@lru_cache(maxsize=8)
def _atlas(shapes: tuple[str, ...], extra: tuple[tuple[str, tuple[tuple[float, float], ...]], ...]) -> OutlineAtlas:
    names = (*shapes, *(name for name in SHAPES if name not in shapes))
    vocabulary = Vocabulary(shapes, extra_outlines=dict(extra))
    outlines = tuple(np.asarray(vocabulary.outline(name), dtype=float) for name in names)
    steps = (np.arange(CELL) + 0.5) / CELL * 2 * SPAN - SPAN
    grid = np.stack(np.meshgrid(steps, -steps), axis=-1).reshape(-1, 2)
    fields = np.stack([polygon_distance(o, grid).reshape(CELL, CELL) for o in outlines])
    poles = np.stack([_pole(field, grid) for field in fields])
    return OutlineAtlas(names, outlines, fields.astype(np.float32), poles)


def _pole(field: Array, grid: Array) -> Array:
    deep = grid[(field <= field.min() + 0.004).reshape(-1)]
    # A whole line of points may be equally far from the edge (rectangle): take the one nearest to the centroid.
    return deep[np.linalg.norm(deep, axis=1).argmin()]


def place_marks(
    atlas: OutlineAtlas,
    shape: NDArray[np.int64],
    rim: Array,
    turn_rad: Array,
    height: Array,
) -> tuple[Array, Array]:
    """Where marks go in their shapes: centres [N, 2] and heights [N], in units of the shape's larger side.

    ``rim`` [N, R, 2] outermost ink points of each mark at height 1, ``turn_rad`` [N] clockwise turn of the mark in the
    shape, ``height`` [N] the height asked for. A mark that does not fit shrinks and moves towards the roomiest place.
    """
    c, s = np.cos(turn_rad)[:, None], np.sin(turn_rad)[:, None]
    turned = np.stack([rim[..., 0] * c + rim[..., 1] * s, rim[..., 1] * c - rim[..., 0] * s], axis=-1)
    scale = height[:, None] * _FINEST ** np.arange(_TRIALS)  # [N, T]
    pole = atlas.pole[shape]
    centres = np.stack([np.zeros_like(pole), 0.5 * pole, pole], axis=1)  # [N, 3, 2]
    best = np.full(len(shape), 3 * _TRIALS - 1)  # the last, if none fits
    left = np.arange(len(shape))
    # Most fit as large as they are asked for, or nearly: only the others are tried smaller.
    for first in range(0, _TRIALS, _TRIED_TOGETHER):
        some = scale[left, first : first + _TRIED_TOGETHER]
        # [N, T, 3, R, 2]
        points = centres[left, None, :, None] + some[:, :, None, None, None] * turned[left, None, None]
        fits = (atlas.distance(shape[left], points) < -_MARGIN).all(axis=-1)
        fits = fits.reshape(len(left), 3 * some.shape[1])
        found = fits.any(axis=1)
        best[left[found]] = 3 * first + fits[found].argmax(axis=1)
        left = left[~found]
    row = np.arange(len(shape))
    return centres[row, best % 3], scale[row, best // 3]
