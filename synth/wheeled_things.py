"""Bicycles and prams as capsules: parts of one thing in metres (x right, y ahead, z up from where it stands)."""

from __future__ import annotations

import numpy as np

from synth.scene import Array, Limbs, rows

_FRAME = np.array(
    [
        [[0, -0.5, 0.33], [0, -0.1, 0.33]], [[0, -0.1, 0.33], [0, -0.2, 0.85]], [[0, -0.2, 0.8], [0, 0.35, 0.8]],
        [[0, -0.1, 0.33], [0, 0.38, 0.75]], [[0, 0.38, 1.0], [0, 0.5, 0.33]], [[-0.28, 0.33, 1.02], [0.28, 0.33, 1.02]],
        [[0, -0.3, 0.9], [0, -0.12, 0.9]],
    ]
)  # fmt: skip
_SPOKED = 9
Parts = tuple[Array, Array, Array]


def bicycle_parts(paint: Array, lying: bool, turned_bar_rad: float = 0.0) -> Parts:
    """Capsules [K, 2, 3] in metres (x right, y ahead, z up), radii [K, 2] and reflectances [K, 3] of one bicycle."""
    angle = np.linspace(0, 2 * np.pi, _SPOKED)
    wheel = 0.33 * np.stack([0 * angle, np.cos(angle), np.sin(angle)], axis=1)
    segments = [np.stack([wheel[:-1], wheel[1:]], axis=1) + np.array([0, y, 0.33]) for y in (-0.5, 0.5)]
    frame = _FRAME.copy()
    c, s = np.cos(turned_bar_rad), np.sin(turned_bar_rad)
    frame[5, :, 1] += frame[5, :, 0] * s
    frame[5, :, 0] *= c
    ends = np.concatenate([*segments, frame])
    rims = 2 * (_SPOKED - 1)
    radii = np.concatenate([np.full((rims, 2), 0.02), np.full((len(frame), 2), 0.022)])
    radii[-1] = 0.06
    if lying:
        ends = np.stack([ends[..., 2] - 0.4, ends[..., 1], 0.05 + 0.4 * ends[..., 0] + 0 * ends[..., 2]], axis=-1)
    dark = np.array([[0.02, 0.02, 0.02]])
    albedo = np.concatenate(
        [np.repeat(dark, rims, axis=0), np.repeat(paint[None], 5, axis=0), np.repeat(dark, 2, axis=0)]
    )
    return ends, radii, albedo


def pram_parts(cloth: Array, inside: Array, hood_m: float = -0.1) -> Parts:
    """A pram: capsules [K, 2, 3], radii [K, 2] and reflectances [K, 3]; ``hood_m`` is how far the hood reaches ahead."""
    ends, radii, albedo = [], [], []

    def rod(start: tuple, end: tuple, radius: float, colour: Array, end_radius: float | None = None) -> None:
        ends.append([start, end])
        radii.append([radius, radius if end_radius is None else end_radius])
        albedo.append(colour)

    dark = np.full(3, 0.02)
    for x in (-0.26, 0.26):
        for y in (-0.38, 0.36):
            rod((x, y - 0.09, 0.13), (x, y + 0.09, 0.13), 0.05, dark)
        rod((x * 0.8, -0.38, 0.3), (x * 0.85, -0.68, 0.98), 0.014, dark)
    rod((-0.22, -0.68, 0.98), (0.22, -0.68, 0.98), 0.02, dark)
    rod((0, 0.28, 0.58), (0, -0.2, 0.58), 0.19, cloth, 0.2)
    rod((0, 0.24, 0.66), (0, 0.0, 0.66), 0.14, inside)
    rod((0, -0.2, 0.72), (0, hood_m, 0.78), 0.215, cloth * 0.9)
    return np.array(ends), np.array(radii), np.array(albedo)


def placed_parts(picture: int, at: Array, turn_rad: float, order: float, parts: Parts, step: float = 0.1) -> Limbs:
    """The parts as rows, turned to a heading (clockwise from north); the higher of them are drawn later."""
    ends, radii, albedo = parts
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    x, y, z = ends[..., 0], ends[..., 1], ends[..., 2]
    turned = np.stack([x * c + y * s, y * c - x * s, z], axis=-1)
    order_of = order + step * z.max(axis=1)
    return rows(
        Limbs, len(ends), picture=picture, order=order_of, ends=turned + at, radii_m=radii, albedo=albedo, grain=0.08
    )  # fmt: skip
