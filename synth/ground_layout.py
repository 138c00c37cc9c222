"""Layout of grounds on the coarse grid: masks, slow changes, cast shadow, slopes, stripes; and what of it a window sees."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import torch

from synth.ground_fields import FAR_PX, STEP_PX, Nodes, Noise, PlacedMask, mask_fields, noise_fields
from synth.ground_spec import GroundSpec, Layer

# (first row, first column, rows, columns) within a window
Box = tuple[int, int, int, int]
# Deviations of a tile's tone up to which it moves a ragged border.
RAGGED_DEVIATIONS = 2.5
_DOME_STEP_PX = 8.0


@dataclass(frozen=True)
class CoarseFields:
    """Fields of a batch of grounds on the grid of nodes, [B, ..., *nodes.count].

    ``masks`` [B, depth] signed distances of the layers; ``slow`` [B, 3] brightness, drift of the mixture, which piece of a tile;
    ``shadow`` [B, 1] signed distance into cast shadow; ``dome`` [B, 1] how standing layers turn to the sun (-1..1); ``waves``
    [B, 1] what stripes and furrows add to the brightness of the lowest layer. None where no ground has any.
    """

    masks: torch.Tensor
    slow: torch.Tensor
    shadow: torch.Tensor | None
    dome: torch.Tensor | None
    waves: torch.Tensor | None

    def part(self, some: slice) -> CoarseFields:
        """Some of the grounds, as views."""
        return CoarseFields(
            self.masks[some],
            self.slow[some],
            *(None if f is None else f[some] for f in (self.shadow, self.dome, self.waves)),
        )

    def inside(self, rows: slice, columns: slice) -> CoarseFields:
        """Some of the nodes, as views."""
        every = (self.masks, self.slow, self.shadow, self.dome, self.waves)
        masks, slow, *others = (None if f is None else f[..., rows, columns] for f in every)
        assert masks is not None and slow is not None
        return CoarseFields(masks, slow, *others)


def coarse_fields(specs: Sequence[GroundSpec], shadows: Sequence[tuple[float, float]], nodes: Nodes) -> CoarseFields:
    """Work out the layout of all grounds in as few passes as can be."""
    depth = max(len(spec.layers) for spec in specs)
    # What is everywhere needs no working out; it is most of the lowest layers.
    where = [
        (b, k) for b, spec in enumerate(specs) for k, layer in enumerate(spec.layers) if layer.mask.form != "everywhere"
    ]
    placed = [PlacedMask(specs[b].layers[k].mask, specs[b].gsd_m) for b, k in where]
    casts, owners = _shadow_masks(specs, shadows)
    slow = []
    for spec in specs:
        scale = spec.blotch_scale_m / spec.gsd_m
        slow += [
            Noise(scale, spec.seed * 3),
            Noise(0.6 * scale, spec.seed * 3 + 1),
            Noise(500.0, spec.seed * 3 + 2),
            Noise(spec.clump_scale_m / spec.gsd_m, spec.seed * 5 + 4),
            Noise(_FLOCK * spec.clump_scale_m / spec.gsd_m, spec.seed * 5 + 3),
        ]
    found, slow_fields = mask_fields([*placed, *casts], slow, nodes)
    masks = torch.full((len(specs), depth, *nodes.count), FAR_PX, device=found.device)
    if where:
        at = torch.tensor(where, device=found.device)
        masks[at[:, 0], at[:, 1]] = found[: len(placed)]
    slow_fields = slow_fields.view(len(specs), 5, *nodes.count)
    waves = wave_fields(specs, nodes, slow_fields)
    add_clumps(specs, slow_fields)
    _let_flecks_through(found[len(placed) :], casts, owners, specs, nodes)
    shadow, dome = _merged(found[len(placed) :], owners, masks) if casts else (None, None)
    return CoarseFields(masks, slow_fields[:, :3], shadow, dome, waves)


def add_clumps(specs: Sequence[GroundSpec], slow: torch.Tensor) -> None:
    """Spots of decimetres to metres (dry, worn, damp, lush), made of the last two of the random fields ``slow`` [B, 5, ...] and
    added in place to the first two."""
    if all(spec.clumps == 0 and spec.clump_lean == 0 for spec in specs):
        return
    # Brightness is counted in deviations of the slow one.
    numbers = [(spec.clump_level, spec.clumps / max(spec.blotch, 1e-3), spec.clump_lean) for spec in specs]
    level, height, lean = torch.tensor(numbers, device=slow.device).view(-1, 3, 1, 1).unbind(1)
    # Spots with borders rather than hills.
    spots = _flocked(slow[:, 3], slow[:, 4]).sub_(level).mul_(_CLUMP_STEEPNESS).tanh_()
    slow[:, 0] += spots * height
    slow[:, 1] += spots * lean


def _flocked(fine: torch.Tensor, coarse: torch.Tensor) -> torch.Tensor:
    """A field of small features, many here and few there; so it does not show where the fine one comes round again."""
    return fine.mul(0.8).add_(coarse, alpha=0.6)


_CLUMP_STEEPNESS = 1.8
# How much longer the waves are that gather small features.
_FLOCK = 3.7


def _let_flecks_through(
    cast: torch.Tensor,
    casts: Sequence[PlacedMask],
    owners: Sequence[tuple[int, int | None]],
    specs: Sequence[GroundSpec],
    nodes: Nodes,
) -> None:
    """Light that falls through gaps of crowns: flecks in their shadows and a torn rim, in place."""
    leafy = [i for i, (_, layer) in enumerate(owners) if layer is None and casts[i].mask.form == "crowns"]
    if not leafy:
        return
    seeds = [casts[i].mask.seed + 2 for i in leafy]
    sizes_px = [_FLECK_M / specs[owners[i][0]].gsd_m for i in leafy]
    fine = [Noise(size_px, seed) for size_px, seed in zip(sizes_px, seeds)]
    coarse = [Noise(_FLOCK * size_px, seed + 1) for size_px, seed in zip(sizes_px, seeds)]
    light = _flocked(*noise_fields([*fine, *coarse], nodes).split(len(leafy)))
    # Crowns are between open and nearly closed, which hangs on the seed alone.
    closed = torch.tensor([0.5 + 1.7 * (seed * 0.754878 % 1) for seed in seeds], device=cast.device).view(-1, 1, 1)
    torn = torch.add(cast[leafy], light, alpha=_RIM_PX)
    cast[leafy] = torch.minimum(torn, (closed - light) * _FLECK_STEEPNESS_PX)


# Size of the flecks; pixels of distance to one deviation of their field, in them and at the rim (common practice, no source).
_FLECK_M, _FLECK_STEEPNESS_PX, _RIM_PX = 0.15, 6.0, 3.5


def _merged(
    cast: torch.Tensor, owners: Sequence[tuple[int, int | None]], masks: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor | None]:
    """Shadows of one ground joined, and slopes of its standing layers, [B, 1, ...] each."""
    device = cast.device
    shadow = torch.full((len(masks), 1, *cast.shape[1:]), -1.0e4, device=device)
    shades = [i for i, (_, layer) in enumerate(owners) if layer is None]
    at = torch.tensor([owners[i][0] for i in shades], device=device)
    shadow[:, 0].scatter_reduce_(0, at.view(-1, 1, 1).expand(-1, *cast.shape[1:]), cast[shades], "amax")
    domes = [(i, b, layer) for i, (b, layer) in enumerate(owners) if layer is not None]
    if not domes:
        return shadow, None
    rows, grounds, layers = (list(column) for column in zip(*domes, strict=True))
    own = masks[grounds, layers]
    slope = ((cast[rows] - own) * (1 / _DOME_STEP_PX)).clamp_(-1, 1) * (own > -STEP_PX)
    dome = torch.zeros_like(shadow)
    dome[:, 0].index_add_(0, torch.tensor(grounds, device=device), slope)
    return shadow, dome.clamp_(-1, 1)


def _shadow_masks(
    specs: Sequence[GroundSpec], shadows: Sequence[tuple[float, float]]
) -> tuple[list[PlacedMask], list[tuple[int, int | None]]]:
    """Outlines moved to where they hide the sun (owned by a ground), and a little along it to tell slopes (by a layer of it)."""
    casts, owners = [], []
    for b, (spec, towards) in enumerate(zip(specs, shadows, strict=True)):
        reach = max(math.hypot(*towards), 1e-6)
        for k, layer in enumerate(spec.layers):
            if layer.height_m <= 0 or layer.mask.folds or layer.mask.form == "patch":
                continue
            # A tall body hides the sun along all of its height; two copies of its outline stand for that.
            lengths: list[tuple[float, int | None]] = [(layer.height_m, None)]
            if layer.height_m * reach > 12:
                lengths.append((0.5 * layer.height_m, None))
            if layer.drawn and layer.mask.form == "crowns":
                lengths.append((_DOME_STEP_PX / reach, k))
            for length, owner in lengths:
                casts.append(PlacedMask(layer.mask, spec.gsd_m, (towards[0] * length, towards[1] * length)))
                owners.append((b, owner))
    return casts, owners


def reach_boxes(spec: GroundSpec, masks: torch.Tensor, nodes: Nodes) -> tuple[dict[int, Box], set[int]]:
    """Layers of one ground that show in the window, with the part of it (first row, first column, rows, columns) they can
    touch, and which of them cover all of it; ``masks`` [depth, *nodes.count]. What such a layer hides is left out."""
    masks = masks[: len(spec.layers)]
    least, most = masks.amin((1, 2)).tolist(), masks.amax((1, 2)).tolist()
    whole = (0, 0, *nodes.window[2:])
    borders = [
        # Soft border and ragged border.
        0.5 * max(layer.soft_m / spec.gsd_m, 1.0) + RAGGED_DEVIATIONS * layer.ragged_m / spec.gsd_m
        for layer in spec.layers
    ]
    inside = [_inside(layer, spec.gsd_m, *ends) for layer, *ends in zip(spec.layers, least, most, strict=True)]
    solid = {k for k, layer in enumerate(spec.layers) if layer.can_hide and inside[k][0] >= borders[k]}
    top = max(solid, default=0)
    needed = {layer.within for layer in spec.layers}
    found: dict[int, Box] = {}
    for k, layer in enumerate(spec.layers):
        if not (layer.drawn or k in needed) or (layer.within is not None and layer.within not in found):
            continue
        if k < top and k not in needed and layer.height_m <= 0:
            continue
        # The field runs on between two nodes.
        reach = borders[k] + nodes.step_px
        if inside[k][0] > -reach:
            found[k] = whole
        elif inside[k][1] > -reach:
            box = _box_of(_touched(layer, spec.gsd_m, masks[k], reach), nodes)
            if box is not None:
                found[k] = box
    return found, solid & found.keys()


def _inside(layer: Layer, gsd_m: float, least: float, most: float) -> tuple[float, float]:
    """Least and most distance inside a layer, where its field runs between these ends."""
    if not layer.mask.folds:
        return least, most
    half_px = layer.mask.size_m[0] / gsd_m
    return half_px - max(-least, most), half_px - max(least, -most, 0.0)


def _touched(layer: Layer, gsd_m: float, mask: torch.Tensor, reach: float) -> torch.Tensor:
    """Nodes that a layer touches."""
    if not layer.mask.folds:
        return mask > -reach
    # A thin line may pass between two nodes.
    return (layer.mask.size_m[0] / gsd_m - mask.abs() > -reach) | _crossed(mask)


def _crossed(distance: torch.Tensor) -> torch.Tensor:
    """Nodes of cells across which a signed distance changes sign."""
    positive = distance > 0
    crossed = torch.zeros_like(positive)
    for step in (0, 1):
        change = positive.narrow(step, 1, positive.shape[step] - 1) != positive.narrow(
            step, 0, positive.shape[step] - 1
        )
        crossed.narrow(step, 0, change.shape[step]).logical_or_(change)
        crossed.narrow(step, 1, change.shape[step]).logical_or_(change)
    return crossed


def _box_of(touched: torch.Tensor, nodes: Nodes) -> Box | None:
    """The part of the window that touched nodes and their neighbours stand for."""
    box = []
    for axis in (0, 1):
        at = touched.any(1 - axis).nonzero().flatten()
        if len(at) == 0:
            return None
        size, start = nodes.window[2 + axis], nodes.window[axis] - nodes.first[axis] * STEP_PX
        first = max((int(at[0]) - 1) * STEP_PX - start, 0)
        last = min((int(at[-1]) + 1) * STEP_PX - start + 1, size)
        if last <= first:
            return None
        box.append((first, last - first))
    (top, rows), (left, columns) = box
    return (top, left, rows, columns)


def wave_fields(specs: Sequence[GroundSpec], nodes: Nodes, slow: torch.Tensor) -> torch.Tensor | None:
    """What stripes and furrows add to the brightness of the lowest layer: [B, 1, *nodes.count], or nothing."""
    rows = [(b, spec.waves, spec) for b, spec in enumerate(specs) if spec.waves is not None]
    if not rows:
        return None
    numbers = [
        (math.cos(w.angle), math.sin(w.angle), 2 * math.pi * spec.gsd_m / w.period_m, 4 * w.sharp,
         (1 + 4 * w.sharp) * w.depth / max(spec.blotch, 1e-3))
        for _, w, spec in rows
    ]  # fmt: skip
    device = nodes.x.device
    cos, sin, step, sharp, height = torch.tensor(numbers, device=device).view(-1, 5, 1, 1).unbind(1)
    which = torch.tensor([b for b, *_ in rows], device=device)
    across = nodes.y * cos - nodes.x * sin
    wave = across.mul_(step).add_(slow[which, 1], alpha=0.35).sin_()
    wave = wave * height / wave.abs().mul_(sharp).add_(1)
    added = torch.zeros((len(specs), 1, *nodes.count), device=device)
    return added.index_copy_(0, which, wave[:, None])
