"""Exact truth of drawn pictures: outlines, boxes, and the share of each target that can be seen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray

from mission.camera import View
from synth.at_once import at_once
from synth.other_things import part_boxes
from synth.outlines import OutlineAtlas
from synth.projection import Views, frame_views
from synth.scene import Array, Index, Layout, take

_GRID = 22
_LEAST_OTHER_PX = 4.0
# Parts of bodies worked on together.
_AT_A_TIME = 48
# Corners on either end of the outline of a part of a body.
_CAPSULE_STEPS = 8


@dataclass(frozen=True)
class TargetTruth:
    """Targets that reach into their picture. ``row`` into the layout's targets; ``outline_px`` polygons of each.

    ``box_px`` [N, 4] (x0, y0, x1, y1) of the part inside the picture, ``area_px2`` of the whole target, ``mark_turn_deg`` [N] the
    mark's upright in the picture, clockwise from image up (NaN for persons).
    """

    row: Index
    picture: Index
    box_px: Array
    area_px2: Array
    outline_px: tuple[tuple[Array, ...], ...]
    mark_turn_deg: Array


def target_truth(layout: Layout, views: Views, outlines: OutlineAtlas, *, with_outlines: bool = False) -> TargetTruth:
    """Boxes, areas and turns of every target that touches its picture."""
    count = len(layout.targets.picture)
    boxes = np.full((count, 4), np.nan)
    area, turn = np.zeros(count), np.full(count, np.nan)
    rings = [
        _panels(layout, views, outlines, boxes, area, turn),
        _persons(layout, views, boxes, area),
    ]
    height, width = views.size_px
    with np.errstate(invalid="ignore"):
        touches = (boxes[:, 0] < width) & (boxes[:, 1] < height) & (boxes[:, 2] > 0) & (boxes[:, 3] > 0)
        cut = touches & ((boxes[:, :2] < 0).any(axis=1) | (boxes[:, 2] > width) | (boxes[:, 3] > height))
    _cut_off(boxes, cut, rings, width, height)
    with np.errstate(invalid="ignore"):
        shown = touches & (boxes[:, 2] - boxes[:, 0] > 0.5) & (boxes[:, 3] - boxes[:, 1] > 0.5)
    row = np.flatnonzero(shown)
    return TargetTruth(
        row,
        layout.targets.picture[row],
        boxes[row],
        area[row],
        _outlines_of(row, rings) if with_outlines else (),
        turn[row],
    )


def other_boxes(decoys: Layout, view: View, outlines: OutlineAtlas) -> tuple[Index, Array]:
    """Things that are no target in one frame: their numbers [N] and boxes [N, 4] (x0, y0, x1, y1) inside it.

    ``decoys`` numbers its things by ``picture``. Boxes hold all parts of a thing, whatever covers it, without its shadow; what is
    smaller than _LEAST_OTHER_PX in the frame is left out.
    """
    count = int(max((t.picture.max(initial=-1) for t in (decoys.plates, decoys.limbs, decoys.facets)), default=-1)) + 1
    if not count:
        return np.zeros(0, dtype=np.int64), np.zeros((0, 4))
    views = frame_views([view] * count)
    number, part = part_boxes(decoys, views, outlines)
    box = np.concatenate([np.full((count, 2), np.inf), np.full((count, 2), -np.inf)], axis=1)
    np.minimum.at(box[:, :2], number, part[:, :2])
    np.maximum.at(box[:, 2:], number, part[:, 2:])
    height, width = views.size_px
    box = box.clip(0, [width, height, width, height])
    shown = np.flatnonzero((box[:, 2:] - box[:, :2]).min(axis=1) >= _LEAST_OTHER_PX)
    return shown, box[shown]


@dataclass(frozen=True)
class _Rings:
    """Outlines of the panels, or of the parts of the persons: polygons [N, V, 2] of targets ``owner`` [N], of which the first
    ``corners`` [N] count and the others repeat the last. ``make`` draws those of the rows asked for."""

    owner: Index
    make: Callable[[Index], Array]
    corners: Index


def _outlines_of(targets: Index, rings: Sequence[_Rings]) -> tuple[tuple[Array, ...], ...]:
    """Outlines of each of the targets."""
    found: dict[int, list[Array]] = {int(target): [] for target in targets}
    for some in rings:
        rows = np.flatnonzero(np.isin(some.owner, targets))
        for ring, owner, count in zip(some.make(rows), some.owner[rows], some.corners[rows], strict=True):
            found[int(owner)].append(ring[:count])
    return tuple(tuple(outlines) for outlines in found.values())


def _cut_off(boxes: Array, cut: NDArray[np.bool_], rings: Sequence[_Rings], width: int, height: int) -> None:
    """Put the boxes of what lies in the picture in the place of those of the targets that are ``cut``; NaN where nothing does."""
    least, most = np.full((len(cut), 2), np.inf), np.full((len(cut), 2), -np.inf)
    for some in rings:
        rows = np.flatnonzero(cut[some.owner])
        if len(rows):
            low, high = _ends_inside(some.make(rows), width, height)
            np.minimum.at(least, some.owner[rows], low)
            np.maximum.at(most, some.owner[rows], high)
    found = np.concatenate([least, most], axis=1)[cut]
    boxes[cut] = np.where(np.isfinite(found), found, np.nan)


def _ends_inside(rings: Array, width: int, height: int) -> tuple[Array, Array]:
    """Least and most x and y [N, 2] of the parts of polygons [N, V, 2] in the picture; inf, -inf where there are none."""
    # Each edge is cut off at the picture (Liang & Barsky, ACM Transactions on Graphics 3(1), 1984); x and y apart, since numpy
    # is slow along short axes.
    enters, leaves = np.zeros(rings.shape[:2]), np.ones(rings.shape[:2])
    sides = []
    with np.errstate(over="ignore"):
        for axis, limit in ((0, float(width)), (1, float(height))):
            start = np.ascontiguousarray(rings[..., axis])
            step = np.roll(start, -1, axis=1) - start
            step[step == 0] = 1e-300
            one, other = -start / step, (limit - start) / step
            np.maximum(enters, np.minimum(one, other), out=enters)
            np.minimum(leaves, np.maximum(one, other), out=leaves)
            sides.append((start, step, limit))
    there = enters <= leaves
    least, most = np.empty((len(rings), 2)), np.empty((len(rings), 2))
    for axis, (start, step, limit) in enumerate(sides):
        # Where an edge does not touch the picture its shares may be endless.
        ends = [start + np.where(there, share, 0.0) * step for share in (enters, leaves)]
        least[:, axis] = np.where(there, np.minimum(*ends).clip(0, limit), np.inf).min(axis=1)
        most[:, axis] = np.where(there, np.maximum(*ends).clip(0, limit), -np.inf).max(axis=1)
    return least, most


def clipped(polygon: Array, width: int, height: int) -> Array:
    """A polygon [V, 2] cut off at the frame (Sutherland & Hodgman, Communications of the ACM 17(1), 1974)."""
    for axis, limit, sign in ((0, 0.0, 1.0), (0, float(width), -1.0), (1, 0.0, 1.0), (1, float(height), -1.0)):
        if not len(polygon):
            return polygon
        inside = sign * (polygon[:, axis] - limit) >= 0
        if inside.all():
            continue
        kept = []
        for i in range(len(polygon)):
            here, there = polygon[i - 1], polygon[i]
            if inside[i - 1] != inside[i]:
                share = (limit - here[axis]) / (there[axis] - here[axis])
                kept.append(here + share * (there - here))
            if inside[i]:
                kept.append(there)
        polygon = np.array(kept).reshape(-1, 2)
    return polygon


def panel_polygons(layout: Layout, views: Views, outlines: OutlineAtlas) -> tuple[Index, list[Array]]:
    """Plate rows of the panels and their outlines in pixels, each vertex projected through the whole camera."""
    body, px, corners = _padded_polygons(layout, views, outlines)
    return body, [p[:count] for p, count in zip(px, corners, strict=True)]


def _padded_polygons(layout: Layout, views: Views, outlines: OutlineAtlas) -> tuple[Index, Array, Index]:
    """Plate rows of the panels, their outlines [N, V, 2] filled up with the last corner, and how many corners count."""
    body = np.flatnonzero((layout.plates.owner >= 0) & (layout.plates.glyph >= 0))
    plates = take(layout.plates, body)
    longest = max(len(o) for o in outlines.outline)
    padded = np.stack([np.concatenate([o, np.repeat(o[-1:], longest - len(o), axis=0)]) for o in outlines.outline])
    plane = padded[plates.shape]
    world = plates.origin[:, None] + plane[..., :1] * plates.along[:, None] + plane[..., 1:] * plates.up[:, None]
    corners = np.array([len(o) for o in outlines.outline])[plates.shape]
    return body, views.project(world, plates.picture), corners


def _panels(layout: Layout, views: Views, outlines: OutlineAtlas, boxes: Array, area: Array, turn: Array) -> _Rings:
    body, px, corners = _padded_polygons(layout, views, outlines)
    plates = take(layout.plates, body)
    owner, polygons = plates.owner, px
    rings = _Rings(owner, lambda rows: polygons[rows], corners)
    if not len(body):
        return rings
    boxes[owner] = np.concatenate([px.min(axis=1), px.max(axis=1)], axis=1)
    x, y = px[..., 0], px[..., 1]
    area[owner] = 0.5 * np.abs((x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1))
    # Upright of the mark: from its middle a short step along its own y axis.
    step = 0.1 * np.stack([np.sin(plates.mark_turn), np.cos(plates.mark_turn)], axis=1)
    plane = np.stack([plates.mark_at, plates.mark_at + step], axis=1)
    world = plates.origin[:, None] + plane[..., :1] * plates.along[:, None] + plane[..., 1:] * plates.up[:, None]
    px = views.project(world, plates.picture)
    rise = px[:, 1] - px[:, 0]
    turn[owner] = np.degrees(np.arctan2(rise[:, 0], -rise[:, 1])) % 360.0
    return rings


def _persons(layout: Layout, views: Views, boxes: Array, area: Array) -> _Rings:
    limbs = take(layout.limbs, layout.limbs.owner >= 0)
    ends = views.project(limbs.ends, limbs.picture)
    radii = limbs.radii_m * np.stack([views.px_per_m(limbs.ends[:, i], limbs.picture) for i in (0, 1)], axis=1)
    corners = np.full(len(limbs.owner), 2 * _CAPSULE_STEPS)
    rings = _Rings(limbs.owner, lambda rows: capsule_outlines(ends[rows], radii[rows]), corners)
    if not len(limbs.owner):
        return rings
    low, high = (ends - radii[..., None]).min(axis=1), (ends + radii[..., None]).max(axis=1)
    people, which = np.unique(limbs.owner, return_inverse=True)
    least, most = np.full((len(people), 2), np.inf), np.full((len(people), 2), -np.inf)
    np.minimum.at(least, which, low)
    np.maximum.at(most, which, high)
    boxes[people] = np.concatenate([least, most], axis=1)
    area[people] = _union_area(ends, radii, which, least, most)
    return rings


def _union_area(ends: Array, radii: Array, which: Index, least: Array, most: Array) -> Array:
    """Area [px^2] of unions of capsules, counted on a grid over each person's box."""
    low, size = least[which].astype(np.float32), (most - least)[which].astype(np.float32)
    start, axis = ends[:, 0].astype(np.float32) - low, (ends[:, 1] - ends[:, 0]).astype(np.float32)
    radii = radii.astype(np.float32)
    inside = np.empty((len(which), _GRID, _GRID), dtype=bool)
    # So many at a time that what is worked on stays in the cache.
    for first in range(0, len(which), _AT_A_TIME):
        part = slice(first, first + _AT_A_TIME)
        inside[part] = _inside_capsules(start[part], axis[part], radii[part], size[part])
    inside = inside.reshape(len(which), -1)
    order = np.argsort(which, kind="stable")
    first = np.searchsorted(which[order], np.arange(len(least)))
    covered = np.logical_or.reduceat(inside[order], first, axis=0)
    return covered.mean(axis=1) * (most - least).prod(axis=1)


def _inside_capsules(start: Array, axis: Array, radii: Array, size: Array) -> NDArray[np.bool_]:
    """Which points of a grid over boxes of ``size`` lie in capsules, whose ``start`` counts from the box: [N, y, x]."""
    steps = ((np.arange(_GRID) + 0.5) / _GRID).astype(np.float32)
    x = (size[:, :1] * steps - start[:, :1])[:, None, :]
    y = (size[:, 1:] * steps - start[:, 1:])[:, :, None]
    along, across, first = axis[:, :1, None], axis[:, 1:, None], radii[:, :1, None]
    length2 = np.maximum(along * along + across * across, np.float32(1e-6))
    share = x * (along / length2) + y * (across / length2)
    np.clip(share, 0, 1, out=share)
    dx, dy = x - share * along, y - share * across
    radius = share
    radius *= radii[:, 1:, None] - first
    radius += first
    dx *= dx
    dy *= dy
    radius *= radius
    dx += dy
    return dx <= radius


def capsule_outlines(ends: Array, radii: Array, steps: int = _CAPSULE_STEPS) -> Array:
    """Polygons [N, 2 steps, 2] around two discs (x, y) [N, 2, 2] of radii [N, 2] and what lies between them."""
    axis = ends[:, 1] - ends[:, 0]
    length = np.hypot(axis[:, 0], axis[:, 1])
    swallowed = length <= np.abs(radii[:, 0] - radii[:, 1]) + 1e-9
    big = np.where(swallowed, radii.argmax(axis=1), 1)
    row = np.arange(len(ends))
    heading = np.arctan2(axis[:, 1], axis[:, 0])
    # The common tangents touch both discs at this angle from the axis; one disc alone is gone round in two halves.
    touch = np.arccos(np.clip((radii[:, 0] - radii[:, 1]) / np.maximum(length, 1e-9), -1, 1))
    touch = np.where(swallowed, np.pi / 2, touch)[:, None]
    share = np.linspace(0, 1, steps)
    front = heading[:, None] - touch + 2 * touch * share
    back = heading[:, None] + touch + 2 * (np.pi - touch) * share
    rings = []
    for which, angle in ((big, front), (np.where(swallowed, big, 0), back)):
        centre, radius = ends[row, which], radii[row, which]
        rings.append(centre[:, None] + radius[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=2))
    return np.concatenate(rings, axis=1)


def visible_share(owner: torch.Tensor, truth: TargetTruth, targets: int) -> NDArray[np.float64]:
    """Share [N] of each target's whole area that is in the picture and not covered."""
    if not len(truth.row):
        return np.zeros(0)
    if not at_once(owner.device):
        # Only the pixels of each target's box need to be looked at.
        pixels = owner.numpy()
        counted = np.zeros(len(truth.row))
        for k, (row, picture, box) in enumerate(zip(truth.row, truth.picture, truth.box_px)):
            (x0, y0), (x1, y1) = np.floor(box[:2]).astype(int), np.ceil(box[2:]).astype(int)
            counted[k] = np.count_nonzero(pixels[picture, max(y0 - 1, 0) : y1 + 1, max(x0 - 1, 0) : x1 + 1] == row)
        return np.clip(counted / np.maximum(truth.area_px2, 1.0), 0.0, 1.0)
    counts = torch.bincount(owner.view(-1) + 1, minlength=targets + 1)[1:].cpu().numpy()
    return np.clip(counts[truth.row] / np.maximum(truth.area_px2, 1.0), 0.0, 1.0)
