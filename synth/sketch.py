"""From the world to pixels: the tables of a layout as the camera sees them, ready for the rasteriser.

Everything is numpy in double precision here; ``synth.raster`` turns it into pictures. Boxes are (x0, y0, x1, y1) in pixels
of the picture; directions in a picture are (x right, y down, z towards the viewer).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from synth.capture import CaptureSpec
from synth.convex import capsule_box, half_planes, hull, touches
from synth.outlines import OutlineAtlas
from synth.projection import FITTED_AT, Views, homographies, lens_bends
from synth.scene import COLUMN, Array, Facets, Index, Layout, Limbs, Plates, take

# The sun's angular diameter [rad]: half a degree (common knowledge); it softens the rim of a shadow.
_SUN_RAD = 0.0093
_SHADOW_EXTENT_M = 12.0
_EIGHTHS = np.arange(8) * np.pi / 4
#: A plate thicker than this stands off the ground: it throws a shadow there.
STANDS_M = 0.002
#: A ragged edge reaches out by so many of its deviations.
RAGGED_MOST = 2.5


@dataclass(frozen=True)
class Sunlight:
    """Per picture: unit vector to the sun in the world [B, 3], in the picture [B, 3]."""

    world: Array
    in_picture: Array

    @property
    def level(self) -> Array:
        """Cosine of the sun's angle to level ground [B]."""
        return self.world[:, 2]


@dataclass(frozen=True)
class PlateSketch:
    """Plates in pixels; ``plane_from_px`` [N, 3, 3] maps pixels to the shape's plane, ``scale_px`` [N] pixels to its unit.

    ``bend`` [N, 2, 6] is what the lens adds to that (see projection.lens_bends), None for a lens without distortion.
    """

    plates: Plates
    plane_from_px: Array
    bend: Array | None
    scale_px: Array
    px_per_m: Array
    box: Array
    edges: Array
    """Half planes [N, 8, 3] around the outline, as a facet's."""
    reach_px: Array
    """How far beyond its outline a plate changes the picture [N]: shadow and soft rim."""
    sun: Array
    sky: Array
    sun_in_plane: Array
    shadow_shift: Array
    """Where the shadow of the plate falls, in plane units [N, 2]."""


@dataclass(frozen=True)
class LimbSketch:
    """Tapered capsules in pixels: ``ends`` [N, 2, 2], ``radii`` [N, 2]."""

    limbs: Limbs
    ends: Array
    radii: Array
    box: Array


@dataclass(frozen=True)
class FacetSketch:
    """Convex polygons in pixels as half planes: ``edges`` [N, 8, 3] with a x + b y + c > 0 outside."""

    facets: Facets
    edges: Array
    rounding: Array
    box: Array
    sun: Array
    sky: Array


@dataclass(frozen=True)
class ShadowSketch:
    """Shadows on the ground: capsules (``ends``, ``radii``) and convex polygons (``edges``), with softness [px] and darkness."""

    capsule_picture: Index
    ends: Array
    radii: Array
    capsule_soft: Array
    capsule_dark: Array
    capsule_box: Array
    polygon_picture: Index
    edges: Array
    polygon_soft: Array
    polygon_dark: Array
    polygon_box: Array


@dataclass(frozen=True)
class Sketch:
    """One layout seen in a batch of pictures."""

    plates: PlateSketch
    limbs: LimbSketch
    facets: FacetSketch
    shadows: ShadowSketch
    light: Sunlight


def sunlight(captures: Sequence[CaptureSpec], views: Views) -> Sunlight:
    """Directions to the sun for each picture."""
    elevation = np.radians([c.sun_elevation_deg for c in captures])
    azimuth = np.radians([c.sun_azimuth_deg for c in captures])
    level = np.cos(elevation)
    world = np.stack([level * np.sin(azimuth), level * np.cos(azimuth), np.sin(elevation)], axis=1)
    seen = views.in_camera(world, np.arange(len(captures)))
    return Sunlight(world, seen * np.array([1.0, 1.0, -1.0]))


def sketch(layout: Layout, views: Views, captures: Sequence[CaptureSpec], outlines: OutlineAtlas) -> Sketch:
    """Project a layout; what lies outside its picture is left out."""
    light = sunlight(captures, views)
    return Sketch(
        sketch_plates(layout.plates, views, light, outlines),
        _limbs(layout.limbs, views),
        _facets(layout.facets, views, light),
        _shadows(layout, views, light),
        light,
    )


def plate_homographies(plates: Plates, views: Views) -> tuple[Array, Array]:
    """Homographies [N, 3, 3] from shape planes to pixels, and the pixels [N, 9, 2] to which they were fitted."""
    x, y = FITTED_AT[:, :1], FITTED_AT[:, 1:]
    points = plates.origin[:, None] + x * plates.along[:, None] + y * plates.up[:, None]
    pixels = views.project(points, plates.picture)
    return homographies(pixels), pixels


def sketch_plates(plates: Plates, views: Views, light: Sunlight, outlines: OutlineAtlas) -> PlateSketch:
    """Plates that touch their picture, in pixels."""
    ppm = views.px_per_m(plates.origin, plates.picture)
    near = _near(views.project(plates.origin[:, None], plates.picture)[:, 0], _reach_px(plates, ppm), views.size_px)
    plates, ppm = take(plates, near), ppm[near]
    to_px, fitted = plate_homographies(plates, views)
    to_px = to_px / to_px[:, 2:, 2:]
    # Room for the shadow that the plate throws and for its soft rim, which a slanting view draws out along one side.
    stretch = np.clip(_longer(to_px) / _scale_px(to_px), 1, 2)
    reach = np.where(plates.thickness_m > STANDS_M, np.minimum(plates.thickness_m * 3, 0.5) * ppm + 2, 2.0) * stretch
    octagon = _corners_in_pixels(_octagons(plates, outlines), to_px)
    box = np.concatenate([octagon.min(axis=1) - reach[:, None], octagon.max(axis=1) + reach[:, None]], axis=1)
    inside = touches(box, views.size_px)
    plates = take(plates, inside)
    ppm, to_px, box, fitted, octagon, reach = (a[inside] for a in (ppm, to_px, box, fitted, octagon, reach))
    normal = np.cross(plates.along, plates.up)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    sun = light.world[plates.picture]
    size2 = (plates.along**2).sum(axis=1, keepdims=True)
    in_plane = np.concatenate(
        [(sun * plates.along).sum(1, keepdims=True), (sun * plates.up).sum(1, keepdims=True)], axis=1
    ) / np.sqrt(size2)
    # A point thickness_m above the ground throws its shadow thickness / tan(elevation) away from the sun.
    fall = -sun[:, :2] / sun[:, 2:] * plates.thickness_m[:, None]
    shift = np.stack([(fall * plates.along[:, :2]).sum(1), (fall * plates.up[:, :2]).sum(1)], axis=1) / size2
    from_px = np.linalg.inv(to_px)
    return PlateSketch(
        plates,
        from_px,
        lens_bends(from_px, fitted) if views.camera.distortion else None,
        _scale_px(to_px),
        ppm,
        box,
        half_planes(octagon),
        reach,
        np.clip((normal * sun).sum(1) / sun[:, 2], 0, 2.5),
        (1 + normal[:, 2]) / 2,
        in_plane,
        shift,
    )


def _jacobian(to_px: Array) -> Array:
    """Of planes to pixels at the planes' origin [N, 2, 2]; homographies [N, 3, 3] end in 1."""
    return to_px[:, :2, :2] - to_px[:, :2, 2:] * to_px[:, 2:, :2]


def _scale_px(to_px: Array) -> Array:
    """Side [px] of a square of the area that a plane's unit square has in the picture [N]."""
    return np.sqrt(np.abs(np.linalg.det(_jacobian(to_px))))


def _longer(to_px: Array) -> Array:
    """Pixels to a plane's unit along the direction that is drawn out most [N]."""
    return np.linalg.norm(_jacobian(to_px), ord=2, axis=(1, 2))


def _reach_px(plates: Plates, ppm: Array) -> Array:
    size = np.maximum(np.linalg.norm(plates.along, axis=1), np.linalg.norm(plates.up, axis=1))
    return ppm * (1.2 * size + 4 * plates.thickness_m) + 8


def _near(point: Array, reach: Array, size_px: tuple[int, int]) -> Array:
    with np.errstate(invalid="ignore"):
        x, y = point[:, 0], point[:, 1]
        return (x > -reach) & (y > -reach) & (x < size_px[1] + reach) & (y < size_px[0] + reach)


def _octagons(plates: Plates, outlines: OutlineAtlas) -> Array:
    """Octagons [N, 8, 2] around the outlines of plates, or around their marks alone, in units of the plane."""
    normals = np.array([[x, y] for x, y in zip(np.cos(_EIGHTHS), np.sin(_EIGHTHS))])
    reach = np.array([(o @ normals.T).max(axis=0) for o in outlines.outline])[plates.shape]
    half = 0.75 * plates.mark_height[:, None] * np.abs(normals).sum(axis=1)
    reach = np.where((plates.body == 0)[:, None], plates.mark_at @ normals.T + half, reach)
    reach = reach + plates.finish[:, COLUMN["ragged"], None] * RAGGED_MOST
    # A corner lies where two neighbouring edges meet.
    following = np.roll(normals, -1, axis=0)
    meet = np.linalg.inv(np.stack([normals, following], axis=1))
    return np.einsum("kij,nkj->nki", meet, np.stack([reach, np.roll(reach, -1, axis=1)], axis=2))


def _corners_in_pixels(corners: Array, to_px: Array) -> Array:
    """Pixels [N, V, 2] of plane points [N, V, 2] by homographies [N, 3, 3]."""
    points = corners @ to_px[:, :, :2].transpose(0, 2, 1) + to_px[:, None, :, 2]
    return points[..., :2] / points[..., 2:]


def _limbs(limbs: Limbs, views: Views) -> LimbSketch:
    limbs = take(limbs, limbs.shown > 0)
    ends = views.project(limbs.ends, limbs.picture)
    ppm = np.stack([views.px_per_m(limbs.ends[:, i], limbs.picture) for i in (0, 1)], axis=1)
    radii = np.maximum(limbs.radii_m * ppm, 0.05)
    box = capsule_box(ends, radii, 1.0)
    inside = touches(box, views.size_px)
    return LimbSketch(take(limbs, inside), ends[inside], radii[inside], box[inside])


def _facets(facets: Facets, views: Views, light: Sunlight) -> FacetSketch:
    middle = facets.corners.mean(axis=1)
    towards = views.position[facets.picture] - middle
    seen = (towards * facets.normal).sum(axis=1) > 0
    facets = take(facets, seen)
    corners = views.project(facets.corners, facets.picture)
    ppm = views.px_per_m(facets.corners[:, 0], facets.picture)
    box = np.concatenate([corners.min(axis=1) - 1, corners.max(axis=1) + 1], axis=1)
    inside = touches(box, views.size_px)
    facets, corners, ppm, box = take(facets, inside), corners[inside], ppm[inside], box[inside]
    sun = light.world[facets.picture]
    return FacetSketch(
        facets,
        half_planes(corners),
        facets.rounding_m * ppm,
        box,
        np.clip((facets.normal * sun).sum(1) / sun[:, 2], 0, 2.5),
        (1 + facets.normal[:, 2]) / 2,
    )


def _shadows(layout: Layout, views: Views, light: Sunlight) -> ShadowSketch:
    limbs = take(layout.limbs, layout.limbs.casts > 0)
    sun = light.world[limbs.picture]
    slope = sun[:, :2] / sun[:, 2:]
    ends, radii = limbs.ends.copy(), limbs.radii_m
    # A sphere's shadow is drawn out along the sun's direction: from r to r / sin(elevation) on either side.
    height = np.maximum(ends[..., 2], 0)
    longest = np.linalg.norm(slope, axis=1)
    height = np.minimum(height, _SHADOW_EXTENT_M / np.maximum(longest, 1e-6)[:, None])
    ends[..., :2] -= height[..., None] * slope[:, None]
    ends[..., 2] = 0
    stretch = radii * (1 / np.maximum(sun[:, 2:], 0.15) - 1)
    direction = slope / np.maximum(longest, 1e-9)[:, None]
    far = height.argmax(axis=1)
    row = np.arange(len(far))
    ends[row, far, :2] -= direction * stretch[row, far][:, None]
    px = views.project(ends, limbs.picture)
    ppm = views.px_per_m(ends[:, 0], limbs.picture)
    # Of a thing outside the picture nothing is known but that it is some way off.
    soft = 1.0 + np.where(limbs.shown > 0, height.mean(axis=1) * _SUN_RAD, 0.05) * ppm
    box = capsule_box(px, radii * ppm[:, None], soft)
    inside = touches(box, views.size_px)
    blocks = layout.blocks
    edges, polygon_box, polygon_soft = _block_shadows(layout, views, light)
    touching = touches(polygon_box, views.size_px)
    return ShadowSketch(
        limbs.picture[inside],
        px[inside],
        (radii * ppm[:, None])[inside],
        soft[inside],
        limbs.casts[inside],
        box[inside],
        blocks.picture[touching],
        edges[touching],
        polygon_soft[touching],
        blocks.darkness[touching],
        polygon_box[touching],
    )


def _block_shadows(layout: Layout, views: Views, light: Sunlight) -> tuple[Array, Array, Array]:
    blocks = layout.blocks
    sun = light.world[blocks.picture]
    points = blocks.corners.copy()
    points[..., :2] -= points[..., 2:] * (sun[:, None, :2] / sun[:, None, 2:])
    height = points[..., 2].max(axis=1, initial=0)
    points[..., 2] = 0
    px = views.project(points, blocks.picture)
    hulls = np.stack([hull(p) for p in px]) if len(px) else np.zeros((0, 8, 2))
    ppm = views.px_per_m(points[:, 0], blocks.picture)
    soft = 1.0 + 0.5 * height * _SUN_RAD * ppm
    box = np.concatenate([hulls.min(axis=1) - soft[:, None], hulls.max(axis=1) + soft[:, None]], axis=1)
    return half_planes(hulls), box, soft
