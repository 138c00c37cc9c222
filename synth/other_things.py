"""What a detector may take for a panel and is none: decoys, people and bare ground, each with the box that it might report.

Chips around such things teach the second look. A detector's false box is loose: it holds the whole of a thing of a
panel's size, a part of a larger one, or plain ground.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synth.outlines import OutlineAtlas
from synth.projection import Views
from synth.scene import Array, Index, Layout

#: Number of the category in a ``ChipBatch``: neither panel (0) nor person (1). No detector ever sees it.
OTHER = 2
#: What lies in the middle of such a chip, by shares: a decoy, a person, nothing (of which nobody was ever sure).
KINDS_SHARE = (0.74, 0.13, 0.13)
# A box holds a thing whole where its longer side lies within these multiples of the smallest and the largest panel.
_WHOLE_FROM, _WHOLE_TO = 0.6, 1.5
# A thing that could be boxed whole is boxed by a part of it in this share of cases.
_PART_SHARE = 0.2


@dataclass(frozen=True)
class OtherBoxes:
    """``picture`` [N], ``box_px`` [N, 4] (x0, y0, x1, y1), clipped to the picture, and ``kind`` [N] (rows of DECOYS, -1 for
    bare ground)."""

    picture: Index
    box_px: Array
    kind: Index


def nothing() -> OtherBoxes:
    """No box at all."""
    none = np.zeros(0, dtype=np.int64)
    return OtherBoxes(none, np.zeros((0, 4)), none)


def part_boxes(layout: Layout, views: Views, outlines: OutlineAtlas) -> tuple[Index, Array]:
    """Pictures [N] and boxes [N, 4] in pixels of every plate, limb and facet of a layout."""
    plates, limbs, facets = layout.plates, layout.limbs, layout.facets
    low = np.array([o.min(axis=0) for o in outlines.outline]).reshape(-1, 2)[plates.shape]
    high = np.array([o.max(axis=0) for o in outlines.outline]).reshape(-1, 2)[plates.shape]
    # Where there is only a mark, its strokes bound it.
    bare, half = (plates.body == 0)[:, None], 0.5 * plates.mark_height[:, None]
    low, high = np.where(bare, plates.mark_at - half, low), np.where(bare, plates.mark_at + half, high)
    x = np.stack([low[:, 0], high[:, 0], high[:, 0], low[:, 0]], axis=1)[..., None]
    y = np.stack([low[:, 1], low[:, 1], high[:, 1], high[:, 1]], axis=1)[..., None]
    corners = plates.origin[:, None] + x * plates.along[:, None] + y * plates.up[:, None]
    flat = _bounds(views.project(corners, plates.picture))
    ends = views.project(limbs.ends, limbs.picture)
    px_per_m = np.stack([views.px_per_m(limbs.ends[:, i], limbs.picture) for i in (0, 1)], axis=1)
    reach = (limbs.radii_m * px_per_m)[..., None]
    round_ = np.concatenate([(ends - reach).min(axis=1), (ends + reach).max(axis=1)], axis=1)
    solid = _bounds(views.project(facets.corners, facets.picture))
    shown = limbs.shown > 0
    picture = np.concatenate([plates.picture, limbs.picture[shown], facets.picture])
    box = np.concatenate([flat, round_[shown], solid])
    seen = np.isfinite(box).all(axis=1)
    return picture[seen].astype(np.int64), box[seen]


def _bounds(pixels: Array) -> Array:
    return np.concatenate([pixels.min(axis=1), pixels.max(axis=1)], axis=1)


def false_boxes(
    rng: np.random.Generator,
    pictures: Index,
    kinds: Index,
    things: Layout,
    views: Views,
    outlines: OutlineAtlas,
    panel_px: tuple[Array, Array],
) -> OtherBoxes:
    """One box for each of ``pictures``: of its things where there are any, else of the ground near its middle.

    ``kinds``: what lies in each of ``pictures`` (rows of DECOYS, -1 for nothing). ``panel_px``: sides of the smallest and the
    largest panel [B] at the scale of each picture.
    """
    owner, part = part_boxes(things, views, outlines)
    height, width = views.size_px
    limit = np.array([width, height, width, height], dtype=float)
    middle = limit[:2] / 2
    found = []
    for picture in pictures:
        small, large = panel_px[0][picture], panel_px[1][picture]
        whole, side = None, float(np.exp(rng.uniform(np.log(small), np.log(large))))
        aim, chosen, in_part = middle + rng.normal(0, 0.06, 2) * limit[:2], rng.random(), rng.random() < _PART_SHARE
        mine = part[owner == picture]
        mine = mine[((mine[:, 2:] > 0) & (mine[:, :2] < limit[:2])).all(axis=1)]
        if len(mine):
            whole = np.concatenate([mine[:, :2].min(axis=0), mine[:, 2:].max(axis=0)])
            one = mine[int(chosen * len(mine))].clip(0, limit)
            aim = (one[:2] + one[2:]) / 2 + rng.normal(0, 0.2, 2) * side
        half = side * np.exp(rng.normal(0, 0.15, 2)) / 2
        box = np.concatenate([aim - half, aim + half])
        if whole is not None and not in_part:
            longer = (whole[2:] - whole[:2]).max()
            box = whole if _WHOLE_FROM * small <= longer <= _WHOLE_TO * large else box
        found.append(box)
    box = np.array(found).reshape(-1, 4).clip(0, limit)
    kept = ((box[:, 2:] - box[:, :2]) >= 4).all(axis=1)
    return OtherBoxes(np.asarray(pictures, dtype=np.int64)[kept], box[kept], np.asarray(kinds, dtype=np.int64)[kept])
