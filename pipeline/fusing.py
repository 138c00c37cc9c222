"""Batch normalisation folded into the convolution before it: the same numbers with fewer passes over the pixels."""

from __future__ import annotations

import copy

from torch import nn
from torch.nn.utils.fusion import fuse_conv_bn_eval


def fused_for_inference(network: nn.Module) -> nn.Module:
    """A copy of ``network`` in evaluation mode in which each convolution directly followed by a batch norm is one layer.

    Follows nn.Sequential children, and attribute pairs declared as ``fusible = (("convolution", "norm"), ...)``.
    """
    out = copy.deepcopy(network).eval()
    for module in out.modules():
        pairs: list[tuple[str, str]] = list(getattr(module, "fusible", ()))
        if isinstance(module, nn.Sequential):
            names = list(module._modules)
            pairs += zip(names, names[1:], strict=False)
        for first, second in pairs:
            layer, norm = module._modules.get(first), module._modules.get(second)
            if isinstance(layer, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d):
                module._modules[first] = fuse_conv_bn_eval(layer, norm)
                module._modules[second] = nn.Identity()
    return out
