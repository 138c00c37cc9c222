"""Where panels are drawn, against OpenCV's camera model (cv2.projectPoints) and the polygons that it gives.

OpenCV counts from pixel centres; with the principal point given from the image's edge, as here, its pixels are ours.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import torch

from mission.camera import Camera, View, ground_from_pixels, world_from_camera
from mission.vocabulary import SHAPES, Vocabulary, polygon_centroid
from synth.canvas import Canvas
from synth.capture import CaptureSpec
from synth.outlines import outline_atlas
from synth.projection import Views, frame_views
from synth.raster import Atlases, draw
from synth.scene import Layout, Plates, empty_layout, finish, flat_axes, rows
from synth.sketch import sketch
from synth.truth import panel_polygons

cv2 = pytest.importorskip("cv2")

CAMERA = Camera(1400, 1000, 5.88, 4.2, 8.8, (688.0, 507.0), (-0.12, 0.05, 0.001, -0.0015, -0.01))
VIEW = View(CAMERA, (12.0, -7.0, 31.0), heading_deg=37.0, pitch_deg=14.0, roll_deg=-9.0)
PLACES_PX = ((120.0, 130.0), (1290.0, 150.0), (700.0, 500.0), (140.0, 860.0), (1280.0, 880.0), (420.0, 640.0))


def opencv_pixels(view: View, points: np.ndarray) -> np.ndarray:
    """Pixels [N, 2] of world points [N, 3] by OpenCV."""
    rotation = world_from_camera(view.heading_deg, view.pitch_deg, view.roll_deg).T
    vector, _ = cv2.Rodrigues(rotation)
    fx, fy = view.camera.focal_px
    cx, cy = view.camera.centre_px
    matrix = np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])
    shift = -rotation @ np.array(view.position_enu_m)
    pixels, _ = cv2.projectPoints(np.asarray(points, float), vector, shift, matrix, np.array(view.camera.distortion))
    return pixels[:, 0]


def panels_at(view: View, shapes: tuple[str, ...], size_m: float) -> tuple[Layout, Plates]:
    """A white panel of each shape at each place of the frame, turned and a little tilted."""
    atlas = outline_atlas(Vocabulary())
    ground = np.array([ground_from_pixels(view, p) for p in PLACES_PX])
    shape = np.repeat([atlas.index(s) for s in shapes], len(ground))
    where = np.tile(ground, (len(shapes), 1))
    n = len(shape)
    turn = np.linspace(0.1, 6.0, n)
    along, up = flat_axes(turn, np.full(n, 0.06), turn * 3)
    plates = rows(
        Plates, n, owner=np.arange(n), origin=where, along=along * size_m, up=up * size_m, shape=shape, albedo=1.0,
        glyph=0, mark_albedo=1.0, finish=finish(n),
    )  # fmt: skip
    base = empty_layout()
    return Layout(plates, base.limbs, base.facets, base.blocks, base.targets), plates


def along_edges(outline: np.ndarray, steps: int = 24) -> np.ndarray:
    """An outline [V, 2] with further points on its edges: a lens bends straight edges."""
    share = np.arange(steps)[:, None] / steps
    return np.concatenate([a + share * (b - a) for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True)])


def test_outlines_of_all_shapes_against_opencv() -> None:
    atlas = outline_atlas(Vocabulary())
    layout, plates = panels_at(VIEW, SHAPES, 0.9)
    _, polygons = panel_polygons(layout, frame_views([VIEW]), atlas)
    for i, polygon in enumerate(polygons):
        plane = Vocabulary().outline(atlas.names[plates.shape[i]])
        world = plates.origin[i] + plane[:, :1] * plates.along[i] + plane[:, 1:] * plates.up[i]
        assert np.abs(polygon - opencv_pixels(VIEW, world)).max() < 1e-6


@pytest.mark.parametrize("shape", ["square", "triangle", "star", "semicircle", "cross", "circle"])
def test_centroid_of_what_is_drawn_against_the_polygon_of_opencv(shape: str) -> None:
    """0.02 px at several places of a tilted, distorted frame; panels 45 to 120 px across."""
    atlas = outline_atlas(Vocabulary())
    views = frame_views([VIEW])
    for size_m in (1.0, 1.8):
        for k in range(len(PLACES_PX)):
            layout, plates = panels_at(VIEW, (shape,), size_m)
            one = replace(layout, plates=type(plates)(**{f: getattr(plates, f)[k : k + 1] for f in vars(plates)}))
            corner = np.floor(np.array(PLACES_PX[k]) - 100)
            chip = Views(CAMERA, views.rotation, views.position, corner[None], (200, 200))
            canvas = Canvas(torch.zeros((1, 6, 200, 200)))
            drawing = sketch(one, chip, [CaptureSpec(0, sun_elevation_deg=90.0)], atlas)
            draw(canvas, drawing, Atlases(atlas, torch.device("cpu")), torch.ones((1, 200, 200)))
            cover = canvas.layers[0, 5].double().numpy()
            drawn = np.array(
                [(cover.sum(0) * (np.arange(200) + 0.5)).sum(), (cover.sum(1) * (np.arange(200) + 0.5)).sum()]
            )
            drawn = drawn / cover.sum() + corner
            plane = along_edges(Vocabulary().outline(shape))
            world = one.plates.origin[0] + plane[:, :1] * one.plates.along[0] + plane[:, 1:] * one.plates.up[0]
            polygon = opencv_pixels(VIEW, world)
            assert np.abs(drawn - polygon_centroid(polygon)).max() < 0.02
