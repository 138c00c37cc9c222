"""Procedural ground: sampled as a GroundSpec, painted as reflectance and shade, in windows without seams.

The fine texture comes from tiles (``synth.ground_tiles``), the layout from distance fields (``synth.ground_fields``), the
choice from ``synth.ground_draw``. On the CPU grounds are painted one by one, so that a picture stays in the cache; on a GPU
all together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import torch

from synth.ground_draw import sample_ground
from synth.ground_fields import Nodes
from synth.ground_layout import NOTHING, RAGGED_DEVIATIONS, Box, coarse_fields, reach_boxes, wave_fields
from synth.ground_spec import GroundSpec, Joints, Layer
from synth.ground_tiles import MIX_OFFSET, MIX_SCALE, RELIEF_SCALE, TONE_SCALE
from synth.tile_crops import TileCrops

__all__ = ["GroundLayer", "GroundSpec", "paint_ground", "sample_ground"]

# Frames wider than this mix two pieces of each tile, so that its repetition does not show.
_REPEATS_FROM_PX = 700
# A layer that ends further than this many softness lengths from the window is left out of it.


@dataclass(frozen=True)
class GroundLayer:
    """``albedo`` [B, 3, h, w] linear reflectance 0..1; ``shade`` [B, 1, h, w] share of direct sun that arrives (1 on level
    open ground, up to 1.8 on facets turned to the sun); ``light`` [B, 1, h, w] the same without the texture's relief: what
    reaches a flat thing lying there."""

    albedo: torch.Tensor
    shade: torch.Tensor
    light: torch.Tensor


def paint_ground(
    specs: Sequence[GroundSpec],
    height_px: int,
    width_px: int,
    device: torch.device | str = "cpu",
    window: tuple[int, int, int, int] | None = None,
    shadow_px_per_m: Sequence[tuple[float, float]] | None = None,
) -> GroundLayer:
    """Paint grounds of ``height_px`` x ``width_px``, or only the ``window`` (y0, x0, h, w) of each.

    ``shadow_px_per_m`` (x, y) gives for each ground where the shadow of a point one metre up falls (see
    ``synth.daylight.shadow_px_per_m``); left out, the spec's own is used.
    """
    place = window or (0, 0, height_px, width_px)
    mix_pieces = max(height_px, width_px) > _REPEATS_FROM_PX
    where = torch.device(device)
    shadows = list(shadow_px_per_m) if shadow_px_per_m is not None else [spec.shadow_px_per_m for spec in specs]
    if where.type == "cpu" and len(specs) > 1:
        parts = [_paint([spec], [s], place, where, mix_pieces) for spec, s in zip(specs, shadows, strict=True)]
        return GroundLayer(*(torch.cat([getattr(p, name) for p in parts]) for name in ("albedo", "shade", "light")))
    return _paint(list(specs), shadows, place, where, mix_pieces)


def _paint(
    specs: list[GroundSpec],
    shadows: list[tuple[float, float]],
    window: tuple[int, int, int, int],
    device: torch.device,
    mix_pieces: bool,
) -> GroundLayer:
    nodes = Nodes(window, device)
    depth = max(len(spec.layers) for spec in specs)
    masks, slow, shadow, dome = coarse_fields(specs, shadows, nodes, depth)
    whole = (0, 0, *window[2:])
    alone = device.type == "cpu" and len(specs) == 1
    boxes = reach_boxes(specs[0], masks[0], nodes) if alone else dict.fromkeys(range(depth), whole)
    groups = {
        "layers": masks[:, list(boxes)],
        "slow": slow if mix_pieces else slow[:, :2],
        "shadow": shadow,
        "dome": dome,
        "waves": wave_fields(specs, nodes, slow),
    }
    there = {name: group for name, group in groups.items() if group is not None}
    large = nodes.enlarge(torch.cat(list(there.values()), 1)).split([g.shape[1] for g in there.values()], 1)
    field = dict(zip(there, large, strict=True))
    piece = field["slow"][:, 2:3].mul(3).add_(0.5).clamp_(0, 1) if mix_pieces else None
    picture = _Picture(specs, shadows, window, field, piece, LayerNumbers(specs, depth, device))
    for place, (k, box) in enumerate(boxes.items()):
        picture.lay(k, place, box)
    return picture.finished()


class _Picture:
    """Grounds being painted, layer over layer; a layer works only on its box of the window."""

    def __init__(
        self,
        specs: Sequence[GroundSpec],
        shadows: Sequence[tuple[float, float]],
        window: tuple[int, int, int, int],
        field: dict[str, torch.Tensor],
        piece: torch.Tensor | None,
        constants: LayerNumbers,
    ) -> None:
        self.specs, self.shadows, self.window, self.field, self.constants = specs, shadows, window, field, constants
        device = field["slow"].device
        self.crops = TileCrops(window, device, piece)
        self.albedo = torch.zeros((len(specs), 3, *window[2:]), device=device)
        self.shade = torch.zeros((len(specs), 1, *window[2:]), device=device)
        self.raised = torch.zeros_like(self.shade)
        self.covers: dict[int, torch.Tensor] = {}
        self.needed = {layer.within for spec in specs for layer in spec.layers if layer.within is not None}

    def lay(self, k: int, place: int, box: Box) -> None:
        """Paint layer ``k`` of every ground, whose distances are field ``place``."""
        layers = [spec.layers[k] if k < len(spec.layers) else NOTHING for spec in self.specs]
        numbers = self.constants.at(k)
        part = (..., slice(box[0], box[0] + box[2]), slice(box[1], box[1] + box[3]))
        tone, mix, lit = self.crops.planes(layers, self.specs, self.shadows, box)
        limits = {index: cover[part] for index, cover in self.covers.items()}
        cover = _cover(self.field["layers"][:, place, None][part], tone, layers, numbers, limits)
        if k in self.needed:
            self.covers[k] = torch.zeros_like(self.shade)
            self.covers[k][part] = cover
        if not any(layer.drawn for layer in layers):
            return
        brightness, drift = self.field["slow"][:, 0:1][part], self.field["slow"][:, 1:2][part]
        if k == 0 and "waves" in self.field:
            brightness = brightness + self.field["waves"][part]
        colour = _colour(tone, mix, brightness, drift, numbers)
        _draw_joints(colour, layers, self.specs, (self.window[0] + box[0], self.window[1] + box[1], *box[2:]))
        self.albedo[part].lerp_(colour, cover)
        self.shade[part].lerp_(lit.mul_(numbers["relief"]).add_(1), cover)
        if any(layer.height_m > 0 for layer in layers):
            over = cover * numbers["raised"]
            self.raised[part].lerp_(torch.ones_like(over), over)

    def finished(self) -> GroundLayer:
        """Reflectance, shade and light, cast shadows included."""
        light = torch.ones_like(self.shade)
        if "shadow" in self.field:
            light = _arriving(self.field["shadow"], self.field.get("dome"), self.raised, self.specs)
            self.shade.mul_(light)
        return GroundLayer(self.albedo.clamp_(0.004, 1.0), self.shade.clamp_(0.0, 1.8), light)


class LayerNumbers:
    """Constants of the layers of a batch: ``at(k)`` gives those of layer k by name, [B, 1, 1, 1] (colours [B, 3, 1, 1])."""

    def __init__(self, specs: Sequence[GroundSpec], depth: int, device: torch.device) -> None:
        rows = [
            [_numbers(spec.layers[k] if k < len(spec.layers) else NOTHING, spec) for spec in specs]
            for k in range(depth)
        ]
        self._table = torch.tensor(rows, device=device).view(depth, len(specs), -1, 1, 1, 1)

    def at(self, k: int) -> dict[str, torch.Tensor]:
        """Numbers of layer ``k`` of every ground."""
        table = self._table[k]
        found = dict(zip(_NUMBER_NAMES, table.unbind(1), strict=False))
        n = len(_NUMBER_NAMES)
        found["colour"], found["change"] = table[:, n : n + 3, 0], table[:, n + 3 : n + 6, 0]
        return found


def _numbers(layer: Layer, spec: GroundSpec) -> tuple[float, ...]:
    soft_px = max(layer.soft_m / spec.gsd_m, 1.0)
    return (
        layer.tone * TONE_SCALE,
        layer.relief * RELIEF_SCALE,
        MIX_SCALE,
        MIX_OFFSET + layer.mix_shift,
        layer.mix_blotch,
        spec.blotch,
        1 / soft_px,
        layer.ragged_m / spec.gsd_m / soft_px * TONE_SCALE / _TONE_DEVIATION,
        layer.opacity,
        1.0 if layer.mask.folds else 0.0,
        layer.mask.size_m[0] / spec.gsd_m,
        1.0 if layer.height_m > 0 and layer.drawn else 0.0,
        *layer.colour,
        *(b - a for a, b in zip(layer.colour, layer.other, strict=True)),
    )


_NUMBER_NAMES: tuple[str, ...] = (
    "tone",
    "relief",
    "mix",
    "mix_at",
    "mix_drift",
    "blotch",
    "steepness",
    "ragged",
    "opacity",
    "folds",
    "half_width_px",
    "raised",
)
# Deviation of a tile's tone at which ``ragged_m`` is counted.
_TONE_DEVIATION = 0.15
_RAGGED_CODE = RAGGED_DEVIATIONS * _TONE_DEVIATION / TONE_SCALE


def _cover(
    field: torch.Tensor,
    tone: torch.Tensor,
    layers: Sequence[Layer],
    numbers: dict[str, torch.Tensor],
    covers: dict[int, torch.Tensor],
) -> torch.Tensor:
    """Share 0..1 of each pixel that the layer covers: [B, 1, h, w]."""
    if any(layer.mask.folds for layer in layers):
        field = torch.where(numbers["folds"] > 0, numbers["half_width_px"] - field.abs(), field)
    cover = field * numbers["steepness"]
    if any(layer.ragged_m for layer in layers):
        cover.addcmul_(tone.clamp(-_RAGGED_CODE, _RAGGED_CODE), numbers["ragged"])
    cover.add_(0.5).clamp_(0, 1)
    if any(layer.opacity < 1 for layer in layers):
        cover *= numbers["opacity"]
    for k, limit in covers.items():
        bounded = [layer.within == k for layer in layers]
        if all(bounded):
            cover *= limit
        elif any(bounded):
            cover = torch.where(torch.tensor(bounded, device=cover.device).view(-1, 1, 1, 1), cover * limit, cover)
    return cover


def _colour(
    tone: torch.Tensor,
    mix: torch.Tensor,
    brightness: torch.Tensor,
    drift: torch.Tensor,
    numbers: dict[str, torch.Tensor],
) -> torch.Tensor:
    """Reflectance [B, 3, h, w] of a layer's material (``mix`` is used up)."""
    share = mix.mul_(numbers["mix"]).addcmul_(drift, numbers["mix_drift"]).add_(numbers["mix_at"]).clamp_(-0.1, 1.2)
    level = (tone * numbers["tone"]).addcmul_(brightness, numbers["blotch"]).add_(1).clamp_(min=0.12)
    return (share * numbers["change"]).add_(numbers["colour"]).clamp_(min=0.004).mul_(level)


def _draw_joints(
    colour: torch.Tensor,
    layers: Sequence[Layer],
    specs: Sequence[GroundSpec],
    window: tuple[int, int, int, int],
) -> None:
    """Darken the joints of paved layers in place."""
    y0, x0, h, w = window
    for b, (layer, spec) in enumerate(zip(layers, specs, strict=True)):
        if layer.joints is None:
            continue
        joints: Joints = layer.joints
        y = torch.arange(y0, y0 + h, device=colour.device, dtype=torch.float32).view(-1, 1) + 0.5
        x = torch.arange(x0, x0 + w, device=colour.device, dtype=torch.float32) + 0.5
        c, s = math.cos(joints.angle), math.sin(joints.angle)
        half = joints.width_m / spec.gsd_m / 2
        line = torch.zeros((h, w), device=colour.device)
        for distance, period_m in ((x * c + y * s, joints.period_m[0]), (y * c - x * s, joints.period_m[1])):
            if period_m <= 0:
                continue
            period = period_m / spec.gsd_m
            off = (distance - period * torch.round(distance / period)).abs_()
            # Cover of a thin line by a pixel: its width where it is thinner than one.
            line = torch.maximum(line, (half + 0.5 - off).clamp_(0, min(1.0, 2 * half)))
        colour[b] *= 1 - joints.depth * line


def _arriving(
    shadow: torch.Tensor, dome: torch.Tensor | None, raised: torch.Tensor, specs: Sequence[GroundSpec]
) -> torch.Tensor:
    """Share of direct sun that arrives [B, 1, h, w], before the relief of the texture."""
    density = torch.tensor([spec.shade_density for spec in specs], device=shadow.device).view(-1, 1, 1, 1)
    light = 1 - (shadow * (1 / _PENUMBRA_PX)).add_(0.5).clamp_(0, 1).mul_(density)
    top = 1 - light if dome is None else 1 + 0.45 * dome - light
    return light.addcmul_(raised, top)


# Softness of a cast shadow's rim: the sun's half degree over some metres, and leaves (common practice, no source).
_PENUMBRA_PX = 5.0
