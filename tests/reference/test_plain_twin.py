"""The renderer against its plain, slow twin, and an edge that it draws against the closed-form MTF.

MTF: pixel square seen at 5 deg times a Gaussian lens (closed form; ISO 12233's slanted edge, J. Goodman, Introduction to
Fourier Optics for the forms, citation from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import torch

from mission.camera import Camera, View, rays_from_pixels
from mission.mission_file import load_mission
from mission.recipe import Recipe
from synth.canvas import Canvas
from synth.capture import CaptureSpec
from synth.chips import ChipSource
from synth.colour import srgb_from_linear
from synth.compose import radiance
from synth.optics import blur
from synth.outlines import outline_atlas
from synth.projection import frame_views
from synth.raster import LAYERS, Atlases, draw
from synth.scene import Layout, Plates, empty_layout, finish, rows
from synth.sketch import sketch
from tests.reference.plain_twin import twin
from tests.reference.slanted_edge import ANGLE_DEG, mtf_at, true_mtf

GROUND = (0.12, 0.16, 0.07)
CPU = torch.device("cpu")
BARE = {
    "gloss": 0, "dirt": 0, "fade": 0, "wrinkle": 0, "fold_share": 0, "tape_share": 0, "weight_share": 0, "blades_share": 0,
    "cover_share": 0, "shade_share": 0, "tilt_deg": 0, "thickness_m": [0, 0],
}  # fmt: skip


def on_plain_ground(layout: Layout, views, captures, outlines) -> torch.Tensor:
    """Radiance [B, 3, H, W] after the lens, as the renderer draws it on ground of one colour."""
    canvas = Canvas(torch.zeros((len(captures), LAYERS, *views.size_px)))
    canvas.layers[:, :3] = torch.tensor(GROUND).view(1, 3, 1, 1)
    canvas.layers[:, 3:5] = 1
    light = torch.ones((len(captures), *views.size_px))
    draw(canvas, sketch(layout, views, captures, outlines), Atlases(outlines, CPU), light)
    return blur(radiance(canvas.layers, captures), captures)


@pytest.mark.parametrize("tilt_deg", [(0.0, 8.0), (35.0, 45.0)])
def test_sampled_panels_against_the_plain_twin(tilt_deg: tuple[float, float]) -> None:
    """RMS <= 1 grey level of 255 after the tone curve of sRGB, before the sensor, and 999 pixels of 1,000 within 8 levels.

    The rest lies in gaps of marks that are narrower than a pixel: a distance field knows the nearer of two edges only.
    """
    composition = {
        "empty_share": 0, "panels_per_chip": [1, 3], "person_share": 0, "decoys_per_chip": [0, 0], "tilt_deg": tilt_deg,
        "oblique_share": 0,
    }  # fmt: skip
    capture = {"smear": [0, 0], "haze": [0.02, 0.08], "blur_sigma_px": [0.5, 0.9]}
    recipe = Recipe.model_validate(
        {"format": "recipe/1", "name": "twin", "composition": composition, "panels": BARE, "capture": capture}
    )
    mission = load_mission("harrow-fen")
    assert not any(mission.camera.as_camera().distortion or ())
    source = ChipSource(recipe, mission, seed=8, chip_px=112)
    scene = source.scene(4, 0)
    plates = scene.layout.plates
    plates = replace(plates, finish=np.zeros_like(plates.finish))
    layout = replace(scene.layout, plates=plates)
    found = on_plain_ground(layout, scene.views, scene.captures, scene.outlines).permute(0, 2, 3, 1).double().numpy()
    drawn_somewhere = 0
    for picture, capture_spec in enumerate(scene.captures):
        expected = twin(
            plates, scene.views, picture, capture_spec, mission.panels.vocabulary, scene.outlines.names, GROUND
        )
        codes = [255 * srgb_from_linear((image * 0.9).clip(0, 1)) for image in (found[picture], expected)]
        assert np.sqrt(np.mean((codes[0] - codes[1]) ** 2)) <= 1.0
        off = np.abs(codes[0] - codes[1]).max(axis=2)
        assert np.mean(off > 8) <= 0.001 and off.max() <= 48
        drawn_somewhere += int((np.abs(codes[1] - codes[1][0, 0]).max(axis=2) > 20).sum())
    assert drawn_somewhere > 4000  # there was something to compare


@pytest.mark.parametrize("sigma_px", [0.4, 0.5, 0.8, 1.2])
@pytest.mark.parametrize("dip_deg", [0.0, 12.0])
def test_slanted_edge_of_a_drawn_panel(sigma_px: float, dip_deg: float) -> None:
    """A panel's edge in a tilted view, the panel level or dipping: MTF within 0.02 at 0.1-0.4 cycles per pixel."""
    height, width = 160, 120
    camera = Camera(width, height, width * 0.01, height * 0.01, 8.0)
    view = View(camera, (0.0, 0.0, 14.0), heading_deg=25.0, pitch_deg=9.0, roll_deg=-6.0)
    plates = _plate_with_edge(view, dip_deg)
    layout = Layout(plates, *(getattr(empty_layout(), name) for name in ("limbs", "facets", "blocks", "targets")))
    capture = CaptureSpec(
        seed=0, sun_elevation_deg=90.0, blur_sigma_px=sigma_px, sun_rgb=(0.8, 0.8, 0.8), sky_rgb=(0.2, 0.2, 0.2)
    )
    outlines = outline_atlas(load_mission("harrow-fen").panels.vocabulary)
    seen = on_plain_ground(layout, frame_views([view]), [capture], outlines)[0, 1].double().numpy()
    frequencies = [0.1, 0.2, 0.25, 0.3, 0.4]
    for f, value in zip(frequencies, mtf_at(seen, frequencies), strict=True):
        assert value == pytest.approx(true_mtf(f, sigma_px), abs=0.02), f


def _plate_with_edge(view: View, dip_deg: float) -> Plates:
    """A square whose left edge is seen as a line through the middle, ANGLE_DEG from upright, the square right of it."""
    outlines = outline_atlas(load_mission("harrow-fen").panels.vocabulary)
    width, height = view.camera.image_width_px, view.camera.image_height_px
    lean = math.tan(math.radians(ANGLE_DEG)) * height / 2
    seen = np.array([[width / 2 - lean, height], [width / 2 + lean, 0.0], [width / 2, height / 2]])
    dip = math.radians(dip_deg)
    normal = np.array([math.sin(dip) * 0.6, math.sin(dip) * 0.8, math.cos(dip)])
    eye = np.array(view.position_enu_m)
    rays = rays_from_pixels(view, seen)
    # The plane goes through the ground at the frame's middle.
    through = eye - rays[2] * (eye[2] / rays[2, 2])
    low, high, middle = (eye + ray * (((through - eye) @ normal) / (ray @ normal)) for ray in rays)
    up = (high - low) / np.linalg.norm(high - low)
    along = np.cross(up, normal)
    right = rays_from_pixels(view, np.array([[width * 0.9, height / 2]]))[0]
    if (eye + right * (((through - eye) @ normal) / (right @ normal)) - middle) @ along < 0:
        along = -along
    size_m = 3.0 * np.linalg.norm(high - low)
    plane = load_mission("harrow-fen").panels.vocabulary.outline("square")
    left = float(plane[:, 0].min())
    return rows(
        Plates, 1, owner=[0], origin=[middle - along * size_m * left], along=[along * size_m], up=[up * size_m],
        shape=outlines.index("square"), albedo=0.7, glyph=-1, finish=finish(1),
    )  # fmt: skip
