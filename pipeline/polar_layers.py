"""Layers on polar maps [N, channels, R, A] (see pipeline.crops): convolutions whose directions close to a ring.

Whatever is made of them alone turns with its input: a turn of the panel is a shift along A.
"""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import Tensor, nn

from pipeline.crops import PLANES


def around(x: Tensor, before: int, after: int) -> Tensor:
    """The map [N, C, R, A] or [N, C, A] with its last axis closed to a ring."""
    return torch.cat([x[..., x.shape[-1] - before :], x, x[..., :after]], -1)


def exact_colours(values: Tensor) -> torch.autocast:
    """No 16-bit arithmetic within: its eight bits of fraction would round 8-bit colours that differ by a shade to one."""
    return torch.autocast(values.device.type, enabled=False)


class RingConvolution(nn.Module):
    """3 x 3 convolution, batch normalisation, ReLU on polar maps; directions close around, rings end with zeros."""

    fusible = (("layer", "normalise"),)

    def __init__(self, n_in: int, n_out: int, stride: tuple[int, int] = (1, 1)) -> None:
        super().__init__()
        self.layer = nn.Conv2d(n_in, n_out, 3, stride, padding=(1, 0), bias=False)
        self.normalise = nn.BatchNorm2d(n_out)

    def forward(self, x: Tensor) -> Tensor:
        return F.relu(self.normalise(self.layer(around(x, 1, 1))), inplace=True)


class RingBlock(nn.Module):
    """A residual block (He et al., CVPR 2016) of two ring convolutions; it begins as the identity."""

    fusible = (("layer", "normalise"),)

    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = RingConvolution(width, width)
        self.layer = nn.Conv2d(width, width, 3, padding=(1, 0), bias=False)
        self.normalise = nn.BatchNorm2d(width)
        nn.init.zeros_(self.normalise.weight)

    def forward(self, x: Tensor) -> Tensor:
        return F.relu(x + self.normalise(self.layer(around(self.first(x), 1, 1))))


class TurnedClasses(nn.Module):
    """Logits [N, classes, A] of each class at each turn, by one template per class that is shifted around the ring."""

    fusible = (("collapse", "normalise"),)

    def __init__(self, rows: int, n_in: int, width: int, classes: int, directions: int) -> None:
        super().__init__()
        self.collapse = nn.Conv2d(n_in, width, (rows, 1), bias=False)
        self.normalise = nn.BatchNorm2d(width)
        self.templates = nn.Conv1d(width, classes, directions)
        self.directions = directions

    def forward(self, x: Tensor) -> Tensor:
        x = F.relu(self.normalise(self.collapse(x)), inplace=True)[:, :, 0]
        x = F.dropout(x, 0.1, self.training)
        half = self.directions // 2
        return self.templates(around(x, half, self.directions - half - 1))


class Trunk(nn.Module):
    """Polar planes [N, 6, R, A] -> a half-size map [N, second, R/2, A/2] and a deep one [N, third, R/4, A/2].

    Colours are judged on the half-size map: a trunk of their own ends there (and gives it twice). ``blocks``: residual blocks
    on the deep map.
    """

    def __init__(self, widths: tuple[int, int, int], deep: bool = True, blocks: int = 0) -> None:
        super().__init__()
        first, second, third = widths
        self.enter = RingConvolution(PLANES, first)
        self.narrow = RingConvolution(first, second, (2, 2))
        self.middle = RingConvolution(second, second)
        self.deep = RingConvolution(second, third, (2, 1)) if deep else nn.Identity()
        self.blocks = nn.Sequential(*(RingBlock(third) for _ in range(blocks if deep else 0)))

    def forward(self, planes: Tensor) -> tuple[Tensor, Tensor]:
        half = self.middle(self.narrow(self.enter(planes)))
        return half, self.blocks(self.deep(half))
