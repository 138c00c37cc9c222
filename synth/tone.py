"""From linear colour to eight bits as cameras do it: tone curve, noise reduction, sharpening, saturation; and back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F

from synth.capture import CaptureSpec
from synth.light import scalars

# Luma of encoded R'G'B' (ITU-R BT.601, as JFIF uses it).
LUMA = (0.299, 0.587, 0.114)
# Steps of a tone table: fine enough that the steepest part (slope 13 at black) stays within a quarter grey level.
_STEPS = 16384

# (contrast, lift, brightness): see tone_curve. Chosen by eye against photographs (common practice, no source).
_TONES = {
    "srgb": (0.0, 0.0, 1.0),
    "soft": (0.25, 0.01, 1.1),
    "contrasty": (0.8, 0.0, 1.25),
    "deep": (0.5, -0.02, 0.95),
    "flat": (-0.25, 0.03, 1.0),
}


def srgb_from_linear(linear: np.ndarray) -> np.ndarray:
    """Encoded 0..1 from linear 0..1 (IEC 61966-2-1:1999)."""
    c = np.asarray(linear, dtype=np.float64)
    return np.where(c <= 0.0031308, 12.92 * c, 1.055 * np.power(np.maximum(c, 0.0031308), 1 / 2.4) - 0.055)


def linear_from_srgb(encoded: np.ndarray) -> np.ndarray:
    """Linear 0..1 from encoded 0..1 (IEC 61966-2-1:1999)."""
    c = np.asarray(encoded, dtype=np.float64)
    return np.where(c <= 0.04045, c / 12.92, np.power((np.maximum(c, 0.04045) + 0.055) / 1.055, 2.4))


@lru_cache(maxsize=1)
def _linear_table() -> np.ndarray:
    return linear_from_srgb(np.arange(256) / 255).astype(np.float32)


def linear_from_pixels(pixels: torch.Tensor) -> torch.Tensor:
    """Linear float32 of encoded uint8 pixels, any shape."""
    table = torch.from_numpy(_linear_table()).to(pixels.device)
    return table.index_select(0, pixels.reshape(-1).int()).view(pixels.shape)


def tone_curve(name: str, linear: np.ndarray) -> np.ndarray:
    """Encoded 0..1 from linear 0..1 under a named tone; monotone, 0 to about 0 and 1 to 1."""
    contrast, lift, brightness = _TONES[name]
    bright = 1 - (1 - np.clip(linear, 0, 1)) ** brightness
    v = srgb_from_linear(bright)
    middle = v * v * (3 - 2 * v)
    v = v + contrast * 0.5 * (middle - v)
    return np.clip(lift * (1 - v) + v, 0, 1)


@lru_cache(maxsize=8)
def _tone_table(name: str) -> np.ndarray:
    return (255 * tone_curve(name, np.arange(_STEPS) / (_STEPS - 1))).astype(np.float32)


def encode(rgb: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """Tone curve of every capture on linear [B, 3, H, W]: code values 0..255, float32, not yet rounded."""
    index = (rgb * (_STEPS - 1)).add_(0.5).clamp_(0, _STEPS - 1).int()
    if len(captures) > 1:
        index += torch.arange(len(captures), device=rgb.device, dtype=torch.int32).view(-1, 1, 1, 1) * _STEPS
    table = torch.from_numpy(np.concatenate([_tone_table(c.tone) for c in captures])).to(rgb.device)
    return table.index_select(0, index.reshape(-1)).view(rgb.shape)


def encoded_noise(capture: CaptureSpec) -> float:
    """About the standard deviation of the encoded signal at a mid-grey (18 % of a white board) of one capture."""
    level = max(0.18 * capture.exposure, 1e-3)
    deviation = math.sqrt(level * capture.full_well_e + capture.read_noise_e**2) / capture.full_well_e
    slope = float(srgb_from_linear(np.array(level * 1.05)) - srgb_from_linear(np.array(level * 0.95))) / (0.1 * level)
    return deviation * slope


def finish(rgb: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """uint8 [B, 3, H, W] from demosaiced linear [B, 3, H, W]."""
    coded = encode(rgb, captures)
    if any(c.noise_reduction > 0 or c.sharpening > 0 or c.saturation != 1 for c in captures):
        coded = adjust_detail(coded, captures)
    return coded.add_(0.5).clamp_(0, 255).to(torch.uint8)


def adjust_detail(coded: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """Noise reduction, sharpening and saturation on code values [B, 3, H, W] (changed in place and returned).

    Luma is split into a smooth part and detail; detail below the noise is shrunk, the rest is raised. Colour differences
    are scaled by the saturation.
    """
    y = coded[:, 0:1] * LUMA[0]
    y.add_(coded[:, 1:2], alpha=LUMA[1]).add_(coded[:, 2:3], alpha=LUMA[2])
    smooth = _binomial(y)
    detail = y - smooth
    if any(c.noise_reduction > 0 for c in captures):
        floor = [(2.5 * c.noise_reduction * 255 * encoded_noise(c)) ** 2 + 1e-6 for c in captures]
        power = detail.square()
        detail *= power / (power + torch.tensor(floor, dtype=y.dtype, device=y.device).view(-1, 1, 1, 1))
    saturation = scalars(captures, "saturation", y)
    smooth.addcmul_(detail, 1 + scalars(captures, "sharpening", y)).addcmul_(y, saturation, value=-1)
    return coded.mul_(saturation).add_(smooth)


def _binomial(y: torch.Tensor) -> torch.Tensor:
    """Images [B, 1, H, W] smoothed by (1 4 6 4 1) / 16 both ways."""
    h, w = y.shape[-2:]
    padded = F.pad(y, (2, 2, 2, 2), mode="replicate")
    rows = (padded[:, :, 0:h] + padded[:, :, 4 : h + 4]).add_(padded[:, :, 1 : h + 1], alpha=4)
    rows.add_(padded[:, :, 3 : h + 3], alpha=4).add_(padded[:, :, 2 : h + 2], alpha=6)
    out = (rows[..., 0:w] + rows[..., 4 : w + 4]).add_(rows[..., 1 : w + 1], alpha=4)
    out.add_(rows[..., 3 : w + 3], alpha=4).add_(rows[..., 2 : w + 2], alpha=6)
    return out.mul_(1 / 256)
