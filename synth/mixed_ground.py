"""Batches of chips of which some lie on photographs and some on procedural ground: things are drawn once over all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import torch

from mission.recipe_light import GroundSettings
from synth.chance import Chance
from synth.compose import GroundCanvas, Rendered, Scene, blend, developed, ground_canvas, photo_canvas, render_chips
from synth.ground import GroundSpec, sample_ground
from synth.photo_ground import GroundBank, PhotoGroundSpec
from synth.raster import LAYERS, Atlases, draw
from synth.sketch import sketch

Grounds = tuple[GroundSpec | PhotoGroundSpec, ...]


def sample_grounds(
    rng: np.random.Generator, settings: GroundSettings, gsd_m: Sequence[float], px: int, bank: GroundBank | None
) -> Grounds:
    """A ground for each chip of ``px`` pixels: from the bank for ``settings.real_share`` of them, else procedural."""
    chance = Chance(rng)
    if bank is None:
        return tuple(sample_ground(chance, settings, g, (px, px)) for g in gsd_m)
    real = rng.random(len(gsd_m)) < settings.real_share
    return tuple(
        bank.sample(rng, px, px, g, settings.blending) if of_bank else sample_ground(chance, settings, g, (px, px))
        for g, of_bank in zip(gsd_m, real, strict=True)
    )


def render_mixed(scene: Scene, bank: GroundBank | None, device: torch.device, *, jpeg: bool = True) -> Rendered:
    """Draw whole pictures of a batch, whatever their grounds are."""
    real = np.array([isinstance(spec, PhotoGroundSpec) for spec in scene.grounds])
    if bank is None or real.all() or not real.any():
        return render_chips(scene, bank if real.any() else None, device, jpeg=jpeg)
    height, width = scene.views.size_px
    rows = {kind: np.flatnonzero(real == kind) for kind in (True, False)}
    index = {kind: torch.from_numpy(found).to(device) for kind, found in rows.items()}
    painted = ground_canvas(_part(scene, rows[False]), height, width, device)
    layer = bank.paint([spec for spec in scene.grounds if isinstance(spec, PhotoGroundSpec)], device)
    empty = photo_canvas(layer)
    layers = torch.empty((len(real), LAYERS, height, width), device=device)
    light = torch.empty((len(real), height, width), device=device)
    for kind, canvas in ((True, empty), (False, painted)):
        layers[index[kind]], light[index[kind]] = canvas.layers, canvas.light
    whole = GroundCanvas(layers, light)
    draw(
        whole, sketch(scene.layout, scene.views, scene.captures, scene.outlines), Atlases(scene.outlines, device), light
    )
    image = torch.empty((len(real), 3, height, width), dtype=torch.uint8, device=device)
    for kind in (True, False):
        canvas = GroundCanvas(layers[index[kind]], light[index[kind]])
        captures = [scene.captures[i] for i in rows[kind]]
        image[index[kind]] = (
            blend(canvas, layer, captures, jpeg=jpeg) if kind else developed(canvas, captures, jpeg=jpeg)
        )
    return Rendered(image, whole.owner)


def _part(scene: Scene, rows: np.ndarray) -> Scene:
    """The grounds of some pictures with their views and what lights them (its layout stays that of the whole batch)."""
    views = scene.views
    some = replace(views, rotation=views.rotation[rows], position=views.position[rows], corner_px=views.corner_px[rows])
    return replace(
        scene,
        views=some,
        grounds=tuple(scene.grounds[i] for i in rows),
        captures=tuple(scene.captures[i] for i in rows),
        headings_deg=tuple(scene.headings_deg[i] for i in rows),
    )
