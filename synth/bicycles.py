"""Bicycles: two wheels, a frame, a handlebar and a saddle, standing or lying."""

from __future__ import annotations

import numpy as np

from synth.scene import Array

_FRAME = np.array(
    [
        [[0, -0.5, 0.33], [0, -0.1, 0.33]], [[0, -0.1, 0.33], [0, -0.2, 0.85]], [[0, -0.2, 0.8], [0, 0.35, 0.8]],
        [[0, -0.1, 0.33], [0, 0.38, 0.75]], [[0, 0.38, 1.0], [0, 0.5, 0.33]], [[-0.28, 0.33, 1.02], [0.28, 0.33, 1.02]],
        [[0, -0.3, 0.9], [0, -0.12, 0.9]],
    ]
)  # fmt: skip
_SPOKED = 9


def bicycle_parts(paint: Array, lying: bool, turned_bar_rad: float = 0.0) -> tuple[Array, Array, Array]:
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
