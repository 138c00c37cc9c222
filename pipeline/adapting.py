"""Batch normalisation re-estimated on the photographs of the day, without labels and in memory only.

A network's running means and variances describe the pictures that it was trained on; another camera, light or season
shifts them. Mixing them with those of a few dozen unlabelled photographs brings back part of what is lost (Schneider et al.,
Improving robustness against common corruptions by covariate shift adaptation, NeurIPS 2020, eq. 1): the training's
statistics count as much as PRIOR_PHOTOGRAPHS photographs, the new ones as many as there are.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence

import numpy as np
import torch
from torch import Tensor, nn

from mission.errors import must
from pipeline.detector import HeatMapDetector, as_network_input
from pipeline.frames_to_read import FrameToRead, load_frame

# Schneider et al. find 8 to 128 best, depending on how many pictures there are; 16 is theirs for few.
PRIOR_PHOTOGRAPHS = 16
LEAST_PHOTOGRAPHS, MOST_PHOTOGRAPHS = 5, 50
WINDOWS_PER_PHOTOGRAPH, WINDOW_PX, LEAST_WINDOW_PX = 4, 320, 64


def windows_of(frames: Sequence[FrameToRead], count: int) -> Tensor:
    """Square windows uint8 [4 * count, 3, S, S] at random places of ``count`` photographs spread over the flight."""
    if not LEAST_PHOTOGRAPHS <= count <= MOST_PHOTOGRAPHS:
        raise must("adapt", f"lie in {LEAST_PHOTOGRAPHS}..{MOST_PHOTOGRAPHS} photographs", count)
    if count > len(frames):
        raise must("adapt", f"be no more than the {len(frames)} photographs to read", count)
    chosen = [frames[i] for i in np.linspace(0, len(frames) - 1, count).round().astype(int)]
    side = min(WINDOW_PX, *(min(frame.width_px, frame.height_px) for frame in chosen))
    if side < LEAST_WINDOW_PX:
        raise must("photographs to adapt to", f"be {LEAST_WINDOW_PX} px or more on each side", f"{side} px")
    rng, windows = np.random.default_rng(0), []
    for frame in chosen:
        pixels = load_frame(frame)
        for _ in range(WINDOWS_PER_PHOTOGRAPH):
            y, x = (int(rng.integers(0, length - side + 1)) for length in pixels.shape[:2])
            windows.append(torch.from_numpy(pixels[y : y + side, x : x + side].copy()).permute(2, 0, 1))
    return torch.stack(windows)


@torch.no_grad()
def with_statistics_of(
    network: nn.Module, windows: Tensor, photographs: int, prior: float = PRIOR_PHOTOGRAPHS
) -> nn.Module:
    """A copy of a detector whose batch statistics are mixed with those of the windows; nothing else of it changes."""
    if not isinstance(network, HeatMapDetector):
        raise must("detector to adapt", "be of the kind heat-map", type(network).__name__)
    adapted = copy.deepcopy(network).eval()
    norms = [module for module in adapted.modules() if isinstance(module, nn.BatchNorm2d)]
    trained = [(_statistic(norm.running_mean).clone(), _statistic(norm.running_var).clone()) for norm in norms]
    momenta = [norm.momentum for norm in norms]
    for norm in norms:
        # With a momentum of 1 one pass leaves the statistics of exactly these pictures, each layer's input adapted already.
        norm.momentum = 1.0
        norm.train()
    device = next(adapted.parameters()).device
    adapted(as_network_input(windows.to(device), adapted.shrink))
    share = photographs / (prior + photographs)
    for norm, (mean, variance), momentum in zip(norms, trained, momenta, strict=True):
        norm.running_mean = mean.lerp(_statistic(norm.running_mean), share)
        norm.running_var = variance.lerp(_statistic(norm.running_var), share)
        norm.momentum = momentum
    return adapted.eval()


def _statistic(value: Tensor | None) -> Tensor:
    assert value is not None
    return value
