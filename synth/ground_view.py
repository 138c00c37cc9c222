"""Procedural ground as a tilted camera sees it.

What lies on the ground - texture, stripes, borders, shadows - is foreshortened along the line of sight as drawn panels are. A
chip's ground is painted level and read through its view, taken as affine about its middle; a frame's is painted on the frame's
own pixels, which the camera's own projection, lens included, puts on the plane.
The plane has pixels of ``gsd_m``: x right of a heading, y against it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import torch
import torch.nn.functional as F

from synth.at_once import at_once
from synth.ground import GroundLayer, paint_ground, paint_seen
from synth.ground_fields import STEP_PX, Nodes
from synth.ground_spec import GroundSpec
from synth.opencv import warps_exactly
from synth.projection import Array, Views
from synth.warped import warped

# Chips that shrink no direction by more than this (19 deg: 6 %) are painted as if they looked straight down: it does not show.
LEAST_SLANT = 0.06
# Pixels of the picture between places whose ground is worked out; between them it runs straight to 0.01 px.
_NODE_PX = 32


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
    if warps_exactly(device):
        # One ground at a time there: its picture's pixels counted from the middle of the window's first.
        first = maps[0] @ (0.5 - np.array([w, h]) / 2) + middle[0] - np.array([left, top]) - 0.5
        _put(_within(painted, lambda planes: warped(planes[0], maps[0], first, (h, w))[None]), out, rows)
        return
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
    return _within(
        painted, lambda planes: F.grid_sample(planes, grid, mode="bicubic", padding_mode="border", align_corners=False)
    )


def _within(painted: torch.Tensor, read: Callable[[torch.Tensor], torch.Tensor]) -> torch.Tensor:
    """Planes [n, 5, h, w] read, kept within what they can be; even light needs no reading."""
    even = not at_once(painted.device) and bool((painted[:, 4] == 1).all())
    seen = read(painted[:, :4] if even else painted)
    seen[:, :3].clamp_(0.004, 1.0)
    seen[:, 3:].clamp_(0.0, 1.8)
    return F.pad(seen, (0, 0, 0, 0, 0, 1), value=1.0) if even else seen


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
        window = (rows[0], 0, rows[1] - rows[0], views.size_px[1])
        paint_seen(self.spec, self.size_px, self._nodes(views, window), self.shadow_px_per_m, out)

    def _nodes(self, views: Views, window: tuple[int, int, int, int]) -> Nodes:
        """Nodes of a part of the frame, with their places on the ground."""
        nodes = Nodes(window, torch.device("cpu"))
        steps = _NODE_PX // STEP_PX
        first = [start // steps for start in nodes.first]
        last = [-(-(start + count - 1) // steps) for start, count in zip(nodes.first, nodes.count, strict=True)]
        y, x = (np.arange(a, max(b, a + 1) + 1) * _NODE_PX + 0.5 for a, b in zip(first, last, strict=True))
        pixels = np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)
        ground = views.ground(pixels - views.corner_px[0], np.zeros(len(pixels), dtype=np.int64))
        at = (ground[:, :2] - np.array(self.corner_enu_m)) @ _plane_axes(np.array(self.heading_deg)).T / self.spec.gsd_m
        values = torch.from_numpy(at).view(len(y), len(x), 2).permute(2, 0, 1)[None]
        size = [(n - 1) * steps + 1 for n in values.shape[2:]]
        places = F.interpolate(values, size=size, mode="bilinear", align_corners=True)[0]
        row, column = (nodes.first[k] - first[k] * steps for k in (0, 1))
        places = places[:, row : row + nodes.count[0], column : column + nodes.count[1]]
        return Nodes(window, torch.device("cpu"), places)
