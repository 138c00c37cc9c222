"""What the lens and the flight do to the picture before the sensor samples it: blur, motion smear, vignetting.

Radiance arrives as averages over pixel squares (the renderer anti-aliases by area), so the pixel aperture is already in
it; here come the lens, as a Gaussian of ``blur_sigma_px``, and the smear, a line of length |smear_px|. Both are one small
kernel per capture, fitted in the frequency domain to the closed forms

    lens    exp(-2 (pi sigma f)^2)          smear    sinc(a f)

(J. Goodman, Introduction to Fourier Optics; citation from memory), split into few separable terms.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F

from synth.capture import CaptureSpec

# Frequencies above this share of the sampling rate hardly matter and are fitted loosely.
_FITTED_TO = 0.45
# Separable terms weaker than this share of the whole are dropped.
_RANK_TOLERANCE = 0.008
# Smear across the main direction that is too short to see.
_ALONG_AN_AXIS_PX = 0.12


def lens_mtf(f: np.ndarray, sigma_px: float) -> np.ndarray:
    """MTF of a Gaussian blur at ``f`` cycles per pixel."""
    return np.exp(-2 * (math.pi * sigma_px * f) ** 2)


def smear_mtf(fx: np.ndarray, fy: np.ndarray, smear_px: tuple[float, float]) -> np.ndarray:
    """MTF of linear motion by (x, y) pixels during the exposure, at ``fx``, ``fy`` cycles per pixel."""
    return np.sinc(fx * smear_px[0] + fy * smear_px[1])


def kernel_radius_px(capture: CaptureSpec) -> int:
    """Radius of the kernel that :func:`kernel_terms` fits for a capture."""
    reach = 2.6 * capture.blur_sigma_px + 0.5 * math.hypot(*capture.smear_px)
    return 0 if reach < 0.05 else min(max(2, math.ceil(reach - 0.25)), 12)


@dataclass(frozen=True)
class KernelTerms:
    """Separable kernels [R, 2 * radius + 1]: the blur is the sum over R of ``down`` (along y) times ``across`` (along x)."""

    down: np.ndarray
    across: np.ndarray

    @property
    def radius_px(self) -> int:
        """Taps on each side of the middle one."""
        return self.down.shape[1] // 2


def kernel_terms(capture: CaptureSpec) -> KernelTerms:
    """Lens and smear of one capture as few separable terms, each at least one tap long."""
    sigma, smear = (
        round(capture.blur_sigma_px, 4),
        (round(capture.smear_px[0], 4), round(capture.smear_px[1], 4)),
    )
    return _kernel_terms(sigma, smear, kernel_radius_px(capture))


@lru_cache(maxsize=256)
def _kernel_terms(sigma_px: float, smear_px: tuple[float, float], radius: int) -> KernelTerms:
    if radius == 0:
        return KernelTerms(np.ones((1, 1)), np.ones((1, 1)))
    if min(abs(smear_px[0]), abs(smear_px[1])) < _ALONG_AN_AXIS_PX:
        across, down = (_fit_line(sigma_px, smear, radius) for smear in smear_px)
        return KernelTerms(down[None], across[None])
    fx, fy, solve = _solver(radius)
    half = solve @ (lens_mtf(np.hypot(fx, fy), sigma_px) * smear_mtf(fx, fy, smear_px))
    size = 2 * radius + 1
    kernel = np.concatenate([half[:0:-1], half]).reshape(size, size)
    u, s, vt = np.linalg.svd(kernel)
    rank = max(1, int((s > _RANK_TOLERANCE * s[0]).sum()))
    down, across = u[:, :rank].T * s[:rank, None], vt[:rank]
    return KernelTerms(down / (down.sum(1) @ across.sum(1)), across)


def _fit_line(sigma_px: float, smear_px: float, radius: int) -> np.ndarray:
    """Symmetric taps [2 * radius + 1] along one axis, adding up to 1."""
    f = np.linspace(0, 0.5, 101)
    k = np.arange(radius + 1)
    basis = np.cos(2 * math.pi * f[:, None] * k) * np.where(k == 0, 1, 2)
    weight = np.where(f <= _FITTED_TO, 1.0, 0.2)[:, None]
    weight[0] = 100.0
    target = lens_mtf(f, sigma_px) * smear_mtf(f, 0 * f, (smear_px, 0.0))
    damping = 1e-3 * np.diag(1.0 + k * k)
    scaled = basis * weight
    half = np.linalg.solve(scaled.T @ scaled + damping, (scaled * weight).T @ target)
    taps = np.concatenate([half[:0:-1], half])
    return taps / taps.sum()


@lru_cache(maxsize=16)
def _solver(radius: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frequencies [F] and the least-squares solver [taps of half a symmetric kernel, F] for one radius."""
    steps = max(12, 2 * radius + 4)
    f = np.linspace(-0.5, 0.5, 2 * steps + 1)
    fx, fy = (grid.ravel() for grid in np.meshgrid(f, f[steps:]))
    offsets = [(0, x) for x in range(radius + 1)]
    offsets += [(y, x) for y in range(1, radius + 1) for x in range(-radius, radius + 1)]
    basis = np.stack([np.cos(2 * math.pi * (fx * x + fy * y)) * (1 if (y, x) == (0, 0) else 2) for y, x in offsets], 1)
    weight = np.where(np.hypot(fx, fy) <= _FITTED_TO, 1.0, 0.25)
    weight[(np.abs(fx) < 1e-9) & (np.abs(fy) < 1e-9)] = 100.0
    # A little damping keeps far taps small where the target does not ask for them.
    scaled = basis * weight[:, None]
    damping = 1e-3 * np.diag([1 + y * y + x * x for y, x in offsets])
    return fx, fy, np.linalg.solve(scaled.T @ scaled + damping, (scaled * weight[:, None]).T)


@dataclass(frozen=True)
class LensBatch:
    """Kernels of a batch, padded to one size: ``down`` and ``across`` [B, R, T] on the device of the images."""

    down: torch.Tensor
    across: torch.Tensor

    @property
    def radius_px(self) -> int:
        """Taps on each side of the middle one."""
        return self.down.shape[2] // 2


def lens_batch(captures: Sequence[CaptureSpec], like: torch.Tensor, scale: Sequence[float] | None = None) -> LensBatch:
    """Kernels of all captures as tensors beside ``like``, those along y times ``scale`` [B]."""
    terms = [kernel_terms(capture) for capture in captures]
    rank, radius = max(len(t.down) for t in terms), max(t.radius_px for t in terms)
    down, across = np.zeros((2, len(terms), rank, 2 * radius + 1), np.float32)
    for i, t in enumerate(terms):
        middle = slice(radius - t.radius_px, radius + t.radius_px + 1)
        down[i, : len(t.down), middle] = t.down if scale is None else t.down * scale[i]
        across[i, : len(t.across), middle] = t.across
    return LensBatch(torch.from_numpy(down).to(like.device), torch.from_numpy(across).to(like.device))


def blur(image: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """Lens and smear on images [B, C, H, W] (borders continue as their last pixel)."""
    lens = lens_batch(captures, image)
    r = lens.radius_px
    if r == 0:
        return image
    padded = F.pad(image, (r, r, r, r), mode="replicate")
    h, w = image.shape[-2:]
    out = torch.zeros_like(image)
    for k in range(lens.down.shape[1]):
        rows = weighted_sum([padded[:, :, t : t + h] for t in range(2 * r + 1)], lens.down[:, k])
        out += weighted_sum([rows[..., t : t + w] for t in range(2 * r + 1)], lens.across[:, k])
    return out


def weighted_sum(parts: Sequence[torch.Tensor], weights: torch.Tensor) -> torch.Tensor:
    """Sum of parts [B, ...] times ``weights`` [B, number of parts]; one pass of memory a part."""
    shape = (-1,) + (1,) * (parts[0].dim() - 1)
    total = parts[0] * weights[:, 0].view(shape)
    for t in range(1, len(parts)):
        total.addcmul_(parts[t], weights[:, t].view(shape))
    return total


def vignette(
    captures: Sequence[CaptureSpec],
    like: torch.Tensor,
    first_row: int = 0,
    frame_size_px: tuple[int, int] | None = None,
) -> torch.Tensor:
    """Light that the lens passes, 1 at the axis: [B, 1, H, W] of a window of a frame, [B, 1, 1, 1] for chips.

    ``frame_size_px`` (height, width) of the whole frame; ``first_row`` the window's first row in it. The fall-off goes
    with the square of the distance from the axis (common practice, no source; cos^4 is its start).
    """
    loss = torch.tensor([c.vignetting for c in captures], dtype=like.dtype, device=like.device).view(-1, 1, 1, 1)
    if frame_size_px is None:
        off_axis = torch.tensor([c.off_axis for c in captures], dtype=like.dtype, device=like.device)
        return 1 - loss * off_axis.view(-1, 1, 1, 1) ** 2
    height, width = frame_size_px
    y = torch.arange(first_row, first_row + like.shape[-2], device=like.device, dtype=like.dtype) + 0.5 - height / 2
    x = torch.arange(like.shape[-1], device=like.device, dtype=like.dtype) + 0.5 - width / 2
    corner = (height / 2) ** 2 + (width / 2) ** 2
    return 1 - loss * (y.square()[:, None] + x.square()) / corner
