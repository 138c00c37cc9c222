"""Masks of a ground as signed-distance fields, worked out on a coarse grid and enlarged.

Distances are nearly linear over a few pixels, so a grid of every fourth pixel and bilinear enlargement keep straight
borders exact; strips are folded only after enlargement, which keeps thin lines exact too. Grid nodes stand at fixed places
of the frame, so windows of one ground meet without a seam.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F

from synth import torus
from synth.ground_spec import Mask

STEP_PX = 4
_NOISE_TEXELS = 256
# Wavelength [texels] that a mask's bend_scale stands for; the field holds all longer and shorter ones too.
_WAVELENGTH_TEXELS = 24.0
_CELLS = 32
_FAR = 1.0e4


class Nodes:
    """Grid nodes that cover a window: ``x`` [w], ``y`` [h] in pixels of the frame (pixel centres at i + 0.5)."""

    def __init__(self, window: tuple[int, int, int, int], device: torch.device) -> None:
        y0, x0, h, w = window
        self.window = window
        self.first = (y0 // STEP_PX, x0 // STEP_PX)
        self.count = ((y0 + h - 1) // STEP_PX - self.first[0] + 2, (x0 + w - 1) // STEP_PX - self.first[1] + 2)
        self.y = (torch.arange(self.count[0], device=device) + self.first[0]) * float(STEP_PX) + 0.5
        self.x = (torch.arange(self.count[1], device=device) + self.first[1]) * float(STEP_PX) + 0.5

    def enlarge(self, fields: torch.Tensor) -> torch.Tensor:
        """Node values [B, C, *count] at every pixel of the window: [B, C, h, w]."""
        y0, x0, h, w = self.window
        size = ((self.count[0] - 1) * STEP_PX + 1, (self.count[1] - 1) * STEP_PX + 1)
        whole = F.interpolate(fields, size=size, mode="bilinear", align_corners=True)
        top, left = y0 - self.first[0] * STEP_PX, x0 - self.first[1] * STEP_PX
        return whole[..., top : top + h, left : left + w]


@lru_cache(maxsize=4)
def _noise_tile(device: torch.device) -> torch.Tensor:
    """Smooth 1/f field on a torus, one texel of wrap added: [1, 1, n + 1, n + 1]."""
    n = _NOISE_TEXELS
    field = torus.noise(np.random.default_rng(20), n, 1.7, n / 3, 2.5)
    return torch.from_numpy(np.pad(field, ((0, 1), (0, 1)), mode="wrap"))[None, None].to(device)


@lru_cache(maxsize=4)
def _cell_table(device: torch.device) -> torch.Tensor:
    """Five random numbers 0..1 for each of the cells that bodies stand in: [cells * cells, 5]."""
    table = np.random.default_rng(21).random((_CELLS * _CELLS, 5)).astype(np.float32)
    return torch.from_numpy(table).to(device)


def noise_field(x: torch.Tensor, y: torch.Tensor, scale_px: torch.Tensor, seed: torch.Tensor) -> torch.Tensor:
    """Random fields [N, h, w] (mean 0, deviation about 1) at positions ``x``, ``y`` [N, h, w] in pixels.

    ``scale_px`` and ``seed`` are float64 [N]; the seed places and turns the piece of the tile that is used.
    """
    step = _WAVELENGTH_TEXELS / scale_px.clamp_min(1.0) / _NOISE_TEXELS
    turn = seed * 2.399963  # the golden angle spreads turns evenly
    c, s = ((f(turn) * step).float().view(-1, 1, 1) for f in (torch.cos, torch.sin))
    u0, v0 = ((f(seed * k)).abs().float().view(-1, 1, 1) for f, k in ((torch.sin, 78.233), (torch.cos, 37.719)))
    u = c * x - s * y + u0
    v = s * x + c * y + v0
    grid = torch.stack([u - u.floor(), v - v.floor()], -1).mul_(2).sub_(1)
    n, h, w = u.shape
    tile = _noise_tile(x.device)
    return F.grid_sample(tile, grid.view(1, n * h, w, 2), mode="bilinear", align_corners=True).view(n, h, w)


def mask_fields(
    masks: Sequence[Mask], gsd_m: Sequence[float], nodes: Nodes, shift_px: torch.Tensor | None = None
) -> torch.Tensor:
    """Signed distances [N, *nodes.count] in pixels, positive inside (distance to the line for masks that fold).

    ``shift_px`` [N, 2] (x, y) moves each mask (for shadows).
    """
    device = nodes.x.device
    out = torch.empty((len(masks), *nodes.count), device=device)
    for form in dict.fromkeys(mask.form for mask in masks):
        which = [i for i, mask in enumerate(masks) if mask.form == form]
        some = [masks[i] for i in which]
        values = _values(some, [gsd_m[i] for i in which], device)
        x, y = nodes.x.view(1, 1, -1), nodes.y.view(1, -1, 1)
        if shift_px is not None:
            moved = shift_px[which].view(-1, 2, 1, 1)
            x, y = x - moved[:, 0], y - moved[:, 1]
        field = _FORMS[form](x, y, values)
        if any(mask.bend_m for mask in some):
            x, y = x.expand(len(some), *nodes.count), y.expand(len(some), *nodes.count)
            field = field + values["bend"] * noise_field(x, y, values["scale"], values["seed"])
        if len(which) == len(masks):
            return field.expand(len(masks), *nodes.count)
        out[which] = field.expand(len(some), *nodes.count)
    return out


def _values(masks: Sequence[Mask], gsd_m: Sequence[float], device: torch.device) -> dict[str, torch.Tensor]:
    """Numbers of masks as tensors [N, 1, 1] in pixels (``scale`` and ``seed`` float64 [N])."""
    rows = []
    for mask, gsd in zip(masks, gsd_m, strict=True):
        px = 1 / gsd
        rows.append(
            (
                mask.at_m[0] * px,
                mask.at_m[1] * px,
                math.cos(mask.angle),
                math.sin(mask.angle),
                mask.size_m[0] * px,
                mask.size_m[1] * px,
                mask.period_m[0] * px,
                mask.period_m[1] * px,
                mask.level,
                mask.bend_m * px,
                mask.bend_scale_m * px,
                float(mask.seed % 1000003),
            )
        )
    numbers = torch.tensor(rows, dtype=torch.float64, device=device)
    names = ("x", "y", "cos", "sin", "size", "size2", "period", "period2", "level", "bend")
    values = {name: numbers[:, i].float().view(-1, 1, 1) for i, name in enumerate(names)}
    return {**values, "scale": numbers[:, 10], "seed": numbers[:, 11]}


def _local(x: torch.Tensor, y: torch.Tensor, v: dict[str, torch.Tensor]) -> tuple[torch.Tensor, torch.Tensor]:
    """Positions along and across the mask's direction."""
    dx, dy = x - v["x"], y - v["y"]
    return dx * v["cos"] + dy * v["sin"], dy * v["cos"] - dx * v["sin"]


def _everywhere(x: torch.Tensor, y: torch.Tensor, v: dict[str, torch.Tensor]) -> torch.Tensor:
    return torch.full_like(x + y, _FAR) + 0 * v["x"]


def _patch(x: torch.Tensor, y: torch.Tensor, v: dict[str, torch.Tensor]) -> torch.Tensor:
    return 0 * (x + y) - v["level"] * v["bend"]


def _band(x: torch.Tensor, y: torch.Tensor, v: dict[str, torch.Tensor]) -> torch.Tensor:
    return _local(x, y, v)[1]


def _tracks(x: torch.Tensor, y: torch.Tensor, v: dict[str, torch.Tensor]) -> torch.Tensor:
    return _local(x, y, v)[1].abs() - v["size2"] / 2


def _half(x: torch.Tensor, y: torch.Tensor, v: dict[str, torch.Tensor]) -> torch.Tensor:
    return _local(x, y, v)[1]


def _boxes(x: torch.Tensor, y: torch.Tensor, v: dict[str, torch.Tensor]) -> torch.Tensor:
    along, across = _local(x, y, v)
    along, across = _repeated(along, v["period"]), _repeated(across, v["period2"])
    return torch.minimum(v["size"] - along.abs(), v["size2"] - across.abs())


def _repeated(distance: torch.Tensor, period: torch.Tensor) -> torch.Tensor:
    every = period.clamp_min(1e-3)
    return torch.where(period > 0, distance - every * torch.round(distance / every), distance)


def _crowns(x: torch.Tensor, y: torch.Tensor, v: dict[str, torch.Tensor]) -> torch.Tensor:
    def body(dx: torch.Tensor, dy: torch.Tensor, chance: torch.Tensor) -> torch.Tensor:
        radius = v["size"] + (v["size2"] - v["size"]) * chance[..., 3]
        return radius - torch.sqrt(dx * dx + dy * dy)

    return _in_cells(x, y, v, body)


def _sticks(x: torch.Tensor, y: torch.Tensor, v: dict[str, torch.Tensor]) -> torch.Tensor:
    def body(dx: torch.Tensor, dy: torch.Tensor, chance: torch.Tensor) -> torch.Tensor:
        angle = chance[..., 3] * math.pi
        c, s = torch.cos(angle), torch.sin(angle)
        along, across = dx * c + dy * s, dy * c - dx * s
        past = (along.abs() - v["size"]).clamp_min(0)
        return v["size2"] * (0.6 + 0.8 * chance[..., 4]) - torch.sqrt(past * past + across * across)

    return _in_cells(x, y, v, body)


Body = Callable[[torch.Tensor, torch.Tensor, torch.Tensor], torch.Tensor]


def _in_cells(x: torch.Tensor, y: torch.Tensor, v: dict[str, torch.Tensor], body: Body) -> torch.Tensor:
    """Union of bodies, one in each square cell at most, moved from its middle by chance."""
    period = v["period"].clamp_min(1.0)
    u, w = torch.broadcast_tensors((x - v["x"]) / period, (y - v["y"]) / period)
    column, row = torch.floor(u), torch.floor(w)
    table = _cell_table(x.device)
    seed = v["seed"].view(-1, 1, 1).long()
    best = torch.full_like(u, -_FAR)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            c, r = column + dx, row + dy
            index = (c.long() + seed * 7) % _CELLS + ((r.long() + seed * 13) % _CELLS) * _CELLS
            chance = table[index]
            px = (u - c - 0.2 - 0.6 * chance[..., 0]) * period
            py = (w - r - 0.2 - 0.6 * chance[..., 1]) * period
            field = torch.where(chance[..., 2] < v["level"], body(px, py, chance), -_FAR)
            best = torch.maximum(best, field)
    return best


_FORMS: dict[str, Callable[[torch.Tensor, torch.Tensor, dict[str, torch.Tensor]], torch.Tensor]] = {
    "everywhere": _everywhere,
    "patch": _patch,
    "band": _band,
    "tracks": _tracks,
    "boxes": _boxes,
    "crowns": _crowns,
    "sticks": _sticks,
    "half": _half,
}
