"""Drawn things laid into a photograph: they take on its exposure, white balance, softness and noise; it is not degraded again.

How they are laid in varies, so that a detector does not learn the seam instead of the thing (Dwibedi, Misra & Hebert, Cut,
Paste and Learn, ICCV 2017, sec. 5: one object under several blendings). Each picture's look names one:

    matched     softness and noise of the photograph
    feathered   the same, and the rim fades into the ground over one or two pixels
    sharpened   the same, and rims overshoot as cameras' sharpening makes them
    none        laid in as drawn, anti-aliased by area alone
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import torch

from synth.at_once import at_once
from synth.capture import CaptureSpec
from synth.jpeg import store_as_jpeg
from synth.optics import blur
from synth.photo_ground import PhotoLayer
from synth.photo_look import PhotographLook
from synth.tone import encode

# Widths of the neighbourhoods over which rims fade and overshoot [px]; our own choice, seen at 100 %.
_FEATHER_PX, _HALO_PX = 1.2, 1.3
#: How far a drawn pixel can be felt [px]: the widest blur (12) and the neighbourhood of rims (4).
REACH_PX = 16


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
    if not at_once(layer.linear.device) and len(captures) > 1:
        parts = []
        for i in range(len(captures)):
            one = PhotoLayer(layer.linear[i : i + 1], layer.shade[i : i + 1], layer.looks[i : i + 1])
            light = None if ground_light is None else ground_light[i : i + 1]
            parts.append(
                blend_into_photograph(one, objects[i : i + 1], cover[i : i + 1], captures[i : i + 1], light, jpeg=jpeg)
            )
        return torch.cat(parts)
    soft = [_softened(c, look) for c, look in zip(captures, layer.looks, strict=True)]
    white = torch.tensor([look.white for look in layer.looks], device=objects.device).view(-1, 3, 1, 1)
    drawn = [objects * white * layer.shade, cover]
    if ground_light is not None:
        drawn.append(ground_light)
    seen = blur(torch.cat(drawn, 1), soft)
    ground = layer.linear if ground_light is None else layer.linear * seen[:, 4:5]
    things = _feathered(seen[:, :4], layer)
    cover = things[:, 3:].clamp(0, 1)
    coded = _sharpened(encode(ground * (1 - cover) + things[:, :3], soft), cover, layer, captures)
    coded += _noise(layer, captures, cover)
    picture = coded.add_(0.5).clamp_(0, 255).to(torch.uint8)
    return store_as_jpeg(picture, captures) if jpeg else picture


def _softened(capture: CaptureSpec, look: PhotographLook) -> CaptureSpec:
    if look.blending == "none":
        return replace(capture, blur_sigma_px=0.0, smear_px=(0.0, 0.0), tone="srgb")
    return replace(capture, blur_sigma_px=look.blur_sigma_px, tone="srgb")


def _chosen(layer: PhotoLayer, blending: str, device: torch.device) -> torch.Tensor | None:
    """1 for the pictures of that blending, 0 for the others [B, 1, 1, 1]; None where there is none."""
    own = [float(look.blending == blending) for look in layer.looks]
    return torch.tensor(own, device=device).view(-1, 1, 1, 1) if any(own) else None


def _near(cover: torch.Tensor, sigma_px: float) -> torch.Tensor:
    """Cover averaged over the neighbourhood."""
    return blur(cover, [CaptureSpec(seed=0, blur_sigma_px=sigma_px)] * len(cover))


def _feathered(things: torch.Tensor, layer: PhotoLayer) -> torch.Tensor:
    """Premultiplied colour and cover [B, 4, H, W] whose rims fade where the blending says so."""
    chosen = _chosen(layer, "feathered", things.device)
    if chosen is None:
        return things
    # At a straight rim five eighths are left, a pixel inside it nearly all; so a limb of three pixels keeps its middle.
    kept = (_near(things[:, 3:].clamp(0, 1), _FEATHER_PX) * 1.25).clamp_(0, 1)
    return things * (1 - chosen * (1 - kept))


def _sharpened(
    coded: torch.Tensor, cover: torch.Tensor, layer: PhotoLayer, captures: Sequence[CaptureSpec]
) -> torch.Tensor:
    """Codes [B, 3, H, W] with overshoot about drawn things where the blending says so; elsewhere the photograph has its own."""
    chosen = _chosen(layer, "sharpened", coded.device)
    if chosen is None:
        return coded
    amount = torch.tensor([0.4 + 0.8 * c.sharpening for c in captures], device=coded.device).view(-1, 1, 1, 1)
    wide = _near(torch.cat([coded, cover], 1), _HALO_PX)
    near = (wide[:, 3:] * 4).clamp_(0, 1)
    return coded + chosen * amount * near * (coded - wide[:, :3])


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
    levels = [0.0 if look.blending == "none" else 255 * look.noise for look in layer.looks]
    level = torch.tensor(levels, device=cover.device).view(-1, 1, 1, 1)
    return grain * level * cover.sqrt()
