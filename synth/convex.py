"""Convex shapes in a picture: their half planes, hulls of points, the boxes of capsules, and whether boxes show at all.

Boxes are (x0, y0, x1, y1) in pixels of the picture.
"""

from __future__ import annotations

import numpy as np

from synth.scene import Array


def half_planes(corners: Array) -> Array:
    """Edges [N, V, 3] (unit normal outwards, offset) of convex polygons [N, V, 2]; repeated corners give none."""
    following = np.roll(corners, -1, axis=1)
    step = following - corners
    length = np.linalg.norm(step, axis=2)
    area = (corners[..., 0] * following[..., 1] - following[..., 0] * corners[..., 1]).sum(axis=1)
    normal = np.stack([step[..., 1], -step[..., 0]], axis=2) * np.where(area > 0, 1.0, -1.0)[:, None, None]
    normal = normal / np.maximum(length, 1e-9)[..., None]
    offset = -(normal * corners).sum(axis=2)
    real = length > 1e-6
    return np.concatenate([normal * real[..., None], np.where(real, offset, -1e6)[..., None]], axis=2)


def hull(points: Array) -> Array:
    """Convex hull of up to 8 points [V, 2] as 8 corners, the last repeated (Andrew's monotone chain)."""
    if not np.isfinite(points).all():
        return np.zeros((8, 2))
    ordered = sorted(map(tuple, points))
    chain: list[tuple[float, float]] = []
    for sequence in (ordered, ordered[::-1]):
        start = len(chain)
        for p in sequence:
            while len(chain) - start >= 2 and _turn(chain[-2], chain[-1], p) <= 1e-9:
                chain.pop()
            chain.append(p)
        chain.pop()
    chain = chain[:8] or [ordered[0]]
    return np.array(chain + [chain[-1]] * (8 - len(chain)))


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def capsule_box(ends: Array, radii: Array, margin: Array | float) -> Array:
    """Boxes [N, 4] of tapered capsules: discs of ``radii`` [N, 2] about ``ends`` [N, 2, 2], wider by ``margin`` [N]."""
    reach = radii[..., None] + np.asarray(margin).reshape(-1, 1, 1)
    return np.concatenate([(ends - reach).min(axis=1), (ends + reach).max(axis=1)], axis=1)


def touches(box: Array, size_px: tuple[int, int]) -> Array:
    """Whether boxes [N, 4] have anything in a picture of ``size_px`` (height, width): [N]; what is no number has not."""
    with np.errstate(invalid="ignore"):
        return (box[:, 2] > 0) & (box[:, 3] > 0) & (box[:, 0] < size_px[1]) & (box[:, 1] < size_px[0])
