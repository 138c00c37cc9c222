"""Drawn things laid into a photograph: they take on its exposure, white balance, softness and noise; it is not degraded again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import torch

from synth.capture import CaptureSpec
from synth.jpeg import store_as_jpeg
from synth.optics import blur
from synth.photo_ground import PhotoLayer
from synth.tone import encode


def blend_into_photograph(
    layer: PhotoLayer,
    objects: torch.Tensor,
    cover: torch.Tensor,
    captures: Sequence[CaptureSpec],
    ground_light: torch.Tensor | None = None,
    *,
    jpeg: bool = True,
) -> torch.Tensor:
    """Picture uint8 [B, 3, H, W].

    ``objects`` [B, 3, H, W] radiance of drawn things times their cover (1 = a level white board in full light, as
    ``synth.light.illuminate`` gives it); ``cover`` [B, 1, H, W]; ``ground_light`` [B, 1, H, W] share of its light that the
    photographed ground keeps (the shadows of drawn things). The capture gives seed, smear and JPEG; the rest comes from the
    photograph.
    """
    if layer.linear.device.type == "cpu" and len(captures) > 1:
        parts = []
        for i in range(len(captures)):
            one = PhotoLayer(layer.linear[i : i + 1], layer.shade[i : i + 1], layer.looks[i : i + 1])
            light = None if ground_light is None else ground_light[i : i + 1]
            parts.append(
                blend_into_photograph(one, objects[i : i + 1], cover[i : i + 1], captures[i : i + 1], light, jpeg=jpeg)
            )
        return torch.cat(parts)
    soft = [replace(c, blur_sigma_px=k.blur_sigma_px, tone="srgb") for c, k in zip(captures, layer.looks, strict=True)]
    white = torch.tensor([look.white for look in layer.looks], device=objects.device).view(-1, 3, 1, 1)
    drawn = [objects * white * layer.shade, cover]
    if ground_light is not None:
        drawn.append(ground_light)
    seen = blur(torch.cat(drawn, 1), soft)
    cover = seen[:, 3:4].clamp(0, 1)
    ground = layer.linear if ground_light is None else layer.linear * seen[:, 4:5]
    coded = encode(ground * (1 - cover) + seen[:, :3], soft)
    coded += _noise(layer, captures, cover)
    picture = coded.add_(0.5).clamp_(0, 255).to(torch.uint8)
    return store_as_jpeg(picture, captures) if jpeg else picture


def _noise(layer: PhotoLayer, captures: Sequence[CaptureSpec], cover: torch.Tensor) -> torch.Tensor:
    """Luma noise of the photograph on drawn things [B, 1, H, W], a little correlated as demosaicing leaves it."""
    h, w = cover.shape[-2:]
    generator = torch.Generator(device=cover.device)
    fields = []
    for capture in captures:
        generator.manual_seed(capture.seed & 0x7FFFFFFFFFFFFFFF)
        fields.append(torch.randn((1, h + 1, w + 1), generator=generator, device=cover.device))
    white = torch.stack(fields)
    grain = (white[..., 1:, 1:] * 1.6 + white[..., :-1, 1:] + white[..., 1:, :-1]).mul_(1 / 2.135)
    level = torch.tensor([255 * look.noise for look in layer.looks], device=cover.device).view(-1, 1, 1, 1)
    return grain * level * cover.sqrt()
