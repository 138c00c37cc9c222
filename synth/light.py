"""Light on the scene: reflectance to radiance. Linear sRGB throughout; a level white board in full light is 1."""

from __future__ import annotations

from collections.abc import Sequence

import torch

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
    sun, sky = colours(captures, "sun_rgb", albedo), colours(captures, "sky_rgb", albedo)
    clear = 1 - scalars(captures, "haze", albedo)
    air = sky / sky.amax(dim=1, keepdim=True) * (_AIRLIGHT * (1 - clear))
    light = sun * clear * shade
    if sky_visible is None:
        light += sky * clear
    else:
        light.addcmul_(sky_visible, sky * clear)
    return light.mul_(albedo).add_(air)


def colours(captures: Sequence[CaptureSpec], name: str, like: torch.Tensor) -> torch.Tensor:
    """One colour field of every capture as a tensor [B, 3, 1, 1]."""
    return torch.tensor([getattr(c, name) for c in captures], dtype=like.dtype, device=like.device).view(-1, 3, 1, 1)


def scalars(captures: Sequence[CaptureSpec], name: str, like: torch.Tensor) -> torch.Tensor:
    """One scalar field of every capture as a tensor [B, 1, 1, 1]."""
    return torch.tensor([getattr(c, name) for c in captures], dtype=like.dtype, device=like.device).view(-1, 1, 1, 1)
