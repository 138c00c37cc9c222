"""Panels of the judge: outlines of its own drawn by Pillow, lit by hand, with truth.

Plane of a panel: x right, y up, unit = the larger side of the outline's bounding box, origin somewhere inside. In the
image x is right and y down; ``squash`` < 1 shortens the vertical for an oblique camera.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from benchmarks.transfer.pixels import Floats, blurred, shrunk, smooth_field
from benchmarks.transfer.typefaces import mark_mask

Points = NDArray[np.float64]
SUPERSAMPLING = 5
MARGIN_PX = 14


def _polar(radii: list[float], first_deg: float) -> list[tuple[float, float]]:
    step = 360.0 / len(radii)
    return [
        (r * np.cos(np.radians(first_deg + i * step)), r * np.sin(np.radians(first_deg + i * step)))
        for i, r in enumerate(radii)
    ]


def _fan(from_deg: float, to_deg: float) -> list[tuple[float, float]]:
    return [(float(np.cos(a)), float(np.sin(a))) for a in np.radians(np.linspace(from_deg, to_deg, 61))]


@cache
def _raw(shape: str) -> tuple[tuple[float, float], ...]:
    third = 1 / 3
    drawn: dict[str, list[tuple[float, float]]] = {
        "triangle": _polar([1.0] * 3, 90),
        "square": [(-1, -1), (1, -1), (1, 1), (-1, 1)],
        "rectangle": [(-1, -0.5), (1, -0.5), (1, 0.5), (-1, 0.5)],
        "rhombus": [(-(3**0.5), 0), (0, -1), (3**0.5, 0), (0, 1)],
        "trapezium": [(-1, -0.6), (1, -0.6), (0.5, 0.6), (-0.5, 0.6)],
        "pentagon": _polar([1.0] * 5, 90),
        "hexagon": _polar([1.0] * 6, 90),
        "octagon": _polar([1.0] * 8, 22.5),
        "circle": _fan(0, 354),
        "semicircle": _fan(0, 180),
        "quadrant": [*_fan(0, 90), (0.0, 0.0)],
        "ellipse": [(x, 0.65 * y) for x, y in _fan(0, 354)],
        "star": _polar([1.0, 0.4] * 5, 90),
        "cross": [(-third, -1), (third, -1), (third, -third), (1, -third), (1, third), (third, third),
                  (third, 1), (-third, 1), (-third, third), (-1, third), (-1, -third), (-third, -third)],
    }  # fmt: skip
    return tuple(drawn[shape])


@cache
def outline(shape: str) -> tuple[Points, float]:
    """Corners [n, 2] with the roomiest point at the origin, and the radius of the circle that fits there."""
    points = np.array(_raw(shape), dtype=float)
    points /= np.ptp(points, axis=0).max()
    x, y = np.meshgrid(
        np.linspace(points[:, 0].min(), points[:, 0].max(), 81), np.linspace(points[:, 1].min(), points[:, 1].max(), 81)
    )
    spots = np.stack([x.ravel(), y.ravel()], 1)
    room = np.where(_inside(spots, points), _distance(spots, points), -1.0)
    # Of spots that are about as roomy (along the middle of a rectangle) take the one nearest their mean.
    good = spots[room >= room.max() - 0.01]
    best = good[np.argmin(np.linalg.norm(good - good.mean(axis=0), axis=1))]
    return points - best, float(room.max())


def _inside(spots: Points, corners: Points) -> NDArray[np.bool_]:
    a, b = corners, np.roll(corners, -1, axis=0)
    crosses = (a[:, 1] > spots[:, None, 1]) != (b[:, 1] > spots[:, None, 1])
    rise = np.where(b[:, 1] == a[:, 1], 1e-12, b[:, 1] - a[:, 1])
    at = (b[:, 0] - a[:, 0]) * (spots[:, None, 1] - a[:, 1]) / rise + a[:, 0]
    return (crosses & (spots[:, None, 0] < at)).sum(axis=1) % 2 == 1


def _distance(spots: Points, corners: Points) -> NDArray[np.float64]:
    a, side = corners, np.roll(corners, -1, axis=0) - corners
    along = ((spots[:, None] - a) * side).sum(-1) / np.maximum((side**2).sum(-1), 1e-12)
    nearest = a + np.clip(along, 0, 1)[..., None] * side
    return np.linalg.norm(spots[:, None] - nearest, axis=-1).min(axis=1)


def turned(points: Points, turn_deg: float) -> Points:
    """Points turned counter-clockwise (y up)."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return points @ np.array([[c, s], [-s, c]])


def mark_height(shape: str, mask: NDArray[np.uint8], turn_deg: float, wished: float, rim: float = 0.035) -> float:
    """Height of a mark in the panel's unit: ``wished`` or the most that fits with a rim of paint around it."""
    corners, _ = outline(shape)
    rows, columns = np.nonzero(mask[::6, ::6] > 127)
    spots = np.stack([(columns + 0.5) * 6 - mask.shape[1] / 2, mask.shape[0] / 2 - (rows + 0.5) * 6], 1) / mask.shape[0]
    spots = turned(spots, turn_deg)
    for height in np.arange(wished, 0.12, -0.02):
        placed = spots * height
        if _inside(placed, corners).all() and _distance(placed, corners).min() >= rim:
            return float(height)
    return 0.12


@dataclass(frozen=True)
class PanelPlan:
    """One flat thing: where its roomiest point lies in the image, how large, how turned, and how it is painted.

    Without ``text`` it is a plain board; with several letters a sign. Paints are linear reflectances [3].
    """

    shape: str
    centre_px: tuple[float, float]
    size_px: float
    turn_deg: float
    paint: NDArray[np.float64]
    text: str = ""
    family: str = ""
    style: int = 0
    mark_turn_deg: float = 0.0
    mark_height: float = 0.5
    mark_paint: NDArray[np.float64] | None = None
    squash: float = 1.0

    def corners_px(self) -> Points:
        """Outline in image pixels [n, 2]."""
        flat = turned(outline(self.shape)[0], self.turn_deg) * self.size_px
        return flat * [1.0, -self.squash] + self.centre_px

    def box_px(self) -> tuple[float, float, float, float]:
        """Bounding box x, y, w, h."""
        corners = self.corners_px()
        low, high = corners.min(axis=0), corners.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])


@dataclass(frozen=True)
class Sprite:
    """A drawn thing before lens and sensor: ``x0``, ``y0`` of its patch in the image, ``cover`` [h, w] 0..1, ``colour``
    [h, w, 3] (reflectance times shading, premultiplied by cover) and ``shadow`` [h, w] 0..1 (light taken from the ground)."""

    x0: int
    y0: int
    cover: Floats
    colour: Floats
    shadow: Floats


def draw_panel(plan: PanelPlan, rng: np.random.Generator, sun_px: tuple[float, float], hardness: float) -> Sprite:
    """Draw a panel; ``sun_px`` is the direction in which shadows fall, ``hardness`` 0 (overcast) .. 1 (clear sky)."""
    corners = plan.corners_px()
    x0, y0 = (int(np.floor(v)) - MARGIN_PX for v in corners.min(axis=0))
    x1, y1 = (int(np.ceil(v)) + MARGIN_PX for v in corners.max(axis=0))
    k = SUPERSAMPLING
    size = ((x1 - x0) * k, (y1 - y0) * k)
    canvas = Image.new("L", size)
    # Pillow's polygons go through pixel centres counted from 0; ours count from the edge.
    ImageDraw.Draw(canvas).polygon([tuple(p) for p in (corners - [x0, y0]) * k - 0.5], fill=255)
    cover = np.asarray(canvas, dtype=np.float32) / 255.0
    paint = np.broadcast_to(plan.paint.astype(np.float32), (*cover.shape, 3))
    if plan.text and plan.mark_paint is not None:
        ink = _ink(plan, size, (x0, y0))[..., None]
        paint = paint * (1 - ink) + plan.mark_paint.astype(np.float32) * ink
    colour = shrunk(paint * cover[..., None], k)
    flat_cover = shrunk(cover, k)
    colour = colour * _wear(rng, flat_cover.shape[0], flat_cover.shape[1])[..., None]
    shadow = _shadow(flat_cover, rng, sun_px, hardness)
    return Sprite(x0, y0, flat_cover, colour, shadow)


def _ink(plan: PanelPlan, size: tuple[int, int], corner: tuple[int, int]) -> Floats:
    """Coverage of the mark on the supersampled canvas, by one affine map from canvas to mask."""
    mask = mark_mask(plan.family, plan.style, plan.text)
    k = SUPERSAMPLING
    to_mask = mask.shape[0] / (plan.mark_height * plan.size_px * k)
    angle = np.radians(plan.turn_deg + plan.mark_turn_deg)
    c, s = np.cos(angle), np.sin(angle)
    # canvas (x, y down) -> panel plane (y up, unsquashed) -> turned back -> mask (y down)
    forward = np.array([[c, -s / plan.squash], [s, c / plan.squash]]) * to_mask
    middle = (np.array(plan.centre_px) - corner) * k
    offset = np.array([mask.shape[1] / 2, mask.shape[0] / 2]) - forward @ middle
    coefficients = (forward[0, 0], forward[0, 1], offset[0], forward[1, 0], forward[1, 1], offset[1])
    source = (
        Image.fromarray(np.asarray(blurred(mask, 0.35 * to_mask)).astype(np.uint8))
        if to_mask > 1
        else Image.fromarray(mask)
    )
    ink = source.transform(size, Image.Transform.AFFINE, coefficients, Image.Resampling.BILINEAR)
    return np.asarray(ink, dtype=np.float32) / 255.0


def _wear(rng: np.random.Generator, height: int, width: int) -> Floats:
    """Uneven light, waves of the board and dirt: a factor [h, w] about 1."""
    y, x = np.mgrid[0:height, 0:width] / max(height, width) - 0.5
    direction = rng.uniform(0, 2 * np.pi)
    slope = 1 + rng.uniform(0.0, 0.14) * (np.cos(direction) * x + np.sin(direction) * y)
    waves = 1 + rng.uniform(0.0, 0.05) * smooth_field(rng, height, width, rng.uniform(8, 30))
    dirt = np.clip(smooth_field(rng, height, width, rng.uniform(3, 10)) - rng.uniform(0.6, 2.2), 0, 1)
    return (slope * waves * (1 - rng.uniform(0.1, 0.6) * dirt) * rng.uniform(0.9, 1.06)).astype(np.float32)


def _shadow(cover: Floats, rng: np.random.Generator, sun_px: tuple[float, float], hardness: float) -> Floats:
    """Contact shadow all around and a narrow cast one: panels lie flat or stand a few centimetres off the ground."""
    contact = blurred(cover, 1.6) * rng.uniform(0.10, 0.35)
    reach = rng.uniform(0.5, 3.5)
    dx, dy = round(sun_px[0] * reach), round(sun_px[1] * reach)
    cast = np.roll(cover, (dy, dx), axis=(0, 1))
    cast = blurred(cast, 0.5 + 1.5 * (1 - hardness)) * (0.15 + 0.5 * hardness)
    return np.clip(np.maximum(contact, cast), 0.0, 0.85)
