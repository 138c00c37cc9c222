"""Placing the sides of a box anew from full-resolution pixels around it.

A detector that sees means of 2 x 2 pixels every 8 pixels leaves the sides of a panel about a pixel off: little for finding it,
much for COCO's AP, which asks for overlaps up to 0.95. Here each side is looked for in a square crop around the box: features
are gathered along the rows and the columns of the crop, and a side lies at the mean of its distribution over them, which is
finer than a pixel (integral regression: Sun et al., ECCV 2018). Untrained, the box comes back as it was given.
"""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import Tensor, nn

from pipeline.crops import cut_squares, jittered, square_around
from pipeline.crops_at_once import TIGHT_SAMPLES, sampled_squares
from pipeline.detector import PIXEL_MEAN, PIXEL_SPREAD, Residual, convolution, generalised_overlap_loss, is_scored
from synth.chips import ChipBatch
from synth.other_things import OTHER

# Side of a crop in pixels and in multiples of the longer side of the box: room for sides that lie a quarter outside.
CROP_PX, EXTENT = 64, 1.5
# Boxes beyond this have their detector's sides: their crops would leave pixels out, and they are off by less of their size.
LARGEST_PX = 160.0
# How far boxes are off in training, as normal shares of their sides (place, size): wider than a detector's on panels, about
# what it leaves on people.
SHIFT, STRETCH = 0.06, 0.10
# Spread of what a side's place is before anything is learnt, in sides of the crop.
PRIOR_SPREAD = 0.06
# Crops of a frame that are looked at together.
AT_ONCE = 128


class BoxEdges(nn.Module):
    """Places of the four sides in crops of boxes: [N, 3, CROP_PX, CROP_PX] -> [N, 4] in shares of the crop's side."""

    place: Tensor

    def __init__(self, width: int) -> None:
        super().__init__()
        self.fine = nn.Sequential(convolution(3, width, stride=2), convolution(width, width))
        self.coarse = nn.Sequential(convolution(width, 2 * width, stride=2), Residual(2 * width))
        self.coarsest = nn.Sequential(convolution(2 * width, 2 * width, stride=2), Residual(2 * width))
        self.narrow = nn.Conv2d(2 * width, width, 1)
        self.merged = convolution(width, width)
        # What is seen along columns says where left and right are, along rows top and bottom.
        self.sides = nn.ModuleList(
            nn.Sequential(nn.Conv1d(2 * width, width, 3, padding=1), nn.ReLU(), nn.Conv1d(width, 2, 3, padding=1))
            for _ in range(2)
        )
        for axis in self.sides:
            assert isinstance(axis, nn.Sequential) and isinstance(axis[2], nn.Conv1d)
            nn.init.zeros_(axis[2].weight)  # type: ignore[arg-type]
            nn.init.zeros_(axis[2].bias)  # type: ignore[arg-type]
        cells = CROP_PX // 2
        self.register_buffer("place", (torch.arange(cells) + 0.5) / cells, persistent=False)
        self.log_sharpness = nn.Parameter(torch.tensor(0.0))

    def forward(self, crop: Tensor, given: Tensor) -> Tensor:
        """``given`` [N, 4]: where the sides of the given boxes lie, in the same shares."""
        fine = self.fine((crop - PIXEL_MEAN) / PIXEL_SPREAD)
        coarse = self.coarse(fine)
        coarse = coarse + F.interpolate(self.coarsest(coarse), scale_factor=2.0, mode="nearest")
        merged = self.merged(fine + F.interpolate(self.narrow(coarse), scale_factor=2.0, mode="bilinear"))
        with torch.autocast(merged.device.type, enabled=False):
            merged, found = merged.float(), []
            for across, axis in zip((2, 3), self.sides, strict=True):
                found.append(axis(torch.cat([merged.mean(across), merged.amax(across)], 1)))
            logits = torch.cat([torch.stack([x, y], 1) for x, y in zip(found[0].unbind(1), found[1].unbind(1))], 1)
            near = -0.5 * ((self.place - given[:, :, None]) / PRIOR_SPREAD) ** 2 * self.log_sharpness.exp()
            prior = near.softmax(-1) @ self.place
            # The crop's end cuts the prior off, and cells are coarse: what it is off by without any evidence is taken back.
            return given + (logits + near).softmax(-1) @ self.place - prior

    def placed(self, crop: Tensor, box_px: Tensor) -> Tensor:
        """Boxes [N, 4] anew, in the coordinates in which they are given, from their crops [N, 3, CROP_PX, CROP_PX]."""
        square = square_around(box_px, EXTENT)
        corner, side = square[:, :2].repeat(1, 2), (square[:, 2:] - square[:, :2])[:, :1].clamp(min=1e-3)
        moved = corner + side * self(crop, (box_px - corner) / side)
        # Sides that changed places would be no box.
        return torch.cat([torch.minimum(moved[:, :2], moved[:, 2:]), torch.maximum(moved[:, :2], moved[:, 2:])], 1)

    def loose_crops(
        self, images: Tensor, image_of: Tensor, box_px: Tensor, noise: torch.Generator
    ) -> tuple[Tensor, Tensor]:
        """Crops around boxes that are a little off the true ones [N, 4] in images [B, 3, H, W], and these boxes [N, 4]."""
        loose = jittered(box_px, noise, SHIFT, STRETCH)
        return cut_squares(images.float(), image_of, square_around(loose, EXTENT), CROP_PX), loose

    def loss(self, crop: Tensor, loose: Tensor, box_px: Tensor, counted: Tensor) -> Tensor:
        """1 - GIoU of boxes placed anew beside the true ones [N, 4], mean over those ``counted`` [N]."""
        weight = counted.float()
        lost = generalised_overlap_loss(self.placed(crop, loose), box_px)
        return (lost * weight).sum() / weight.sum().clamp(min=1.0)

    @torch.inference_mode()
    def placed_in(self, frame: Tensor, box_px: Tensor) -> Tensor:
        """Boxes [K, 4] in one uint8 frame [3, H, W] anew, in ordinary memory; beyond LARGEST_PX they are left."""
        placed = box_px.cpu().clone()
        side = (placed[:, 2:] - placed[:, :2]).amax(1)
        for rows in torch.nonzero((side > 1.0) & (side <= LARGEST_PX))[:, 0].split(AT_ONCE):
            crop = sampled_squares(frame, square_around(placed[rows], EXTENT), CROP_PX, TIGHT_SAMPLES)
            placed[rows] = self.placed(crop, placed[rows].to(crop.device)).cpu()
        return placed


def with_edges(chips: ChipBatch) -> Tensor:
    """Which rows [N] of a batch teach where the sides of a box lie: panels and people of which most is seen."""
    return (chips.category < OTHER) & is_scored(chips)
