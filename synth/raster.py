"""The rasteriser: plates, limbs, facets and shadows from pixels' point of view, in batches of patches.

Each drawing function returns patches of six layers: reflectance (3), share of direct sun, share of the sky, cover. Edges are
covered in proportion to the signed distance from the pixel's centre, which is a pixel-wide box filter for straight edges.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F

from mission.vocabulary import MARKS
from synth import marks as mark_fields
from synth import outlines as outline_fields
from synth.patches import Canvas, Drawn, PatchBatch, patch_batches
from synth.scene import COLUMN
from synth.sketch import FacetSketch, LimbSketch, PlateSketch, ShadowSketch, Sketch

LAYERS = 6
_NOISE_PX = 256
_SOIL = (0.13, 0.10, 0.07)


class Atlases:
    """Mosaics of marks, outlines and noise as tensors on one device."""

    def __init__(self, outlines: outline_fields.OutlineAtlas, device: torch.device) -> None:
        self.outlines = outlines
        self.marks = mark_mosaic(device)
        shapes = torch.from_numpy(outlines.mosaic()).to(device)
        self.shapes = shapes[None, None]
        self.noise, self.grain = noise_tile(device)


@lru_cache(maxsize=4)
def mark_mosaic(device: torch.device) -> torch.Tensor:
    """All marks as one picture [1, 1, F * CELL, 36 * CELL] of distances, in units of the mark's height."""
    field = torch.from_numpy(mark_fields.mark_atlas().mosaic()).to(device)
    return field.float().mul_(mark_fields.RANGE / 127)[None, None]


@lru_cache(maxsize=4)
def noise_tile(device: torch.device) -> tuple[torch.Tensor, torch.Tensor]:
    """Endless noise, each plane of mean 0 and deviation 1.

    [1, 2, 257, 257] patches and bumps, to be read at any scale; [3, 384, 384] blades, grain and cloth, read pixel by pixel.
    """
    rng = np.random.Generator(np.random.Philox(key=(22, 0)))
    n = _NOISE_PX
    f = np.hypot(np.fft.fftfreq(n)[:, None] * n, np.fft.rfftfreq(n)[None] * n)
    f[0, 0] = 1

    def between(power: float, low: float, high: float) -> np.ndarray:
        spectrum = np.fft.rfft2(rng.standard_normal((n, n))) * f**-power * (f >= low) * (f <= high)
        return np.fft.irfft2(spectrum, s=(n, n))

    coarse = _endless([between(1.4, 1, 60), between(1.2, 1.5, 16)], n + 1)
    fine = _endless([_blades(rng, n), between(0, 1, 128), between(0.8, 8, 60)], n + n // 2)
    return torch.from_numpy(coarse).to(device)[None], torch.from_numpy(fine).to(device)


def _endless(planes: list[np.ndarray], side: int) -> np.ndarray:
    tile = np.stack([(plane - plane.mean()) / plane.std() for plane in planes])
    wrapped = np.arange(side) % tile.shape[1]
    return tile[:, wrapped[:, None], wrapped].astype(np.float32)


def _blades(rng: np.random.Generator, n: int) -> np.ndarray:
    """A plane of short strokes in tufts: grass seen from above, endless."""
    count = n * n // 14
    tuft = rng.integers(0, 260, count)
    centre, lean = rng.uniform(0, n, (260, 2)), rng.uniform(0, np.pi, 260)
    scattered = rng.random(count) < 0.5
    at = np.where(scattered[:, None], rng.uniform(0, n, (count, 2)), centre[tuft] + rng.normal(0, 5, (count, 2)))
    angle = lean[tuft] + rng.normal(0, 0.7, count)
    length, level = rng.uniform(2, 9, count), rng.uniform(0.4, 1.0, count)
    plane = np.zeros((n, n))
    for step in np.linspace(-0.5, 0.5, 12):
        x = at[:, 0] + step * length * np.cos(angle)
        y = at[:, 1] + step * length * np.sin(angle)
        np.maximum.at(plane, (np.floor(y).astype(int) % n, np.floor(x).astype(int) % n), level * (1 - abs(step)))
    spread = np.roll(plane, 1, 0) + np.roll(plane, 1, 1) + np.roll(plane, -1, 0) + np.roll(plane, -1, 1)
    return 0.6 * plane + 0.1 * spread


def draw(canvas: Canvas, drawing: Sketch, atlases: Atlases, light: torch.Tensor, row0: int = 0) -> None:
    """Draw a sketch on a canvas whose layers hold the ground (or nothing, under photographs).

    ``light`` [B, H, W] is the share of direct sun that reaches flat things lying there; drawn shadows are multiplied into it
    and into the canvas's own share of sun. ``row0`` is the frame's row at the canvas's top, so that strips agree.
    """
    cast = torch.ones_like(light)
    darken(canvas, cast, drawing.shadows)
    canvas.layers[:, 3].mul_(cast)
    arriving = light.clamp(max=1.0).mul_(cast)
    drawn = [
        *_each_plate(canvas, drawing.plates, atlases, arriving, row0),
        *_each_limb(canvas, drawing.limbs, drawing.light.in_picture, drawing.light.level, atlases, row0),
        *_each_facet(canvas, drawing.facets),
    ]
    canvas.lay(drawn)


def _tensor(values: np.ndarray, device: torch.device) -> torch.Tensor:
    """Float32 tensor with two axes appended where a patch's rows and columns go."""
    tensor = torch.from_numpy(np.ascontiguousarray(values, dtype=np.float32)).to(device)
    return tensor.view(*tensor.shape, 1, 1)


def darken(canvas: Canvas, plane: torch.Tensor, shadows: ShadowSketch) -> None:
    """Multiply the shadows of tall things into a plane [B, H, W]."""
    device = plane.device
    for batch in patch_batches(shadows.capsule_box, canvas.size_px, device):
        pick = batch.rows
        distance, _ = _capsule(batch, shadows.ends[pick], shadows.radii[pick], device)
        soft, dark = _tensor(shadows.capsule_soft[pick], device), _tensor(shadows.capsule_dark[pick], device)
        kept = 1 - (0.5 - distance / soft).clamp_(0, 1).mul_(dark)
        canvas.darken(plane, batch, shadows.capsule_picture[pick], kept)
    for batch in patch_batches(shadows.polygon_box, canvas.size_px, device):
        pick = batch.rows
        distance = _convex(batch, shadows.edges[pick], np.full(len(pick), 0.5), device)
        soft, dark = _tensor(shadows.polygon_soft[pick], device), _tensor(shadows.polygon_dark[pick], device)
        kept = 1 - (0.5 - distance / soft).clamp_(0, 1).mul_(dark)
        canvas.darken(plane, batch, shadows.polygon_picture[pick], kept)


def _capsule(
    batch: PatchBatch, ends: np.ndarray, radii: np.ndarray, device: torch.device
) -> tuple[torch.Tensor, tuple[torch.Tensor, torch.Tensor, torch.Tensor]]:
    """Signed distance [P, S, S] to tapered capsules and (x, y from the axis over the radius there, share along it)."""
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
    dx, dy = x - _tensor(start[:, 0], device), y - _tensor(start[:, 1], device)
    along = dx * _tensor(axis[:, 0], device) + dy * _tensor(axis[:, 1], device)
    across = dx * _tensor(-axis[:, 1], device) + dy * _tensor(axis[:, 0], device)
    # Move along the axis to where the flank is nearest, then measure to the sphere there.
    tilt = slope / np.sqrt(np.maximum(1 - slope**2, 1e-4))
    at = torch.addcmul(along, across.abs(), _tensor(tilt, device))
    at = torch.minimum(at.clamp_(min=0), _tensor(length, device))
    radius = _tensor(r0, device) - at * _tensor(slope, device)
    off = along - at
    distance = torch.sqrt(off * off + across * across) - radius
    inverse = 1 / radius
    nx = (off * _tensor(axis[:, 0], device) - across * _tensor(axis[:, 1], device)) * inverse
    ny = (off * _tensor(axis[:, 1], device) + across * _tensor(axis[:, 0], device)) * inverse
    return distance, (nx, ny, at)


def _convex(batch: PatchBatch, edges: np.ndarray, rounding: np.ndarray, device: torch.device) -> torch.Tensor:
    """Signed distance [P, S, S] to convex polygons given as half planes [P, V, 3], corners rounded."""
    corner = np.stack([batch.x0, batch.y0], axis=1)
    offset = edges[..., 2] + (edges[..., :2] * corner[:, None]).sum(axis=2)
    round_px = _tensor(np.maximum(rounding, 0.01), device)
    x, y = batch.axes(device)
    inner = torch.full((len(edges), batch.height, batch.width), -1e6, device=device)
    outer = torch.zeros_like(inner)
    for k in range(edges.shape[1]):
        if (edges[:, k, 2] <= -1e5).all():
            continue
        d = x * _tensor(edges[:, k, 0], device) + y * _tensor(edges[:, k, 1], device) + _tensor(offset[:, k], device)
        d = d + round_px
        inner = torch.maximum(inner, d)
        d = d.clamp_(min=0)
        outer.addcmul_(d, d)
    return inner.clamp_(max=0) + outer.sqrt_() - round_px


def _sample(mosaic: torch.Tensor, x: torch.Tensor, y: torch.Tensor) -> torch.Tensor:
    """Planes of a mosaic [1, C, H, W] at pixel coordinates x, y [P, S, S] (edge convention): [C, P, S, S]."""
    count, height, width = x.shape
    size = mosaic.shape[-2:]
    grid = torch.stack([x * (2 / size[1]) - 1, y * (2 / size[0]) - 1], dim=-1).view(1, count * height, width, 2)
    found = F.grid_sample(mosaic, grid, mode="bilinear", padding_mode="border", align_corners=False)
    return found.view(mosaic.shape[1], count, height, width)


def _tile_coordinate(u: torch.Tensor, span: float, cell: int, tile: torch.Tensor) -> torch.Tensor:
    """Pixel coordinate in a mosaic of square tiles for plane coordinates -span..span (held inside the tile)."""
    inside = (u * (cell / (2 * span)) + cell / 2).clamp_(0.5, cell - 0.5)
    return inside + tile * cell


def _noise_at(atlases: Atlases, x: torch.Tensor, y: torch.Tensor) -> torch.Tensor:
    """Patches and bumps at tile pixels x, y (wrapped): [2, P, S, S]."""
    return _sample(atlases.noise[:, :2], torch.remainder(x, _NOISE_PX) + 0.5, torch.remainder(y, _NOISE_PX) + 0.5)


def _grain(atlases: Atlases, batch: PatchBatch, start: np.ndarray, row0: int, planes: slice) -> torch.Tensor:
    """Noise from pixel to pixel [C, P, S, S]: pieces of the tile, moved by ``start`` [P] and fixed to the frame's pixels."""
    x = (batch.x0 + start.astype(np.int64)) % _NOISE_PX
    y = (batch.y0 + row0 + start.astype(np.int64) * 3) % _NOISE_PX
    high, wide, tile = batch.height, batch.width, atlases.grain[planes]
    if max(high, wide) > tile.shape[1] - _NOISE_PX:
        repeats = -(-max(high, wide) // _NOISE_PX) + 1
        tile = tile[:, :_NOISE_PX, :_NOISE_PX].repeat(1, repeats, repeats)
    return torch.stack([tile[:, j : j + high, i : i + wide] for i, j in zip(x.tolist(), y.tolist())], dim=1)


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
            a, b, c = (_tensor(local[:, i, j], device) for j in range(3))
            return x * a + (y * b + c)

        depth = row(2)
        self.u, self.v = row(0) / depth, row(1) / depth
        self.scale = _tensor(sketch.scale_px[pick], device)
        self.finish = _tensor(sketch.plates.finish[pick].T, device)
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
        tile = _tensor(self.sketch.plates.shape[self.batch.rows], self.device)
        x = _tile_coordinate(u, span, cell, tile)
        y = _tile_coordinate(-v, span, cell, torch.zeros_like(tile))
        return _sample(self.atlases.shapes, x, y)[0]

    def mark(self) -> torch.Tensor | None:
        """Cover of the mark [P, S, S]."""
        plates, pick = self.sketch.plates, self.batch.rows
        glyph = plates.glyph[pick]
        if (glyph < 0).all():
            return None
        turn, height = plates.mark_turn[pick], plates.mark_height[pick]
        c, s = _tensor(np.cos(turn) / height, self.device), _tensor(np.sin(turn) / height, self.device)
        du = self.u - _tensor(plates.mark_at[pick, 0], self.device)
        dv = self.v - _tensor(plates.mark_at[pick, 1], self.device)
        cell, span = mark_fields.CELL, mark_fields.SPAN
        face, number = np.divmod(np.maximum(glyph, 0), len(MARKS))
        x = _tile_coordinate(du * c - dv * s, span, cell, _tensor(number, self.device))
        y = _tile_coordinate(-(du * s + dv * c), span, cell, _tensor(face, self.device))
        field = _sample(self.atlases.marks, x, y)[0] - _tensor(plates.mark_grow[pick], self.device)
        cover = (0.5 - field * (_tensor(height, self.device) * self.scale)).clamp_(0, 1)
        return cover * _tensor(glyph >= 0, self.device)


def _each_plate(
    canvas: Canvas, sketch: PlateSketch, atlases: Atlases, arriving: torch.Tensor, row0: int
) -> list[Drawn]:
    device = canvas.layers.device
    drawn = []
    for batch in patch_batches(sketch.box, canvas.size_px, device):
        picture = sketch.plates.picture[batch.rows]
        patch = _PlatePatches(sketch, batch, atlases, row0, device)
        value, cover, edge = _paint_plate(patch, canvas.windows(arriving, batch, picture))
        _ground_under(canvas, patch, picture, edge)
        drawn.append(
            Drawn(batch, picture, sketch.plates.order[batch.rows], sketch.plates.owner[batch.rows], value, cover)
        )
    return drawn


def _paint_plate(patch: _PlatePatches, arriving: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Layers [P, 6, S, S], cover [P, S, S] and distance to the edge [px]."""
    sketch, pick, device = patch.sketch, patch.batch.rows, patch.device
    plates = sketch.plates
    noise_u, noise_v = patch.finish[COLUMN["noise_u"]] * _NOISE_PX, patch.finish[COLUMN["noise_v"]] * _NOISE_PX
    patches, bumps = _noise_at(patch.atlases, patch.u * 46 + noise_u, patch.v * 46 + noise_v)
    start = plates.finish[pick, COLUMN["noise_u"]] * _NOISE_PX
    blades, grain = _grain(patch.atlases, patch.batch, start, patch.row0, slice(0, 2))
    edge = patch.outline(patch.u, patch.v)
    if (ragged := patch.strength("ragged")) is not None:
        edge = edge + ragged * bumps
    edge = edge * patch.scale
    cover = (0.5 - edge).clamp(0, 1)
    body = _tensor(plates.body[pick], device)
    mark = patch.mark()
    if (wear := patch.strength("wear")) is not None and mark is not None:
        mark = mark * (1 - wear * (patches * 1.5 + 0.6 * grain - 0.6).clamp_(0, 1))
    albedo = _tensor(plates.albedo[pick].T, device).expand(3, *edge.shape)
    if mark is not None:
        albedo = torch.lerp(albedo, _tensor(plates.mark_albedo[pick].T, device), mark)
        # Where there is no plate the mark alone covers the ground.
        cover = torch.lerp(mark, cover, body)
    cover = _hidden(patch, cover, edge, blades, patches)
    value = torch.empty((len(pick), LAYERS, *edge.shape[1:]), device=device)
    value[:, :3] = _soiled(patch, albedo, patches, grain).transpose(0, 1)
    value[:, 3] = _turned_to_sun(patch, bumps).mul_(arriving)
    value[:, 4] = _tensor(sketch.sky[pick], device)
    value[:, 5] = 1
    return value, cover, edge


def _hidden(
    patch: _PlatePatches, cover: torch.Tensor, edge: torch.Tensor, blades: torch.Tensor, patches: torch.Tensor
) -> torch.Tensor:
    """Take away what grass over the edge and a patch of cover hide."""
    if (reach := patch.strength("blades")) is not None:
        reach_px = (reach * _tensor(patch.sketch.px_per_m[patch.batch.rows], patch.device)).clamp(min=0.1)
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
    sun = _tensor(sketch.sun[pick], patch.device)
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
        towards = _tensor(sketch.sun_in_plane[pick].T, patch.device)
        factor = factor + dome * 2 * (patch.u * towards[0] + patch.v * towards[1])
    return factor.clamp_(0.05, 2.0) * sun


def _ground_under(canvas: Canvas, patch: _PlatePatches, picture: np.ndarray, edge: torch.Tensor) -> None:
    """Darken the ground beside plates that stand off it: their shadow, and the sky that they hide."""
    plates, pick = patch.sketch.plates, patch.batch.rows
    high = (plates.thickness_m[pick] > 0.002) & (plates.body[pick] > 0)
    if not high.any():
        return
    shift = _tensor(patch.sketch.shadow_shift[pick].T, patch.device)
    moved = patch.outline(patch.u - shift[0], patch.v - shift[1]) * patch.scale
    high_t = _tensor(high, patch.device)
    if (np.linalg.norm(patch.sketch.shadow_shift[pick], axis=1) > 0.08).any():
        moved = torch.minimum(moved, patch.outline(patch.u - 0.5 * shift[0], patch.v - 0.5 * shift[1]) * patch.scale)
    kept = 1 - (0.5 - moved * 0.7).clamp_(0, 1) * (0.95 * high_t)
    canvas.darken(canvas.layers[:, 3], patch.batch, picture, kept)
    thick_px = plates.thickness_m[pick] * patch.sketch.px_per_m[pick]
    near = torch.exp(-edge.clamp(min=0) / _tensor(np.minimum(thick_px, 4.0) + 0.7, patch.device)) * (0.45 * high_t)
    canvas.darken(canvas.layers[:, 4], patch.batch, picture, 1 - near)


def _each_limb(
    canvas: Canvas, sketch: LimbSketch, sun_in_picture: np.ndarray, level: np.ndarray, atlases: Atlases, row0: int
) -> list[Drawn]:
    device = canvas.layers.device
    drawn = []
    limbs = sketch.limbs
    for batch in patch_batches(sketch.box, canvas.size_px, device):
        pick = batch.rows
        picture = limbs.picture[pick]
        distance, (nx, ny, _) = _capsule(batch, sketch.ends[pick], sketch.radii[pick], device)
        cover = (0.5 - distance).clamp(0, 1)
        nz = (1 - nx * nx - ny * ny).clamp(min=0.0).sqrt()
        sun = sun_in_picture[picture]
        facing = nx * _tensor(sun[:, 0], device) + ny * _tensor(sun[:, 1], device) + nz * _tensor(sun[:, 2], device)
        facing = facing / _tensor(np.maximum(level[picture], 0.1), device)
        start = limbs.ends[pick, 0, :2].sum(axis=1) * 977 % _NOISE_PX
        grain, bumps = _grain(atlases, batch, start, row0, slice(1, 3))
        rough = _tensor(limbs.grain[pick], device)
        value = torch.empty((len(pick), LAYERS, *cover.shape[1:]), device=device)
        value[:, :3] = _tensor(limbs.albedo[pick], device) * (1 + rough * 0.5 * grain).clamp(0.2, 2)[:, None]
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
        side = x * _tensor(0.6 / size[:, 0], device) + y * _tensor(0.4 / size[:, 1], device)
        side = side + _tensor(0.6 * start[:, 0] + 0.4 * start[:, 1], device)
        gloss = _tensor(facets.gloss[pick], device) * (0.5 + side)
        value[:, :3] = _tensor(facets.albedo[pick], device) + gloss[:, None]
        value[:, 3] = _tensor(sketch.sun[pick], device)
        value[:, 4] = _tensor(sketch.sky[pick], device)
        value[:, 5] = 1
        drawn.append(Drawn(batch, facets.picture[pick], facets.order[pick], np.full(len(pick), -1), value, cover))
    return drawn
