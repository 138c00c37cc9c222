"""Things of the judge that are neither panel nor person: plain boards, signs with several letters, boxes, sheets, cones."""

from __future__ import annotations

import string

import numpy as np
from PIL import Image, ImageDraw

from benchmarks.transfer.paints import CENTRES, draw_paint, draw_pair
from benchmarks.transfer.panels import MARGIN_PX, SUPERSAMPLING, PanelPlan, Points, Sprite, draw_panel
from benchmarks.transfer.pixels import blurred, shrunk, smooth_field
from benchmarks.transfer.typefaces import FAMILIES

KINDS = ("board", "sign", "box", "sheet", "cone")
_BOARDS = ("square", "rectangle", "circle", "triangle", "hexagon", "trapezium", "cross", "star")


def draw_decoy(
    kind: str,
    rng: np.random.Generator,
    centre_px: tuple[float, float],
    sun_px: tuple[float, float],
    hardness: float,
    squash: float,
) -> Sprite:
    """Draw one of KINDS, 16 to 110 px across."""
    if kind in ("board", "sign"):
        return draw_panel(_flat_plan(kind, rng, centre_px, squash), rng, sun_px, hardness)
    if kind == "box":
        return _box(rng, centre_px, sun_px, hardness, squash)
    if kind == "sheet":
        return _sheet(rng, centre_px, sun_px, hardness, squash)
    return _cone(rng, centre_px, sun_px, hardness, squash)


def _flat_plan(kind: str, rng: np.random.Generator, centre_px: tuple[float, float], squash: float) -> PanelPlan:
    size, turn = float(np.exp(rng.uniform(np.log(24), np.log(90)))), rng.uniform(0, 360)
    if kind == "board":
        paint = draw_paint(rng, str(rng.choice(list(CENTRES))))
        return PanelPlan(str(rng.choice(_BOARDS)), centre_px, size, turn, paint, squash=squash)
    _, _, paint, ink = draw_pair(rng)
    count = int(rng.integers(2, 6))
    text = "".join(rng.choice(list(string.ascii_uppercase + string.digits), count))
    height = min(0.34, 0.95 / count)
    family = str(rng.choice(FAMILIES))
    return PanelPlan(
        "rectangle", centre_px, size * 1.2, turn, paint, text, family, int(rng.integers(3)), 0.0, height, ink, squash
    )


def _drawn(
    faces: list[tuple[Points, np.ndarray]],
    rng: np.random.Generator,
    sun_px: tuple[float, float],
    hardness: float,
    height_px: float,
    crumple: float,
) -> Sprite:
    """Faces (corners [n, 2] in px, reflectance times light [3]) painted one over the other, with one cast shadow."""
    corners = np.concatenate([f for f, _ in faces])
    margin = MARGIN_PX + int(height_px)
    x0, y0 = (int(np.floor(v)) - margin for v in corners.min(axis=0))
    x1, y1 = (int(np.ceil(v)) + margin for v in corners.max(axis=0))
    k = SUPERSAMPLING
    size = ((x1 - x0) * k, (y1 - y0) * k)
    colour, cover = np.zeros((size[1], size[0], 3), np.float32), np.zeros((size[1], size[0]), np.float32)
    for face, light in faces:
        canvas = Image.new("L", size)
        ImageDraw.Draw(canvas).polygon([tuple(p) for p in (face - [x0, y0]) * k - 0.5], fill=1)
        inside = np.asarray(canvas) > 0
        colour[inside], cover[inside] = light.astype(np.float32), 1.0
    flat = shrunk(cover, k)
    height, width = flat.shape
    shade = (
        1 + crumple * smooth_field(rng, height, width, rng.uniform(5, 16)) + 0.03 * smooth_field(rng, height, width, 4)
    )
    lit = shrunk(colour, k) * np.clip(shade, 0.3, 1.5)[..., None]
    reach = height_px * (0.4 + 0.6 * hardness)
    cast = np.zeros_like(flat)
    for step in np.linspace(0, 1, 8):
        moved = np.roll(flat, (round(sun_px[1] * reach * step), round(sun_px[0] * reach * step)), axis=(0, 1))
        cast = np.maximum(cast, moved)
    shadow = np.maximum(blurred(cast, 0.6 + 2 * (1 - hardness)) * (0.2 + 0.5 * hardness), blurred(flat, 1.8) * 0.25)
    return Sprite(x0, y0, flat, lit.astype(np.float32), shadow.astype(np.float32))


def _quad(rng: np.random.Generator, width: float, length: float, squash: float) -> Points:
    angle = rng.uniform(0, 2 * np.pi)
    c, s = np.cos(angle), np.sin(angle)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [width / 2, length / 2]
    return (corners @ np.array([[c, s], [-s, c]])) * [1, squash]


def _box(
    rng: np.random.Generator, centre: tuple[float, float], sun: tuple[float, float], hardness: float, squash: float
) -> Sprite:
    size = rng.uniform(16, 60)
    base = _quad(rng, size, size * rng.uniform(0.5, 1.0), squash) + centre
    tall = size * rng.uniform(0.15, 0.6)
    lean = np.array([rng.uniform(-0.2, 0.2), -np.sqrt(max(0.0, 1 - squash**2)) + rng.uniform(-0.2, 0.2)]) * tall
    paint = draw_paint(rng, str(rng.choice(["brown", "grey", "white", "blue", "green", "black", "orange", "yellow"])))
    faces = []
    for i in range(4):
        side = np.array([base[i], base[(i + 1) % 4], base[(i + 1) % 4] + lean, base[i] + lean])
        faces.append((side, paint * rng.uniform(0.25, 0.7)))
    top = base + lean
    faces.append((top, paint * rng.uniform(0.9, 1.05)))
    if rng.random() < 0.5:  # a strip of tape or the gap of a lid
        middle, across = (top[0] + top[1]) / 2, (top[3] - top[0])
        half = (top[1] - top[0]) * 0.05
        strip = np.array([middle - half, middle + half, middle + half + across, middle - half + across])
        faces.append((strip, np.clip(paint * rng.choice([0.4, 1.6]), 0, 0.9)))
    return _drawn(faces, rng, sun, hardness, tall, 0.02)


def _sheet(
    rng: np.random.Generator, centre: tuple[float, float], sun: tuple[float, float], hardness: float, squash: float
) -> Sprite:
    width = rng.uniform(30, 110)
    corners = _quad(rng, width, width * rng.uniform(0.4, 1.0), squash)
    edge = []
    for i in range(4):
        a, b = corners[i], corners[(i + 1) % 4]
        for share in np.linspace(0, 1, 7)[:-1]:
            edge.append(a + (b - a) * share + rng.normal(0, width * 0.018, 2))
    paint = draw_paint(rng, str(rng.choice(["blue", "green", "white", "grey", "black", "orange", "brown"])))
    return _drawn([(np.array(edge) + centre, paint)], rng, sun, hardness, 2.0, rng.uniform(0.1, 0.3))


def _cone(
    rng: np.random.Generator, centre: tuple[float, float], sun: tuple[float, float], hardness: float, squash: float
) -> Sprite:
    size = rng.uniform(14, 30)
    orange = draw_paint(rng, str(rng.choice(["orange", "red", "yellow"])))
    faces = [(_quad(rng, size, size, squash) + centre, orange * 0.8)]
    lean = np.array([rng.uniform(-0.3, 0.3), -np.sqrt(max(0.0, 1 - squash**2)) * 1.2 + rng.uniform(-0.3, 0.3)]) * size
    ring = np.radians(np.arange(0, 360, 12))
    circle = np.stack([np.cos(ring), np.sin(ring) * squash], 1)
    white = np.full(3, 0.8)
    for share, paint in ((0.0, orange), (0.3, white), (0.55, orange), (0.9, orange * 0.5)):
        faces.append((circle * size * 0.42 * (1 - 0.9 * share) + centre + lean * share, paint))
    return _drawn(faces, rng, sun, hardness, size * 0.8, 0.02)
