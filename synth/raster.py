"""The rasteriser: plates, limbs, facets and shadows, each kind of a whole batch of pictures as one list of pixels.

What is drawn has six layers: reflectance (3), share of direct sun, share of the sky, cover. Edges are covered in proportion to
the signed distance from the pixel's centre, which is a pixel-wide box filter for straight edges.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import torch

from synth.atlases import NOISE_PX, Atlases, grain_at, grain_counter
from synth.canvas import Canvas, Drawn, Painted, multiply
from synth.distances import Capsules, capsule_distance, convex_columns, convex_distance
from synth.pixels import Pixels, PixelTable, Turns
from synth.plate_raster import LAYERS, draw_plates
from synth.sketch import FacetSketch, LimbSketch, ShadowSketch, Sketch, Sunlight
from synth.spans import Array, Index, levels, rectangles

__all__ = ["LAYERS", "Atlases", "darken", "draw"]


def draw(canvas: Canvas, drawing: Sketch, atlases: Atlases, light: torch.Tensor, row0: int = 0) -> None:
    """Draw a sketch on a canvas whose layers hold the ground (or nothing, under photographs).

    ``light`` [B, H, W] is the share of direct sun that reaches flat things lying there; drawn shadows are multiplied into it
    (in place) and into the canvas's own share of sun. ``row0`` is the frame's row at the canvas's top, so that strips agree.
    """
    darken(canvas, light, drawing.shadows)
    tables = (drawing.plates.plates, drawing.limbs.limbs, drawing.facets.facets)
    kinds = (drawing.plates, drawing.limbs, drawing.facets)
    picture, order = (np.concatenate([getattr(t, name) for t in tables]) for name in ("picture", "order"))
    if not len(picture):
        return
    plates, limbs, facets = in_turns(canvas, picture, order, [k.box for k in kinds])
    owner = np.concatenate([tables[0].owner, tables[1].owner, np.full(len(tables[2].order), -1)])
    drawn = [
        *draw_plates(canvas, drawing.plates, plates, atlases, light, row0),
        *_limbs(drawing.limbs, limbs, drawing.light, atlases, row0),
        *_facets(drawing.facets, facets),
    ]
    canvas.lay(drawn, owner[np.lexsort((order, picture))])


def in_turns(canvas: Canvas, picture: Index, order: Array, boxes: Sequence[Array]) -> list[Turns]:
    """Things of several tables, one after the other in ``picture`` and ``order``, in the turns in which they are drawn."""
    rectangle = rectangles(np.concatenate(boxes), canvas.size_px)
    turn = levels(picture, order, rectangle)
    sequence = np.lexsort((order, picture))
    rank = np.empty(len(sequence), dtype=np.int64)
    rank[sequence] = np.arange(1, len(sequence) + 1)
    found, first = [], 0
    for box in boxes:
        pick = np.argsort(turn[first : first + len(box)], kind="stable")
        row = first + pick
        found.append(
            Turns(
                pick,
                picture[row],
                turn[row],
                rank[row],
                rectangle[row],
                canvas.size_px,
                canvas.layers.shape[1],
                canvas.layers.device,
            )
        )
        first += len(box)
    return found


def darken(canvas: Canvas, light: torch.Tensor, shadows: ShadowSketch) -> None:
    """Multiply the shadows of tall things into the canvas's share of sun and into ``light`` [B, H, W]."""
    area = canvas.layers[0, 0].numel()
    for picture, box, pixels_of in (
        (shadows.capsule_picture, shadows.capsule_box, _capsule_shadows),
        (shadows.polygon_picture, shadows.polygon_box, _polygon_shadows),
    ):
        (turns,) = in_turns(canvas, picture, np.zeros(len(picture)), [box])
        table, distance_of = pixels_of(shadows, turns)
        parts = list(table)
        if not parts:
            continue
        factors = [distance_of(p).mul_(p["sharp"]).add_(0.5).clamp_(0, 1).mul_(p["dark"]).neg_().add_(1) for p in parts]
        kept, bounds = torch.cat(factors), turns.bounds(parts)
        multiply(light, torch.cat([p.counter("at") for p in parts]), kept, bounds)
        multiply(canvas.layers, torch.cat([p.counter("layer_at") for p in parts]).add_(3 * area), kept, bounds)


def _capsule_shadows(shadows: ShadowSketch, turns: Turns) -> tuple[PixelTable, Callable[[Pixels], torch.Tensor]]:
    pick = turns.rows
    soft, dark = shadows.capsule_soft[pick], shadows.capsule_dark[pick]
    capsules = Capsules.of(shadows.ends[pick], shadows.radii[pick])
    runs = turns.runs(capsules.edges(), 0.5 * soft)
    table = turns.table(runs, {**capsules.numbers(), "sharp": -1 / soft, "dark": dark}, capsules.of_runs(turns, runs))
    return table, lambda pixels: capsule_distance(pixels)[0]


def _polygon_shadows(shadows: ShadowSketch, turns: Turns) -> tuple[PixelTable, Callable[[Pixels], torch.Tensor]]:
    pick = turns.rows
    soft, dark = shadows.polygon_soft[pick], shadows.polygon_dark[pick]
    runs = turns.runs(shadows.edges[pick], 0.5 * soft)
    numbers, of_runs = convex_columns(turns, runs, shadows.edges[pick], np.full(len(pick), 0.5))
    table = turns.table(runs, {**numbers, "sharp": -1 / soft, "dark": dark}, of_runs)
    return table, convex_distance


def _limbs(sketch: LimbSketch, turns: Turns, light: Sunlight, atlases: Atlases, row0: int) -> list[Drawn]:
    limbs, pick, picture = sketch.limbs, turns.rows, turns.picture
    capsules = Capsules.of(sketch.ends[pick], sketch.radii[pick])
    runs = turns.runs(capsules.edges(), np.full(len(pick), 0.5))
    sun = light.in_picture[picture] / np.maximum(light.level[picture], 0.1)[:, None]
    # On the axis' own sides, so that the surface's lean need not be turned into the picture.
    axis = capsules.axis
    numbers = {
        **capsules.numbers(),
        "roundness": limbs.roundness[pick],
        "sun_along": (sun[:, :2] * axis).sum(axis=1),
        "sun_across": sun[:, 1] * axis[:, 0] - sun[:, 0] * axis[:, 1],
        "sun_up": sun[:, 2],
        "grain": limbs.grain[pick] * 0.5,
        "bumps": limbs.grain[pick] * 0.6,
        "albedo": limbs.albedo[pick],
    }
    start = limbs.ends[pick, 0, :2].sum(axis=1) * 977 % NOISE_PX
    table = turns.table(
        runs, numbers, capsules.of_runs(turns, runs), {"noise": grain_counter(runs, start[runs.thing], row0)}
    )

    def paint(pixels: Pixels) -> Painted:
        distance, off, across, radius = capsule_distance(pixels)
        value = torch.empty((LAYERS, pixels.count), device=distance.device)
        # The surface leans away from the axis, as on a ball of the local radius.
        lean = pixels["roundness"].div_(radius)
        off, across = off.mul_(lean), across.mul_(lean)
        up = (off * off).addcmul_(across, across).neg_().add_(1).clamp_(min=0.0).sqrt_()
        facing = off.mul_(pixels["sun_along"]).addcmul_(across, pixels["sun_across"]).addcmul_(up, pixels["sun_up"])
        grain, bumps = grain_at(atlases, pixels.counter("noise"), slice(1, 3))
        torch.mul(pixels["albedo"], grain.mul_(pixels["grain"]).add_(1).clamp_(0.2, 2), out=value[:3])
        torch.mul(facing, bumps.mul_(pixels["bumps"]).add_(1), out=value[3]).clamp_(0, 2.5)
        torch.mul(up, 0.55, out=value[4]).add_(0.45)
        value[5] = 1
        return Painted(pixels, pixels.whole(), value, distance.neg_().add_(0.5).clamp_(0, 1))

    return Drawn.of(turns, table, paint)


def _facets(sketch: FacetSketch, turns: Turns) -> list[Drawn]:
    facets, pick = sketch.facets, turns.rows
    runs = turns.runs(sketch.edges[pick], np.full(len(pick), 0.5))
    numbers, of_runs = convex_columns(turns, runs, sketch.edges[pick], sketch.rounding[pick])
    # Sheet metal and glass mirror the sky, more towards one side than the other.
    box = sketch.box[pick]
    size = np.maximum(box[:, 2:] - box[:, :2], 1.0)
    start = (turns.rectangle[:, :2] - box[:, :2]) / size
    gloss = facets.gloss[pick]
    level = (gloss * (0.5 + 0.6 * start[:, 0] + 0.4 * start[:, 1]))[runs.thing]
    numbers |= {
        "gloss_x": gloss * 0.6 / size[:, 0],
        "albedo": facets.albedo[pick],
        "light": np.stack([sketch.sun[pick], sketch.sky[pick], np.ones(len(pick))], axis=1),
    }
    of_runs["gloss"] = level + (gloss * 0.4 / size[:, 1])[runs.thing] * turns.centre_y(runs)
    table = turns.table(runs, numbers, of_runs)

    def paint(pixels: Pixels) -> Painted:
        value = torch.empty((LAYERS, pixels.count), device=pixels.table.device)
        gloss = pixels["gloss"].addcmul_(pixels.x, pixels["gloss_x"])
        torch.add(pixels["albedo"], gloss, out=value[:3])
        value[3:] = pixels["light"]
        cover = convex_distance(pixels).neg_().add_(0.5).clamp_(0, 1)
        return Painted(pixels, pixels.whole(), value, cover)

    return Drawn.of(turns, table, paint)
