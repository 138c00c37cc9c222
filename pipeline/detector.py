"""Our detector: residual convolutions, a top-down neck, one heat map per category and four distances.

Boxes are (x0, y0, x1, y1) in pixel-edge coordinates of the image (x right, y down; the top-left pixel covers [0, 1)).
The map cell (i, j) at stride s stands for the point ((j + 0.5) s, (i + 0.5) s). Heat maps learn with the
penalty-reduced focal loss of Law & Deng (CornerNet, ECCV 2018, eq. 1); boxes with the generalised IoU of Rezatofighi et
al. (CVPR 2019), around the centre with the weights of Liu et al. (Training-Time-Friendly Network, AAAI 2020).
The only suppression is a 3 x 3 maximum (Zhou, Wang & Kraehenbuehl, Objects as Points, 2019).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import torch
import torch.nn.functional as F
from torch import Tensor, nn

from mission.frame_set import SCORED_MIN_SIDE_PX, SCORED_MIN_VISIBLE
from mission.model_file import HeatMapSettings
from pipeline.chips import Boxes
from pipeline.exact_pooling import highest_around, means_of_squares
from pipeline.imagenet_trunk import STAGE_WIDTHS, hold_still, lite0_stages

MAX_DETECTIONS = 300
MIN_CONFIDENCE = 0.01
# Every detector sees (value - 114) / 57 of the 8-bit sRGB values: about zero mean and unit spread on daylight ground.
PIXEL_MEAN = 114.0
PIXEL_SPREAD = 57.0
# Distances are exp(output) times this, so that an untrained map starts at boxes of a middling panel.
DISTANCE_UNIT_PX = 16.0
# GIoU is a number below 2 while the heat loss starts near 10: without a weight boxes are learnt last (as Liu et al. 2020).
BOX_WEIGHT = 4.0
# Radius of the heat around a centre in shares of the box: Liu et al. 2020, sigma = 0.54 / 6 of each side.
HEAT_SIGMA = 0.09
# Boxes are learnt on a wider patch around the centre than heat is (measured: panel AP50 0.43 against 0.39 in equal time).
BOX_SIGMA = 0.20
# A cell learns an object's box where the bump of that width is above this.
NEAR = 0.1
PRIOR_HEAT = 0.01


@dataclass(frozen=True)
class Detections:
    """What a detector reports for one image, best first, in ordinary memory.

    box_px: float32 [K, 4] (x0, y0, x1, y1); score: float32 [K] in (0, 1); category: int64 [K].
    """

    box_px: Tensor
    score: Tensor
    category: Tensor


class DetectorNetwork(Protocol):
    """The small interface behind which any detector stands."""

    def losses(self, images: Tensor, objects: Boxes) -> dict[str, Tensor]:
        """Scalar losses to be summed, for uint8 images [B, 3, H, W] and the boxes drawn in them."""
        ...

    def detect(self, images: Tensor) -> list[Detections]:
        """Detections in each uint8 image [B, 3, H, W]: score >= 0.01, at most 300, best first."""
        ...


def as_network_input(images: Tensor, shrink: int = 1) -> Tensor:
    """[B, 3, H, W] in 0..255 -> float32, about zero mean and unit spread, channels last; means of shrink x shrink pixels.

    The size becomes ceil(H / shrink) x ceil(W / shrink).
    """
    values = means_of_squares(images, shrink) if shrink > 1 else images.float()
    return values.sub(PIXEL_MEAN).div_(PIXEL_SPREAD).contiguous(memory_format=torch.channels_last)


def convolution(n_in: int, n_out: int, side: int = 3, stride: int = 1) -> nn.Sequential:
    """Convolution, batch normalisation, ReLU; 'same' padding."""
    layer = nn.Conv2d(n_in, n_out, side, stride, padding=side // 2, bias=False)
    return nn.Sequential(layer, nn.BatchNorm2d(n_out), nn.ReLU(inplace=True))


class Residual(nn.Module):
    """Two 3 x 3 convolutions around which the input is carried (He et al. 2016)."""

    fusible = (("second", "normalise"),)

    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = convolution(width, width)
        self.second = nn.Conv2d(width, width, 3, padding=1, bias=False)
        self.normalise = nn.BatchNorm2d(width)
        # Each block starts as the identity: deeper stacks then train from the first step on.
        nn.init.zeros_(self.normalise.weight)

    def forward(self, x: Tensor) -> Tensor:
        return F.relu(x + self.normalise(self.second(self.first(x))), inplace=True)


class HeatMapDetector(nn.Module):
    """Fully convolutional; takes images of any size (padded inside to the coarsest stride)."""

    def __init__(self, settings: HeatMapSettings, categories: int = 2) -> None:
        super().__init__()
        self.trunk = settings.trunk
        widths, self.stages = _trunk(settings)
        self.still = hold_still(self.stages, settings.trunk_learning)
        neck = settings.neck_width
        self.stride_px = settings.output_stride_px
        self.coarsest_px = 2 ** len(widths)
        self.shrink = settings.shrink
        self.cell = settings.output_stride_px // settings.shrink  # stride of the finest level kept, in network pixels
        self.first_kept = {2: 0, 4: 1, 8: 2}[self.cell]
        self.categories = categories
        self.laterals = nn.ModuleList(nn.Conv2d(width, neck, 1) for width in widths[self.first_kept :])
        self.smooth = convolution(neck, neck)
        self.tower = convolution(neck, neck)
        self.heat = nn.Conv2d(neck, categories, 1)
        self.distance = nn.Conv2d(neck, 4, 1)
        # Start near "nothing anywhere", or the empty cells' loss swamps the first steps (Lin et al. 2017, sec. 3.3).
        nn.init.constant_(self.heat.bias, -torch.log(torch.tensor((1 - PRIOR_HEAT) / PRIOR_HEAT)).item())  # type: ignore[arg-type]
        nn.init.zeros_(self.distance.weight)
        nn.init.zeros_(self.distance.bias)  # type: ignore[arg-type]

    def train(self, mode: bool = True) -> HeatMapDetector:
        """As for any module, but what is held still keeps its statistics too."""
        super().train(mode)
        for stage in self.still:
            stage.eval()
        return self

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        """Network input [B, 3, H, W] -> heat logits [B, C, h, w] and distances l, t, r, b in image px [B, 4, h, w].

        h = ceil(H / cell), w = ceil(W / cell).
        """
        height, width = x.shape[-2:]
        pad_y, pad_x = -height % self.coarsest_px, -width % self.coarsest_px
        if pad_y or pad_x:
            x = F.pad(x, (0, pad_x, 0, pad_y), mode="replicate")
        kept = []
        for number, stage in enumerate(self.stages):
            x = stage(x)
            if number >= self.first_kept:
                kept.append(self.laterals[number - self.first_kept](x))
        merged = kept[-1]
        for finer in reversed(kept[:-1]):
            merged = finer + F.interpolate(merged, scale_factor=2.0, mode="nearest")
        merged = self.tower(self.smooth(F.relu(merged)))
        rows, columns = -(-height // self.cell), -(-width // self.cell)
        # Not in 16 bits: neighbours rounded to one and the same heat would both be peaks.
        with torch.autocast(merged.device.type, enabled=False):
            merged = merged.float()
            heat = self.heat(merged)[..., :rows, :columns]
            distance = self.distance(merged)[..., :rows, :columns].clamp(max=5.0).exp() * DISTANCE_UNIT_PX
        return heat, distance

    def losses(self, images: Tensor, objects: Boxes) -> dict[str, Tensor]:
        return self.losses_from(*self.inputs(images, objects))

    def inputs(self, images: Tensor, objects: Boxes) -> tuple[Tensor, ...]:
        """What the losses of images [B, 3, H, W] with these objects need: the images and the parts of their ``HeatTargets``."""
        rows, columns = (-(-side // self.stride_px) for side in images.shape[-2:])
        target = heat_targets(objects, (len(images), self.categories, rows, columns), self.stride_px)
        return images, target.heat, target.counted, target.box_px, target.box_weight, target.positives

    def losses_from(self, images: Tensor, *targets: Tensor) -> dict[str, Tensor]:
        """Scalar losses to be summed, from ``inputs``."""
        target = HeatTargets(*targets)
        heat, distance = self(as_network_input(images, self.shrink))
        return {
            "heat": focal_loss(heat, target),
            "box": BOX_WEIGHT * box_loss(distance, target, self.stride_px),
        }

    @torch.inference_mode()
    def detect(self, images: Tensor) -> list[Detections]:
        heat, distance = self(as_network_input(images, self.shrink))
        return decode(heat.sigmoid(), distance, self.stride_px, (images.shape[-1], images.shape[-2]))


def _trunk(settings: HeatMapSettings) -> tuple[tuple[int, ...], nn.ModuleList]:
    """Stages at strides 2, 4, 8, ... and the width of the map that each hands on."""
    if settings.trunk == "efficientnet-lite0":
        return STAGE_WIDTHS, lite0_stages(PIXEL_MEAN, PIXEL_SPREAD)
    stages, width_in = nn.ModuleList(), 3
    for width, blocks in zip(settings.stage_widths, settings.stage_blocks, strict=True):
        stages.append(nn.Sequential(convolution(width_in, width, stride=2), *(Residual(width) for _ in range(blocks))))
        width_in = width
    return settings.stage_widths, stages


@dataclass(frozen=True)
class HeatTargets:
    """heat [B, C, h, w] in 0..1; counted [B, C, h, w]: 0 where an object too small or too covered to be scored lies;
    box_px [B, 4, h, w] and box_weight [B, h, w] for the cells near a centre; positives []: number of objects (>= 1)."""

    heat: Tensor
    counted: Tensor
    box_px: Tensor
    box_weight: Tensor
    positives: Tensor


def is_scored(objects: Boxes) -> Tensor:
    """bool [N]: large and visible enough to count in any figure (and so to be learnt)."""
    side = (objects.box_px[:, 2:] - objects.box_px[:, :2]).amax(1)
    return (side >= SCORED_MIN_SIDE_PX) & (objects.visible >= SCORED_MIN_VISIBLE)


@dataclass(frozen=True)
class _Bumps:
    """What N objects mark along the axes of a map: heat and nearness (0..1) and whether a cell lies inside, each [N, w]
    along x and [N, h] along y; area [N] in px."""

    heat_x: Tensor
    heat_y: Tensor
    near_x: Tensor
    near_y: Tensor
    inside_x: Tensor
    inside_y: Tensor
    area: Tensor


def _bumps(box_px: Tensor, rows: int, columns: int, stride_px: int) -> _Bumps:
    x = (torch.arange(columns, device=box_px.device) + 0.5) * stride_px
    y = (torch.arange(rows, device=box_px.device) + 0.5) * stride_px
    x0, y0, x1, y1 = (v[:, None] for v in box_px.unbind(1))
    # The centre snaps to its cell, so that one cell per object holds exactly 1 (the positive of the focal loss).
    centre_x = (((x0 + x1) / 2 / stride_px).floor().clamp(0, columns - 1) + 0.5) * stride_px
    centre_y = (((y0 + y1) / 2 / stride_px).floor().clamp(0, rows - 1) + 0.5) * stride_px

    def bump(place: Tensor, centre: Tensor, side: Tensor, share: float) -> Tensor:
        return torch.exp(-0.5 * ((place - centre) / (side * share).clamp(min=stride_px / 3)) ** 2)

    return _Bumps(
        bump(x, centre_x, x1 - x0, HEAT_SIGMA), bump(y, centre_y, y1 - y0, HEAT_SIGMA),
        bump(x, centre_x, x1 - x0, BOX_SIGMA), bump(y, centre_y, y1 - y0, BOX_SIGMA),
        (x > x0) & (x < x1), (y > y0) & (y < y1), ((x1 - x0) * (y1 - y0))[:, 0],
    )  # fmt: skip


def heat_targets(objects: Boxes, shape: Sequence[int], stride_px: int) -> HeatTargets:
    """Draw the targets of one batch; shape is [B, C, h, w]. Of overlapping objects the smaller one owns the cells."""
    batch, categories, rows, columns = shape
    if len(objects.chip) == 0:
        heat = torch.zeros(batch, categories, rows, columns, device=objects.box_px.device)
        box = heat.new_zeros(batch, 4, rows, columns)
        return HeatTargets(heat, torch.ones_like(heat), box, box[:, 0], heat.new_ones(()))
    bumps, scored = _bumps(objects.box_px, rows, columns, stride_px), is_scored(objects)
    positives = scored.sum().clamp(min=1)
    # The loop asks the device for numbers at every object: nothing on CPU, twice as fast there as the other way.
    draw = _targets_one_by_one if objects.box_px.device.type == "cpu" else _targets_at_once
    heat, counted, box_px, box_weight = draw(objects, bumps, scored, shape)
    return HeatTargets(heat, counted, box_px, box_weight, positives)


def _targets_one_by_one(objects: Boxes, bumps: _Bumps, scored: Tensor, shape: Sequence[int]) -> tuple[Tensor, ...]:
    """heat, counted, box_px and box_weight, object after object from the largest to the smallest."""
    batch, _, rows, columns = shape
    heat = torch.zeros(*shape)
    counted = torch.ones_like(heat)
    box_px = torch.zeros(batch, 4, rows, columns)
    box_weight = torch.zeros(batch, rows, columns)
    chips, kinds, whole = objects.chip.tolist(), objects.category.tolist(), scored.tolist()
    for n in torch.argsort(bumps.area, descending=True, stable=True).tolist():
        chip, kind = chips[n], kinds[n]
        if not whole[n]:
            counted[chip, kind].masked_fill_(bumps.inside_y[n][:, None] & bumps.inside_x[n][None, :], 0.0)
            continue
        hot = bumps.heat_y[n][:, None] * bumps.heat_x[n][None, :]
        torch.maximum(heat[chip, kind], hot, out=heat[chip, kind])
        bump = bumps.near_y[n][:, None] * bumps.near_x[n][None, :]
        near = bump > NEAR
        box_px[chip][:, near] = objects.box_px[n][:, None]
        # The weight of an object does not grow with its area in full: log(area), shared out over its cells.
        box_weight[chip][near] = bump[near] / bump[near].sum() * bumps.area[n].clamp(min=1.0).log()
    return heat, counted, box_px, box_weight


def _targets_at_once(objects: Boxes, bumps: _Bumps, scored: Tensor, shape: Sequence[int]) -> tuple[Tensor, ...]:
    """The same for a GPU: maps [N, h * w] of all objects, reduced into their chips and categories; nothing is asked of it."""
    batch, categories, rows, columns = shape
    device, cells = objects.box_px.device, rows * columns

    def maps(along_y: Tensor, along_x: Tensor) -> Tensor:
        return (along_y[:, :, None] * along_x[:, None, :]).flatten(1)

    def largest(place: Tensor, values: Tensor, count: int) -> Tensor:
        ground = torch.zeros(count, cells, device=device)
        return ground.scatter_reduce(0, place[:, None].expand_as(values), values, "amax")

    slot = objects.chip * categories + objects.category
    heat = largest(slot, maps(bumps.heat_y, bumps.heat_x) * scored[:, None], batch * categories)
    spared = maps(bumps.inside_y.float(), bumps.inside_x.float()) * ~scored[:, None]
    bump = maps(bumps.near_y, bumps.near_x) * scored[:, None]
    near = bump > NEAR
    kept = bump * near
    weight = kept / kept.sum(1, keepdim=True).clamp(min=1e-9) * bumps.area.clamp(min=1.0).log()[:, None]
    # The smallest object near a cell has the highest rank there; 0 is nobody.
    order = torch.argsort(bumps.area, descending=True, stable=True)
    rank = torch.empty_like(order).scatter_(0, order, torch.arange(1, len(order) + 1, device=device))
    owner = largest(objects.chip, near * rank[:, None].float(), batch).long()
    owned = owner > 0
    row = torch.cat([order.new_zeros(1), order])[owner]  # [B, h * w] rows of the objects
    box_weight = weight[row, torch.arange(cells, device=device)] * owned
    box_px = (objects.box_px[row] * owned[..., None]).permute(0, 2, 1).reshape(batch, 4, rows, columns)
    counted = 1.0 - largest(slot, spared, batch * categories)
    return heat.view(*shape), counted.view(*shape), box_px, box_weight.view(batch, rows, columns)


def focal_loss(logits: Tensor, target: HeatTargets) -> Tensor:
    """Penalty-reduced focal loss (alpha 2, beta 4), divided by the objects of the whole batch: empty images count."""
    log_p, log_q = F.logsigmoid(logits), F.logsigmoid(-logits)
    p = log_p.exp()
    peak = target.heat >= 1.0
    at_peak = -((1 - p) ** 2) * log_p
    elsewhere = -((1 - target.heat) ** 4) * p**2 * log_q
    return (torch.where(peak, at_peak, elsewhere * target.counted)).sum() / target.positives


def box_loss(distance_px: Tensor, target: HeatTargets, stride_px: int) -> Tensor:
    """1 - GIoU of the boxes at the cells near a centre, weighted mean over the batch (0 where there is none)."""
    # All cells, most of them with a weight of 0: to pick those near a centre would mean to wait for a GPU.
    rows, columns = distance_px.shape[-2:]
    row = torch.arange(rows, device=distance_px.device)[:, None].expand(rows, columns).flatten()
    column = torch.arange(columns, device=distance_px.device).repeat(rows)
    predicted = boxes_from_distances(distance_px.flatten(2).transpose(1, 2), row, column, stride_px)  # [B, h * w, 4]
    loss = generalised_overlap_loss(predicted, target.box_px.flatten(2).transpose(1, 2))
    weight = target.box_weight.flatten(1)
    return (loss * weight).sum() / weight.sum().clamp(min=1e-9)


def generalised_overlap_loss(box_px: Tensor, other_px: Tensor) -> Tensor:
    """1 - GIoU of pairs of boxes [..., 4] -> [...]; torchvision's own picks out the overlapping pairs, so a GPU would wait."""
    x0, y0, x1, y1 = box_px.unbind(-1)
    u0, v0, u1, v1 = other_px.unbind(-1)
    shared = (torch.minimum(x1, u1) - torch.maximum(x0, u0)).clamp(min=0) * (
        torch.minimum(y1, v1) - torch.maximum(y0, v0)
    ).clamp(min=0)
    either = (x1 - x0) * (y1 - y0) + (u1 - u0) * (v1 - v0) - shared
    around = (torch.maximum(x1, u1) - torch.minimum(x0, u0)) * (torch.maximum(y1, v1) - torch.minimum(y0, v0))
    return 1.0 - shared / (either + 1e-7) + (around - either) / (around + 1e-7)


def boxes_from_distances(distance_px: Tensor, row: Tensor, column: Tensor, stride_px: int) -> Tensor:
    """l, t, r, b [N, 4] at the cells (row, column) -> boxes [N, 4] (x0, y0, x1, y1) in px."""
    x, y = (column + 0.5) * stride_px, (row + 0.5) * stride_px
    left, top, right, bottom = distance_px.unbind(-1)
    return torch.stack([x - left, y - top, x + right, y + bottom], -1)


def decode(heat: Tensor, distance_px: Tensor, stride_px: int, size_px: tuple[int, int]) -> list[Detections]:
    """Peaks of the heat [B, C, h, w] (probabilities) -> detections per image, clipped to size_px = (width, height).

    What is found comes to ordinary memory in one go: picking it out on a GPU would mean to wait for it at every step.
    """
    peaks = heat * (highest_around(heat) == heat)
    _, _, rows, columns = heat.shape
    score, index = peaks.flatten(1).topk(min(MAX_DETECTIONS, peaks[0].numel()))  # [B, K]
    cell = index % (rows * columns)
    away = distance_px.flatten(2).gather(2, cell[:, None].expand(-1, 4, -1)).transpose(1, 2)  # [B, K, 4]
    box = boxes_from_distances(away, cell // columns, cell % columns, stride_px)
    box = torch.stack([box[..., 0::2].clamp(0, size_px[0]), box[..., 1::2].clamp(0, size_px[1])], -1).flatten(2)
    # A category is a small whole number: a float holds it exactly.
    found = torch.cat([box, score[..., None], (index // (rows * columns))[..., None].to(box.dtype)], -1).cpu()
    side = found[..., 2:4] - found[..., 0:2]
    kept = (found[..., 4] >= MIN_CONFIDENCE) & (side > 1).all(-1)
    whole = [one[mine] for one, mine in zip(found, kept, strict=True)]
    return [Detections(one[:, :4], one[:, 4], one[:, 5].long()) for one in whole]
