"""Light on the scene: reflectance to radiance. Linear sRGB throughout; a level white board in full light is 1."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from numpy.typing import ArrayLike

from synth.capture import CaptureSpec

# Luminance of linear sRGB (IEC 61966-2-1:1999).
LUMINANCE = (0.2126, 0.7152, 0.0722)
# Brightness of the air between ground and camera against a white board (common practice, no source).
_AIRLIGHT = 0.6


def illuminate(
    albedo: torch.Tensor,
    shade: torch.Tensor,
    captures: Sequence[CaptureSpec],
    sky_visible: torch.Tensor | None = None,
) -> torch.Tensor:
    """Scene radiance [B, 3, H, W], float32.

    ``albedo`` [B, 3, H, W] reflectance 0..1; ``shade`` [B, 1, H, W] share of direct sun that arrives (1 on open level
    ground, more on facets turned to the sun, 0 in full shadow); ``sky_visible`` [B, 1, H, W] share of the sky that the
    point sees (1 everywhere if left out). Haze is added last, evenly.
    """
    sun, sky = np.array([c.sun_rgb for c in captures]), np.array([c.sky_rgb for c in captures])
    haze = np.array([c.haze for c in captures])[:, None]
    air = beside(albedo, sky / sky.max(axis=1, keepdims=True) * (_AIRLIGHT * haze), 3)
    direct, diffuse = beside(albedo, sun * (1 - haze), 3), beside(albedo, sky * (1 - haze), 3)
    light = direct * shade
    if sky_visible is None:
        light += diffuse
    else:
        light.addcmul_(sky_visible, diffuse)
    return torch.addcmul(air, light, albedo, out=light)


def colours(captures: Sequence[CaptureSpec], name: str, like: torch.Tensor) -> torch.Tensor:
    """One colour field of every capture as a tensor [B, 3, 1, 1]."""
    return beside(like, [getattr(c, name) for c in captures], 3)


def scalars(captures: Sequence[CaptureSpec], name: str, like: torch.Tensor) -> torch.Tensor:
    """One scalar field of every capture as a tensor [B, 1, 1, 1]."""
    return beside(like, [getattr(c, name) for c in captures])


def beside(like: torch.Tensor, values: ArrayLike, each: int = 1) -> torch.Tensor:
    """So many numbers of every picture as a tensor [B, each, 1, 1] of the type and on the device of ``like``."""
    # By way of numpy, which takes a fifth of the time that torch takes to read a list.
    table = torch.from_numpy(np.array(values, dtype=np.float64).reshape(-1, each, 1, 1))
    return table.to(like.device, like.dtype)
