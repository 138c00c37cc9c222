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
from synth.ground_fields import STEP_PX, Nodes, mask_fields, noise_field
from synth.ground_spec import GroundSpec, Joints, Layer
from synth.ground_tiles import MIX_OFFSET, MIX_SCALE, RELIEF_SCALE, TONE_SCALE
from synth.tile_crops import TileCrops

__all__ = ["GroundLayer", "GroundSpec", "paint_ground", "sample_ground"]

# Frames wider than this mix two pieces of each tile, so that its repetition does not show.
_REPEATS_FROM_PX = 700
# A layer that ends further than this many softness lengths from the window is left out of it.
_OUT_OF_REACH = 3.0


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
    masks = _layer_fields(specs, nodes, depth)
    used = _in_reach(specs, masks) if device.type == "cpu" else list(range(depth))
    slow = _slow_fields(specs, nodes)
    shadow, dome = _shadow_fields(specs, shadows, nodes, masks)
    fields = nodes.enlarge(torch.cat([masks[:, used], slow, shadow, dome], 1))
    brightness, drift, piece, shadow, dome = (fields[:, len(used) + i, None] for i in range(5))
    crops = TileCrops(window, device, piece.mul(3).add_(0.5).clamp_(0, 1) if mix_pieces else None)
    albedo = torch.zeros((len(specs), 3, *window[2:]), device=device)
    shade = torch.zeros((len(specs), 1, *window[2:]), device=device)
    raised = torch.zeros_like(shade)
    covers: dict[int, torch.Tensor] = {}
    needed = {layer.within for spec in specs for layer in spec.layers if layer.within is not None}
    for place, k in enumerate(used):
        layers = [spec.layers[k] if k < len(spec.layers) else _NOTHING for spec in specs]
        numbers = LayerNumbers(layers, specs, device)
        tone, mix, lit = crops.planes(layers, specs, shadows)
        cover = _cover(fields[:, place, None], tone, layers, numbers, covers)
        if k in needed:
            covers[k] = cover
        if not any(layer.drawn for layer in layers):
            continue
        colour = _colour(tone, mix, brightness, drift, numbers)
        _draw_joints(colour, layers, specs, window)
        albedo.lerp_(colour, cover)
        shade.lerp_(lit.mul_(numbers["relief"]).add_(1), cover)
        if any(layer.height_m > 0 for layer in layers):
            raised.lerp_(torch.ones_like(raised), cover * numbers["raised"])
    light = _arriving(shadow, dome, raised, specs, any_raised=any(l.height_m > 0 for s in specs for l in s.layers))
    return GroundLayer(albedo.clamp_(0.004, 1.0), shade.mul_(light).clamp_(0.0, 1.8), light)


_NOTHING = Layer("soil", (0.0, 0.0, 0.0), (0.0, 0.0, 0.0), opacity=0.0, drawn=False)


class LayerNumbers:
    """Constants of one layer of every ground in a batch, as tensors [B, 1, 1, 1] (colours [B, 3, 1, 1]), by name."""

    def __init__(self, layers: Sequence[Layer], specs: Sequence[GroundSpec], device: torch.device) -> None:
        rows = []
        for layer, spec in zip(layers, specs, strict=True):
            soft_px = max(layer.soft_m / spec.gsd_m, 1.0)
            folds = layer.mask.folds
            rows.append(
                (
                    layer.tone * TONE_SCALE,
                    layer.relief * RELIEF_SCALE,
                    MIX_SCALE,
                    MIX_OFFSET + layer.mix_shift,
                    layer.mix_blotch,
                    spec.blotch,
                    1 / soft_px,
                    layer.ragged_m / spec.gsd_m / soft_px * TONE_SCALE / _TONE_DEVIATION,
                    layer.opacity,
                    1.0 if folds else 0.0,
                    layer.mask.size_m[0] / spec.gsd_m,
                    1.0 if layer.height_m > 0 and layer.drawn else 0.0,
                    *layer.colour,
                    *(b - a for a, b in zip(layer.colour, layer.other, strict=True)),
                )
            )
        table = torch.tensor(rows, device=device)
        self._numbers = {name: table[:, i].view(-1, 1, 1, 1) for i, name in enumerate(_NUMBER_NAMES)}
        self._numbers["colour"] = table[:, 12:15].view(-1, 3, 1, 1)
        self._numbers["change"] = table[:, 15:18].view(-1, 3, 1, 1)

    def __getitem__(self, name: str) -> torch.Tensor:
        return self._numbers[name]


_NUMBER_NAMES = (
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


def _layer_fields(specs: Sequence[GroundSpec], nodes: Nodes, depth: int) -> torch.Tensor:
    """Signed distances of all layers [B, depth, *nodes.count]."""
    masks = [s.layers[k].mask if k < len(s.layers) else _NOTHING.mask for s in specs for k in range(depth)]
    gsd_m = [s.gsd_m for s in specs for _ in range(depth)]
    return mask_fields(masks, gsd_m, nodes).view(len(specs), depth, *nodes.count)


def _in_reach(specs: Sequence[GroundSpec], masks: torch.Tensor) -> list[int]:
    """Layers that touch the window (one ground)."""
    (spec,) = specs
    needed = {layer.within for layer in spec.layers}
    used = []
    for k, layer in enumerate(spec.layers):
        field = masks[0, k]
        reach = _OUT_OF_REACH * (layer.soft_m + layer.ragged_m) / spec.gsd_m + STEP_PX
        if layer.mask.folds:
            half = layer.mask.size_m[0] / spec.gsd_m
            low, high = (float(v) for v in torch.aminmax(field))
            touches = low < half + reach and high > -half - reach
        else:
            touches = float(field.max()) > -reach
        if touches and (layer.drawn or k in needed):
            used.append(k)
    # A layer bounded by one out of reach is out of reach itself.
    return [k for k in used if spec.layers[k].within is None or spec.layers[k].within in used]


def _slow_fields(specs: Sequence[GroundSpec], nodes: Nodes) -> torch.Tensor:
    """Brightness (waves included), drift of the mixture, and which piece of a tile: [B, 3, *nodes.count]."""
    device = nodes.x.device
    scales = [scale for s in specs for scale in (s.blotch_scale_m / s.gsd_m, 0.6 * s.blotch_scale_m / s.gsd_m, 500.0)]
    seeds = [float((s.seed * 3 + i) % 1000003) for s in specs for i in range(3)]
    n = len(scales)
    x = nodes.x.view(1, 1, -1).expand(n, *nodes.count)
    y = nodes.y.view(1, -1, 1).expand(n, *nodes.count)
    slow = noise_field(
        x,
        y,
        torch.tensor(scales, dtype=torch.float64, device=device),
        torch.tensor(seeds, dtype=torch.float64, device=device),
    )
    slow = slow.view(len(specs), 3, *nodes.count).clone()
    for b, spec in enumerate(specs):
        if spec.waves is not None and spec.blotch > 0:
            w = spec.waves
            across = nodes.y.view(-1, 1) * math.cos(w.angle) - nodes.x * math.sin(w.angle)
            wave = torch.sin(across * (2 * math.pi * spec.gsd_m / w.period_m) + 0.35 * slow[b, 1])
            wave = wave * (1 + 4 * w.sharp) / (1 + 4 * w.sharp * wave.abs())
            slow[b, 0] += wave * (w.depth / spec.blotch)
    return slow


def _shadow_fields(
    specs: Sequence[GroundSpec], shadows: Sequence[tuple[float, float]], nodes: Nodes, masks: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor]:
    """Two fields [B, 1, *nodes.count]: signed distance into cast shadow, and how standing layers turn to the sun (-1..1)."""
    device = nodes.x.device
    shadow = torch.full((len(specs), 1, *nodes.count), -1.0e4, device=device)
    dome = torch.zeros_like(shadow)
    moved, shifts, owners = [], [], []
    for b, (spec, towards) in enumerate(zip(specs, shadows, strict=True)):
        for k, layer in enumerate(spec.layers):
            if layer.height_m <= 0 or layer.mask.folds:
                continue
            for share in (0.5, 1.0) if layer.height_m * math.hypot(*towards) > 12 else (1.0,):
                moved.append((layer.mask, spec.gsd_m))
                shifts.append((towards[0] * layer.height_m * share, towards[1] * layer.height_m * share))
                owners.append((b, None))
            if layer.drawn and layer.mask.form == "crowns":
                step = 8.0 / max(math.hypot(*towards), 1e-6)
                moved.append((layer.mask, spec.gsd_m))
                shifts.append((towards[0] * step, towards[1] * step))
                owners.append((b, k))
    if not moved:
        return shadow, dome
    found = mask_fields([m for m, _ in moved], [g for _, g in moved], nodes, torch.tensor(shifts, device=device))
    for (b, k), field in zip(owners, found, strict=True):
        if k is None:
            shadow[b, 0] = torch.maximum(shadow[b, 0], field)
        else:
            inside = masks[b, k] > -STEP_PX
            dome[b, 0] = torch.where(inside, ((masks[b, k] - field) / -8.0).clamp(-1, 1), dome[b, 0])
    return shadow, dome


def _cover(
    field: torch.Tensor,
    tone: torch.Tensor,
    layers: Sequence[Layer],
    numbers: LayerNumbers,
    covers: dict[int, torch.Tensor],
) -> torch.Tensor:
    """Share 0..1 of each pixel that the layer covers: [B, 1, h, w]."""
    if any(layer.mask.folds for layer in layers):
        field = torch.where(numbers["folds"] > 0, numbers["half_width_px"] - field.abs(), field)
    cover = field * numbers["steepness"]
    if any(layer.ragged_m for layer in layers):
        cover.addcmul_(tone, numbers["ragged"])
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
    tone: torch.Tensor, mix: torch.Tensor, brightness: torch.Tensor, drift: torch.Tensor, numbers: LayerNumbers
) -> torch.Tensor:
    """Reflectance [B, 3, h, w] of a layer's material (``mix`` is used up)."""
    share = mix.mul_(numbers["mix"]).addcmul_(drift, numbers["mix_drift"]).add_(numbers["mix_at"]).clamp_(-0.5, 1.5)
    level = (tone * numbers["tone"]).addcmul_(brightness, numbers["blotch"]).add_(1).clamp_(min=0.12)
    return (share * numbers["change"]).add_(numbers["colour"]).clamp_(min=0.004).mul_(level)


def _draw_joints(
    colour: torch.Tensor, layers: Sequence[Layer], specs: Sequence[GroundSpec], window: tuple[int, int, int, int]
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
    shadow: torch.Tensor, dome: torch.Tensor, raised: torch.Tensor, specs: Sequence[GroundSpec], any_raised: bool
) -> torch.Tensor:
    """Share of direct sun that arrives [B, 1, h, w], before the relief of the texture."""
    density = torch.tensor([spec.shade_density for spec in specs], device=shadow.device).view(-1, 1, 1, 1)
    light = 1 - (shadow * (1 / _PENUMBRA_PX)).add_(0.5).clamp_(0, 1).mul_(density)
    if any_raised:
        light = light + raised * (1 + 0.45 * dome - light)
    return light


# Softness of a cast shadow's rim: the sun's half degree over some metres, and leaves (common practice, no source).
_PENUMBRA_PX = 5.0
