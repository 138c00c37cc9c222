"""Drawing on a torus: square tiles [n, n] whose edges meet, so that ground can be laid out of them without seams.

Everything here is plain numpy, runs once per tile, and takes all chance from the generator handed in.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]

# Direction to the light in which relief is drawn: up and left, (x right, y down).
LIGHT_XY = (-math.sqrt(0.5), -math.sqrt(0.5))
# Numbers worked on at once: they stay in a core's cache.
_AT_ONCE = 100_000


def _frequencies(n: int) -> Array:
    f = np.fft.fftfreq(n).astype(np.float32)
    return np.hypot(f[:, None], f[None, : n // 2 + 1])


def noise(rng: np.random.Generator, n: int, slope: float, longest_px: float = 1e9, shortest_px: float = 0.0) -> Array:
    """Random field of mean 0 and standard deviation 1 with amplitude ~ f^-slope between two wavelengths [px]."""
    f = _frequencies(n)
    f[0, 0] = 1.0
    amplitude = f**-slope
    amplitude[f < 1 / longest_px] *= (f[f < 1 / longest_px] * longest_px) ** 2
    if shortest_px > 0:
        amplitude *= np.exp(-((f * shortest_px * 0.5) ** 2))
    amplitude[0, 0] = 0.0
    # np.abs(f[:, n // 2]) counts 0.5 for both halves; good enough for a random field.
    field = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((n, n)).astype(np.float32)) * amplitude, s=(n, n))
    return standard(field)


def streaks(rng: np.random.Generator, n: int, slope: float, longest_px: float, stretch: float, angle: float) -> Array:
    """Random field like :func:`noise`, drawn out ``stretch`` times along ``angle`` [rad]."""
    f = np.fft.fftfreq(n).astype(np.float32)
    fy, fx = f[:, None], f[None, : n // 2 + 1]
    along, across = fx * math.cos(angle) + fy * math.sin(angle), fy * math.cos(angle) - fx * math.sin(angle)
    reach = np.hypot(along * stretch, across)
    reach[0, 0] = 1.0
    amplitude = np.maximum(reach, 1 / longest_px) ** -slope
    amplitude[0, 0] = 0.0
    return standard(np.fft.irfft2(np.fft.rfft2(rng.standard_normal((n, n)).astype(np.float32)) * amplitude, s=(n, n)))


def warp(field: Array, dx_px: Array, dy_px: Array) -> Array:
    """The field read at places moved by (dx, dy) pixels: bends and pinches it as wind, water and feet do."""
    n = len(field)
    y = np.arange(n, dtype=np.float32)[:, None] + dy_px
    x = np.arange(n, dtype=np.float32)[None, :] + dx_px
    y0, x0 = np.floor(y).astype(np.int32), np.floor(x).astype(np.int32)
    fy, fx = y - y0, x - x0
    top, bottom, left, right = y0 % n, (y0 + 1) % n, x0 % n, (x0 + 1) % n
    upper = field[top, left] * (1 - fx) + field[top, right] * fx
    lower = field[bottom, left] * (1 - fx) + field[bottom, right] * fx
    return (upper * (1 - fy) + lower * fy).astype(np.float32)


def patches(rng: np.random.Generator, n: int, size_px: float, sharp: float = 2.0) -> Array:
    """Patchy field -1..1 as plants and damp make it: bent, with borders rather than hills; larger ``sharp``, harder borders."""
    field = noise(rng, n, 1.35, size_px * 2, 2)
    bend = size_px * 0.25
    field = warp(field, bend * noise(rng, n, 1.6, size_px, 3), bend * noise(rng, n, 1.6, size_px, 3))
    return np.tanh(sharp * (field - rng.uniform(-0.6, 0.6))).astype(np.float32)


def standard(field: Array) -> Array:
    """Shifted and scaled to mean 0 and standard deviation 1."""
    field = field - field.mean()
    return (field / max(float(field.std()), 1e-9)).astype(np.float32)


def blur(field: Array, sigma_px: float) -> Array:
    """Gaussian blur around the torus."""
    f = _frequencies(len(field))
    return np.fft.irfft2(np.fft.rfft2(field) * np.exp(-2 * (math.pi * sigma_px * f) ** 2), s=field.shape).astype(
        np.float32
    )


def relief(height_px: Array) -> Array:
    """Brightness change of a matt surface of that height (in pixels) under light from LIGHT_XY at 45 deg."""
    dx = (np.roll(height_px, -1, 1) - np.roll(height_px, 1, 1)) * 0.5
    dy = (np.roll(height_px, -1, 0) - np.roll(height_px, 1, 0)) * 0.5
    lit = (1 - dx * LIGHT_XY[0] - dy * LIGHT_XY[1]) / np.sqrt(1 + dx * dx + dy * dy)
    return np.maximum(lit, 0.0) - 1


def cast_shadow(height_px: Array, steps: int) -> Array:
    """1 where another part of the surface up to ``steps`` pixels towards LIGHT_XY (at 45 deg) hides the light, else 0."""
    hidden = np.zeros_like(height_px, dtype=bool)
    for k in range(1, steps + 1):
        shift = round(k * math.sqrt(0.5))
        if shift:
            hidden |= np.roll(height_px, (shift, shift), (0, 1)) > height_px + k
    return hidden.astype(np.float32)


def strokes(
    rng: np.random.Generator,
    n: int,
    count: int,
    length_px: tuple[float, float],
    width_px: tuple[float, float],
    *,
    bend: float = 0.3,
    direction: float | None = None,
    spread: float = 0.5,
    oversample: int = 2,
) -> tuple[Array, Array, Array]:
    """Bent strokes laid one over another (grass, straw, twigs): three fields [n, n].

    Returns cover (0..1), the random shade 0..1 of the stroke on top, and its height across (0 at the rim, 1 in the middle
    of the stroke). ``direction`` [rad] with a Gaussian ``spread`` aligns the strokes; None leaves them at any angle.
    """
    m = n * oversample
    length = (rng.uniform(*length_px, count) * oversample).astype(np.float32)
    width = np.maximum(rng.uniform(*width_px, count) * oversample, 1.0).astype(np.float32)
    angle = rng.uniform(0, 2 * math.pi, count) if direction is None else rng.normal(direction, spread, count)
    angle, turn = angle.astype(np.float32), rng.normal(0, bend, count).astype(np.float32)
    along = np.linspace(-0.5, 0.5, max(2, math.ceil(float(length.max()) / 0.7)), dtype=np.float32)
    across = np.linspace(-0.5, 0.5, max(1, math.ceil(float(width.max()) / 0.7)), dtype=np.float32)
    taper = 1 - 0.6 * np.abs(along) * 2
    ridge_of = np.broadcast_to(1 - np.abs(across) * 2, (len(along), len(across))).ravel()
    x0, y0 = rng.uniform(0, m, (2, count)).astype(np.float32)[:, :, None, None]
    shade = rng.random(count).astype(np.float32)
    cover, value, ridge = (np.zeros(m * m, np.float32) for _ in range(3))
    block = max(1, _AT_ONCE // len(ridge_of))
    for start in range(0, count, block):
        k = slice(start, start + block)  # [strokes, along, across] from here on
        heading = angle[k, None] + turn[k, None] * along * 2
        dx, dy = np.cos(heading)[..., None], np.sin(heading)[..., None]
        forth, aside = (along * length[k, None])[..., None], (width[k, None] * taper)[..., None] * across
        column = np.floor(x0[k] + forth * dx - aside * dy).astype(np.int32) % m
        flat = (np.floor(y0[k] + forth * dy + aside * dx).astype(np.int32) % m * m + column).ravel()
        cover[flat] = 1
        value[flat] = np.repeat(shade[k], len(ridge_of))
        ridge[flat] = np.tile(ridge_of, len(heading))
    return tuple(shrink(layer.reshape(m, m), oversample) for layer in (cover, value, ridge))  # type: ignore[return-value]


def domes(
    rng: np.random.Generator,
    n: int,
    count: int,
    radius_px: tuple[float, float],
    *,
    flatten: float = 0.6,
    square: float = 0.0,
    power: float = 2.0,
    oversample: int = 2,
    at: Array | None = None,
) -> tuple[Array, Array, Array]:
    """Rounded bodies laid one over another (stones, leaves, clumps): three fields [n, n].

    Returns cover (0..1), the random shade 0..1 of the body on top, and its height above the ground in pixels. Radii are
    drawn with density ~ r^-power; ``flatten`` is the least ratio of the two axes; ``square`` makes some of them boxy (largest
    exponent of their outline above 2); ``at`` weights where bodies may lie.
    """
    m = n * oversample
    low, high = radius_px
    q = rng.random(count)
    e = 1 - power
    radius = (low**e + q * (high**e - low**e)) ** (1 / e) if abs(e) > 1e-6 else low * (high / low) ** q
    radius = (radius * oversample).astype(np.float32)
    ratio, angle = rng.uniform(flatten, 1, count).astype(np.float32), rng.uniform(0, math.pi, count)
    x0, y0 = places(rng, m, count, at)
    shade = rng.random(count).astype(np.float32)
    exponent = (2 + square * rng.random(count)).astype(np.float32) if square > 0 else None
    bodies = _Bodies(x0, y0, radius, ratio, angle.astype(np.float32), exponent)
    cover, value, height = (np.zeros(m * m, np.float32) for _ in range(3))
    order = np.argsort(radius)[::-1]
    for group in np.array_split(order, min(12, count)):
        reach = math.ceil(float(radius[group].max()))
        block = max(1, _AT_ONCE // (2 * reach + 1) ** 2)
        for start in range(0, len(group), block):
            k = group[start : start + block]
            flat, which, inside = bodies.pixels(k, reach, m)
            cover[flat] = 1
            value[flat] = shade[k][which]
            height[flat] = np.sqrt(inside) * (radius[k] * ratio[k] / oversample)[which]
    return tuple(shrink(layer.reshape(m, m), oversample) for layer in (cover, value, height))  # type: ignore[return-value]


class _Bodies(NamedTuple):
    """Middles [px], larger radii [px], ratios of the axes, turns [rad], exponents of the outlines (None: all 2)."""

    x: Array
    y: Array
    radius: Array
    ratio: Array
    angle: Array
    exponent: Array | None

    def pixels(self, k: NDArray[np.int64], reach: int, m: int) -> tuple[NDArray[np.int32], NDArray[np.int64], Array]:
        """Of bodies ``k``, body by body: flat pixels on a torus of side m, place in ``k``, and 1 - (distance / rim)^2 > 0."""
        offset = np.arange(-reach, reach + 1, dtype=np.int32)
        fx, fy = ((offset - at[k, None] % 1 + 0.5).astype(np.float32) for at in (self.x, self.y))
        c, s = np.cos(self.angle[k, None]), np.sin(self.angle[k, None])
        major, minor = 1 / self.radius[k, None], 1 / (self.radius[k, None] * self.ratio[k, None])
        u = (fx * c * major)[:, None, :] + (fy * s * major)[:, :, None]  # [bodies, rows, columns]
        v = (fx * -s * minor)[:, None, :] + (fy * c * minor)[:, :, None]
        if self.exponent is None:
            inside = 1 - u * u - v * v
        else:
            p = self.exponent[k, None, None]
            inside = 1 - np.abs(u) ** p - np.abs(v) ** p
        column, row = ((np.floor(at[k, None]).astype(np.int32) + offset) % m for at in (self.x, self.y))
        on = np.flatnonzero(inside > 0)
        which = on // len(offset) ** 2
        place = (row[:, :, None] * m + column[:, None, :]).ravel()
        return place[on], which, inside.ravel()[on]


def places(rng: np.random.Generator, m: int, count: int, at: Array | None) -> tuple[Array, Array]:
    """Points (x, y) [count] of an ``m`` x ``m`` tile, where the field ``at`` (of any size) makes them likely."""
    if at is None:
        return rng.uniform(0, m, count), rng.uniform(0, m, count)
    weight = np.maximum(at.ravel(), 0).astype(np.float64)
    cell = rng.choice(at.size, count, p=weight / weight.sum())
    step = m / len(at)
    y, x = np.divmod(cell, len(at))
    return (x + rng.random(count)) * step, (y + rng.random(count)) * step


def shrink(field: Array, factor: int) -> Array:
    """Mean over squares of ``factor`` pixels."""
    n = len(field) // factor
    return field.reshape(n, factor, n, factor).mean((1, 3), dtype=np.float32)


def cells(rng: np.random.Generator, n: int, size_px: float, jitter: float = 0.8) -> tuple[Array, Array]:
    """Irregular cells (cracked mud, cobbles): distance [px] to the nearest border between cells, and a shade 0..1 per cell."""
    per_side = max(2, round(n / size_px))
    step = n / per_side
    gy, gx = np.meshgrid(np.arange(per_side), np.arange(per_side), indexing="ij")
    cx = (gx + 0.5 + jitter * rng.uniform(-0.5, 0.5, gx.shape)) * step
    cy = (gy + 0.5 + jitter * rng.uniform(-0.5, 0.5, gx.shape)) * step
    shade = rng.random(gx.shape)
    cx, cy, shade = (values.astype(np.float32) for values in (cx, cy, shade))
    middle = np.arange(n, dtype=np.float32) + np.float32(0.5)
    cell = (middle / step).astype(np.int64)
    first = np.full((n, n), np.inf, np.float32)
    second, tone = first.copy(), np.zeros((n, n), np.float32)
    for dy in range(-2, 3):  # the second nearest middle may lie two cells away
        for dx in range(-2, 3):
            (ty, jy), (tx, jx) = np.divmod(cell[:, None] + dy, per_side), np.divmod(cell + dx, per_side)
            ex = (middle - tx * np.float32(n)).astype(np.float32) - cx[jy, jx]
            ey = (middle[:, None] - ty * np.float32(n)).astype(np.float32) - cy[jy, jx]
            distance = ex * ex + ey * ey
            tone = np.where(distance < first, shade[jy, jx], tone)
            second = np.minimum(second, np.maximum(first, distance))
            first = np.minimum(first, distance)
    return (np.sqrt(second) - np.sqrt(first)) * np.float32(0.5), tone
