"""Procedural ground: sampled as a GroundSpec, painted as reflectance and shade, in windows without seams.

The fine texture comes from tiles (``synth.ground_tiles``), the layout from distance fields (``synth.ground_fields``), the
choice from ``synth.ground_draw``. On the CPU grounds are painted one by one, so that a picture stays in the cache; on a GPU
all together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import torch

from synth.at_once import at_once
from synth.ground_draw import sample_ground
from synth.ground_fields import Nodes
from synth.ground_layers import LayerNumbers, draw_joints, layer_colour, layer_cover
from synth.ground_layout import Box, CoarseFields, coarse_fields, reach_boxes
from synth.ground_spec import GroundSpec, Layer
from synth.ground_tiles import VARIANTS, gsd_step, make_ready
from synth.kept_memory import keep_freed_memory
from synth.seen_tiles import SeenTiles
from synth.tile_crops import TileCrops

__all__ = ["GroundLayer", "GroundSpec", "paint_ground", "sample_ground"]

# Frames wider than this mix pieces of two tiles of a kind, so that its repetition does not show.
_REPEATS_FROM_PX = 700
# Sides of the blocks in which a CPU paints: small ones stay in its cache, and fewer layers show in them.
_BLOCK_PX = 480


@dataclass(frozen=True)
class GroundLayer:
    """``albedo`` [B, 3, h, w] linear reflectance 0..1; ``shade`` [B, 1, h, w] share of direct sun that arrives (1 on level
    open ground, up to 1.8 on facets turned to the sun); ``light`` [B, 1, h, w] the same without the texture's relief: what
    reaches a flat thing lying there."""

    albedo: torch.Tensor
    shade: torch.Tensor
    light: torch.Tensor

    def part(self, some: slice) -> GroundLayer:
        """Some of the grounds, as views."""
        return GroundLayer(self.albedo[some], self.shade[some], self.light[some])

    def window(self, row: int, column: int, rows: int, columns: int) -> GroundLayer:
        """A window of each ground, as views."""
        where = (..., slice(row, row + rows), slice(column, column + columns))
        return GroundLayer(self.albedo[where], self.shade[where], self.light[where])


def paint_ground(
    specs: Sequence[GroundSpec],
    height_px: int,
    width_px: int,
    device: torch.device | str = "cpu",
    window: tuple[int, int, int, int] | None = None,
    shadow_px_per_m: Sequence[tuple[float, float]] | None = None,
    out: GroundLayer | None = None,
    rows: Sequence[int] | None = None,
) -> GroundLayer:
    """Paint grounds of ``height_px`` x ``width_px``, or only the ``window`` (y0, x0, h, w) of each.

    ``shadow_px_per_m`` (x, y) gives for each ground where the shadow of a point one metre up falls (see
    ``synth.daylight.shadow_px_per_m``); left out, the spec's own is used. Planes given as ``out`` are painted on, the
    grounds into its pictures ``rows`` (into all of them, in order, if left out).
    """
    place = window or (0, 0, height_px, width_px)
    mix_pieces = max(height_px, width_px) > _REPEATS_FROM_PX
    where = torch.device(device)
    make_ready(_tiles(specs, mix_pieces), all_cores=where.type != "cpu")
    shadows = list(shadow_px_per_m) if shadow_px_per_m is not None else [spec.shadow_px_per_m for spec in specs]
    if out is None:
        planes = (torch.empty((len(specs), count, *place[2:]), device=where) for count in (3, 1, 1))
        out = GroundLayer(*planes)
    nodes = Nodes(place, where)
    into = rows if rows is not None else range(len(specs))
    if at_once(where):
        # Deepest first: the k-th layers are then those of the first grounds, without copying.
        order = sorted(range(len(specs)), key=lambda b: -len(specs[b].layers))
        specs, shadows = [specs[b] for b in order], [shadows[b] for b in order]
        planes = (torch.empty((len(specs), count, *place[2:]), device=where) for count in (3, 1, 1))
        painted = GroundLayer(*planes)
        _paint(specs, shadows, nodes, coarse_fields(specs, shadows, nodes), mix_pieces, painted)
        back = torch.tensor([into[b] for b in order], device=where)
        for plane, one in ((out.albedo, painted.albedo), (out.shade, painted.shade), (out.light, painted.light)):
            plane.index_copy_(0, back, one)
        return out
    keep_freed_memory()
    # One by one, so that a picture stays in the cache.
    coarse = coarse_fields(specs, shadows, nodes)
    for i in range(len(specs)):
        some = slice(i, i + 1)
        row = out.part(slice(into[i], into[i] + 1))
        _paint_blocks(specs[i], shadows[i], nodes, coarse.part(some), mix_pieces, row)
    return out


def paint_seen(
    spec: GroundSpec, size_px: tuple[int, int], nodes: Nodes, shadow: tuple[float, float], out: GroundLayer
) -> None:
    """Paint one ground of ``size_px`` (height, width) on the CPU as a frame sees it, whose ``nodes`` have places on it."""
    keep_freed_memory()
    mix_pieces = max(size_px) > _REPEATS_FROM_PX
    make_ready(_tiles([spec], mix_pieces))
    _paint_blocks(spec, shadow, nodes, coarse_fields([spec], [shadow], nodes), mix_pieces, out)


def _tiles(specs: Sequence[GroundSpec], mix_pieces: bool) -> list[tuple[str, int, int]]:
    """Tiles that grounds need: kind, variant, step of scale."""
    return [
        (layer.kind, (layer.variant + second) % VARIANTS, gsd_step(spec.gsd_m))
        for spec in specs
        for layer in spec.layers
        for second in range(1 + mix_pieces)
    ]


def _paint_blocks(
    spec: GroundSpec,
    shadow: tuple[float, float],
    nodes: Nodes,
    coarse: CoarseFields,
    mix_pieces: bool,
    out: GroundLayer,
) -> None:
    """Paint one ground block by block."""
    y0, x0 = nodes.window[:2]
    numbers = LayerNumbers([spec], [[layer] for layer in spec.layers], nodes.x.device)
    for block in nodes.blocks(_BLOCK_PX):
        y, x, h, w = block.window
        fields = coarse.inside(*nodes.inside(block.window))
        _paint([spec], [shadow], block, fields, mix_pieces, out.window(y - y0, x - x0, h, w), numbers)


def _paint(
    specs: list[GroundSpec],
    shadows: list[tuple[float, float]],
    nodes: Nodes,
    coarse: CoarseFields,
    mix_pieces: bool,
    out: GroundLayer,
    numbers: LayerNumbers | None = None,
) -> None:
    """Paint grounds that are sorted by depth, deepest first."""
    device, window = nodes.x.device, nodes.window
    levels = [[spec.layers[k] for spec in specs if k < len(spec.layers)] for k in range(len(specs[0].layers))]
    alone = not at_once(device)
    whole = (0, 0, *window[2:])
    boxes, solid = dict.fromkeys(range(len(levels)), whole), set[int]()
    if alone:
        boxes, solid = reach_boxes(specs[0], coarse.masks[0], nodes)
    field = _enlarged(nodes, coarse, list(boxes), mix_pieces, alone)
    if alone:
        distances = {k: field["layers"][:, place, None] for place, k in enumerate(boxes)}
    else:
        distances = {k: nodes.enlarge(coarse.masks[: len(level), k, None]) for k, level in enumerate(levels)}
    places = None
    if nodes.places is not None:
        places = Places(nodes)
        crops: TileCrops | SeenTiles = SeenTiles(places.at, places.start, levels, specs[0], shadows[0])
    else:
        crops = TileCrops(window, device, levels, specs, shadows, "piece" in field)
    pieces = Pieces(crops, field.get("piece"), _only_second(coarse) if alone and mix_pieces else False)
    numbers = numbers or LayerNumbers(specs, levels, device)
    picture = _Picture(specs, levels, window, field, pieces, numbers, places, out)
    if not boxes:
        picture.clear()
    for place, (k, box) in enumerate(boxes.items()):
        picture.lay(k, place, box, distances[k], k in solid)
    picture.finish()


def _enlarged(
    nodes: Nodes, coarse: CoarseFields, layers: Sequence[int], mix_pieces: bool, alone: bool
) -> dict[str, torch.Tensor]:
    """Fields at every pixel of a window, by name; without those that change nothing where a ground is painted ``alone``."""
    slow, shadow, dome, waves = coarse.slow[:, :2], coarse.shadow, coarse.dome, coarse.waves
    piece = coarse.slow[:, 2:3].mul(_PIECE_STEEPNESS).add_(0.5) if mix_pieces else None
    groups = {"slow": slow, "waves": waves, "piece": piece, "shadow": shadow, "dome": dome}
    if alone:
        groups["layers"] = coarse.masks[:, layers]
        if shadow is not None and float(shadow.max()) <= -0.5 * _PENUMBRA_PX:
            del groups["shadow"]
        for name, group in (("dome", dome), ("waves", waves)):
            if group is not None and not bool(group.any()):
                del groups[name]
        if piece is not None and (float(piece.max()) <= 0 or float(piece.min()) >= 1):
            del groups["piece"]
    there = {name: group for name, group in groups.items() if group is not None}
    large = nodes.enlarge(torch.cat(list(there.values()), 1)).split([g.shape[1] for g in there.values()], 1)
    field = dict(zip(there, large, strict=True))
    if "piece" in field:
        field["piece"] = field["piece"].clamp(0, 1)
    return field


# How abruptly one piece of a tile takes over from the other.
_PIECE_STEEPNESS = 3.0


def _only_second(coarse: CoarseFields) -> bool:
    """Whether a window shows only the second piece of its tiles."""
    return float(coarse.slow[:, 2].min()) * _PIECE_STEEPNESS + 0.5 >= 1


class Places:
    """Where the pixels of a window lie on a ground that a camera sees: ``at`` [2, h, w] (x, y) pixels from ``start``."""

    def __init__(self, nodes: Nodes) -> None:
        assert nodes.places is not None
        # Any pixel near by will do; a whole number keeps every place exact.
        x, y = (math.floor(v) for v in nodes.places[:, 0, 0].tolist())
        self.start = (x, y)
        near = (nodes.places - torch.tensor([x, y], dtype=torch.float64)[:, None, None]).float()
        self.at = nodes.enlarge(near[None])[0]

    def part(self, box: Box) -> tuple[torch.Tensor, torch.Tensor]:
        """Ground pixels x and y [h, w] of a box."""
        x, y = self.at[:, box[0] : box[0] + box[2], box[1] : box[1] + box[3]]
        return x + self.start[0], y + self.start[1]


class Pieces:
    """Tiles of a window: one piece of each, the other, or a mixture by a ``share`` [B, 1, h, w] 0..1 of the second."""

    def __init__(self, crops: TileCrops | SeenTiles, share: torch.Tensor | None, second: bool) -> None:
        self.crops, self.share, self.second = crops, share, second

    def planes(self, k: int, box: Box) -> list[torch.Tensor]:
        """Codes of tone, mix and relief of level ``k`` [b, 1, h, w] each in a box of the window."""
        cut = self.crops.planes(k, box, self.second)
        if self.share is not None:
            top, left, rows, columns = box
            share = self.share[: len(cut[0]), :, top : top + rows, left : left + columns]
            for plane, other in zip(cut, self.crops.planes(k, box, True), strict=True):
                plane.lerp_(other, share)
        return cut


class _Picture:
    """Grounds being painted, layer over layer; a layer works only on its box of the window."""

    def __init__(
        self,
        specs: Sequence[GroundSpec],
        levels: Sequence[Sequence[Layer]],
        window: tuple[int, int, int, int],
        field: dict[str, torch.Tensor],
        crops: Pieces,
        constants: LayerNumbers,
        places: Places | None,
        out: GroundLayer,
    ) -> None:
        self.specs, self.levels, self.window, self.field = specs, levels, window, field
        self.crops, self.constants, self.places, self.out = crops, constants, places, out
        self.raised: torch.Tensor | None = None
        self.covers: dict[int, torch.Tensor] = {}
        self.needed = {layer.within for spec in specs for layer in spec.layers if layer.within is not None}

    def lay(self, k: int, place: int, box: Box, distance: torch.Tensor, solid: bool) -> None:
        """Paint level ``k`` of the grounds that have one, the ``place``-th to be laid, by distances [b, 1, h, w]; ``solid``:
        it covers all of the window."""
        layers = self.levels[k]
        numbers = self.constants.at(k)
        part = (slice(0, len(layers)), ..., slice(box[0], box[0] + box[2]), slice(box[1], box[1] + box[3]))
        tone, mix, lit = self.crops.planes(k, box)
        first = place == 0 and (solid or all(layer.covers_all for layer in layers))
        cover = None if first else self._cover(k, place, part, distance[part], tone, numbers)
        if not any(layer.drawn for layer in layers):
            return
        brightness, drift = self.field["slow"][:, 0:1][part], self.field["slow"][:, 1:2][part]
        if k == 0 and "waves" in self.field:
            brightness = brightness + self.field["waves"][part]
        colour = layer_colour(tone, mix, brightness, drift, numbers, self.out.albedo if first else None)
        if any(layer.joints is not None for layer in layers):
            draw_joints(colour, layers, self.specs, *self._pixels(box))
        if cover is None:
            torch.mul(lit, numbers["relief"], out=self.out.shade).add_(1)
            return
        if not all(layer.drawn for layer in layers):
            cover = cover * numbers["drawn"]
        self.out.albedo[part].lerp_(colour, cover)
        self.out.shade[part].lerp_(lit.mul_(numbers["relief"]).add_(1), cover)
        if any(layer.height_m > 0 for layer in layers):
            if self.raised is None:
                self.raised = torch.zeros_like(self.out.shade)
            over = cover * numbers["raised"]
            # Towards 1 by that share.
            self.raised[part].addcmul_(1 - self.raised[part], over)

    def _cover(
        self,
        k: int,
        place: int,
        part: tuple[Any, ...],
        distance: torch.Tensor,
        tone: torch.Tensor,
        numbers: dict[str, torch.Tensor],
    ) -> torch.Tensor:
        """Share of each pixel of its box that level ``k`` covers, kept where later layers are bounded by it."""
        if place == 0:
            self.clear()
        limits = {index: cover[part] for index, cover in self.covers.items()}
        cover = layer_cover(distance, tone, self.levels[k], numbers, limits)
        if k in self.needed:
            self.covers[k] = torch.zeros_like(self.out.shade)
            self.covers[k][part] = cover
        return cover

    def _pixels(self, box: Box) -> tuple[torch.Tensor, torch.Tensor]:
        """Ground pixels x and y of a box, [h, w] together."""
        if self.places is not None:
            return self.places.part(box)
        device = self.out.albedo.device
        y, x = (
            torch.arange(box[2 + k], device=device, dtype=torch.float32) + (self.window[k] + box[k] + 0.5)
            for k in (0, 1)
        )
        return x, y.view(-1, 1)

    def clear(self) -> None:
        """Nothing lies there yet."""
        self.out.albedo.zero_()
        self.out.shade.zero_()

    def finish(self) -> None:
        """Add cast shadows and what standing layers do to the light."""
        self.out.light.fill_(1)
        if "shadow" in self.field or "dome" in self.field:
            light = _arriving(self.field.get("shadow"), self.field.get("dome"), self.raised, self.specs)
            self.out.light.copy_(light)
            self.out.shade.mul_(light)
        self.out.albedo.clamp_(0.004, 1.0)
        self.out.shade.clamp_(0.0, 1.8)


def _arriving(
    shadow: torch.Tensor | None,
    dome: torch.Tensor | None,
    raised: torch.Tensor | None,
    specs: Sequence[GroundSpec],
) -> torch.Tensor:
    """Share of direct sun that arrives [B, 1, h, w], before the relief of the texture."""
    if shadow is None:
        assert dome is not None
        return torch.ones_like(dome) if raised is None else (raised * dome).mul_(0.45).add_(1)
    density = torch.tensor([-spec.shade_density for spec in specs], device=shadow.device).view(-1, 1, 1, 1)
    light = (shadow * (1 / _PENUMBRA_PX)).add_(0.5).clamp_(0, 1).mul_(density).add_(1)
    if raised is None:
        return light
    top = 1 - light if dome is None else (1 - light).add_(dome, alpha=0.45)
    return light.addcmul_(raised, top)


# Softness of a cast shadow's rim: the sun's half degree over some metres, and leaves (common practice, no source).
_PENUMBRA_PX = 5.0
