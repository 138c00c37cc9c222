"""Which pixels a thing may touch, and in which turn it is drawn, by going through all of them."""

from __future__ import annotations

import numpy as np

from synth.convex import half_planes
from synth.spans import LONGEST_PX, levels, rectangles, spans


def test_runs_are_the_pixels_of_boxes_within_reach_of_polygons() -> None:
    rng = np.random.default_rng(1)
    angle = np.sort(rng.uniform(0, 2 * np.pi, (60, 8)), axis=1)
    middle, radius = rng.uniform(-20, [320, 260], (60, 2)), rng.uniform(2, 150, 60)
    corners = middle[:, None] + radius[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=2)
    edges, reach = half_planes(corners), rng.uniform(0, 4, 60)
    box = np.concatenate([corners.min(axis=1) - 4, corners.max(axis=1) + 4], axis=1)
    inside = (box[:, 2] > 0) & (box[:, 3] > 0) & (box[:, 0] < 300) & (box[:, 1] < 240)
    edges, reach, box = edges[inside], reach[inside], box[inside]
    runs = spans(rectangles(box, (240, 300)), edges, reach)
    assert runs.length.max() <= LONGEST_PX and (runs.length > 0).all() and (np.diff(runs.thing) >= 0).all()
    found = np.zeros((len(box), 240, 300), dtype=int)
    for thing, y, x, length in zip(runs.thing, runs.y, runs.x, runs.length):
        found[thing, y, x : x + length] += 1
    y, x = np.mgrid[:240, :300] + 0.5
    for k, (x0, y0, x1, y1) in enumerate(box):
        beyond = edges[k, :, 0, None, None] * x + edges[k, :, 1, None, None] * y + edges[k, :, 2, None, None] - reach[k]
        # Edges that run along the rows are held by the box.
        beyond = beyond[np.abs(edges[k, :, 0]) > 1e-6].max(axis=0)
        boxed = (x > x0 - 1) & (x < x1 + 1) & (y > y0 - 1) & (y < y1 + 1)
        assert not found[k][(beyond > 1e-6) | ~boxed].any()
        assert (found[k][(beyond < -1e-6) & (x > x0) & (x < x1) & (y > y0) & (y < y1)] == 1).all()


def test_turns_follow_the_order_of_what_meets() -> None:
    rng = np.random.default_rng(2)
    picture, order = rng.integers(0, 5, 120), rng.integers(0, 30, 120) / 30
    low = rng.integers(0, 80, (120, 2))
    rectangle = np.concatenate([low, low + rng.integers(1, 30, (120, 2))], axis=1)
    turn = levels(picture, order, rectangle)
    under = (order[:, None] < order) | ((order[:, None] == order) & (np.arange(120)[:, None] < np.arange(120)))
    meets = (picture[:, None] == picture) & (rectangle[:, None, :2] < rectangle[None, :, 2:]).all(axis=2)
    meets &= (rectangle[None, :, :2] < rectangle[:, None, 2:]).all(axis=2)
    before = under & meets
    for k in range(120):
        # No later than it has to be.
        assert turn[k] == (turn[before[:, k]].max() + 1 if before[:, k].any() else 0)
