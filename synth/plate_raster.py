"""Flat things drawn in batches of patches: outline, mark, paint, dirt, folds, glare, grass over the edge, their own shadow."""

from __future__ import annotations

import numpy as np
import torch

from mission.vocabulary import MARKS
from synth import marks as mark_fields
from synth import outlines as outline_fields
from synth.atlases import NOISE_PX, Atlases, column, grain_at, noise_at, sample, tile_coordinate
from synth.patches import Canvas, Drawn, PatchBatch, patch_batches
from synth.scene import COLUMN
from synth.sketch import PlateSketch

LAYERS = 6
_SOIL = (0.13, 0.10, 0.07)


class _PlatePatches:
    """One batch of plates: coordinates and the fields read at them."""

    def __init__(
        self, sketch: PlateSketch, batch: PatchBatch, atlases: Atlases, row0: int, device: torch.device
    ) -> None:
        self.sketch, self.batch, self.atlases, self.device = sketch, batch, atlases, device
        pick = batch.rows
        shift = np.tile(np.eye(3), (len(pick), 1, 1))
        shift[:, 0, 2], shift[:, 1, 2] = batch.x0, batch.y0
        local = sketch.plane_from_px[pick] @ shift
        x, y = batch.axes(device)

        def row(i: int) -> torch.Tensor:
            a, b, c = (column(local[:, i, j], device) for j in range(3))
            return x * a + (y * b + c)

        depth = row(2)
        self.u, self.v = row(0) / depth, row(1) / depth
        if sketch.bend is not None:
            u, v = self.u, self.v
            bend = column(sketch.bend[pick].transpose(1, 2, 0), device)
            self.u, self.v = (
                p - (q[0] + u * (q[1] + q[3] * u + q[4] * v) + v * (q[2] + q[5] * v))
                for p, q in zip((u, v), bend, strict=True)
            )
        self.scale = column(sketch.scale_px[pick], device)
        self.finish = column(sketch.plates.finish[pick].T, device)
        self.row0 = row0

    def strength(self, name: str) -> torch.Tensor | None:
        """A finish column [P, 1, 1], or None where no plate of the batch has it."""
        column = COLUMN[name]
        if not self.sketch.plates.finish[self.batch.rows, column].any():
            return None
        return self.finish[column]

    def outline(self, u: torch.Tensor, v: torch.Tensor) -> torch.Tensor:
        """Distance to the outline in units of the plane."""
        cell, span = outline_fields.CELL, outline_fields.SPAN
        tile = column(self.sketch.plates.shape[self.batch.rows], self.device)
        x = tile_coordinate(u, span, cell, tile)
        y = tile_coordinate(-v, span, cell, torch.zeros_like(tile))
        return sample(self.atlases.shapes, x, y)[0]

    def mark(self) -> torch.Tensor | None:
        """Cover of the mark [P, S, S]."""
        plates, pick = self.sketch.plates, self.batch.rows
        glyph = plates.glyph[pick]
        if (glyph < 0).all():
            return None
        turn, height = plates.mark_turn[pick], plates.mark_height[pick]
        c, s = column(np.cos(turn) / height, self.device), column(np.sin(turn) / height, self.device)
        du = self.u - column(plates.mark_at[pick, 0], self.device)
        dv = self.v - column(plates.mark_at[pick, 1], self.device)
        cell, span = mark_fields.CELL, mark_fields.SPAN
        face, number = np.divmod(np.maximum(glyph, 0), len(MARKS))
        x = tile_coordinate(du * c - dv * s, span, cell, column(number, self.device))
        y = tile_coordinate(-(du * s + dv * c), span, cell, column(face, self.device))
        field = sample(self.atlases.marks, x, y)[0] - column(plates.mark_grow[pick], self.device)
        cover = (0.5 - field * (column(height, self.device) * self.scale)).clamp_(0, 1)
        return cover * column(glyph >= 0, self.device)


def each_plate(canvas: Canvas, sketch: PlateSketch, atlases: Atlases, light: torch.Tensor, row0: int) -> list[Drawn]:
    device = canvas.layers.device
    drawn = []
    for batch in patch_batches(sketch.box, canvas.size_px, device):
        picture = sketch.plates.picture[batch.rows]
        patch = _PlatePatches(sketch, batch, atlases, row0, device)
        value, cover, edge = _paint_plate(patch, canvas.windows(light, batch, picture).clamp_(max=1.0))
        _ground_under(canvas, patch, picture, edge)
        drawn.append(
            Drawn(batch, picture, sketch.plates.order[batch.rows], sketch.plates.owner[batch.rows], value, cover)
        )
    return drawn


def _paint_plate(patch: _PlatePatches, arriving: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Layers [P, 6, S, S], cover [P, S, S] and distance to the edge [px]."""
    sketch, pick, device = patch.sketch, patch.batch.rows, patch.device
    plates = sketch.plates
    noise_u, noise_v = patch.finish[COLUMN["noise_u"]] * NOISE_PX, patch.finish[COLUMN["noise_v"]] * NOISE_PX
    patches, bumps = noise_at(patch.atlases, patch.u * 46 + noise_u, patch.v * 46 + noise_v)
    start = plates.finish[pick, COLUMN["noise_u"]] * NOISE_PX
    blades, grain = grain_at(patch.atlases, patch.batch, start, patch.row0, slice(0, 2))
    edge = patch.outline(patch.u, patch.v)
    if (ragged := patch.strength("ragged")) is not None:
        edge = edge + ragged * bumps
    edge = edge * patch.scale
    cover = (0.5 - edge).clamp(0, 1)
    body = column(plates.body[pick], device)
    mark = patch.mark()
    if (wear := patch.strength("wear")) is not None and mark is not None:
        mark = mark * (1 - wear * (patches * 1.5 + 0.6 * grain - 0.6).clamp_(0, 1))
    albedo = column(plates.albedo[pick].T, device).expand(3, *edge.shape)
    if mark is not None:
        albedo = torch.lerp(albedo, column(plates.mark_albedo[pick].T, device), mark)
        # Where there is no plate the mark alone covers the ground.
        cover = torch.lerp(mark, cover, body)
    cover = _hidden(patch, cover, edge, blades, patches)
    value = torch.empty((len(pick), LAYERS, *edge.shape[1:]), device=device)
    value[:, :3] = _soiled(patch, albedo, patches, grain).transpose(0, 1)
    value[:, 3] = _turned_to_sun(patch, bumps).mul_(arriving)
    value[:, 4] = column(sketch.sky[pick], device)
    value[:, 5] = 1
    return value, cover, edge


def _hidden(
    patch: _PlatePatches, cover: torch.Tensor, edge: torch.Tensor, blades: torch.Tensor, patches: torch.Tensor
) -> torch.Tensor:
    """Take away what grass over the edge and a patch of cover hide."""
    if (reach := patch.strength("blades")) is not None:
        reach_px = (reach * column(patch.sketch.px_per_m[patch.batch.rows], patch.device)).clamp(min=0.1)
        # Grass stands thick in some places and leaves others free.
        over = (((blades + patches - 0.9) + edge / reach_px) * 1.4).clamp_(0, 1)
        cover = cover * (1 - over * (reach > 0))
    if (radius := patch.strength("cover_radius")) is not None:
        du = patch.u - patch.finish[COLUMN["cover_u"]]
        dv = patch.v - patch.finish[COLUMN["cover_v"]]
        over = (radius - torch.sqrt(du * du + dv * dv) + 0.05 * patches + 0.03 * blades) * patch.scale * 0.6
        cover = cover * (1 - (over + 0.5).clamp_(0, 1) * (radius > 0))
    return cover


def _soiled(patch: _PlatePatches, albedo: torch.Tensor, patches: torch.Tensor, grain: torch.Tensor) -> torch.Tensor:
    """Dirt, bleaching, grain and glare on reflectance [3, P, S, S]."""
    if (fade := patch.strength("fade")) is not None:
        share = fade * (0.35 + 0.3 * patches).clamp(0, 1)
        grey = albedo.mean(dim=0, keepdim=True) * 0.6 + 0.2
        albedo = torch.lerp(albedo, grey.expand_as(albedo), share)
    if (dirt := patch.strength("dirt")) is not None:
        share = dirt * (0.3 + 0.35 * patches + 0.15 * grain).clamp(0, 1)
        soil = torch.tensor(_SOIL, device=patch.device).view(3, 1, 1, 1)
        albedo = torch.lerp(albedo, soil.expand_as(albedo), share)
    if (speckle := patch.strength("speckle")) is not None:
        albedo = albedo * (1 + speckle * grain).clamp_(min=0.2)
    veil = patch.finish[COLUMN["veil"]]
    if (gloss := patch.strength("gloss")) is not None:
        du = patch.u - patch.finish[COLUMN["gloss_u"]]
        dv = patch.v - patch.finish[COLUMN["gloss_v"]]
        width = patch.finish[COLUMN["gloss_width"]].clamp(min=0.05)
        veil = veil + gloss * torch.exp((du * du + dv * dv) / (-2 * width * width))
    return (albedo + veil).clamp(0.003, 1.3)


def _turned_to_sun(patch: _PlatePatches, bumps: torch.Tensor) -> torch.Tensor:
    """Share of direct sun on the plate's surface before shadows [P, S, S]: tilt, folds, wrinkles, bulge."""
    sketch, pick = patch.sketch, patch.batch.rows
    sun = column(sketch.sun[pick], patch.device)
    factor = torch.ones_like(bumps)
    if (fold := patch.strength("fold")) is not None:
        angle = patch.finish[COLUMN["fold_angle"]]
        period = patch.finish[COLUMN["fold_period"]].clamp(min=0.05)
        phase = (patch.u * torch.cos(angle) + patch.v * torch.sin(angle)) / period + patch.finish[COLUMN["fold_phase"]]
        # Between two creases a sheet leans one way, then the other; it sags, so the change is not a step alone.
        within = phase - torch.floor(phase)
        side = torch.remainder(torch.floor(phase), 2) * 2 - 1
        factor = factor + fold * side * (0.25 + 0.75 * (2 * within - 1).abs())
    if (wrinkle := patch.strength("wrinkle")) is not None:
        factor = factor + 0.35 * wrinkle * bumps
    if (dome := patch.strength("dome")) is not None:
        towards = column(sketch.sun_in_plane[pick].T, patch.device)
        factor = factor + dome * 2 * (patch.u * towards[0] + patch.v * towards[1])
    return factor.clamp_(0.05, 2.0) * sun


def _ground_under(canvas: Canvas, patch: _PlatePatches, picture: np.ndarray, edge: torch.Tensor) -> None:
    """Darken the ground beside plates that stand off it: their shadow, and the sky that they hide."""
    plates, pick = patch.sketch.plates, patch.batch.rows
    high = (plates.thickness_m[pick] > 0.002) & (plates.body[pick] > 0)
    if not high.any():
        return
    shift = column(patch.sketch.shadow_shift[pick].T, patch.device)
    moved = patch.outline(patch.u - shift[0], patch.v - shift[1]) * patch.scale
    high_t = column(high, patch.device)
    if (np.linalg.norm(patch.sketch.shadow_shift[pick], axis=1) > 0.08).any():
        moved = torch.minimum(moved, patch.outline(patch.u - 0.5 * shift[0], patch.v - 0.5 * shift[1]) * patch.scale)
    kept = 1 - (0.5 - moved * 0.7).clamp_(0, 1) * (0.95 * high_t)
    canvas.darken(canvas.layers[:, 3], patch.batch, picture, kept)
    thick_px = plates.thickness_m[pick] * patch.sketch.px_per_m[pick]
    near = torch.exp(-edge.clamp(min=0) / column(np.minimum(thick_px, 4.0) + 0.7, patch.device)) * (0.45 * high_t)
    canvas.darken(canvas.layers[:, 4], patch.batch, picture, 1 - near)
