"""Flat things as lists of pixels: outline, mark, paint, dirt, folds, glare, grass over the edge, their own shadow."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import torch

from mission.vocabulary import MARKS
from synth import marks as mark_fields
from synth import outlines as outline_fields
from synth.atlases import NOISE_PX, Atlases, Place, grain_at, grain_counter, inside_tile, noise_at, sample, tile_offsets
from synth.canvas import Canvas, Drawn, Painted, multiply
from synth.pixels import Part, Pixels, Turns
from synth.scene import COLUMN, Array
from synth.sketch import RAGGED_MOST, STANDS_M, PlateSketch
from synth.spans import Spans

LAYERS = 6
# Tiles of noise to a unit of the plane.
_PLANE_TILES = 46 / NOISE_PX
_SOIL = (0.13, 0.10, 0.07)
# Inside a plate by more than this its cover is whole.
_RIM_PX = 1.5
# Ink reaches beyond its outermost kept points by no more than this, in units of its height.
_INK_MARGIN = 0.06


def draw_plates(
    canvas: Canvas, sketch: PlateSketch, turns: Turns, atlases: Atlases, light: torch.Tensor, row0: int
) -> list[Drawn]:
    """Plates ready to be laid; the ground beside those that stand off it is darkened at once."""
    plates, pick = sketch.plates, turns.rows
    runs = turns.runs(sketch.edges[pick], sketch.reach_px[pick])
    start = (plates.finish[pick, COLUMN["noise_u"]] * NOISE_PX)[runs.thing]
    table = turns.table(
        runs,
        _columns(sketch, turns, atlases),
        _of_runs(sketch, turns, runs),
        {"grain": grain_counter(runs, start, row0)},
    )
    arriving = light.view(-1)
    under: list[_Under] = []

    def paint(pixels: Pixels) -> Painted | None:
        plane = _Plane(pixels, atlases)
        standing = pixels.part(table.numbers["stands"] > 0)
        rim = standing and standing.where(standing.of(plane.edge) > standing["under"])
        if rim is not None:
            under.append(_ground_under(plane, rim))
        body = pixels.where(plane.edge < pixels["room"])
        if body is None:
            return None
        plate = _PlatePixels(plane, body)
        value = torch.empty((LAYERS, len(plate.edge)), device=plate.edge.device)
        painted = Painted(pixels, body, value, _paint(plate, value))
        value[3].mul_(arriving.index_select(0, painted.at).clamp_(max=1.0))
        return painted

    drawn = Drawn.of(turns, table, paint)
    if under:
        area = canvas.layers[0, 0].numel()
        at, bounds = torch.cat([u.layer_at for u in under]), turns.bounds([u.part for u in under])
        multiply(canvas.layers, at + 3 * area, torch.cat([u.sun for u in under]), bounds)
        multiply(canvas.layers, at + 4 * area, torch.cat([u.sky for u in under]), bounds)
    return drawn


def _columns(sketch: PlateSketch, turns: Turns, atlases: Atlases) -> dict[str, Array]:
    """What is one number for a plate."""
    plates, pick = sketch.plates, turns.rows
    finish = {name: plates.finish[pick, column] for name, column in COLUMN.items()}
    glyph, turn, height = plates.glyph[pick], plates.mark_turn[pick], plates.mark_height[pick]
    face, number = np.divmod(np.maximum(glyph, 0), len(MARKS))
    faces, numbers = (side // mark_fields.CELL for side in atlases.marks.shape[-2:])
    thickness, px_per_m, scale = plates.thickness_m[pick], sketch.px_per_m[pick], sketch.scale_px[pick]
    period = np.maximum(finish["fold_period"], 0.05)
    towards, shift = sketch.sun_in_plane[pick], sketch.shadow_shift[pick]
    ragged_px = finish["ragged"] * scale
    margin = _INK_MARGIN + plates.mark_grow[pick] + 1 / np.maximum(height * scale, 1e-6)
    ink = np.abs(mark_fields.mark_atlas().rim[face, number]).max(axis=1) + margin[:, None]
    columns = finish | {
        "plane_x": sketch.plane_from_px[pick][:, :, 0], "scale": scale,
        "shape_at": tile_offsets(plates.shape[pick], atlases.shapes.shape[-1] // outline_fields.CELL),
        "mark_u": plates.mark_at[pick, 0], "mark_v": plates.mark_at[pick, 1],
        "mark_cos": np.cos(turn) / height, "mark_sin": np.sin(turn) / height,
        "mark_x": tile_offsets(number, numbers), "mark_y": tile_offsets(face, faces),
        "mark_grow": plates.mark_grow[pick], "mark_scale": -height * scale, "has_mark": glyph >= 0,
        "albedo": plates.albedo[pick], "mark_step": plates.mark_albedo[pick] - plates.albedo[pick], "body": plates.body[pick],
        "sky": sketch.sky[pick], "sun": sketch.sun[pick], "shift_u": shift[:, 0], "shift_v": shift[:, 1],
        "stands": (thickness > STANDS_M) & (plates.body[pick] > 0),
        "thick_px": -1 / (np.minimum(thickness * px_per_m, 4.0) + 0.7),
        # Per pixel of distance from the edge, how much less grass reaches over it.
        "grass_px": 1 / np.maximum(finish["blades"] * px_per_m, 0.1), "grassy": finish["blades"] > 0,
        "covered": finish["cover_radius"] > 0,
        "fold_u": np.cos(finish["fold_angle"]) / period, "fold_v": np.sin(finish["fold_angle"]) / period,
        "gloss_sharp": -0.5 / np.maximum(finish["gloss_width"], 0.05) ** 2,
        "dome_u": 2 * finish["dome"] * towards[:, 0], "dome_v": 2 * finish["dome"] * towards[:, 1],
        "ink_x": ink[:, 0], "ink_y": ink[:, 1], "ragged_px": ragged_px,
        # Nothing is seen of the ground under a plate's middle, unless grass or a patch of cover hides the plate there.
        "under": np.where((finish["blades"] > 0) | (finish["cover_radius"] > 0), -np.inf, -_RIM_PX - RAGGED_MOST * ragged_px),
        # Pixels further from the outline than this show nothing of the plate; a mark without a plate may lie anywhere.
        "room": np.where(plates.body[pick] > 0, 0.5 + RAGGED_MOST * ragged_px, np.inf),
    }  # fmt: skip
    if sketch.bend is not None:
        columns["bend"] = sketch.bend[pick].reshape(len(pick), 12)
    return columns


def _of_runs(sketch: PlateSketch, turns: Turns, runs: Spans) -> dict[str, Array]:
    """Numerators and denominator of the plane's coordinates at the left of each plate, row by row."""
    matrix = sketch.plane_from_px[turns.rows][runs.thing]
    left, y = turns.rectangle[runs.thing, :1], runs.y[:, None] + 0.5
    return {"plane": matrix[:, :, 0] * left + matrix[:, :, 1] * y + matrix[:, :, 2]}


class _Plane:
    """All pixels that plates may touch: plane coordinates ``u``, ``v`` [N], distance to the outline ``edge`` [N] in pixels."""

    def __init__(self, pixels: Pixels, atlases: Atlases) -> None:
        self.pixels, self.atlases = pixels, atlases
        at = pixels["plane"].addcmul_(pixels["plane_x"], pixels.x)
        self.u, self.v = at[:2].div_(at[2])
        if "bend" in pixels.table.numbers:
            u, v = self.u, self.v
            self.u, self.v = (
                p - (q[0] + u * (q[1] + q[3] * u + q[4] * v) + v * (q[2] + q[5] * v))
                for p, q in zip((u, v), pixels["bend"].split(6), strict=True)
            )
        self.edge = outline(atlases, pixels["shape_at"], self.u, self.v).mul_(pixels["scale"])


class _PlatePixels:
    """Those of them that show something of the plates, with the fields read there."""

    def __init__(self, plane: _Plane, pixels: Part) -> None:
        self.pixels, self.atlases = pixels, plane.atlases
        self.u, self.v, self.edge = (pixels.of(values) for values in (plane.u, plane.v, plane.edge))
        noise_u, noise_v = pixels["noise_u"], pixels["noise_v"]
        self.patches, self.bumps = noise_at(
            plane.atlases, noise_u.add_(self.u, alpha=_PLANE_TILES), noise_v.add_(self.v, alpha=_PLANE_TILES)
        )
        self.blades, self.grain = grain_at(plane.atlases, pixels.of(plane.pixels.counter("grain")), slice(0, 2))
        if self.has("ragged"):
            # The few bumps beyond RAGGED_MOST would change pixels that ``room`` and ``under`` leave out.
            self.edge = self.edge.addcmul(pixels["ragged_px"], self.bumps.clamp(-RAGGED_MOST, RAGGED_MOST))

    def has(self, name: str) -> bool:
        """Whether any plate here has so much as a trace of a finish."""
        return self.pixels.any(self.pixels.table.numbers[name] > 0)

    def part(self, name: str) -> Part | None:
        """The pixels of the plates that have a finish."""
        return self.pixels.part(self.pixels.table.numbers[name] > 0)


def outline(atlases: Atlases, shape_at: torch.Tensor, u: torch.Tensor, v: torch.Tensor) -> torch.Tensor:
    """Distance [N] to outlines in units of the plane."""
    cell, span = outline_fields.CELL, outline_fields.SPAN
    tiles = atlases.shapes.shape[-1] // cell
    place = Place(shape_at, torch.zeros(1, device=u.device), 1 / (span * tiles), -1 / span)
    return sample(atlases.shapes, inside_tile(u, span, cell), inside_tile(v, span, cell), place)[0]


def _ink(plate: _PlatePixels) -> tuple[Part, torch.Tensor] | None:
    """Pixels about the marks, and the marks' cover there."""
    part = plate.part("has_mark")
    if part is None:
        return None
    u, v = plate_at(plate, part)
    du, dv = u.sub(part["mark_u"]), v.sub(part["mark_v"])
    cos, sin = part["mark_cos"], part["mark_sin"]
    x = (du * cos).addcmul_(dv, sin, value=-1)
    y = du.mul_(sin).addcmul_(dv, cos)
    part = part.where((x.abs() < part["ink_x"]) & (y.abs() < part["ink_y"]))
    if part is None:
        return None
    cell, span = mark_fields.CELL, mark_fields.SPAN
    rows, columns = (side // cell for side in plate.atlases.marks.shape[-2:])
    place = Place(part["mark_x"], part["mark_y"], 1 / (span * columns), -1 / (span * rows))
    x, y = (inside_tile(part.still(p), span, cell) for p in (x, y))
    field = sample(plate.atlases.marks, x, y, place)[0].sub_(part["mark_grow"])
    ink = field.mul_(part["mark_scale"]).add_(0.5).clamp_(0, 1).mul_(part["has_mark"])
    if plate.has("wear"):
        gone = part.of(plate.patches).mul(1.5).add_(part.of(plate.grain), alpha=0.6).sub_(0.6).clamp_(0, 1)
        ink.mul_(gone.mul_(part["wear"]).neg_().add_(1))
    return part, ink


def plate_at(plate: _PlatePixels, part: Part) -> tuple[torch.Tensor, torch.Tensor]:
    """Plane coordinates of some pixels; not to be changed in place."""
    return part.of(plate.u), part.of(plate.v)


def _paint(plate: _PlatePixels, value: torch.Tensor) -> torch.Tensor:
    """Fill the layers [6, N], but for what of the sun arrives, and return the cover [N]."""
    pixels = plate.pixels
    cover = (0.5 - plate.edge).clamp_(0, 1)
    albedo = value[:3]
    albedo.copy_(pixels["albedo"])
    # Where there is no plate the mark alone covers the ground.
    bare = pixels.any(pixels.table.numbers["body"] < 1)
    if bare:
        cover.mul_(pixels["body"])
    if (found := _ink(plate)) is not None:
        marked, ink = found
        marked.put(albedo, marked["mark_step"].mul_(ink).add_(marked.of(albedo)))
        if bare:
            marked.put(cover, (1 - marked["body"]).mul_(ink).add_(marked.of(cover)))
    _hide(plate, cover)
    _soil(plate, albedo)
    _turn_to_sun(plate, value[3])
    value[4] = pixels["sky"]
    value[5] = 1
    return cover


def _hide(plate: _PlatePixels, cover: torch.Tensor) -> None:
    """Take away what grass over the edge and a patch of cover hide."""
    if (part := plate.part("blades")) is not None:
        # Grass stands thick in some places and leaves others free.
        over = part.of(plate.blades).add(part.of(plate.patches)).sub_(0.9)
        over = over.addcmul_(part.of(plate.edge), part["grass_px"]).mul_(1.4).clamp_(0, 1).mul_(part["grassy"])
        part.put(cover, over.neg_().add_(1).mul_(part.of(cover)))
    if (part := plate.part("cover_radius")) is not None:
        u, v = plate_at(plate, part)
        du, dv = u.sub(part["cover_u"]), v.sub(part["cover_v"])
        over = part["cover_radius"].sub_((du * du).addcmul_(dv, dv).sqrt_())
        over.add_(part.of(plate.patches), alpha=0.05).add_(part.of(plate.blades), alpha=0.03)
        over = over.mul_(part["scale"]).mul_(0.6).add_(0.5).clamp_(0, 1).mul_(part["covered"])
        part.put(cover, over.neg_().add_(1).mul_(part.of(cover)))


def _soil(plate: _PlatePixels, albedo: torch.Tensor) -> None:
    """Dirt, bleaching, grain and glare on reflectance [3, N], in place."""
    pixels = plate.pixels
    if plate.has("fade"):
        share = plate.patches.mul(0.3).add_(0.35).clamp_(0, 1).mul_(pixels["fade"])
        grey = albedo.mean(dim=0).mul_(0.6).add_(0.2)
        albedo.lerp_(grey.expand_as(albedo), share)
    if plate.has("dirt"):
        share = plate.patches.mul(0.35).add_(0.3).add_(plate.grain, alpha=0.15).clamp_(0, 1).mul_(pixels["dirt"])
        albedo.lerp_(_soil_colour(share.device).expand_as(albedo), share)
    if plate.has("speckle"):
        albedo.mul_(pixels["speckle"].mul_(plate.grain).add_(1).clamp_(min=0.2))
    veil = pixels["veil"]
    if (part := plate.part("gloss")) is not None:
        u, v = plate_at(plate, part)
        du, dv = u.sub(part["gloss_u"]), v.sub(part["gloss_v"])
        glare = (du * du).addcmul_(dv, dv).mul_(part["gloss_sharp"]).exp_().mul_(part["gloss"])
        part.put(veil, glare.add_(part["veil"]))
    albedo.add_(veil).clamp_(0.003, 1.3)


@lru_cache(maxsize=4)
def _soil_colour(device: torch.device) -> torch.Tensor:
    return torch.tensor(_SOIL, device=device).view(3, 1)


def _turn_to_sun(plate: _PlatePixels, sun: torch.Tensor) -> None:
    """Share of direct sun on the plate's surface before shadows, into [N]: tilt, folds, wrinkles, bulge."""
    pixels = plate.pixels
    torch.mul(plate.bumps, pixels["wrinkle"], out=sun).mul_(0.35).add_(1)
    if (part := plate.part("fold")) is not None:
        u, v = plate_at(plate, part)
        phase = part["fold_phase"].addcmul_(u, part["fold_u"]).addcmul_(v, part["fold_v"])
        # Between two creases a sheet leans one way, then the other; it sags, so the change is not a step alone.
        crease = phase.floor()
        within = phase.sub_(crease)
        side = crease.mul_(0.5).frac_().abs_().mul_(4).sub_(1)
        lean = within.mul_(2).sub_(1).abs_().mul_(0.75).add_(0.25).mul_(side).mul_(part["fold"])
        part.put(sun, lean.add_(part.of(sun)))
    if (part := plate.part("dome")) is not None:
        u, v = plate_at(plate, part)
        part.put(sun, (part["dome_u"].mul_(u)).addcmul_(part["dome_v"], v).add_(part.of(sun)))
    sun.clamp_(0.05, 2.0).mul_(pixels["sun"])


@dataclass(frozen=True)
class _Under:
    """What plates leave of sun and sky [N] on the ground at places [N] of the first layer, for the pixels of a part."""

    part: Part
    layer_at: torch.Tensor
    sun: torch.Tensor
    sky: torch.Tensor


def _ground_under(plane: _Plane, part: Part) -> _Under:
    """The shadow of plates that stand off the ground, and the sky that they hide."""
    u, v = part.of(plane.u), part.of(plane.v)
    shift_u, shift_v, shape_at, scale = (part[name] for name in ("shift_u", "shift_v", "shape_at", "scale"))
    moved = _far_outline(plane.atlases, shape_at, u - shift_u, v - shift_v)
    numbers = part.table.numbers
    if part.any(np.hypot(numbers["shift_u"], numbers["shift_v"]) > 0.08):
        half = _far_outline(plane.atlases, shape_at, u.sub(shift_u, alpha=0.5), v.sub(shift_v, alpha=0.5))
        moved = torch.minimum(moved, half, out=moved)
    stands = part["stands"]
    dark = moved.mul_(scale).mul_(-0.7).add_(0.5).clamp_(0, 1).mul_(stands).mul_(0.95)
    edge = _beyond(u, v).mul_(scale).add_(part.of(plane.edge))
    hidden = edge.clamp_(min=0).mul_(part["thick_px"]).exp_().mul_(stands).mul_(0.45)
    at = part.of(plane.pixels.counter("layer_at"))
    return _Under(part, at, dark.neg_().add_(1), hidden.neg_().add_(1))


def _far_outline(atlases: Atlases, shape_at: torch.Tensor, u: torch.Tensor, v: torch.Tensor) -> torch.Tensor:
    """Distance to outlines as ``outline`` gives it, but growing on beyond the field."""
    return outline(atlases, shape_at, u, v).add_(_beyond(u, v))


def _beyond(u: torch.Tensor, v: torch.Tensor) -> torch.Tensor:
    """How far points lie outside the fields of outlines, which end a little beyond the outlines."""
    limit = outline_fields.SPAN - outline_fields.SPAN / outline_fields.CELL
    return (u.abs() - limit).clamp_(min=0).add_((v.abs() - limit).clamp_(min=0))
