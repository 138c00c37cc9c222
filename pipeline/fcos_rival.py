"""The rival: torchvision's FCOS (Tian et al., ICCV 2019), trained from scratch behind the interface of our detector.

What it needs to be told for chips like ours: its transform must not resize (it enlarges to 800 px by default); its
head's GroupNorm asks for widths divisible by 32; the anchor sizes set which level learns which box; labels go from 0 in
training and detection alike (no background class in FCOS's focal loss, unlike in torchvision's two-stage detectors).
"""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torchvision.models import resnet18, resnet34
from torchvision.models.detection import FCOS
from torchvision.models.detection.anchor_utils import AnchorGenerator
from torchvision.models.detection.backbone_utils import BackboneWithFPN
from torchvision.models.detection.transform import GeneralizedRCNNTransform

from mission.model_file import FcosSettings
from pipeline.chips import Boxes
from pipeline.detector import (
    MAX_DETECTIONS,
    MIN_CONFIDENCE,
    PIXEL_MEAN,
    PIXEL_SPREAD,
    Detections,
    is_scored,
)

# One anchor side per pyramid level (strides 4, 8, 16, 32); FCOS gives a level the boxes within 4 to 8 times of it.
ANCHOR_SIDES_PX = ((4,), (8,), (16,), (32,))


class _AsItIs(GeneralizedRCNNTransform):
    """torchvision's input transform without its resize (whose own switch holds in training only)."""

    def resize(self, image: Tensor, target: dict[str, Tensor] | None = None) -> tuple[Tensor, dict[str, Tensor] | None]:
        return image, target


class FcosDetector(nn.Module):
    """FCOS on levels of stride 4 to 32 px of a residual trunk."""

    def __init__(self, settings: FcosSettings, categories: int = 2) -> None:
        super().__init__()
        trunk = {"resnet18": resnet18, "resnet34": resnet34}[settings.trunk](weights=None)
        layers = {f"layer{n}": f"{n - 1}" for n in range(1, 5)}
        widths = [64, 128, 256, 512]
        backbone = BackboneWithFPN(trunk, layers, widths, settings.pyramid_width)
        backbone.fpn.extra_blocks = None
        self.fcos = FCOS(
            backbone,
            num_classes=categories,
            anchor_generator=AnchorGenerator(ANCHOR_SIDES_PX, ((1.0,),) * len(ANCHOR_SIDES_PX)),
            score_thresh=MIN_CONFIDENCE,
            detections_per_img=MAX_DETECTIONS,
        )
        self.fcos.transform = _AsItIs(1, 1, [PIXEL_MEAN / 255.0] * 3, [PIXEL_SPREAD / 255.0] * 3)

    def losses(self, images: Tensor, objects: Boxes) -> dict[str, Tensor]:
        """Scalar losses for images [B, 3, H, W] in 0..255; objects that are not scored are left out of the targets."""
        counted = is_scored(objects)
        chip, order = torch.sort(objects.chip[counted], stable=True)
        # A GPU is asked once how many objects each chip holds, not chip by chip.
        held = torch.bincount(chip, minlength=len(images)).tolist()
        boxes, labels = (values[counted][order].split(held) for values in (objects.box_px, objects.category))
        targets = [{"boxes": box, "labels": label} for box, label in zip(boxes, labels, strict=True)]
        losses = self.fcos(list(images.float() / 255.0), targets)
        names = {"classification": "class", "bbox_regression": "box", "bbox_ctrness": "centre"}
        return {names[name]: loss for name, loss in losses.items()}

    @torch.inference_mode()
    def detect(self, images: Tensor) -> list[Detections]:
        """Detections in each image [B, 3, H, W] in 0..255."""
        found = self.fcos(list(images.float() / 255.0))
        return [Detections(one["boxes"], one["scores"], one["labels"]) for one in found]
