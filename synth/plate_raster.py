"""Flat things drawn in batches of patches: outline, mark, paint, dirt, folds, glare, grass over the edge, their own shadow."""

from __future__ import annotations

import numpy as np
import torch

from mission.vocabulary import MARKS
from synth import marks as mark_fields
from synth import outlines as outline_fields
from synth.atlases import NOISE_PX, Atlases, Place, grain_at, inside_tile, noise_at, sample, tile_offsets
from synth.columns import PatchedTable
from synth.patches import Canvas, Drawn, PatchBatch
from synth.scene import COLUMN
from synth.sketch import PlateSketch

LAYERS = 6
# Tiles of noise to a unit of the plane.
_PLANE_TILES = 46 / NOISE_PX
_SOIL = (0.13, 0.10, 0.07)


class _PlatePatches:
    """One batch of plates: coordinates and the fields read at them."""

    def __init__(
        self, batch: PatchBatch, values: dict[str, torch.Tensor], finish: np.ndarray, marked: bool, atlases: Atlases
    ) -> None:
        self.batch, self.values, self.marked, self.atlases = batch, values, marked, atlases
        x, y = batch.axes(values["scale"].device)
        a, b, c = (values[name] for name in ("to_plane_x", "to_plane_y", "to_plane"))
        depth = torch.add(x * a[2] + c[2], y * b[2])
        self.u, self.v = (torch.add(x * a[i] + c[i], y * b[i]).div_(depth) for i in (0, 1))
        if "bend" in values:
            u, v = self.u, self.v
            self.u, self.v = (
                p - (q[0] + u * (q[1] + q[3] * u + q[4] * v) + v * (q[2] + q[5] * v))
                for p, q in zip((u, v), values["bend"].split(6), strict=True)
            )
        self.scale = values["scale"]
        self.finish = values["finish"]
        self._finished = np.any(finish, axis=0).astype(bool)

    def strength(self, name: str) -> torch.Tensor | None:
        """A finish column [P, 1, 1], or None where no plate of the batch has it."""
        return self.finish[COLUMN[name]] if self._finished[COLUMN[name]] else None

    def outline(self, u: torch.Tensor, v: torch.Tensor) -> torch.Tensor:
        """Distance to the outline in units of the plane."""
        cell, span = outline_fields.CELL, outline_fields.SPAN
        tiles = self.atlases.shapes.shape[-1] // cell
        offset = self.values["shape_at"]
        place = Place(offset, torch.zeros_like(offset), 1 / (span * tiles), -1 / span)
        return sample(self.atlases.shapes, inside_tile(u, span, cell), inside_tile(v, span, cell), place)[0]

    def mark(self) -> torch.Tensor | None:
        """Cover of the mark [P, S, S]."""
        c = self.values
        if not self.marked:
            return None
        du, dv = self.u - c["mark_u"], self.v - c["mark_v"]
        cell, span = mark_fields.CELL, mark_fields.SPAN
        rows, columns = (side // cell for side in self.atlases.marks.shape[-2:])
        place = Place(c["mark_x"], c["mark_y"], 1 / (span * columns), -1 / (span * rows))
        x = inside_tile((du * c["mark_cos"]).addcmul_(dv, c["mark_sin"], value=-1), span, cell)
        y = inside_tile((du * c["mark_sin"]).addcmul_(dv, c["mark_cos"]), span, cell)
        field = sample(self.atlases.marks, x, y, place)[0].sub_(c["mark_grow"])
        return field.mul_(-c["mark_scale"]).add_(0.5).clamp_(0, 1).mul_(c["has_mark"])


def each_plate(canvas: Canvas, sketch: PlateSketch, atlases: Atlases, light: torch.Tensor, row0: int) -> list[Drawn]:
    table = PatchedTable(sketch.box, canvas.size_px, canvas.layers.device)
    drawn = []
    rows = table.rows
    finish, start = sketch.plates.finish[rows], sketch.plates.finish[rows, COLUMN["noise_u"]] * NOISE_PX
    for batch, some, values in table.each(**_columns(sketch, table, atlases)):
        picture = sketch.plates.picture[batch.rows]
        marked = bool((sketch.plates.glyph[batch.rows] >= 0).any())
        patch = _PlatePatches(batch, values, finish[some], marked, atlases)
        grains = grain_at(atlases, batch, start[some], row0, slice(0, 2))
        arriving = canvas.windows(light, batch, picture).clamp_(max=1.0)
        value, cover, edge = _paint_plate(patch, grains, arriving)
        _ground_under(canvas, sketch, patch, picture, edge)
        order, owner = sketch.plates.order[batch.rows], sketch.plates.owner[batch.rows]
        drawn.append(Drawn(batch, picture, order, owner, value, cover))
    return drawn


def _columns(sketch: PlateSketch, table: PatchedTable, atlases: Atlases) -> dict[str, np.ndarray]:
    """What is one number for a plate, sorted as the table is."""
    plates, pick = sketch.plates, table.rows
    shift = np.tile(np.eye(3), (len(pick), 1, 1))
    shift[:, :2, 2] = table.corner
    local = sketch.plane_from_px[pick] @ shift
    glyph, turn, height = plates.glyph[pick], plates.mark_turn[pick], plates.mark_height[pick]
    face, number = np.divmod(np.maximum(glyph, 0), len(MARKS))
    faces, numbers = (side // mark_fields.CELL for side in atlases.marks.shape[-2:])
    thickness = plates.thickness_m[pick]
    columns = {
        "to_plane_x": local[:, :, 0], "to_plane_y": local[:, :, 1], "to_plane": local[:, :, 2],
        "scale": sketch.scale_px[pick], "px_per_m": sketch.px_per_m[pick], "finish": plates.finish[pick],
        "shape_at": tile_offsets(plates.shape[pick], atlases.shapes.shape[-1] // outline_fields.CELL),
        "mark_u": plates.mark_at[pick, 0], "mark_v": plates.mark_at[pick, 1],
        "mark_cos": np.cos(turn) / height, "mark_sin": np.sin(turn) / height,
        "mark_x": tile_offsets(number, numbers), "mark_y": tile_offsets(face, faces),
        "mark_grow": plates.mark_grow[pick], "mark_scale": height * sketch.scale_px[pick], "has_mark": glyph >= 0,
        "albedo": plates.albedo[pick], "mark_albedo": plates.mark_albedo[pick], "body": plates.body[pick],
        "sky": sketch.sky[pick], "sun": sketch.sun[pick], "sun_in_plane": sketch.sun_in_plane[pick],
        "shadow": sketch.shadow_shift[pick], "stands": (thickness > 0.002) & (plates.body[pick] > 0),
        "thick_px": np.minimum(thickness * sketch.px_per_m[pick], 4.0) + 0.7,
    }  # fmt: skip
    if sketch.bend is not None:
        columns["bend"] = sketch.bend[pick].reshape(len(pick), 12)
    return columns


def _paint_plate(
    patch: _PlatePatches, grains: torch.Tensor, arriving: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Layers [P, 6, S, S], cover [P, S, S] and distance to the edge [px]."""
    c = patch.values
    noise_u, noise_v = patch.finish[COLUMN["noise_u"]], patch.finish[COLUMN["noise_v"]]
    patches, bumps = noise_at(patch.atlases, patch.u * _PLANE_TILES + noise_u, patch.v * _PLANE_TILES + noise_v)
    blades, grain = grains
    edge = patch.outline(patch.u, patch.v)
    if (ragged := patch.strength("ragged")) is not None:
        edge = edge + ragged * bumps
    edge = edge * patch.scale
    cover = (0.5 - edge).clamp_(0, 1)
    mark = patch.mark()
    if (wear := patch.strength("wear")) is not None and mark is not None:
        mark = mark * (1 - wear * (patches * 1.5 + 0.6 * grain - 0.6).clamp_(0, 1))
    albedo = c["albedo"].expand(3, *edge.shape)
    if mark is not None:
        albedo = (c["mark_albedo"] - c["albedo"]) * mark + c["albedo"]
        # Where there is no plate the mark alone covers the ground.
        cover = torch.lerp(mark, cover, c["body"])
    cover = _hidden(patch, cover, edge, blades, patches)
    value = torch.empty((len(edge), LAYERS, *edge.shape[1:]), device=edge.device)
    value[:, :3] = _soiled(patch, albedo, patches, grain).transpose(0, 1)
    value[:, 3] = _turned_to_sun(patch, bumps).mul_(arriving)
    value[:, 4] = c["sky"]
    value[:, 5] = 1
    return value, cover, edge


def _hidden(
    patch: _PlatePatches, cover: torch.Tensor, edge: torch.Tensor, blades: torch.Tensor, patches: torch.Tensor
) -> torch.Tensor:
    """Take away what grass over the edge and a patch of cover hide."""
    if (reach := patch.strength("blades")) is not None:
        reach_px = (reach * patch.values["px_per_m"]).clamp(min=0.1)
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
        soil = torch.tensor(_SOIL, device=dirt.device).view(3, 1, 1, 1)
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
        towards = patch.values["sun_in_plane"]
        factor = factor + dome * 2 * (patch.u * towards[0] + patch.v * towards[1])
    return factor.clamp_(0.05, 2.0).mul_(patch.values["sun"])


def _ground_under(
    canvas: Canvas, sketch: PlateSketch, patch: _PlatePatches, picture: np.ndarray, edge: torch.Tensor
) -> None:
    """Darken the ground beside plates that stand off it: their shadow, and the sky that they hide."""
    plates, pick, c = sketch.plates, patch.batch.rows, patch.values
    if not ((plates.thickness_m[pick] > 0.002) & (plates.body[pick] > 0)).any():
        return
    shift, stands = c["shadow"], c["stands"]
    moved = patch.outline(patch.u - shift[0], patch.v - shift[1])
    if (np.linalg.norm(sketch.shadow_shift[pick], axis=1) > 0.08).any():
        moved = torch.minimum(moved, patch.outline(patch.u - 0.5 * shift[0], patch.v - 0.5 * shift[1]))
    kept = 1 - (moved * (-0.7 * patch.scale)).add_(0.5).clamp_(0, 1).mul_(0.95 * stands)
    canvas.darken(canvas.layers[:, 3], patch.batch, picture, kept)
    near = (edge.clamp(min=0) / -c["thick_px"]).exp_().mul_(0.45 * stands)
    canvas.darken(canvas.layers[:, 4], patch.batch, picture, 1 - near)
