"""Drawing against plain, slow twins, and the way of a GPU against that of a CPU."""

from __future__ import annotations

from contextlib import nullcontext

import numpy as np
import torch

from mission.camera import Camera, View
from mission.mission_file import load_mission
from mission.recipe import load_recipe
from mission.vocabulary import MARKS, Vocabulary
from synth.at_once import at_once_everywhere
from synth.atlases import NOISE_PX, Atlases
from synth.canvas import Canvas, Drawn, Painted
from synth.capture import CaptureSpec
from synth.chips import ChipSource
from synth.marks import mark_atlas
from synth.outlines import outline_atlas, polygon_distance
from synth.pixels import Pixels
from synth.projection import frame_views
from synth.raster import draw, in_turns
from synth.scene import Facets, Layout, Limbs, Plates, empty_layout, finish, flat_axes, rows
from synth.sketch import RAGGED_MOST, sketch
from synth.spans import rectangles
from tests.reference.plain_twin import from_stroke

CAMERA = Camera(240, 200, 2.4, 2.0, 8.0)
VIEW = View(CAMERA, (0.0, 0.0, 16.0), 30.0, 8.0, -5.0)  # 2 cm/px
SUN = CaptureSpec(0, sun_elevation_deg=50.0, sun_azimuth_deg=120.0)
CPU = torch.device("cpu")


def drawn(layout: Layout, view: View = VIEW, capture: CaptureSpec = SUN) -> Canvas:
    """A layout on an empty canvas."""
    atlas = outline_atlas(Vocabulary())
    canvas = Canvas(torch.zeros((1, 6, 200, 240)))
    canvas.layers[:, 3:5] = 1
    draw(canvas, sketch(layout, frame_views([view]), [capture], atlas), Atlases(atlas, CPU), torch.ones((1, 200, 240)))
    return canvas


def only(**tables: object) -> Layout:
    base = vars(empty_layout()) | tables
    return Layout(**base)  # type: ignore[arg-type]


def one_plate(**fields: object) -> Plates:
    along, up = flat_axes(np.array([0.7]), np.array([0.05]), np.array([1.0]))
    given = {"origin": [[0.3, 0.2, 0.0]], "along": along * 1.1, "up": up * 1.1, "finish": finish(1), **fields}
    return rows(Plates, 1, **given)


def on_the_plane(plates: Plates, view: View, finer: int) -> np.ndarray:
    """Plane coordinates [H f, W f, 2] under every sample of the picture, by plain geometry (no homography)."""
    from mission.camera import rays_from_pixels

    y, x = np.meshgrid((np.arange(200 * finer) + 0.5) / finer, (np.arange(240 * finer) + 0.5) / finer, indexing="ij")
    rays = rays_from_pixels(view, np.stack([x, y], axis=-1))
    along, up, origin = plates.along[0], plates.up[0], plates.origin[0]
    normal = np.cross(along, up)
    reach = ((origin - np.array(view.position_enu_m)) @ normal) / (rays @ normal)
    off = np.array(view.position_enu_m) + reach[..., None] * rays - origin
    return np.stack([off @ along / (along @ along), off @ up / (up @ up)], axis=-1)


def boxed(fine: np.ndarray, finer: int) -> np.ndarray:
    h, w = fine.shape
    return fine.reshape(h // finer, finer, w // finer, finer).mean(axis=(1, 3))


def test_a_panel_against_a_plain_twin() -> None:
    """Shape and mark by supersampling the polygon and the mark's field, one sample at a time's arithmetic."""
    finer, face = 4, 3
    glyph = face * len(MARKS) + MARKS.index("R")
    for shape in ("star", "square"):
        plates = one_plate(
            shape=outline_atlas(Vocabulary()).index(shape), albedo=0.8, glyph=glyph, mark_at=[[0.02, -0.03]], mark_height=0.42,
            mark_turn=0.6, mark_albedo=0.1,
        )  # fmt: skip
        found = drawn(only(plates=plates)).layers[0].numpy()
        plane = on_the_plane(plates, VIEW, finer)
        inside = polygon_distance(Vocabulary().outline(shape), plane.reshape(-1, 2)).reshape(plane.shape[:2]) < 0
        du, dv = plane[..., 0] - 0.02, plane[..., 1] + 0.03
        c, s = np.cos(0.6), np.sin(0.6)
        gx, gy = (du * c - dv * s) / 0.42, (du * s + dv * c) / 0.42
        ink = from_stroke(mark_atlas().field[face, MARKS.index("R")], gx, gy) < 0
        cover, colour = boxed(inside.astype(float), finer), boxed(np.where(inside, np.where(ink, 0.1, 0.8), 0.0), finer)
        assert np.sqrt(np.mean((found[5] - cover) ** 2)) < 0.02
        assert np.abs(found[5].sum() / cover.sum() - 1) < 0.006
        assert np.sqrt(np.mean((found[0] - colour) ** 2)) < 0.015


def test_limbs_have_the_area_of_their_capsules() -> None:
    straight = View(CAMERA, (0.0, 0.0, 16.0))
    for r0, r1, length in ((0.3, 0.3, 0.8), (0.4, 0.15, 0.9), (0.5, 0.1, 0.2)):
        ends = np.array([[[-length / 2, 0, 0.0], [length / 2, 0, 0.0]]])
        limbs = rows(Limbs, 1, ends=ends, radii_m=[[r0, r1]], albedo=0.5, casts=0.0)
        found = float(drawn(only(limbs=limbs), straight).layers[0, 5].sum()) * 0.02**2
        assert abs(found / _capsule_area(r0, r1, length) - 1) < 0.01


def _capsule_area(r0: float, r1: float, length: float) -> float:
    if length <= abs(r0 - r1):
        return np.pi * max(r0, r1) ** 2
    tilt = np.arcsin((r0 - r1) / length)
    return float(
        r0**2 * (np.pi / 2 + tilt) + r1**2 * (np.pi / 2 - tilt) + (r0 + r1) * np.sqrt(length**2 - (r0 - r1) ** 2)
    )


def test_a_facet_covers_its_quadrilateral() -> None:
    straight = View(CAMERA, (0.0, 0.0, 16.0))
    quad = np.array([[-0.7, -0.4, 0], [0.6, -0.5, 0], [0.5, 0.6, 0], [-0.6, 0.3, 0]])
    corners = np.concatenate([quad, np.repeat(quad[-1:], 4, axis=0)])[None]
    facets = rows(Facets, 1, corners=corners, normal=[[0, 0, 1.0]], albedo=0.5, rounding_m=0.0)
    x, y = quad[:, 0], quad[:, 1]
    area = 0.5 * abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    assert abs(float(drawn(only(facets=facets), straight).layers[0, 5].sum()) * 0.02**2 / area - 1) < 0.005


def test_a_standing_pole_throws_its_shadow_away_from_the_sun() -> None:
    """Length h / tan(elevation), direction azimuth + 180 deg (plane trigonometry)."""
    straight = View(CAMERA, (0.0, 0.0, 16.0))
    limbs = rows(Limbs, 1, ends=[[[0, 0, 0.0], [0, 0, 1.0]]], radii_m=[[0.05, 0.05]], albedo=0.5)
    capture = CaptureSpec(0, sun_elevation_deg=45.0, sun_azimuth_deg=90.0)
    sun = drawn(only(limbs=limbs), straight, capture).layers[0, 3].numpy()
    rows_, columns = np.nonzero(sun < 0.5)
    # Sun in the east, shadow to the west: image left of the middle by 1 m = 50 px.
    assert columns.min() == np.clip(columns.min(), 120 - 50 - 6, 120 - 50 + 3)
    assert abs(rows_.mean() - 100) < 1.5


def test_pixels_are_laid_in_their_order() -> None:
    """Rectangles of noise, laid all together and one after the other by plain slices."""
    rng = np.random.default_rng(0)
    picture, order = rng.integers(0, 3, 40), rng.random(40)
    low = rng.uniform(-10, 60, (40, 2))
    box = np.concatenate([low, low + rng.uniform(4, 40, (40, 2))], axis=1).clip([-10, -10, 1, 1], [60, 50, 90, 90])
    canvas = Canvas(torch.zeros((3, 6, 52, 64)))
    (turns,) = in_turns(canvas, picture, order, [box])
    values, covers = rng.random((6, 3, 52, 64, 40)), (rng.random((3, 52, 64, 40)) * 1.6 - 0.3).clip(0, 1)
    runs = turns.runs(np.zeros((40, 1, 3)), np.zeros(40))

    def paint(pixels: Pixels) -> Painted:
        at, thing = pixels.counter("at").numpy(), np.repeat(turns.rows[pixels.things], pixels.length)
        value = torch.from_numpy(values.reshape(6, -1, 40)[:, at, thing]).float()
        cover = torch.from_numpy(covers.reshape(-1, 40)[at, thing]).float()
        return Painted(pixels, pixels.whole(), value, cover)

    owner = np.arange(40)[np.lexsort((order, picture))]
    canvas.lay(Drawn.of(turns, turns.table(runs, {}, {}), paint), owner)
    layers, whose = np.zeros((3, 6, 52, 64)), np.full((3, 52, 64), -1)
    for k in np.argsort(order):
        x0, y0, x1, y1 = rectangles(box, (52, 64))[k]
        at = np.s_[picture[k], y0:y1, x0:x1]
        cover = covers[..., k][at]
        layers[picture[k], :, y0:y1, x0:x1] += cover * (
            values[:, picture[k], y0:y1, x0:x1, k] - layers[picture[k], :, y0:y1, x0:x1]
        )
        whose[at] = np.where(cover.astype(np.float32) > 0.5, k, whose[at])
    assert np.abs(canvas.layers.numpy() - layers).max() < 1e-6
    assert np.array_equal(canvas.owner.numpy(), whose) and (whose >= 0).any()


def test_the_unevenest_ragged_edges_stay_in_what_is_drawn_of_them() -> None:
    """Bumps of almost four deviations, laid inside and outside of an edge: the way of a GPU, which skips nothing, agrees."""
    atlases, tiles = Atlases(outline_atlas(Vocabulary()), CPU), 46 / NOISE_PX
    bumps = atlases.noise[0, 1, :-1, :-1].numpy()
    assert bumps.max() > RAGGED_MOST + 1 and bumps.min() < -RAGGED_MOST - 1
    square = atlases.outlines.index("square")
    right = atlases.outlines.outline[square][:, 0].max()
    for bump, off in ((bumps.argmax(), -0.14), (bumps.argmin(), 0.14)):
        v, u = np.divmod(bump, NOISE_PX)
        own = finish(1, ragged=0.05, noise_u=(u + 0.5) / NOISE_PX - tiles * (right + off), noise_v=(v + 0.5) / NOISE_PX)
        layout = only(plates=one_plate(shape=square, albedo=0.8, thickness_m=0.05, finish=own))
        run_by_run = drawn(layout).layers
        with at_once_everywhere():
            together = drawn(layout).layers
        assert float((run_by_run[:, (0, 3, 5)] - together[:, (0, 3, 5)]).abs().max()) < 1e-5


def test_the_way_of_a_gpu_draws_the_same() -> None:
    """All of a batch of chips at once, pixels of whole boxes: against only the pixels that a thing can touch, in parts."""
    source = ChipSource(load_recipe("field"), load_mission("harrow-fen"), seed=5, chip_px=256)
    scene = source.scene(6, 0)
    drawing = sketch(scene.layout, scene.views, scene.captures, scene.outlines)
    canvases = []
    for way in (nullcontext, at_once_everywhere):
        canvas = Canvas(torch.full((6, 6, 256, 256), 0.25))
        canvas.layers[:, 3:5] = 1
        light = torch.ones((6, 256, 256))
        with way():
            draw(canvas, drawing, Atlases(scene.outlines, CPU), light)
        canvases.append((canvas.layers, light, canvas.owner))
    (layers, light, owner), (others, other_light, other_owner) = canvases
    # Beyond its runs a thing changes the picture by less than a grey level: the last of a soft rim.
    assert float((light - other_light).abs().max()) < 1e-4
    assert float((layers[:, :3] - others[:, :3]).abs().max()) < 1e-3
    assert float((layers[:, (3, 5)] - others[:, (3, 5)]).abs().max()) < 1e-5
    # Light of the sky alone fades over a soft rim that ends at a plate's reach.
    assert float((layers[:, 4] - others[:, 4]).abs().max()) < 0.03
    assert float((owner != other_owner).float().mean()) < 1e-5 and float((owner >= 0).float().mean()) > 0.01
