"""Masks of a ground as signed-distance fields, worked out on a coarse grid and enlarged.

Distances are nearly linear over a few pixels, so a grid of every fourth pixel and bilinear enlargement keep straight
borders exact; strips are folded only after enlargement, which keeps thin lines exact too. Grid nodes stand at fixed places
of the frame, so windows of one ground meet without a seam.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import torch
import torch.nn.functional as F

from synth import torus
from synth.at_once import at_once
from synth.ground_spec import Mask

STEP_PX = 4
_NOISE_TEXELS = 256
# Wavelength [texels] that a mask's bend_scale stands for; the field holds all longer and shorter ones too.
_WAVELENGTH_TEXELS = 24.0
_CELLS = 32
# Distance that stands for everywhere.
FAR_PX = 1.0e4


class Nodes:
    """Grid nodes that cover a window: ``x`` [1, w], ``y`` [h, 1] in pixels of the frame (pixel centres at i + 0.5).

    Ground that is seen by a camera has ``places`` float64 [2, h, w]: where its nodes lie on the ground, in pixels of it; they are
    ``x`` and ``y`` then. ``step_px`` is how far apart neighbours lie at most.
    """

    def __init__(
        self,
        window: tuple[int, int, int, int],
        device: torch.device,
        places: torch.Tensor | None = None,
        step_px: float | None = None,
    ) -> None:
        y0, x0, h, w = window
        self.window = window
        self.places = places
        self.first = (y0 // STEP_PX, x0 // STEP_PX)
        self.count = (
            (y0 + h - 1) // STEP_PX - self.first[0] + 2,
            (x0 + w - 1) // STEP_PX - self.first[1] + 2,
        )
        self.step_px = float(STEP_PX) if step_px is None else step_px
        if places is None:
            self.y = (torch.arange(self.count[0], device=device)[:, None] + self.first[0]) * float(STEP_PX) + 0.5
            self.x = (torch.arange(self.count[1], device=device)[None] + self.first[1]) * float(STEP_PX) + 0.5
        else:
            self.x, self.y = places.float()
            if step_px is None:
                self.step_px = max(float(places.diff(dim=axis).abs().max()) for axis in (1, 2)) * math.sqrt(2)

    def blocks(self, most_px: int) -> list[Nodes]:
        """The window cut into parts of about equal size, none longer or wider than ``most_px`` and a step."""
        y0, x0, h, w = self.window
        rows, columns = _cuts(y0, h, most_px), _cuts(x0, w, most_px)
        found = []
        for top, bottom in zip(rows[:-1], rows[1:], strict=True):
            for left, right in zip(columns[:-1], columns[1:], strict=True):
                window = (top, left, bottom - top, right - left)
                places = None if self.places is None else self.places[:, *self.inside(window)]
                found.append(Nodes(window, self.x.device, places, self.step_px))
        return found

    def inside(self, window: tuple[int, int, int, int]) -> tuple[slice, slice]:
        """Which of these nodes cover a part of their window."""
        rows, columns = (
            slice(window[k] // STEP_PX - self.first[k], (window[k] + window[2 + k] - 1) // STEP_PX - self.first[k] + 2)
            for k in (0, 1)
        )
        return rows, columns

    def enlarge(self, fields: torch.Tensor) -> torch.Tensor:
        """Node values [B, C, *count] at every pixel of the window, bilinear: [B, C, h, w]."""
        y0, x0, h, w = self.window
        b, c, rows, columns = fields.shape
        share = torch.arange(STEP_PX, device=fields.device) / STEP_PX
        step = fields[..., 1:] - fields[..., :-1]
        wide = torch.addcmul(fields[..., :-1, None], step[..., None], share).view(b, c, rows, (columns - 1) * STEP_PX)
        left, top = x0 - self.first[1] * STEP_PX, y0 - self.first[0] * STEP_PX
        wide = wide[..., left : left + w]
        step = wide[:, :, 1:] - wide[:, :, :-1]
        tall = torch.addcmul(wide[:, :, :-1, None], step[:, :, :, None], share[:, None])
        return tall.view(b, c, (rows - 1) * STEP_PX, w)[:, :, top : top + h]


def _cuts(start: int, length: int, most_px: int) -> list[int]:
    """Where a side is cut: at nodes, so that blocks share as few of them as can be."""
    parts = math.ceil(length / most_px)
    inner = [STEP_PX * round((start + length * k / parts) / STEP_PX) for k in range(1, parts)]
    return [start, *inner, start + length]


@lru_cache(maxsize=4)
def _noise_tile(device: torch.device) -> torch.Tensor:
    """Smooth 1/f field on a torus, one texel of wrap added: [1, 1, n + 1, n + 1]."""
    n = _NOISE_TEXELS
    field = torus.noise(np.random.default_rng(20), n, 1.7, n / 3, 2.5)
    return torch.from_numpy(np.pad(field, ((0, 1), (0, 1)), mode="wrap"))[None, None].to(device)


@lru_cache(maxsize=4)
def _cell_table(device: torch.device) -> torch.Tensor:
    """Five random numbers 0..1 for each of the cells that bodies stand in: [5, cells * cells]."""
    return torch.from_numpy(_cell_numbers()).to(device)


@lru_cache(maxsize=1)
def _cell_numbers() -> np.ndarray:
    return np.random.default_rng(21).random((5, _CELLS * _CELLS)).astype(np.float32)


class Noise(NamedTuple):
    """One random field: its wavelength in pixels, the seed that places and turns it, and how far it is shifted (x, y) [px]."""

    scale_px: float
    seed: int
    shift_px: tuple[float, float] = (0.0, 0.0)


def noise_fields(noises: Sequence[Noise], nodes: Nodes) -> torch.Tensor:
    """Random fields [N, *nodes.count] of mean 0 and deviation about 1; each is read from one smooth tile, turned and scaled."""
    scale, seed, x, y = np.array([(n.scale_px, n.seed, *n.shift_px) for n in noises], np.float64).reshape(-1, 4).T
    step = _WAVELENGTH_TEXELS / np.maximum(scale, 1.0) / _NOISE_TEXELS
    seed = seed % _SEEDS
    turn = seed * 2.399963  # the golden angle spreads turns evenly
    along, across = np.cos(turn) * step, np.sin(turn) * step
    # Whole numbers keep the sum positive, so that its fraction is the place on the tile.
    place = [
        (64 + np.abs(np.sin(seed * 78.233)) - (along * x - across * y)) % 1 + 64,
        (64 + np.abs(np.cos(seed * 37.719)) - (across * x + along * y)) % 1 + 64,
    ]
    numbers = torch.from_numpy(np.array([along, across, *place], np.float32)).to(nodes.x.device)
    c, s, u0, v0 = numbers[:, :, None, None]
    grid = torch.empty((len(noises), *nodes.count, 2), device=nodes.x.device)
    torch.frac((c * nodes.x + u0) - s * nodes.y, out=grid[..., 0])
    torch.frac((s * nodes.x + v0) + c * nodes.y, out=grid[..., 1])
    grid.mul_(2).sub_(1)
    n, h, w = grid.shape[:3]
    tile = _noise_tile(grid.device)
    return F.grid_sample(tile, grid.view(1, n * h, w, 2), mode="bilinear", align_corners=True).view(n, h, w)


_SEEDS = 1000003


class PlacedMask(NamedTuple):
    """A mask at a ground sample distance, moved by ``shift_px`` (x, y)."""

    mask: Mask
    gsd_m: float
    shift_px: tuple[float, float] = (0.0, 0.0)

    @property
    def noise(self) -> Noise:
        """The random field that bends its border."""
        return Noise(self.mask.bend_scale_m / self.gsd_m, self.mask.seed, self.shift_px)

    @property
    def fray(self) -> Noise:
        """The finer one that frays it."""
        return Noise(self.mask.fray_scale_m / self.gsd_m, self.mask.seed + 1, self.shift_px)


def mask_fields(placed: Sequence[PlacedMask], slow: Sequence[Noise], nodes: Nodes) -> tuple[torch.Tensor, torch.Tensor]:
    """Signed distances [N, *nodes.count] in pixels, positive inside (distance to the line for masks that fold), and the
    random fields ``slow`` [M, *nodes.count], all in as few passes as can be."""
    out = torch.empty((len(placed), *nodes.count), device=nodes.x.device)
    rows = np.array([_row(p) for p in placed], np.float32).reshape(len(placed), len(_VALUES), 1, 1)
    numbers = torch.from_numpy(rows).to(nodes.x.device)
    by_form: dict[str, list[int]] = {}
    for i, p in enumerate(placed):
        by_form.setdefault(p.mask.form, []).append(i)
    for form, which in by_form.items():
        some = numbers[which]
        values = dict(zip(_VALUES, some.unbind(1), strict=True))
        x, y = nodes.x - values["x"], nodes.y - values["y"]
        if form in ("crowns", "sticks"):
            field = _in_cells(x, y, values, [placed[i].mask.seed for i in which], _BODIES[form])
        else:
            field = _FORMS[form](x, y, values)
        out[which] = field
    bent = [i for i, p in enumerate(placed) if p.mask.bend_m]
    frayed = [i for i, p in enumerate(placed) if p.mask.fray_m]
    noise = noise_fields([*(placed[i].noise for i in bent), *(placed[i].fray for i in frayed), *slow], nodes)
    moves = [numbers[bent, _VALUES.index("bend")], numbers[frayed, _VALUES.index("fray")]]
    if bent or frayed:
        out.index_add_(
            0, torch.tensor([*bent, *frayed], device=out.device), torch.cat(moves) * noise[: -len(slow) or None]
        )
    return out, noise[len(bent) + len(frayed) :]


_VALUES: tuple[str, ...] = ("x", "y", "cos", "sin", "size", "size2", "period", "period2", "level", "bend", "fray")


def _row(placed: PlacedMask) -> tuple[float, ...]:
    """Numbers of a mask in pixels."""
    mask, px = placed.mask, 1 / placed.gsd_m
    return (
        mask.at_m[0] * px + placed.shift_px[0],
        mask.at_m[1] * px + placed.shift_px[1],
        math.cos(mask.angle),
        math.sin(mask.angle),
        mask.size_m[0] * px,
        mask.size_m[1] * px,
        mask.period_m[0] * px,
        mask.period_m[1] * px,
        mask.level,
        mask.bend_m * px,
        mask.fray_m * px,
    )


Values = dict[str, torch.Tensor]


def _along(x: torch.Tensor, y: torch.Tensor, v: Values) -> torch.Tensor:
    return x * v["cos"] + y * v["sin"]


def _across(x: torch.Tensor, y: torch.Tensor, v: Values) -> torch.Tensor:
    return y * v["cos"] - x * v["sin"]


def _everywhere(x: torch.Tensor, y: torch.Tensor, v: Values) -> torch.Tensor:
    return torch.full_like(v["x"], FAR_PX)


def _patch(x: torch.Tensor, y: torch.Tensor, v: Values) -> torch.Tensor:
    return -v["level"] * v["bend"]


def _tracks(x: torch.Tensor, y: torch.Tensor, v: Values) -> torch.Tensor:
    return _across(x, y, v).abs_().sub_(v["size2"] / 2)


def _boxes(x: torch.Tensor, y: torch.Tensor, v: Values) -> torch.Tensor:
    along, across = _repeated(_along(x, y, v), v["period"]), _repeated(_across(x, y, v), v["period2"])
    return torch.minimum(v["size"] - along.abs(), v["size2"] - across.abs())


def _repeated(distance: torch.Tensor, period: torch.Tensor) -> torch.Tensor:
    every = torch.where(period > 0, period, 1.0e9)
    return distance - every * torch.round(distance / every)


_FORMS: dict[str, Callable[[torch.Tensor, torch.Tensor, Values], torch.Tensor]] = {
    "everywhere": _everywhere,
    "patch": _patch,
    "band": _across,
    "tracks": _tracks,
    "boxes": _boxes,
    "half": _across,
}


def _round_body(dx: torch.Tensor, dy: torch.Tensor, chance: torch.Tensor, v: Values) -> torch.Tensor:
    radius = v["size"] + (v["size2"] - v["size"]) * chance[3]
    return radius - torch.sqrt(dx * dx + dy * dy)


def _long_body(dx: torch.Tensor, dy: torch.Tensor, chance: torch.Tensor, v: Values) -> torch.Tensor:
    """Logs: each of its own length, bow and taper, with the stub of a branch."""
    angle = chance[3] * math.pi
    c, s = torch.cos(angle), torch.sin(angle)
    along, across = dx * c + dy * s, dy * c - dx * s
    # More numbers of the same chance.
    one, two = torch.frac(chance[4] * 17.3), torch.frac(chance[3] * 29.7)
    half = v["size"] * (0.5 + 0.5 * one)
    place = along / half
    bowed = across - (two - 0.5) * 0.16 * half * (place * place).clamp(max=4)
    past = (along.abs() - half).clamp_min(0)
    radius = v["size2"] * (0.6 + 0.8 * chance[4])
    trunk = radius * (1 - 0.4 * one * place.clamp(-1, 1)) - torch.sqrt(past * past + bowed * bowed)
    # A stub leaves the trunk at 45 degrees, on either side.
    off_along, off_across = along - (0.8 * two - 0.4) * half, torch.where(one > 0.5, bowed, -bowed)
    out, aside = (off_along + off_across) * math.sqrt(0.5), (off_across - off_along) * math.sqrt(0.5)
    beyond = torch.maximum(-out, out - 0.3 * half * two).clamp_min(0)
    stub = 0.5 * radius - torch.sqrt(beyond * beyond + aside * aside)
    return torch.maximum(trunk, stub)


Body = Callable[[torch.Tensor, torch.Tensor, torch.Tensor, Values], torch.Tensor]
_BODIES: dict[str, Body] = {"crowns": _round_body, "sticks": _long_body}


def _in_cells(x: torch.Tensor, y: torch.Tensor, v: Values, seeds: Sequence[int], body: Body) -> torch.Tensor:
    """Union of bodies, one in each square cell at most, moved from its middle by chance: [N, h, w].

    Distances below ``_KNOWN_CELLS`` cells are cut off there: down to that the two ways of working them out agree, so that
    the way may be chosen by what is cheaper and windows still meet without a seam.
    """
    period = v["period"].clamp_min(1.0)
    u, w = x / period, y / period
    if at_once(x.device):
        seed = torch.tensor([seed % _SEEDS for seed in seeds], dtype=torch.int32, device=x.device).view(-1, 1, 1)
        field = _near_bodies(u, w, period, v, seed, body)
    else:
        parts = []
        for i, seed in enumerate(seeds):
            one = {name: value[i : i + 1] for name, value in v.items()}
            parts.append(_bodies(u[i : i + 1], w[i : i + 1], period[i : i + 1], one, seed % _SEEDS, body))
        field = torch.cat(parts)
    return torch.maximum(field, -_KNOWN_CELLS * period)


# A body outside the nine cells around a point is at least this far from it, in cells: its middle keeps 0.2 cells from its
# own cell's border, and no body reaches further than half a cell from its middle.
_KNOWN_CELLS = 0.6
# Above so many bodies it is cheaper to look only at the nine cells around each node.
_MANY_BODIES = 24


def _bodies(u: torch.Tensor, w: torch.Tensor, period: torch.Tensor, v: Values, seed: int, body: Body) -> torch.Tensor:
    """One mask: where few bodies stand in or near the window each is worked out over all of it."""
    # Few numbers, many steps: numpy is quicker at that.
    ends = [tuple(float(end) for end in at.aminmax()) for at in (u, w)]
    (left, right), (top, bottom) = ((math.floor(low) - 1, math.floor(high) + 1) for low, high in ends)
    columns, rows = np.arange(left, right + 1), np.arange(top, bottom + 1)[:, None]
    index = ((columns + seed * 7) & (_CELLS - 1)) + ((rows + seed * 13) & (_CELLS - 1)) * _CELLS
    chance = _cell_numbers()[:, index]
    reach = (v["size"].item() + v["size2"].item()) / period.item() + _KNOWN_CELLS
    x, y = columns + 0.2 + 0.6 * chance[0], rows + 0.2 + 0.6 * chance[1]
    there = (x > ends[0][0] - reach) & (x < ends[0][1] + reach) & (y > ends[1][0] - reach) & (y < ends[1][1] + reach)
    there &= chance[2] < v["level"].item()
    count = np.count_nonzero(there)
    if count == 0:
        return torch.full(torch.broadcast_shapes(u.shape, w.shape), -FAR_PX)
    if count > _MANY_BODIES:
        return _near_bodies(u, w, period, v, torch.tensor(seed, dtype=torch.int32).view(1, 1, 1), body)
    found = np.concatenate([x[there][None], y[there][None], chance[:, there]]).astype(np.float32)
    numbers = torch.from_numpy(found)[:, :, None, None]
    px, py = (u - numbers[0]) * period, (w - numbers[1]) * period
    return body(px, py, numbers[2:], v).amax(0, keepdim=True)


def _near_bodies(
    u: torch.Tensor, w: torch.Tensor, period: torch.Tensor, v: Values, seed: torch.Tensor, body: Body
) -> torch.Tensor:
    """Masks from the bodies in the nine cells around each node."""
    device = u.device
    column, row = torch.floor(u)[None], torch.floor(w)[None]
    steps = torch.arange(-1, 2, device=device, dtype=torch.float32)
    column, row = (
        torch.broadcast_tensors(column + steps.repeat(3).view(9, 1, 1, 1), row + steps.repeat_interleave(3).view(9, 1, 1, 1))
    )  # fmt: skip
    index = _cell_index(column.int(), row.int(), seed)
    chance = _cell_table(device).index_select(1, index.view(-1)).view(5, *index.shape)
    px = torch.add(column, chance[0], alpha=0.6).add_(0.2).neg_().add_(u).mul_(period)
    py = torch.add(row, chance[1], alpha=0.6).add_(0.2).neg_().add_(w).mul_(period)
    field = torch.where(chance[2] < v["level"], body(px, py, chance, v), -FAR_PX)
    return field.amax(0)


def _cell_index(columns: torch.Tensor, rows: torch.Tensor, seed: torch.Tensor) -> torch.Tensor:
    return ((columns + seed * 7) & (_CELLS - 1)) + ((rows + seed * 13) & (_CELLS - 1)) * _CELLS
