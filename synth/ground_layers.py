"""One layer of a ground: its cover, the colour of its material, and its joints, from codes of its tile."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import torch
from numpy.typing import NDArray

from synth.ground_layout import RAGGED_DEVIATIONS
from synth.ground_spec import GroundSpec, Joints, Layer
from synth.ground_tiles import MIX_OFFSET, MIX_SCALE, RELIEF_SCALE, TONE_SCALE


class LayerNumbers:
    """Constants of the layers of a batch: ``at(k)`` gives those of level k by name, [b, 1, 1, 1] (colours [b, 3, 1, 1])."""

    def __init__(self, specs: Sequence[GroundSpec], levels: Sequence[Sequence[Layer]], device: torch.device) -> None:
        rows = [_given(layer, spec) for layers in levels for layer, spec in zip(layers, specs)]
        table = torch.from_numpy(_numbers(np.array(rows))).to(device)
        self._levels = table[:, :, None, None, None].split([len(layers) for layers in levels])

    def at(self, k: int) -> dict[str, torch.Tensor]:
        """Numbers of level ``k``."""
        table = self._levels[k]
        found = dict(zip(_NUMBER_NAMES, table.unbind(1), strict=False))
        n = len(_NUMBER_NAMES)
        found["colour"], found["change"] = table[:, n : n + 3, 0], table[:, n + 3 : n + 6, 0]
        return found


def _given(layer: Layer, spec: GroundSpec) -> tuple[float, ...]:
    """What a layer and its ground say, one after the other."""
    mask, within = layer.mask, layer.within
    return (
        layer.tone,
        layer.relief,
        layer.mix_shift,
        layer.mix_blotch,
        spec.blotch,
        layer.soft_m,
        layer.ragged_m,
        layer.opacity,
        mask.folds,
        mask.size_m[0],
        layer.height_m,
        layer.drawn,
        -1.0 if within is None else within,
        spec.gsd_m,
        *layer.colour,
        *layer.other,
    )


def _numbers(given: NDArray[np.float64]) -> NDArray[np.float32]:
    """Columns of ``_NUMBER_NAMES``, then colour and change of colour, of rows of :func:`_given`."""
    (
        tone,
        relief,
        shift,
        blotch_mix,
        blotch,
        soft_m,
        ragged_m,
        opacity,
        folds,
        half_m,
        height_m,
        drawn,
        within,
        gsd_m,
    ) = given[:, :14].T
    soft_px = np.maximum(soft_m / gsd_m, 1.0)
    colour, other = given[:, 14:17], given[:, 17:20]
    columns = [
        tone * TONE_SCALE,
        relief * RELIEF_SCALE,
        np.full(len(given), MIX_SCALE),
        MIX_OFFSET + shift,
        blotch_mix,
        blotch,
        1 / soft_px,
        ragged_m / gsd_m / soft_px * TONE_SCALE / _TONE_DEVIATION,
        opacity,
        folds,
        half_m / gsd_m,
        height_m > 0,
        drawn,
        within,
    ]
    return np.concatenate([np.stack(columns, 1), colour, other - colour], 1).astype(np.float32)


_NUMBER_NAMES: tuple[str, ...] = (
    "tone",
    "relief",
    "mix",
    "mix_at",
    "mix_drift",
    "blotch",
    "steepness",
    "ragged",
    "opacity",
    "folds",
    "half_width_px",
    "raised",
    "drawn",
    "within",
)
# Deviation of a tile's tone at which ``ragged_m`` is counted.
_TONE_DEVIATION = 0.15
_RAGGED_CODE = RAGGED_DEVIATIONS * _TONE_DEVIATION / TONE_SCALE


def layer_cover(
    field: torch.Tensor,
    tone: torch.Tensor,
    layers: Sequence[Layer],
    numbers: dict[str, torch.Tensor],
    covers: dict[int, torch.Tensor],
) -> torch.Tensor:
    """Share 0..1 of each pixel that the layer covers: [B, 1, h, w]."""
    if any(layer.mask.folds for layer in layers):
        field = torch.where(numbers["folds"] > 0, numbers["half_width_px"] - field.abs(), field)
    cover = field * numbers["steepness"]
    if any(layer.ragged_m for layer in layers):
        cover.addcmul_(tone.clamp(-_RAGGED_CODE, _RAGGED_CODE), numbers["ragged"])
    cover.add_(0.5).clamp_(0, 1)
    if any(layer.opacity < 1 for layer in layers):
        cover *= numbers["opacity"]
    for k, limit in covers.items():
        bounded = [layer.within == k for layer in layers]
        if all(bounded):
            cover *= limit
        elif any(bounded):
            cover = torch.where(numbers["within"] == k, cover * limit, cover)
    return cover


def layer_colour(
    tone: torch.Tensor,
    mix: torch.Tensor,
    brightness: torch.Tensor,
    drift: torch.Tensor,
    numbers: dict[str, torch.Tensor],
    out: torch.Tensor | None,
) -> torch.Tensor:
    """Reflectance [B, 3, h, w] of a layer's material, in ``out`` if given."""
    # Written so that each call has one operand that is a number at most: with two it is several times slower on a CPU.
    share = (drift * numbers["mix_drift"]).addcmul_(mix, numbers["mix"]).add_(numbers["mix_at"]).clamp_(-0.1, 1.2)
    level = (brightness * numbers["blotch"]).addcmul_(tone, numbers["tone"]).add_(1).clamp_(min=0.12)
    return torch.mul(share, numbers["change"], out=out).add_(numbers["colour"]).mul_(level)


def draw_joints(
    colour: torch.Tensor,
    layers: Sequence[Layer],
    specs: Sequence[GroundSpec],
    x: torch.Tensor,
    y: torch.Tensor,
) -> None:
    """Darken the joints of paved layers in place; ``x`` and ``y`` are pixels of the ground, [h, w] together."""
    paved = [(b, layer.joints, spec) for b, (layer, spec) in enumerate(zip(layers, specs)) if layer.joints is not None]
    numbers = [number for _, joints, spec in paved for number in _joint_numbers(joints, spec.gsd_m)]
    table = torch.tensor(numbers, device=colour.device).view(len(paved), 2, 6, 1, 1)
    cos, sin, period, reach, most, depth = table.unbind(2)
    distance = x * cos + y * sin
    off = distance.sub_(torch.round(distance / period).mul_(period)).abs_()
    # Cover of a thin line by a pixel: its width where it is thinner than one.
    line = torch.minimum((reach - off).clamp_(min=0), most).amax(1, keepdim=True)
    kept = 1 - line * depth[:, :1]
    if len(paved) == len(layers):
        colour.mul_(kept)
        return
    which = torch.tensor([b for b, *_ in paved], device=colour.device)
    colour.index_copy_(0, which, colour.index_select(0, which).mul_(kept))


def _joint_numbers(joints: Joints, gsd_m: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Numbers of the two sets of lines in pixels: direction across (x, y), period, where cover ends, most cover, depth."""
    c, s, half = math.cos(joints.angle), math.sin(joints.angle), joints.width_m / gsd_m / 2
    rows = []
    for across, period_m in (((c, s), joints.period_m[0]), ((-s, c), joints.period_m[1])):
        there = period_m > 0
        period = period_m / gsd_m if there else 1.0
        rows.append((*across, period, half + 0.5, min(1.0, 2 * half) if there else 0.0, joints.depth))
    return rows[0], rows[1]
