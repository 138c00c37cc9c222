"""From linear colour to eight bits as cameras do it: tone curve, noise reduction, sharpening, saturation; and back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F

from synth.capture import CaptureSpec
from synth.light import beside, scalars
from synth.mosaic import convolved, interleaved, phases_of

# Luma of encoded R'G'B' (ITU-R BT.601, as JFIF uses it).
LUMA = (0.299, 0.587, 0.114)
# Steps of a tone table: fine enough that the steepest part (slope 13 at black) stays within a quarter grey level.
_STEPS = 16384
#: Step of linear 1.
WHITE_STEP = _STEPS - 1

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


@lru_cache(maxsize=4)
def _tone_tables(device: torch.device) -> torch.Tensor:
    """Code values of the steps of all tones, one after the other: of the middle of each step, since what is looked up was cut
    off, but for white."""
    linear = np.minimum(np.arange(_STEPS) + 0.5, WHITE_STEP) / WHITE_STEP
    return torch.from_numpy(np.concatenate([255 * tone_curve(name, linear) for name in _TONES])).to(
        device, torch.float32
    )


def tone_steps(name: str) -> torch.Tensor:
    """Code values [WHITE_STEP + 1] of one tone on the CPU."""
    return _tone_tables(torch.device("cpu")).view(len(_TONES), _STEPS)[list(_TONES).index(name)]


def encode(rgb: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """Tone curve of every capture on linear [B, 3, H, W]: code values 0..255, float32, not yet rounded."""
    return encode_steps((rgb * WHITE_STEP).int(), captures)


def encode_steps(steps: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """:func:`encode` for linear values int32 [B, ...] in whole steps of 1 / WHITE_STEP (changed)."""
    steps.clamp_(0, WHITE_STEP)
    table, names = _tone_tables(steps.device), list(_TONES)
    first = [names.index(c.tone) * _STEPS for c in captures]
    if len(first) == 1:
        table = table[first[0] : first[0] + _STEPS]
    else:
        steps += torch.tensor(first, device=steps.device, dtype=torch.int32).view(-1, *(1,) * (steps.dim() - 1))
    return table.index_select(0, steps.reshape(-1)).view(steps.shape)


def encoded_noise(capture: CaptureSpec) -> float:
    """About the standard deviation of the encoded signal at a mid-grey (18 % of a white board) of one capture."""
    level = max(0.18 * capture.exposure, 1e-3)
    deviation = math.sqrt(level * capture.full_well_e + capture.read_noise_e**2) / capture.full_well_e
    return deviation * (_srgb(level * 1.05) - _srgb(level * 0.95)) / (0.1 * level)


def _srgb(linear: float) -> float:
    """:func:`srgb_from_linear` of one number."""
    return 12.92 * linear if linear <= 0.0031308 else 1.055 * linear ** (1 / 2.4) - 0.055


def finish(steps: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """Pixels int32 [B, 4, h, w] (red + 256 green + 65536 blue, 8 bits each) from demosaiced phases int32 [B, 3, 4, h, w] in
    steps of 1 / WHITE_STEP (changed)."""
    coded = encode_steps(steps, captures)
    if any(adjusts(c) for c in captures):
        coded = adjust_phases(coded, captures)
    red, green, blue = coded.clamp_(0, 255).round_().unbind(1)
    # Below 2^24 a float32 holds every whole number.
    return torch.add(red, green, alpha=256).add_(blue, alpha=65536).int()


def adjusts(capture: CaptureSpec) -> bool:
    """Whether a capture asks for noise reduction, sharpening or saturation."""
    return capture.noise_reduction > 0 or capture.sharpening > 0 or capture.saturation != 1


def noise_floor(capture: CaptureSpec) -> float:
    """Square of the detail, in code values, of which noise reduction leaves half."""
    return (2.5 * capture.noise_reduction * 255 * encoded_noise(capture)) ** 2 + 1e-6


def adjust_detail(coded: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """:func:`adjust_phases` for code values [B, 3, H, W] of even height and width."""
    return interleaved(adjust_phases(phases_of(coded), captures))


def adjust_phases(coded: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """Noise reduction, sharpening and saturation on code values in phases [B, 3, 4, h, w] (changed in place and returned).

    Luma is split into a smooth part and detail; detail below the noise is shrunk, the rest is raised. Colour differences
    are scaled by the saturation.
    """
    y = coded[:, 0] * LUMA[0]
    y.add_(coded[:, 1], alpha=LUMA[1]).add_(coded[:, 2], alpha=LUMA[2])
    smooth = convolved(F.pad(y, (1, 1, 1, 1), mode="replicate"), _binomial(y.dtype, y.device))
    detail = y - smooth
    if any(c.noise_reduction > 0 for c in captures):
        power = detail.square()
        detail *= power.div_(power + beside(y, [noise_floor(c) for c in captures]))
    saturation = scalars(captures, "saturation", y)
    smooth.addcmul_(detail, 1 + scalars(captures, "sharpening", y)).addcmul_(y, saturation, value=-1)
    return coded.mul_(saturation[:, None]).add_(smooth[:, None])


@lru_cache(maxsize=8)
def _binomial(dtype: torch.dtype, device: torch.device) -> torch.Tensor:
    """Weights [4, 4, 3, 3] that smooth phases as (1 4 6 4 1) / 16 both ways smooths the picture."""
    line = np.zeros((2, 2, 3))
    for phase in (0, 1):
        for step, share in zip(range(-2, 3), (1, 4, 6, 4, 1), strict=True):
            cell, other = divmod(phase + step, 2)
            line[phase, other, cell + 1] = share / 16
    weight = np.einsum("aby,cdx->acbdyx", line, line).reshape(4, 4, 3, 3)
    return torch.from_numpy(weight).to(device, dtype)
