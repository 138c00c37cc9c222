"""The rasteriser: plates, limbs, facets and shadows from pixels' point of view, in batches of patches.

Each drawing function returns patches of six layers: reflectance (3), share of direct sun, share of the sky, cover. Edges are
covered in proportion to the signed distance from the pixel's centre, which is a pixel-wide box filter for straight edges.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch

from synth.atlases import NOISE_PX, Atlases, grain_at
from synth.columns import PatchedTable
from synth.patches import Canvas, Drawn, PatchBatch
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
    table = PatchedTable(shadows.capsule_box, canvas.size_px, canvas.layers.device)
    pick = table.rows
    capsules = _capsules(table, shadows.ends[pick], shadows.radii[pick])
    for batch, _, c in table.each(**capsules, soft=1 / shadows.capsule_soft[pick], dark=shadows.capsule_dark[pick]):
        distance, *_ = _capsule(batch, c)
        kept = 1 - distance.mul_(-c["soft"]).add_(0.5).clamp_(0, 1).mul_(c["dark"])
        for plane in planes:
            canvas.darken(plane, batch, shadows.capsule_picture[batch.rows], kept)
    table = PatchedTable(shadows.polygon_box, canvas.size_px, canvas.layers.device)
    pick = table.rows
    planes_of = _half_planes(table, shadows.edges[pick], np.full(len(pick), 0.5))
    for batch, _, c in table.each(**planes_of, soft=1 / shadows.polygon_soft[pick], dark=shadows.polygon_dark[pick]):
        distance = _convex(batch, shadows.edges[batch.rows], c)
        kept = 1 - distance.mul_(-c["soft"]).add_(0.5).clamp_(0, 1).mul_(c["dark"])
        for plane in planes:
            canvas.darken(plane, batch, shadows.polygon_picture[batch.rows], kept)


def _capsules(table: PatchedTable, ends: np.ndarray, radii: np.ndarray) -> dict[str, np.ndarray]:
    """Columns of tapered capsules for :func:`_capsule`, sorted as the table is."""
    start, other = ends[:, 0] - table.corner, ends[:, 1] - table.corner
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
    tilt = slope / np.sqrt(np.maximum(1 - slope**2, 1e-4))
    return {
        "x0": start[:, 0], "y0": start[:, 1], "ax": axis[:, 0], "ay": axis[:, 1], "tilt": -tilt, "length": length,
        "radius": r0, "slope": -slope,
    }  # fmt: skip


def _capsule(
    batch: PatchBatch, c: dict[str, torch.Tensor]
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
    """Signed distance [P, h, w] to tapered capsules; for each pixel how far it lies from the nearest sphere's middle along
    and across the axis, and that sphere's radius [px]."""
    x, y = batch.axes(c["x0"].device)
    dx, dy = x - c["x0"], y - c["y0"]
    along = dx * c["ax"] + dy * c["ay"]
    across = dy * c["ax"] - dx * c["ay"]
    # Move along the axis to where the flank is nearest, then measure to the sphere there.
    at = (across.abs().mul_(c["tilt"])).add_(along)
    at = torch.minimum(at.clamp_(min=0), c["length"])
    radius = (at * c["slope"]).add_(c["radius"])
    off = along.sub_(at)
    distance = (off * off).addcmul_(across, across).sqrt_().sub_(radius)
    return distance, off, across, radius


def _half_planes(table: PatchedTable, edges: np.ndarray, rounding: np.ndarray) -> dict[str, np.ndarray]:
    """Columns of convex polygons for :func:`_convex`, sorted as the table is."""
    offset = edges[..., 2] + (edges[..., :2] * table.corner[:, None]).sum(axis=2)
    round_px = np.maximum(rounding, 0.01)
    # A polygon without an edge keeps the place with one that is far away.
    return {"a": edges[..., 0], "b": edges[..., 1], "c": offset + round_px[:, None], "round": round_px}


def _convex(batch: PatchBatch, edges: np.ndarray, c: dict[str, torch.Tensor]) -> torch.Tensor:
    """Signed distance [P, S, S] to convex polygons [P, V, 3] given as half planes, corners rounded."""
    x, y = batch.axes(c["round"].device)
    inner: torch.Tensor | None = None
    outer = torch.zeros((len(edges), batch.height, batch.width), device=x.device)
    for k in range(edges.shape[1]):
        if (edges[:, k, 2] <= -1e5).all():
            continue
        d = (x * c["a"][k] + c["c"][k]) + y * c["b"][k]
        inner = d if inner is None else torch.maximum(inner, d)
        d = d.clamp(min=0)
        outer.addcmul_(d, d)
    outer = outer.sqrt_().sub_(c["round"])
    return outer if inner is None else outer.add_(inner.clamp(max=0))


def _each_limb(
    canvas: Canvas, sketch: LimbSketch, sun_in_picture: np.ndarray, level: np.ndarray, atlases: Atlases, row0: int
) -> list[Drawn]:
    table = PatchedTable(sketch.box, canvas.size_px, canvas.layers.device)
    limbs, pick = sketch.limbs, table.rows
    picture = limbs.picture[pick]
    columns = {
        **_capsules(table, sketch.ends[pick], sketch.radii[pick]),
        "roundness": limbs.roundness[pick],
        "sun": sun_in_picture[picture] / np.maximum(level[picture], 0.1)[:, None],
        "grain": limbs.grain[pick] * 0.5,
        "bumps": limbs.grain[pick] * 0.6,
        "albedo": limbs.albedo[pick],
    }
    starts = limbs.ends[pick, 0, :2].sum(axis=1) * 977 % NOISE_PX
    drawn = []
    for batch, some, c in table.each(**columns):
        distance, off, across, radius = _capsule(batch, c)
        cover = (0.5 - distance).clamp_(0, 1)
        # The surface leans away from the axis, as on a ball of the local radius.
        lean = c["roundness"] / radius
        off, across = off.mul_(lean), across.mul_(lean)
        nx, ny = off * c["ax"] - across * c["ay"], off * c["ay"] + across * c["ax"]
        nz = (off * off).addcmul_(across, across).neg_().add_(1).clamp_(min=0.0).sqrt_()
        facing = (nx * c["sun"][0]).addcmul_(ny, c["sun"][1]).addcmul_(nz, c["sun"][2])
        grain, bumps = grain_at(atlases, batch, starts[some], row0, slice(1, 3))
        value = torch.empty((len(batch.rows), LAYERS, *cover.shape[1:]), device=cover.device)
        tint = (grain * c["grain"]).add_(1).clamp_(0.2, 2)
        torch.mul(c["albedo"].transpose(0, 1), tint[:, None], out=value[:, :3])
        value[:, 3] = facing.mul_((bumps * c["bumps"]).add_(1)).clamp_(0, 2.5)
        value[:, 4] = nz.mul_(0.55).add_(0.45)
        value[:, 5] = 1
        drawn.append(Drawn(batch, picture[some], limbs.order[batch.rows], limbs.owner[batch.rows], value, cover))
    return drawn


def _each_facet(canvas: Canvas, sketch: FacetSketch) -> list[Drawn]:
    table = PatchedTable(sketch.box, canvas.size_px, canvas.layers.device)
    facets, pick = sketch.facets, table.rows
    # Sheet metal and glass mirror the sky, more towards one side than the other.
    box = sketch.box[pick]
    size = np.maximum(box[:, 2:] - box[:, :2], 1.0)
    start = (table.corner - box[:, :2]) / size
    gloss = facets.gloss[pick]
    columns = {
        **_half_planes(table, sketch.edges[pick], sketch.rounding[pick]),
        "gloss": gloss * (0.5 + 0.6 * start[:, 0] + 0.4 * start[:, 1]),
        "gloss_x": gloss * 0.6 / size[:, 0],
        "gloss_y": gloss * 0.4 / size[:, 1],
        "albedo": facets.albedo[pick],
        "light": np.stack([sketch.sun[pick], sketch.sky[pick], np.ones(len(pick))], axis=1),
    }
    drawn = []
    for batch, _, c in table.each(**columns):
        cover = (0.5 - _convex(batch, sketch.edges[batch.rows], c)).clamp_(0, 1)
        x, y = batch.axes(cover.device)
        value = torch.empty((len(batch.rows), LAYERS, *cover.shape[1:]), device=cover.device)
        gloss = (x * c["gloss_x"] + c["gloss"]) + y * c["gloss_y"]
        torch.add(c["albedo"].transpose(0, 1), gloss[:, None], out=value[:, :3])
        value[:, 3:] = c["light"].transpose(0, 1)
        order = facets.order[batch.rows]
        drawn.append(Drawn(batch, facets.picture[batch.rows], order, np.full(len(order), -1), value, cover))
    return drawn
