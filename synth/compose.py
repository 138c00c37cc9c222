"""A batch of scenes becomes pictures: ground, shadows, things on it, light, camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch

from synth.canvas import Canvas
from synth.capture import CaptureSpec
from synth.daylight import shadow_px_per_m
from synth.ground import GroundLayer, GroundSpec
from synth.ground_view import ground_from_chip, paint_chips
from synth.light import colours, illuminate
from synth.outlines import OutlineAtlas
from synth.photo_blend import blend_into_photograph
from synth.photo_ground import GroundBank, PhotoGroundSpec, PhotoLayer
from synth.projection import Views
from synth.raster import LAYERS, Atlases, draw
from synth.scene import Layout
from synth.sensor import develop, together
from synth.sketch import Sketch, sketch


@dataclass(frozen=True)
class Scene:
    """Everything about a batch of pictures, sampled and frozen; drawing adds nothing but the captures' seeded noise.

    ``grounds`` may be mixed (``synth.mixed_ground``). ``headings_deg`` is the ground direction of image up.
    """

    layout: Layout
    views: Views
    captures: tuple[CaptureSpec, ...]
    grounds: tuple[GroundSpec | PhotoGroundSpec, ...]
    headings_deg: tuple[float, ...]
    outlines: OutlineAtlas


@dataclass(frozen=True)
class Rendered:
    """Pictures uint8 [B, 3, H, W] and whose pixel each is (row of the targets, -1 for none) int32 [B, H, W]."""

    image: torch.Tensor
    owner: torch.Tensor


def render_chips(scene: Scene, bank: GroundBank | None, device: torch.device, *, jpeg: bool = True) -> Rendered:
    """Draw whole pictures of a batch."""
    drawing = sketch(scene.layout, scene.views, scene.captures, scene.outlines)
    atlases = Atlases(scene.outlines, device)
    height, width = scene.views.size_px
    if bank is None:
        canvas = ground_canvas(scene, height, width, device)
        draw(canvas, drawing, atlases, canvas.light)
        return Rendered(developed(canvas, scene.captures, jpeg=jpeg), canvas.owner)
    layer = bank.paint(_photo_specs(scene), device)
    canvas = photo_canvas(layer)
    draw(canvas, drawing, atlases, canvas.light)
    return Rendered(blend(canvas, layer, scene.captures, jpeg=jpeg), canvas.owner)


def developed(canvas: Canvas, captures: Sequence[CaptureSpec], *, jpeg: bool) -> torch.Tensor:
    """Pictures uint8 [B, 3, H, W] of a canvas that holds its ground."""
    step = together(canvas.layers)
    parts = [slice(i, i + step) for i in range(0, len(captures), step)]
    return torch.cat([develop(radiance(canvas.layers[p], captures[p]), captures[p], jpeg=jpeg) for p in parts])


class GroundCanvas(Canvas):
    """A canvas with the light that reaches flat things: ``light`` [B, H, W]."""

    def __init__(self, layers: torch.Tensor, light: torch.Tensor) -> None:
        super().__init__(layers)
        self.light = light


def ground_canvas(scene: Scene, height_px: int, width_px: int, device: torch.device) -> GroundCanvas:
    """A canvas that holds procedural ground as its pictures' views see it."""
    specs = [spec for spec in scene.grounds if isinstance(spec, GroundSpec)]
    shadows = [
        shadow_px_per_m(c.sun_elevation_deg, c.sun_azimuth_deg, spec.gsd_m, heading)
        for c, spec, heading in zip(scene.captures, specs, scene.headings_deg, strict=True)
    ]
    layers = torch.empty((len(specs), LAYERS, height_px, width_px), device=device)
    light = torch.empty((len(specs), height_px, width_px), device=device)
    layers[:, 4], layers[:, 5] = 1, 0
    maps = ground_from_chip(scene.views, np.array([spec.gsd_m for spec in specs]), np.array(scene.headings_deg))
    paint_chips(specs, maps, shadows, GroundLayer(layers[:, :3], layers[:, 3:4], light[:, None]))
    return GroundCanvas(layers, light)


def photo_canvas(layer: PhotoLayer) -> GroundCanvas:
    """An empty canvas over photographs: what is drawn stays premultiplied by its cover."""
    count, _, height, width = layer.linear.shape
    layers = torch.zeros((count, LAYERS, height, width), device=layer.linear.device)
    layers[:, 3:5] = 1
    return GroundCanvas(layers, torch.ones((count, height, width), device=layer.linear.device))


def radiance(layers: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """Scene radiance [B, 3, H, W] of a canvas's layers [B, 6, H, W] that hold their ground."""
    return illuminate(layers[:, :3], layers[:, 3:4], captures, layers[:, 4:5])


def blend(canvas: Canvas, layer: PhotoLayer, captures: Sequence[CaptureSpec], *, jpeg: bool = True) -> torch.Tensor:
    """Pictures of photographs with a canvas's things laid in."""
    sun, sky = colours(captures, "sun_rgb", canvas.layers), colours(captures, "sky_rgb", canvas.layers)
    shade, sky_visible = canvas.layers[:, 3:4], canvas.layers[:, 4:5]
    objects = canvas.layers[:, :3] * (sun * shade + sky * sky_visible)
    direct = (sun / (sun + sky)).mean(dim=1, keepdim=True)
    kept = (direct * shade + (1 - direct) * sky_visible).clamp_(0, 1)
    return blend_into_photograph(layer, objects, canvas.layers[:, 5:6], captures, kept, jpeg=jpeg)


def _photo_specs(scene: Scene) -> list[PhotoGroundSpec]:
    return [spec for spec in scene.grounds if isinstance(spec, PhotoGroundSpec)]


def as_sketch(scene: Scene) -> Sketch:
    """The scene in pixels, for truth."""
    return sketch(scene.layout, scene.views, scene.captures, scene.outlines)
