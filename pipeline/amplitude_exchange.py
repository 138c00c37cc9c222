"""Amplitude exchange: drawn chips take on the broad tones of real photographs and keep their own content.

The lowest frequencies of a picture's Fourier amplitude are its light, haze and colour cast, the phase is what is in it.
Exchanging the former between a drawn and a real picture makes the drawn one look like that camera's and that day's (Yang &
Soatto, FDA: Fourier Domain Adaptation for Semantic Segmentation, CVPR 2020, eq. 2-3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from synth.chips import ChipBatch

# Half width of the exchanged square of frequencies as a share of the picture's side (beta of the paper, its smallest: more
# leaves rings around what is in the picture).
BAND_SHARE = 0.01


def exchange_amplitudes(images: Tensor, real: Tensor, band_share: float = BAND_SHARE) -> Tensor:
    """Float pictures [B, 3, S, S] in 0..255 with the low-frequency amplitudes of ``real`` of the same shape."""
    side = images.shape[-1]
    half = int(band_share * side)
    own, other = torch.fft.fft2(images.float()), torch.fft.fft2(real.float())
    frequency = torch.fft.fftfreq(side, 1 / side, device=images.device).abs()
    low = (frequency[:, None] <= half) & (frequency[None, :] <= half)
    amplitude = torch.where(low, other.abs(), own.abs())
    return torch.fft.ifft2(torch.polar(amplitude, own.angle())).real.clamp(0.0, 255.0)


@dataclass(frozen=True)
class AmplitudeExchange:
    """``real`` uint8 [K, 3, S, S]: photographs whose broad tones ``share`` of the drawn chips take on."""

    real: Tensor
    share: float
    seed: int

    def __call__(self, fresh: ChipBatch, number: int) -> ChipBatch:
        """Batch ``number`` of the drawn chips, some of them with exchanged amplitudes."""
        rng = np.random.default_rng([self.seed, number])
        place = torch.from_numpy(np.flatnonzero(rng.random(len(fresh.image)) < self.share))
        if len(place):
            real = self.real[torch.from_numpy(rng.integers(0, len(self.real), len(place)))]
            changed = exchange_amplitudes(fresh.image[place], real.to(fresh.image.device))
            fresh.image[place] = changed.round().to(torch.uint8)
        return fresh
