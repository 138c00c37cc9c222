"""Procedural ground as a tilted camera sees it: painted level, in its own plane, and read through the picture's view.

What lies on the ground - texture, stripes, borders, shadows - is foreshortened along the line of sight as drawn panels are. In
a chip the view of the plane is taken as affine about its middle; a frame is read by the camera's own projection, lens included.
The plane has pixels of ``gsd_m``: x right of a heading, y against it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import torch
import torch.nn.functional as F

from synth.at_once import at_once
from synth.ground import GroundLayer, paint_ground
from synth.ground_spec import GroundSpec
from synth.projection import Array, Views

# Chips that shrink no direction by more than this (18 deg: 5 %) are painted as if they looked straight down: it does not show.
LEAST_SLANT = 0.05
# Pixels of the picture between places whose ground is worked out; between them it runs straight to 0.01 px.
_NODE_PX = 32
# Parts of a frame up to this width are read from one painted window; wider ones of a turned frame would paint much in vain.
_PART_PX = 1408
# Windows larger than this are painted in parts.
_MOST_WINDOW_PX = 3_000_000
# (first row, first column, rows, columns) of a frame
Part = tuple[int, int, int, int]


def ground_from_chip(views: Views, gsd_m: Array, headings_deg: Array) -> Array:
    """Ground pixels to a picture pixel about the middle of each chip, [B, 2, 2]: columns for picture x and y."""
    count = len(views)
    middle = np.array([views.size_px[1], views.size_px[0]]) / 2
    rows = np.arange(count)
    step = 0.25 * min(views.size_px)
    seen = [
        views.ground(np.tile(middle + offset, (count, 1)), rows)[:, :2]
        for offset in ((step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step))
    ]
    east_north = np.stack([seen[0] - seen[1], seen[2] - seen[3]], 2) / (2 * step)
    return _plane_axes(np.asarray(headings_deg)) @ east_north / np.asarray(gsd_m)[:, None, None]


def _plane_axes(heading_deg: Array) -> Array:
    """Unit vectors (east, north) of the plane's x and y, [..., 2, 2], one to a row: right of the heading, and against it."""
    c, s = np.cos(np.radians(heading_deg)), np.sin(np.radians(heading_deg))
    return np.stack([np.stack([c, -s], -1), np.stack([-s, -c], -1)], -2)


def slants(maps: Array) -> Array:
    """How much longer one direction of the ground is seen than another, [B]: 0 from straight above, 1 / cos(tilt) - 1 in the
    middle of a tilted frame."""
    longest, shortest = np.linalg.svd(maps, compute_uv=False).T
    return longest / shortest - 1


def paint_chips(
    specs: Sequence[GroundSpec],
    maps: Array,
    shadows_px_per_m: Sequence[tuple[float, float]],
    out: GroundLayer,
) -> None:
    """Paint grounds into ``out`` [B, ..., h, w] as chips see them, by the ``maps`` of :func:`ground_from_chip`.

    The ground below a chip's middle is the middle of the plane's first h x w pixels. Shadows are those of ``paint_ground``.
    """
    slant = slants(maps) > LEAST_SLANT
    level, slanted = np.flatnonzero(~slant).tolist(), np.flatnonzero(slant).tolist()
    size = (int(out.albedo.shape[2]), int(out.albedo.shape[3]))
    device = out.albedo.device
    if level:
        some = [specs[b] for b in level]
        paint_ground(some, *size, device, None, [shadows_px_per_m[b] for b in level], out, level)
    groups = [slanted] if at_once(device) else [[b] for b in slanted]
    for group in groups:
        if group:
            _paint_slanted([specs[b] for b in group], maps[group], [shadows_px_per_m[b] for b in group], out, group)


def _paint_slanted(
    specs: Sequence[GroundSpec],
    maps: Array,
    shadows: Sequence[tuple[float, float]],
    out: GroundLayer,
    rows: Sequence[int],
) -> None:
    """Grounds of slanted views into ``rows`` of ``out``: painted in one window that holds all of them, read by affine maps."""
    h, w = int(out.albedo.shape[2]), int(out.albedo.shape[3])
    device = out.albedo.device
    # Far-reaching views are painted at a middle scale: coarser across the line of sight, finer along it.
    coarser = np.sqrt(np.maximum(np.linalg.norm(maps, ord=2, axis=(1, 2)), 1.0))
    maps = maps / coarser[:, None, None]
    specs = [replace(spec, gsd_m=spec.gsd_m * float(k)) for spec, k in zip(specs, coarser, strict=True)]
    shadows = [(x / float(k), y / float(k)) for (x, y), k in zip(shadows, coarser, strict=True)]
    middle = np.array([w, h]) / 2 / coarser[:, None]
    reach = np.abs(maps) @ np.array([w, h]) / 2 + 2.5
    left, top = np.floor((middle - reach).min(0)).astype(int).tolist()
    right, bottom = np.ceil((middle + reach).max(0)).astype(int).tolist()
    rows_px, columns_px = bottom - top, right - left
    painted = torch.empty((len(specs), 5, rows_px, columns_px), device=device)
    target = GroundLayer(painted[:, :3], painted[:, 3:4], painted[:, 4:5])
    paint_ground(specs, h, w, device, (top, left, rows_px, columns_px), shadows, target)
    # In shares of half a picture and half a window, as grid_sample counts.
    scale = np.array([2 / columns_px, 2 / rows_px])
    turn = maps * np.array([w, h]) / 2 * scale[:, None]
    shift = (middle - np.array([left, top])) * scale - 1
    _put(_read(painted, _affine_grid(turn, shift, h, w, device)), out, rows)


def _affine_grid(turn: Array, shift: Array, h: int, w: int, device: torch.device) -> torch.Tensor:
    """What F.affine_grid gives for [turn | shift] and ``align_corners=False`` [n, h, w, 2], without its product of matrices."""
    numbers = torch.from_numpy(np.concatenate([turn, shift[:, :, None]], 2).astype(np.float32)).to(device)
    x = (torch.arange(w, device=device) * 2 + 1) / w - 1
    y = (torch.arange(h, device=device) * 2 + 1) / h - 1
    along = numbers[:, :, 0:1] * x
    across = numbers[:, :, 1:2] * y + numbers[:, :, 2:3]
    grid = torch.empty((len(numbers), h, w, 2), device=device)
    for k in (0, 1):
        torch.add(across[:, k, :, None], along[:, k, None, :], out=grid[..., k])
    return grid


def _read(painted: torch.Tensor, grid: torch.Tensor) -> torch.Tensor:
    """Planes [n, 5, h, w] at the places of a grid.

    Cubic: halfway between pixels a linear reading loses a quarter of the finest detail that the lens leaves, in bands that show
    where one grid of pixels lies a little turned on the other; this loses a twentieth (Laplacian of gravel, blur of 0.7 px).
    """
    seen = F.grid_sample(painted, grid, mode="bicubic", padding_mode="border", align_corners=False)
    seen[:, :3].clamp_(0.004, 1.0)
    seen[:, 3:].clamp_(0.0, 1.8)
    return seen


def _put(seen: torch.Tensor, out: GroundLayer, rows: Sequence[int]) -> None:
    """Planes [n, 5, h, w] into some of the pictures of a layer."""
    parts = ((out.albedo, seen[:, :3]), (out.shade, seen[:, 3:4]), (out.light, seen[:, 4:5]))
    for plane, values in parts:
        if len(rows) == 1:
            plane[rows[0]] = values[0]
        else:
            plane.index_copy_(0, torch.tensor(rows, device=plane.device), values)


@dataclass(frozen=True)
class SeenGround:
    """A run's ground in one frame: the plane's pixels count from ``corner_enu_m``; ``size_px`` is that of the whole ground."""

    spec: GroundSpec
    size_px: tuple[int, int]
    shadow_px_per_m: tuple[float, float]
    heading_deg: float
    corner_enu_m: tuple[float, float]

    def paint(self, views: Views, rows: tuple[int, int], out: GroundLayer) -> None:
        """Rows [first, last) of the one frame of ``views``, on the CPU, into planes [1, ..., last - first, width]."""
        width = views.size_px[1]
        parts = math.ceil(width / _PART_PX)
        edges = [_NODE_PX * round(width * k / parts / _NODE_PX) for k in range(parts)] + [width]
        for left, right in zip(edges[:-1], edges[1:], strict=True):
            self._paint(views, (rows[0], left, rows[1] - rows[0], right - left), (0, left), out)

    def _paint(self, views: Views, part: Part, place: tuple[int, int], out: GroundLayer) -> None:
        """A part of the frame into ``out`` at ``place`` (row, column)."""
        origin, at = self._seen(views, part)
        low, high = at.amin((0, 1)), at.amax((0, 1))
        left, top = (math.floor(v) for v in (low - 2.5).tolist())
        right, bottom = (math.ceil(v) for v in (high + 2.5).tolist())
        h, w = part[2:]
        if (right - left) * (bottom - top) > _MOST_WINDOW_PX and max(h, w) > 2 * _NODE_PX:
            for half, moved in _halves(part, place):
                self._paint(views, half, moved, out)
            return
        painted = torch.empty((1, 5, bottom - top, right - left))
        target = GroundLayer(painted[:, :3], painted[:, 3:4], painted[:, 4:5])
        window = (top + origin[1], left + origin[0], bottom - top, right - left)
        paint_ground([self.spec], *self.size_px, "cpu", window, [self.shadow_px_per_m], target)
        size = torch.tensor([right - left, bottom - top], dtype=torch.float32)
        grid = at.sub_(torch.tensor([left, top])).mul_(2 / size).sub_(1)
        seen = _read(painted, grid[None])
        inside = (..., slice(place[0], place[0] + h), slice(place[1], place[1] + w))
        for plane, values in ((out.albedo, seen[:, :3]), (out.shade, seen[:, 3:4]), (out.light, seen[:, 4:5])):
            plane[inside] = values

    def _seen(self, views: Views, part: Part) -> tuple[tuple[int, int], torch.Tensor]:
        """A pixel (x, y) of the ground, and float32 [h, w, 2] how far from it the pixels of a part of the frame lie."""
        nodes = [_nodes(part[k], part[2 + k]) for k in (0, 1)]
        pixels = np.stack(np.meshgrid(nodes[1] + 0.5, nodes[0] + 0.5), -1).reshape(-1, 2)
        ground = views.ground(pixels - views.corner_px[0], np.zeros(len(pixels), dtype=np.int64))
        at = (ground[:, :2] - np.array(self.corner_enu_m)) @ _plane_axes(np.array(self.heading_deg)).T / self.spec.gsd_m
        x, y = (int(v) for v in np.floor(at.min(0)))
        values = torch.from_numpy((at - np.array([x, y])).astype(np.float32)).view(len(nodes[0]), len(nodes[1]), 2)
        size = [(n - 1) * _NODE_PX + 1 for n in values.shape[:2]]
        whole = F.interpolate(values.permute(2, 0, 1)[None], size=size, mode="bilinear", align_corners=True)
        row, column = (part[k] - int(nodes[k][0]) for k in (0, 1))
        return (x, y), whole[0, :, row : row + part[2], column : column + part[3]].permute(1, 2, 0).contiguous()


def _nodes(start: int, length: int) -> Array:
    """Places of the frame at which the ground is worked out, every _NODE_PX from its edge."""
    first, last = start // _NODE_PX, -(-(start + length - 1) // _NODE_PX)
    return np.arange(first, max(last, first + 1) + 1) * _NODE_PX


def _halves(part: Part, place: tuple[int, int]) -> list[tuple[Part, tuple[int, int]]]:
    """A part of a frame and its place, cut across its longer side."""
    y, x, h, w = part
    row, column = place
    if w > h:
        half = w // 2
        return [((y, x, h, half), place), ((y, x + half, h, w - half), (row, column + half))]
    half = h // 2
    return [((y, x, half, w), place), ((y + half, x, h - half, w), (row + half, column))]
