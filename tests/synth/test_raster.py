"""Drawing against plain, slow twins, and the two ways of laying patches against each other."""

from __future__ import annotations

import numpy as np
import torch

from mission.camera import Camera, View
from mission.vocabulary import MARKS, Vocabulary
from synth.atlases import Atlases
from synth.capture import CaptureSpec
from synth.marks import mark_atlas
from synth.outlines import outline_atlas, polygon_distance
from synth.patches import Canvas, Drawn, PatchBatch, patch_batches
from synth.projection import frame_views
from synth.raster import draw
from synth.scene import Facets, Layout, Limbs, Plates, empty_layout, finish, flat_axes, rows
from synth.sketch import sketch
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


def test_both_ways_of_laying_patches_agree(monkeypatch) -> None:
    rng = np.random.default_rng(0)
    pictures, order = rng.integers(0, 3, 40), rng.random(40)
    corner = rng.uniform(-10, 60, (40, 2))
    box = np.concatenate([corner, corner + rng.uniform(4, 40, (40, 2))], axis=1)
    box = np.clip(box, [-10, -10, 1, 1], [60, 50, 90, 90])
    canvases = []
    for at_once in (False, True):
        canvas = Canvas(torch.zeros((3, 6, 52, 64)))
        found = []
        for batch in patch_batches(box, (52, 64), CPU):
            noise = torch.Generator().manual_seed(int(batch.rows.sum()))
            shape = (len(batch.rows), 6, batch.height, batch.width)
            value = torch.rand(shape, generator=noise)
            # Some pixels are covered wholly, some not at all.
            cover = (torch.rand((shape[0], *shape[2:]), generator=noise) * 1.6 - 0.3).clamp_(0, 1)
            found.append(Drawn(batch, pictures[batch.rows], order[batch.rows], batch.rows, value, cover))
        if at_once:
            _at_once(canvas, found)
        else:
            canvas.lay(found)
        canvases.append(canvas)
    assert torch.allclose(canvases[0].layers, canvases[1].layers, atol=1e-6)
    assert torch.equal(canvases[0].owner, canvases[1].owner)
    assert (canvases[0].owner >= 0).any()


def test_both_ways_of_darkening_agree() -> None:
    rng = np.random.default_rng(3)
    picture = rng.integers(0, 2, 12)
    low = rng.uniform(0, 50, (12, 2))
    box = np.concatenate([low, low + rng.uniform(2, 30, (12, 2))], axis=1)
    canvas = Canvas(torch.zeros((2, 6, 60, 64)))
    one, other = torch.ones((2, 60, 64)), torch.ones((2, 60, 64))
    for batch in patch_batches(box, (60, 64), CPU):
        kept = torch.rand((len(batch.rows), batch.height, batch.width))
        canvas.darken(one, batch, picture[batch.rows], kept)
        canvas._darken_at_once(other, batch, picture[batch.rows], kept)
    assert torch.allclose(one, other, atol=1e-6) and one.min() < 0.9


def _at_once(canvas: Canvas, found: list[Drawn]) -> None:
    picture, order = (np.concatenate([getattr(d, name) for d in found]) for name in ("picture", "order"))
    canvas._lay_at_once(found, np.lexsort((order, picture)))


def test_patches_hold_their_boxes() -> None:
    rng = np.random.default_rng(1)
    low = rng.uniform(-20, 300, (200, 2))
    box = np.concatenate([low, low + rng.uniform(1, 250, (200, 2))], axis=1)
    box = box[(box[:, 2] > 0) & (box[:, 3] > 0) & (box[:, 0] < 320) & (box[:, 1] < 240)]
    seen = np.zeros(len(box), dtype=int)
    for batch in patch_batches(box, (240, 320), CPU):
        assert isinstance(batch, PatchBatch)
        seen[batch.rows] += 1
        right, low_edge = np.minimum(box[batch.rows, 2], 320), np.minimum(box[batch.rows, 3], 240)
        assert (batch.x0 <= np.maximum(box[batch.rows, 0], 0)).all() and (batch.x0 + batch.width >= right).all()
        assert (batch.y0 <= np.maximum(box[batch.rows, 1], 0)).all() and (batch.y0 + batch.height >= low_edge).all()
    assert (seen == 1).all()
