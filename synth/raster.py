"""The rasteriser: plates, limbs, facets and shadows from pixels' point of view, in batches of patches.

Each drawing function returns patches of six layers: reflectance (3), share of direct sun, share of the sky, cover. Edges are
covered in proportion to the signed distance from the pixel's centre, which is a pixel-wide box filter for straight edges.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch

from synth.atlases import NOISE_PX, Atlases, column, grain_at
from synth.patches import Canvas, Drawn, PatchBatch, patch_batches
from synth.plate_raster import LAYERS, each_plate
from synth.sketch import FacetSketch, LimbSketch, ShadowSketch, Sketch

__all__ = ["LAYERS", "Atlases", "darken", "draw"]


def draw(canvas: Canvas, drawing: Sketch, atlases: Atlases, light: torch.Tensor, row0: int = 0) -> None:
    """Draw a sketch on a canvas whose layers hold the ground (or nothing, under photographs).

    ``light`` [B, H, W] is the share of direct sun that reaches flat things lying there; drawn shadows are multiplied into it
    (in place) and into the canvas's own share of sun. ``row0`` is the frame's row at the canvas's top, so that strips agree.
    """
    darken(canvas, (canvas.layers[:, 3], light), drawing.shadows)
    drawn = [
        *each_plate(canvas, drawing.plates, atlases, light, row0),
        *_each_limb(canvas, drawing.limbs, drawing.light.in_picture, drawing.light.level, atlases, row0),
        *_each_facet(canvas, drawing.facets),
    ]
    canvas.lay(drawn)


def darken(canvas: Canvas, planes: Sequence[torch.Tensor], shadows: ShadowSketch) -> None:
    """Multiply the shadows of tall things into planes [B, H, W]."""
    device = canvas.layers.device
    for batch in patch_batches(shadows.capsule_box, canvas.size_px, device):
        pick = batch.rows
        distance, *_ = _capsule(batch, shadows.ends[pick], shadows.radii[pick], device)
        soft, dark = column(shadows.capsule_soft[pick], device), column(shadows.capsule_dark[pick], device)
        kept = 1 - (0.5 - distance / soft).clamp_(0, 1).mul_(dark)
        for plane in planes:
            canvas.darken(plane, batch, shadows.capsule_picture[pick], kept)
    for batch in patch_batches(shadows.polygon_box, canvas.size_px, device):
        pick = batch.rows
        distance = _convex(batch, shadows.edges[pick], np.full(len(pick), 0.5), device)
        soft, dark = column(shadows.polygon_soft[pick], device), column(shadows.polygon_dark[pick], device)
        kept = 1 - (0.5 - distance / soft).clamp_(0, 1).mul_(dark)
        for plane in planes:
            canvas.darken(plane, batch, shadows.polygon_picture[pick], kept)


def _capsule(
    batch: PatchBatch, ends: np.ndarray, radii: np.ndarray, device: torch.device
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor, np.ndarray]:
    """Signed distance [P, h, w] to tapered capsules; for each pixel how far it lies from the nearest sphere's middle along
    and across the axis, and that sphere's radius [px]; the axis [P, 2]."""
    corner = np.stack([batch.x0, batch.y0], axis=1)
    start, other = ends[:, 0] - corner, ends[:, 1] - corner
    r0, r1 = radii[:, 0], radii[:, 1]
    axis = other - start
    length = np.linalg.norm(axis, axis=1)
    # Where one sphere swallows the other the capsule is the larger sphere.
    swallowed = length <= np.abs(r0 - r1) * 1.001 + 1e-4
    start = np.where((swallowed & (r1 > r0))[:, None], other, start)
    large = np.maximum(r0, r1)
    r0, r1 = np.where(swallowed, large, r0), np.where(swallowed, large, r1)
    length = np.where(swallowed, 1e-4, length)
    axis = np.where(swallowed[:, None], [1.0, 0.0], axis / length[:, None])
    slope = (r0 - r1) / length  # sine of the flank's taper
    x, y = batch.axes(device)
    dx, dy = x - column(start[:, 0], device), y - column(start[:, 1], device)
    along = dx * column(axis[:, 0], device) + dy * column(axis[:, 1], device)
    across = dx * column(-axis[:, 1], device) + dy * column(axis[:, 0], device)
    # Move along the axis to where the flank is nearest, then measure to the sphere there.
    tilt = slope / np.sqrt(np.maximum(1 - slope**2, 1e-4))
    at = torch.addcmul(along, across.abs(), column(-tilt, device))
    at = torch.minimum(at.clamp_(min=0), column(length, device))
    radius = column(r0, device) - at * column(slope, device)
    off = along - at
    distance = torch.sqrt(off * off + across * across) - radius
    return distance, off, across, radius, axis


def _convex(batch: PatchBatch, edges: np.ndarray, rounding: np.ndarray, device: torch.device) -> torch.Tensor:
    """Signed distance [P, S, S] to convex polygons given as half planes [P, V, 3], corners rounded."""
    corner = np.stack([batch.x0, batch.y0], axis=1)
    offset = edges[..., 2] + (edges[..., :2] * corner[:, None]).sum(axis=2)
    round_px = column(np.maximum(rounding, 0.01), device)
    x, y = batch.axes(device)
    inner = torch.full((len(edges), batch.height, batch.width), -1e6, device=device)
    outer = torch.zeros_like(inner)
    for k in range(edges.shape[1]):
        if (edges[:, k, 2] <= -1e5).all():
            continue
        d = x * column(edges[:, k, 0], device) + y * column(edges[:, k, 1], device) + column(offset[:, k], device)
        d = d + round_px
        inner = torch.maximum(inner, d)
        d = d.clamp_(min=0)
        outer.addcmul_(d, d)
    return inner.clamp_(max=0) + outer.sqrt_() - round_px


def _each_limb(
    canvas: Canvas, sketch: LimbSketch, sun_in_picture: np.ndarray, level: np.ndarray, atlases: Atlases, row0: int
) -> list[Drawn]:
    device = canvas.layers.device
    drawn = []
    limbs = sketch.limbs
    for batch in patch_batches(sketch.box, canvas.size_px, device):
        pick = batch.rows
        picture = limbs.picture[pick]
        distance, off, across, radius, axis = _capsule(batch, sketch.ends[pick], sketch.radii[pick], device)
        cover = (0.5 - distance).clamp(0, 1)
        # The surface leans away from the axis, as on a ball of the local radius.
        ax, ay = column(axis[:, 0], device), column(axis[:, 1], device)
        lean = column(limbs.roundness[pick], device) / radius
        nx, ny = (off * ax - across * ay) * lean, (off * ay + across * ax) * lean
        nz = (1 - nx * nx - ny * ny).clamp(min=0.0).sqrt()
        sun = sun_in_picture[picture]
        facing = nx * column(sun[:, 0], device) + ny * column(sun[:, 1], device) + nz * column(sun[:, 2], device)
        facing = facing / column(np.maximum(level[picture], 0.1), device)
        start = limbs.ends[pick, 0, :2].sum(axis=1) * 977 % NOISE_PX
        grain, bumps = grain_at(atlases, batch, start, row0, slice(1, 3))
        rough = column(limbs.grain[pick], device)
        value = torch.empty((len(pick), LAYERS, *cover.shape[1:]), device=device)
        value[:, :3] = column(limbs.albedo[pick], device) * (1 + rough * 0.5 * grain).clamp(0.2, 2)[:, None]
        value[:, 3] = (facing * (1 + rough * 0.6 * bumps)).clamp(0, 2.5)
        value[:, 4] = 0.45 + 0.55 * nz
        value[:, 5] = 1
        drawn.append(Drawn(batch, picture, limbs.order[pick], limbs.owner[pick], value, cover))
    return drawn


def _each_facet(canvas: Canvas, sketch: FacetSketch) -> list[Drawn]:
    device = canvas.layers.device
    drawn = []
    facets = sketch.facets
    for batch in patch_batches(sketch.box, canvas.size_px, device):
        pick = batch.rows
        distance = _convex(batch, sketch.edges[pick], sketch.rounding[pick], device)
        cover = (0.5 - distance).clamp(0, 1)
        value = torch.empty((len(pick), LAYERS, *cover.shape[1:]), device=device)
        # Sheet metal and glass mirror the sky, more towards one side than the other.
        x, y = batch.axes(device)
        box = sketch.box[pick]
        size = np.maximum(box[:, 2:] - box[:, :2], 1.0)
        start = (np.stack([batch.x0, batch.y0], axis=1) - box[:, :2]) / size
        side = x * column(0.6 / size[:, 0], device) + y * column(0.4 / size[:, 1], device)
        side = side + column(0.6 * start[:, 0] + 0.4 * start[:, 1], device)
        gloss = column(facets.gloss[pick], device) * (0.5 + side)
        value[:, :3] = column(facets.albedo[pick], device) + gloss[:, None]
        value[:, 3] = column(sketch.sun[pick], device)
        value[:, 4] = column(sketch.sky[pick], device)
        value[:, 5] = 1
        drawn.append(Drawn(batch, facets.picture[pick], facets.order[pick], np.full(len(pick), -1), value, cover))
    return drawn
