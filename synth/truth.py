"""Exact truth of drawn pictures: outlines, boxes, and the share of each target that can be seen."""

from __future__ import annotations

from collections.abc import Sequence
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
    polygons: list[tuple[Array, ...]] = [()] * count
    _panels(layout, views, outlines, boxes, area, turn, polygons)
    _persons(layout, views, boxes, area, polygons, with_outlines)
    height, width = views.size_px
    with np.errstate(invalid="ignore"):
        touches = (boxes[:, 0] < width) & (boxes[:, 1] < height) & (boxes[:, 2] > 0) & (boxes[:, 3] > 0)
        cut = touches & ((boxes[:, :2] < 0).any(axis=1) | (boxes[:, 2] > width) | (boxes[:, 3] > height))
    for i in np.flatnonzero(cut):
        boxes[i] = _box_inside(polygons[i] or _bodies(layout, views, int(i)), width, height)
    with np.errstate(invalid="ignore"):
        shown = touches & (boxes[:, 2] - boxes[:, 0] > 0.5) & (boxes[:, 3] - boxes[:, 1] > 0.5)
    row = np.flatnonzero(shown)
    return TargetTruth(
        row,
        layout.targets.picture[row],
        boxes[row],
        area[row],
        tuple(polygons[i] for i in row) if with_outlines else (),
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


def _box_inside(rings: Sequence[Array], width: int, height: int) -> Array:
    """Box of the parts of polygons that lie in the picture; NaN where there are none."""
    start = np.concatenate(rings)
    step = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings]) - start
    points = [start]
    # What bounds the part inside are corners in the picture and places where edges cross its border.
    for axis, limit in ((0, 0.0), (0, float(width)), (1, 0.0), (1, float(height))):
        with np.errstate(divide="ignore", invalid="ignore"):
            share = (limit - start[:, axis]) / step[:, axis]
        crosses = (share >= 0) & (share <= 1)
        points.append(start[crosses] + share[crosses, None] * step[crosses])
    found = np.concatenate(points)
    found = found[((found > -1e-6) & (found < np.array([width, height]) + 1e-6)).all(axis=1)]
    if not len(found):
        return np.full(4, np.nan)
    found = np.clip(found, 0, [width, height])
    return np.concatenate([found.min(axis=0), found.max(axis=0)])


def _bodies(layout: Layout, views: Views, target: int) -> tuple[Array, ...]:
    """Outlines of one person's limbs."""
    limbs = take(layout.limbs, layout.limbs.owner == target)
    ends = views.project(limbs.ends, limbs.picture)
    radii = limbs.radii_m * np.stack([views.px_per_m(limbs.ends[:, i], limbs.picture) for i in (0, 1)], axis=1)
    return tuple(capsule_outlines(ends, radii))


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
    body = np.flatnonzero((layout.plates.owner >= 0) & (layout.plates.glyph >= 0))
    plates = take(layout.plates, body)
    longest = max(len(o) for o in outlines.outline)
    padded = np.stack([np.concatenate([o, np.repeat(o[-1:], longest - len(o), axis=0)]) for o in outlines.outline])
    plane = padded[plates.shape]
    world = plates.origin[:, None] + plane[..., :1] * plates.along[:, None] + plane[..., 1:] * plates.up[:, None]
    px = views.project(world, plates.picture)
    return body, [p[: len(outlines.outline[s])] for p, s in zip(px, plates.shape)]


def _panels(
    layout: Layout,
    views: Views,
    outlines: OutlineAtlas,
    boxes: Array,
    area: Array,
    turn: Array,
    polygons: list[tuple[Array, ...]],
) -> None:
    body, outline = panel_polygons(layout, views, outlines)
    if not len(body):
        return
    plates = take(layout.plates, body)
    owner = plates.owner
    for i, polygon in zip(owner, outline):
        boxes[i] = np.concatenate([polygon.min(axis=0), polygon.max(axis=0)])
        x, y = polygon[:, 0], polygon[:, 1]
        area[i] = 0.5 * abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))
        polygons[i] = (polygon,)
    # Upright of the mark: from its middle a short step along its own y axis.
    step = 0.1 * np.stack([np.sin(plates.mark_turn), np.cos(plates.mark_turn)], axis=1)
    plane = np.stack([plates.mark_at, plates.mark_at + step], axis=1)
    world = plates.origin[:, None] + plane[..., :1] * plates.along[:, None] + plane[..., 1:] * plates.up[:, None]
    px = views.project(world, plates.picture)
    rise = px[:, 1] - px[:, 0]
    turn[owner] = np.degrees(np.arctan2(rise[:, 0], -rise[:, 1])) % 360.0


def _persons(
    layout: Layout,
    views: Views,
    boxes: Array,
    area: Array,
    polygons: list[tuple[Array, ...]],
    with_outlines: bool,
) -> None:
    limbs = take(layout.limbs, layout.limbs.owner >= 0)
    if not len(limbs.owner):
        return
    ends = views.project(limbs.ends, limbs.picture)
    radii = limbs.radii_m * np.stack([views.px_per_m(limbs.ends[:, i], limbs.picture) for i in (0, 1)], axis=1)
    low, high = (ends - radii[..., None]).min(axis=1), (ends + radii[..., None]).max(axis=1)
    people, which = np.unique(limbs.owner, return_inverse=True)
    least, most = np.full((len(people), 2), np.inf), np.full((len(people), 2), -np.inf)
    np.minimum.at(least, which, low)
    np.maximum.at(most, which, high)
    boxes[people] = np.concatenate([least, most], axis=1)
    area[people] = _union_area(ends, radii, which, least, most)
    if with_outlines:
        for k, i in enumerate(people):
            rows = np.flatnonzero(which == k)
            polygons[i] = tuple(capsule_outlines(ends[rows], radii[rows]))


def _union_area(ends: Array, radii: Array, which: Index, least: Array, most: Array) -> Array:
    """Area [px^2] of unions of capsules, counted on a grid over each person's box."""
    steps = ((np.arange(_GRID) + 0.5) / _GRID).astype(np.float32)
    low, size = least[which].astype(np.float32), (most - least)[which].astype(np.float32)
    x = low[:, :1] + size[:, :1] * np.tile(steps, _GRID)
    y = low[:, 1:] + size[:, 1:] * np.repeat(steps, _GRID)
    start, axis = ends[:, 0].astype(np.float32), (ends[:, 1] - ends[:, 0]).astype(np.float32)
    x, y = x - start[:, :1], y - start[:, 1:]
    length2 = np.maximum((axis**2).sum(axis=1, keepdims=True), 1e-6)
    share = np.clip((x * axis[:, :1] + y * axis[:, 1:]) / length2, 0, 1)
    x, y = x - share * axis[:, :1], y - share * axis[:, 1:]
    radius = radii[:, :1].astype(np.float32) + share * (radii[:, 1:] - radii[:, :1]).astype(np.float32)
    inside = x * x + y * y <= radius * radius
    order = np.argsort(which, kind="stable")
    first = np.searchsorted(which[order], np.arange(len(least)))
    covered = np.logical_or.reduceat(inside[order], first, axis=0)
    return covered.mean(axis=1) * (most - least).prod(axis=1)


def capsule_outlines(ends: Array, radii: Array, steps: int = 8) -> Array:
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
