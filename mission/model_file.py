"""Model files: which detector and readers are built, and how they are trained (``format: model/1``).

A model file is the record of an experiment: it opens with the command, the time that it takes and the result to expect.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from mission.errors import must
from mission.settings import Settings, load_settings, shipped

Width = Annotated[int, Field(ge=4, le=1024, multiple_of=4)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Positive = Annotated[float, Field(gt=0.0)]


class HeatMapSettings(Settings):
    """Our detector: residual stages, a top-down neck, one heat map per category and four distances."""

    kind: Literal["heat-map"] = "heat-map"
    # Our own stages from nothing, or a published network that has seen ImageNet (an extra, see the README), whose stages then
    # take the place of 'stage_widths' and 'stage_blocks'.
    trunk: Literal["own", "efficientnet-lite0"] = "own"
    # What of a published trunk goes on learning: nothing, its upper two stages, or all of it.
    trunk_learning: Literal["frozen", "upper", "free"] = "free"
    # One width and one number of residual blocks per stage, at strides 2, 4, 8, 16, ... px.
    stage_widths: tuple[Width, ...] = (16, 32, 48, 64, 80)
    stage_blocks: tuple[Annotated[int, Field(ge=0, le=12)], ...] = (0, 1, 1, 1, 1)
    neck_width: Width = 32
    # 2: the network works on averages of 2 x 2 pixels, a quarter of the work (stage strides then count those averages).
    shrink: Literal[1, 2] = 1
    # Distance of the heat map's cells in pixels of the image.
    output_stride_px: Literal[4, 8] = 4

    @model_validator(mode="after")
    def _stages_agree(self) -> HeatMapSettings:
        if len(self.stage_widths) != len(self.stage_blocks):
            raise ValueError("have as many 'stage_blocks' as 'stage_widths'")
        if not 4 <= len(self.stage_widths) <= 6:
            raise ValueError("have 4 to 6 'stage_widths' (strides 2, 4, 8, 16, ...)")
        if self.trunk == "own" and self.trunk_learning != "free":
            raise ValueError("have a published 'trunk' where its 'trunk_learning' is not free")
        return self


class FcosSettings(Settings):
    """The rival: torchvision's FCOS on a residual trunk of torchvision, trained from scratch."""

    kind: Literal["fcos"] = "fcos"
    # GroupNorm in torchvision's FCOS head has 32 groups, hence the multiple.
    pyramid_width: Annotated[int, Field(ge=32, le=512, multiple_of=32)] = 64
    trunk: Literal["resnet18", "resnet34"] = "resnet18"


class ReaderSettings(Settings):
    """The readers of shape, panel colour, mark and mark colour, and the second look: panel or not."""

    # One trunk for all of them, or one for each (five times the work).
    trunk: Literal["shared", "separate"] = "shared"
    tight_px: Annotated[int, Field(ge=16, le=128, multiple_of=8)] = 48
    wide_px: Annotated[int, Field(ge=8, le=128, multiple_of=4)] = 12
    # Sides of the crops in multiples of the longer side of the box.
    tight_extent: Annotated[float, Field(ge=1.0, le=2.0)] = 1.2
    wide_extent: Annotated[float, Field(ge=1.5, le=5.0)] = 3.0
    # The rings and directions on which a tight crop is sampled; the last ring's radius in half sides of the crop.
    rings: Annotated[int, Field(ge=8, le=64, multiple_of=4)] = 20
    directions: Annotated[int, Field(ge=16, le=180, multiple_of=4)] = 48
    reach: Annotated[float, Field(gt=0.3, le=1.4)] = 0.8
    widths: tuple[Width, Width, Width] = (24, 48, 64)
    template_width: Width = 96
    colour_width: Width = 128
    # Residual blocks at the end of each trunk.
    blocks: Annotated[int, Field(ge=0, le=8)] = 0
    # A second look at the mark on so many rings around the mark's own middle (0: none), the last one at this radius.
    mark_rings: Annotated[int, Field(ge=0, le=64, multiple_of=4)] = 0
    mark_reach: Annotated[float, Field(gt=0.3, le=1.4)] = 0.75
    # Width of the network by which colours are judged beside what lies around the panel (0: none, only means and extremes).
    surroundings_width: Annotated[int, Field(ge=0, le=256, multiple_of=4)] = 0
    # Width of the network that places the sides of boxes anew at full resolution (0: none, boxes are the detector's).
    edges_width: Annotated[int, Field(ge=0, le=128, multiple_of=4)] = 0


class TrainingSettings(Settings):
    """How one network is trained."""

    batch: Annotated[int, Field(ge=1, le=4096)] = 16
    chip_px: Annotated[int, Field(ge=64, le=2048, multiple_of=16)] = 320
    # Each use of a chip shows a window of this side, around an object where there is one; none: the whole chip.
    window_px: Annotated[int, Field(ge=64, le=2048, multiple_of=16)] | None = None
    learning_rate: Positive = 3e-3
    weight_decay: Annotated[float, Field(ge=0.0)] = 1e-2
    warm_up: Share = 0.04
    clip_norm: Positive = 5.0
    average_decay: Annotated[float, Field(ge=0.0, lt=1.0)] = 0.99
    uses_per_chip: Annotated[int, Field(ge=1, le=16)] = 4
    # How many rendered chips are kept to be drawn from again.
    reservoir_chips: Annotated[int, Field(ge=1)] = 256
    validation_chips: Annotated[int, Field(ge=8)] = 192
    # Detector only: so many held-out chips without a target, on which false reports are counted for the working confidences;
    # none: eight times the held-out ones.
    empty_chips: Annotated[int, Field(ge=0)] | None = None
    # Detector only, going on from a bundle: so many chips without a target on which it errs most are shown again.
    hard_negatives: Annotated[int, Field(ge=0, le=100_000)] = 0
    # Detector only, with photographs as ground: share of the chips that take on the broad tones of a photograph.
    amplitude_exchange: Share = 0.0
    # Readers only: share of chips with a decoy, a person or nothing in the place of the panel, for the second look.
    other_share: Share = 0.33


class ModelFile(Settings):
    """One detector, one set of readers and their training."""

    format: Literal["model/1"] = "model/1"
    description: str = ""
    detector: Annotated[HeatMapSettings | FcosSettings, Field(discriminator="kind")] = HeatMapSettings()
    readers: ReaderSettings = ReaderSettings()
    detector_training: TrainingSettings = TrainingSettings()
    reader_training: TrainingSettings = TrainingSettings(chip_px=128, batch=48, reservoir_chips=1024)
    # Readers learn faster than the detector: side by side they take this share of the time, and then leave their core to it.
    readers_time_share: Annotated[float, Field(gt=0.0, le=1.0)] = 0.6
    # Share of the detector's chips that show photographs known to be empty (--empty), with nothing drawn.
    empty_photo_share: Annotated[float, Field(gt=0.0, le=0.8)] = 0.2
    # Share of the chips that are cut from labelled real frames (--real); the rest stay drawn.
    real_frames_share: Annotated[float, Field(gt=0.0, le=0.8)] = 0.3
    # Going on from a trained bundle (--from), the learning rates are this share of those from nothing.
    tuning_rate_share: Annotated[float, Field(gt=0.0, le=1.0)] = 0.3
    # Where neither --minutes nor --steps is given.
    default_minutes: Positive = 3.0


def check_minutes(minutes: float) -> None:
    """InputError where no training can last so long."""
    if not 0 < minutes <= 60 * 24 * 30:
        raise must("minutes", "be above 0 and below a month", minutes)


def load_model_file(name_or_path: str | Path) -> ModelFile:
    """Read a model file, or the shipped one of that name; InputError in one sentence where it is not valid."""
    return load_settings(shipped("models", name_or_path), ModelFile)
