"""A plain, slow twin of the renderer: from the sampled numbers of a scene to linear light, one ray at a time's arithmetic.

It shares nothing with the renderer but the sampled tables, the polygons of the vocabulary and the stored fields of the
marks: a pinhole ray through every one of 6 x 6 points of a pixel, the plane of a panel, an even-odd test of the polygon, a
threshold of the mark's field, the light of an open field, a Gaussian lens by direct summation. Drawn are panels without
wear, folds or thickness on ground of one colour; no shadows.
"""

from __future__ import annotations

import math

import numpy as np

from mission.vocabulary import MARKS, Vocabulary
from synth.capture import CaptureSpec
from synth.marks import CELL, RANGE, SPAN, mark_atlas
from synth.projection import Views
from synth.scene import Plates

FINER = 6


def twin(
    plates: Plates, views: Views, picture: int, capture: CaptureSpec, vocabulary: Vocabulary, names: tuple[str, ...],
    ground: tuple[float, float, float],
) -> np.ndarray:  # fmt: skip
    """Radiance [H, W, 3] of one picture of a batch after the lens, before exposure; 1 is a level white board in full light.

    ``names`` are the shapes by number, ``ground`` the reflectance of all ground.
    """
    reflectance = averaged(reflectances(plates, views, picture, vocabulary, names, ground))
    light = np.array(capture.sun_rgb) + np.array(capture.sky_rgb)
    # The air adds light of the sky's colour, evenly: 0.6 of a white board's where nothing else is seen.
    air = 0.6 * capture.haze * np.array(capture.sky_rgb) / max(capture.sky_rgb)
    return blurred(reflectance * light * (1 - capture.haze) + air, capture.blur_sigma_px)


def reflectances(
    plates: Plates, views: Views, picture: int, vocabulary: Vocabulary, names: tuple[str, ...],
    ground: tuple[float, float, float],
) -> np.ndarray:  # fmt: skip
    """Reflectance at every sample [H f, W f, 3]."""
    rays, eye = sample_rays(views, picture)
    out = np.broadcast_to(np.array(ground), rays.shape).copy()
    own = [k for k in np.argsort(plates.order, kind="stable") if plates.picture[k] == picture]
    for k in own:
        along, up, origin = plates.along[k], plates.up[k], plates.origin[k]
        normal = np.cross(along, up)
        reach = ((origin - eye) @ normal) / (rays @ normal)
        off = eye + reach[..., None] * rays - origin
        u, v = off @ along / (along @ along), off @ up / (up @ up)
        inside = even_odd(vocabulary.outline(names[plates.shape[k]]), u, v)
        out[inside] = plates.albedo[k]
        out[inside & inked(plates, k, u, v)] = plates.mark_albedo[k]
    return out


def sample_rays(views: Views, picture: int) -> tuple[np.ndarray, np.ndarray]:
    """World directions [H f, W f, 3] of an undistorted pinhole camera, and where it stands."""
    height, width = views.size_px
    x0, y0 = views.corner_px[picture]
    (fx, fy), (cx, cy) = views.camera.focal_px, views.camera.centre_px
    x = (np.arange(width * FINER) + 0.5) / FINER + x0
    y = (np.arange(height * FINER) + 0.5) / FINER + y0
    x, y = np.meshgrid((x - cx) / fx, (y - cy) / fy)
    return np.stack([x, y, np.ones_like(x)], axis=-1) @ views.rotation[picture].T, views.position[picture]


def even_odd(polygon: np.ndarray, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Whether points lie inside a polygon [V, 2]: a line to the right crosses its edges an odd number of times."""
    inside = np.zeros(u.shape, dtype=bool)
    for (ax, ay), (bx, by) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        if ay != by:
            crosses = (ay > v) != (by > v)
            inside ^= crosses & (u < ax + (v - ay) * (bx - ax) / (by - ay))
    return inside


def inked(plates: Plates, k: int, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Whether points of a plate lie in its mark: the stored field, read bilinearly, against how much it is fattened."""
    if plates.glyph[k] < 0:
        return np.zeros(u.shape, dtype=bool)
    face, number = divmod(int(plates.glyph[k]), len(MARKS))
    c, s, height = math.cos(plates.mark_turn[k]), math.sin(plates.mark_turn[k]), plates.mark_height[k]
    du, dv = u - plates.mark_at[k, 0], v - plates.mark_at[k, 1]
    x, y = (du * c - dv * s) / height, (du * s + dv * c) / height
    return from_stroke(mark_atlas().field[face, number], x, y) < plates.mark_grow[k]


def from_stroke(stored: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Distance from a mark's edge, negative in its strokes, in heights of the mark; (x, y) from its middle in heights."""
    field = stored * (RANGE / 127)
    column = np.clip((x + SPAN) / (2 * SPAN) * CELL - 0.5, 0, CELL - 1.001)
    row = np.clip((SPAN - y) / (2 * SPAN) * CELL - 0.5, 0, CELL - 1.001)
    i, j = row.astype(int), column.astype(int)
    a, b = row - i, column - j
    top = field[i, j] * (1 - b) + field[i, j + 1] * b
    low = field[i + 1, j] * (1 - b) + field[i + 1, j + 1] * b
    return top * (1 - a) + low * a


def averaged(fine: np.ndarray) -> np.ndarray:
    """Means over pixel squares."""
    h, w, c = fine.shape
    return fine.reshape(h // FINER, FINER, w // FINER, FINER, c).mean(axis=(1, 3))


def blurred(image: np.ndarray, sigma_px: float, reach: int = 6) -> np.ndarray:
    """A Gaussian lens by direct summation, one shifted copy after the other; the border is continued."""
    height, width, _ = image.shape
    padded = np.pad(image, ((reach, reach), (reach, reach), (0, 0)), mode="edge")
    total, weights = np.zeros_like(image), 0.0
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            weight = math.exp(-(dx * dx + dy * dy) / (2 * sigma_px**2))
            total += weight * padded[reach + dy : reach + dy + height, reach + dx : reach + dx + width]
            weights += weight
    return total / weights
