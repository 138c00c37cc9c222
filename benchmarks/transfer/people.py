"""People of the judge: bodies of overlapping balls in metres, seen from above or aslant, lit from one side.

Body frame: x right, y towards the back of the image (up), z up, feet at the origin. A view is two numbers per axis of
the image: u = x + a z and v = -(k y + b z), in metres before the scale is applied.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmarks.transfer.panels import Sprite
from benchmarks.transfer.pixels import blurred, shrunk, smooth_field

POSES = ("standing", "walking", "waving", "sitting", "lying")
SUPERSAMPLING = 4
_SKIN = ((0.60, 0.36, 0.25), (0.42, 0.24, 0.15), (0.20, 0.10, 0.06), (0.09, 0.045, 0.03))
_CLOTH = (
    (0.60, 0.60, 0.58), (0.03, 0.03, 0.035), (0.05, 0.07, 0.20), (0.45, 0.05, 0.05), (0.75, 0.32, 0.02), (0.10, 0.20, 0.08),
    (0.30, 0.26, 0.20), (0.15, 0.28, 0.50), (0.65, 0.60, 0.05), (0.20, 0.20, 0.21), (0.35, 0.10, 0.25), (0.12, 0.08, 0.05),
)  # fmt: skip
_HAIR = ((0.02, 0.015, 0.01), (0.08, 0.045, 0.02), (0.25, 0.17, 0.08), (0.35, 0.34, 0.33))


@dataclass(frozen=True)
class Slant:
    """How height and depth land in the image, see the module."""

    a: float = 0.0
    b: float = 0.0
    k: float = 1.0


def _limb(
    start: tuple[float, ...], end: tuple[float, ...], r0: float, r1: float, count: int = 9
) -> NDArray[np.float64]:
    # Close enough that the balls run together at half a centimetre to the pixel.
    share = np.linspace(0, 1, 3 * count)[:, None]
    place = np.array(start) * (1 - share) + np.array(end) * share
    return np.concatenate([place, r0 * (1 - share) + r1 * share], axis=1)


def _body(pose: str, rng: np.random.Generator) -> list[tuple[NDArray[np.float64], str]]:
    """Balls [n, 4] (x, y, z, radius) [m] with the part that they clothe, for a person of 1.75 m."""
    stride = rng.uniform(0.2, 0.38) if pose == "walking" else rng.uniform(0.0, 0.08)
    swing = stride * rng.uniform(0.6, 1.1)
    hips, chest, head = 0.92, 1.38, 1.62
    if pose == "sitting":
        hips, chest, head = 0.22, 0.68, 0.93
    parts: list[tuple[NDArray[np.float64], str]] = []
    for side, step in ((-1, stride), (1, -stride)):
        hip = (0.10 * side, 0.0, hips)
        knee, foot = (0.11 * side, step * 0.55, 0.48), (0.12 * side, step, 0.06)
        if pose == "sitting":
            knee, foot = (0.16 * side, 0.42, 0.35), (0.14 * side, 0.72, 0.06)
        parts += [(_limb(hip, knee, 0.095, 0.07), "legs"), (_limb(knee, foot, 0.068, 0.05), "legs")]
        parts.append((_limb(foot, (foot[0], foot[1] + 0.14, 0.05), 0.055, 0.045, 4), "shoes"))
        shoulder = (0.21 * side, 0.0, chest)
        elbow, hand = (0.27 * side, -step * 0.3, chest - 0.28), (0.26 * side, -swing * np.sign(step or 1), chest - 0.52)
        if pose == "waving" and (side > 0 or rng.random() < 0.4):
            elbow, hand = (0.42 * side, 0.05, chest + 0.12), (0.45 * side, 0.10, chest + 0.42)
        parts += [(_limb(shoulder, elbow, 0.065, 0.05, 7), "coat"), (_limb(elbow, hand, 0.048, 0.04, 7), "sleeve")]
        parts.append((np.array([[*hand, 0.05]]), "skin"))
    parts.append((_limb((-0.10, 0, hips), (0.10, 0, hips), 0.115, 0.115, 4), "legs"))
    for across in (-0.09, 0.0, 0.09):
        parts.append((_limb((across, 0, hips + 0.05), (across * 1.5, 0, chest), 0.12, 0.12, 8), "coat"))
    parts += [(_limb((0, 0.01, chest + 0.08), (0, 0.03, head - 0.05), 0.06, 0.06, 4), "skin")]
    parts += [(np.array([[0, 0.03, head, 0.105]]), "skin"), (np.array([[0, 0.0, head + 0.035, 0.105]]), "head")]
    if rng.random() < 0.3:
        parts.append((_limb((-0.08, -0.17, hips + 0.15), (0.08, -0.17, chest - 0.02), 0.11, 0.11, 6), "bag"))
    if rng.random() < 0.3:  # the brim of a hat
        ring = np.radians(np.arange(0, 360, 6))
        brim = np.stack(
            [
                0.13 * np.cos(ring),
                0.03 + 0.15 * np.sin(ring),
                np.full_like(ring, head + 0.05),
                np.full_like(ring, 0.035),
            ],
            1,
        )
        parts.append((brim, "head"))
    if pose == "lying":
        parts = [(balls[:, [0, 2, 1, 3]] * [1, 1, 1, 1] + [0, -0.85, 0.14, 0], part) for balls, part in parts]
    return parts


def draw_person(
    rng: np.random.Generator,
    centre_px: tuple[float, float],
    metre_px: float,
    slant: Slant,
    sun_px: tuple[float, float],
    hardness: float,
) -> tuple[Sprite, tuple[float, float, float, float], str]:
    """Draw a person standing at ``centre_px``; returns the sprite, the box x, y, w, h of body and clothes, and the pose."""
    pose = str(rng.choice(POSES, p=[0.3, 0.25, 0.15, 0.15, 0.15]))
    scale = rng.uniform(0.9, 1.08) * metre_px
    balls, colours = _clothed(pose, rng)
    facing = rng.uniform(0, 2 * np.pi)
    c, s = np.cos(facing), np.sin(facing)
    x, y, z, radius = balls[:, 0] * c - balls[:, 1] * s, balls[:, 0] * s + balls[:, 1] * c, balls[:, 2], balls[:, 3]
    u, v = (x + slant.a * z) * scale, -(slant.k * y + slant.b * z) * scale
    throw = np.array(sun_px) * (0.45 + 0.6 * hardness)  # metres of shadow to a metre of height
    shadow_u, shadow_v = (x + throw[0] * z) * scale, (-slant.k * y + throw[1] * z) * scale
    margin = 10 + radius.max() * scale
    low = np.floor(np.minimum([u.min(), v.min()], [shadow_u.min(), shadow_v.min()]) - margin)
    high = np.ceil(np.maximum([u.max(), v.max()], [shadow_u.max(), shadow_v.max()]) + margin)
    k = SUPERSAMPLING
    size = (int(high[1] - low[1]) * k, int(high[0] - low[0]) * k)
    # Depth grows towards the camera: up, and towards the lower edge of the image when it looks aslant.
    depth = (z * (1.0 if slant.b == 0 else slant.k) - y * slant.b) * scale * k
    fraction = np.array(centre_px) % 1.0
    at = np.stack([u - low[0] + fraction[0], v - low[1] + fraction[1]], 1) * k
    cover, colour = _paint_balls(size, at, depth, radius * scale * k, colours, sun_px, hardness)
    ground = np.zeros(size, dtype=np.float32)
    shadow_at = np.stack([shadow_u - low[0] + fraction[0], shadow_v - low[1] + fraction[1]], 1) * k
    for place, r in zip(shadow_at, radius * scale * k):
        _disc(ground, place, r)
    shade = blurred(shrunk(ground, k), 0.6 + 2.2 * (1 - hardness)) * (0.25 + 0.5 * hardness)
    x0, y0 = (int(np.floor(centre_px[i]) + low[i]) for i in (0, 1))
    rows, columns = np.nonzero(cover > 0.5)
    box = (x0 + columns.min() / k, y0 + rows.min() / k, (np.ptp(columns) + 1) / k, (np.ptp(rows) + 1) / k)
    folds = 1 + 0.07 * smooth_field(rng, size[0] // k, size[1] // k, max(2.0, 0.07 * metre_px))
    sprite = Sprite(x0, y0, shrunk(cover, k), (shrunk(colour, k) * folds[..., None]).astype(np.float32), shade)
    return sprite, (float(box[0]), float(box[1]), float(box[2]), float(box[3])), pose


def _clothed(pose: str, rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    skin = np.array(_SKIN[rng.integers(len(_SKIN))])
    coat, legs, bag = (np.array(_CLOTH[rng.integers(len(_CLOTH))]) for _ in range(3))
    hat = np.array((_HAIR if rng.random() < 0.5 else _CLOTH)[rng.integers(4)])
    sleeve = skin if rng.random() < 0.4 else coat
    paint = {
        "skin": skin,
        "coat": coat,
        "legs": legs,
        "bag": bag,
        "head": hat,
        "sleeve": sleeve,
        "shoes": np.array([0.05, 0.04, 0.04]),
    }
    parts = _body(pose, rng)
    balls = np.concatenate([b for b, _ in parts])
    # Folds and seams: lightness wanders along each limb.
    fold = [np.convolve(rng.normal(1.0, 0.12, len(b) + 4), np.full(5, 0.2), "valid")[:, None] for b, _ in parts]
    colours = np.concatenate([paint[part] * f for (_, part), f in zip(parts, fold)])
    return balls, colours


def _disc(plane: NDArray[np.float32], at: NDArray[np.float64], radius: float) -> None:
    x0, y0 = (int(v - radius) for v in at)
    x1, y1 = (int(v + radius) + 2 for v in at)
    yy, xx = np.mgrid[max(0, y0) : y1, max(0, x0) : x1]
    window = plane[max(0, y0) : y1, max(0, x0) : x1]
    yy, xx = yy[: window.shape[0], : window.shape[1]], xx[: window.shape[0], : window.shape[1]]
    window[(xx + 0.5 - at[0]) ** 2 + (yy + 0.5 - at[1]) ** 2 < radius**2] = 1.0


def _paint_balls(
    size: tuple[int, int],
    at: NDArray[np.float64],
    depth: NDArray[np.float64],
    radius: NDArray[np.float64],
    colours: NDArray[np.float64],
    sun_px: tuple[float, float],
    hardness: float,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Nearest ball at each pixel, with its colour lit by the sun from opposite the shadows and by the sky from above."""
    nearest = np.full(size, -1e9, dtype=np.float32)
    colour = np.zeros((*size, 3), dtype=np.float32)
    sun = np.array([-sun_px[0], -sun_px[1], 1.2])
    sun /= np.linalg.norm(sun)
    for (x, y), d, r, paint in zip(at, depth, radius, colours):
        y0, y1, x0, x1 = int(max(0, y - r)), int(y + r) + 2, int(max(0, x - r)), int(x + r) + 2
        yy, xx = np.mgrid[y0 : min(y1, size[0]), x0 : min(x1, size[1])]
        nx, ny = (xx + 0.5 - x) / r, (yy + 0.5 - y) / r
        inside = nx**2 + ny**2 < 1
        nz = np.sqrt(np.maximum(1 - nx**2 - ny**2, 0))
        window = nearest[y0 : yy[-1, 0] + 1, x0 : xx[0, -1] + 1]
        wins = inside & (d + nz * r > window)
        window[wins] = (d + nz * r)[wins]
        lit = np.maximum(nx * sun[0] + ny * sun[1] + nz * sun[2], 0)
        light = (0.35 + 0.35 * (1 - hardness)) * (0.55 + 0.45 * nz) + (0.25 + 0.75 * hardness) * lit
        colour[y0 : yy[-1, 0] + 1, x0 : xx[0, -1] + 1][wins] = (light[..., None] * paint)[wins]
    cover = (nearest > -1e8).astype(np.float32)
    return cover, colour
