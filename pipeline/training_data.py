"""What a training draws its chips from: a recipe to render by, a frame set, photographs as ground."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from mission.frame_set import read_frame_set, truth_path
from mission.mission_file import Mission
from mission.recipe import Recipe
from pipeline.chips import FrameSetChips
from pipeline.frame_split import split_frames
from pipeline.reservoir import Source
from synth.chips import ChipSource
from synth.photo_ground import GroundBank


@dataclass(frozen=True)
class TrainingData:
    """Where chips come from: a recipe to render by, or the folder of a frame set. Plain data: it travels to processes."""

    mission: Mission
    recipe: Recipe | None = None
    frames: Path | None = None
    ground: Path | None = None
    ground_gsd_m: float | None = None
    seed: int = 0

    def open(self, purpose: str, chip_px: int, focus: str | None, device: str) -> Source:
        """The source for one purpose, "training" or "validation"; the two share no scene, ground, typeface or frame."""
        held_out = purpose == "validation"
        seed = self.seed * 4 + (2 if held_out else 0) + (1 if focus else 0)
        if self.frames is not None:
            frame_set = read_frame_set(self.frames)
            own = split_frames(frame_set, self.seed)[int(held_out)]
            return FrameSetChips(
                frame_set, self.mission.panels.vocabulary, chip_px=chip_px, seed=seed, augment=not held_out,
                focus="panel" if focus else None, only=own, device=device,
            )  # fmt: skip
        assert self.recipe is not None
        bank = None
        if self.ground is not None:
            bank = GroundBank.from_folder(
                self.ground, gsd_m=self.ground_gsd_m, mission_gsd_m=self.mission.ground_sample_distance_m
            )
        return ChipSource(
            self.recipe, self.mission, seed=seed, device=device, chip_px=chip_px, ground=bank,
            typefaces="held-out" if held_out else "training", focus="panel" if focus else None,
        )  # fmt: skip

    def fingerprint(self) -> str:
        """SHA-256 over what the chips depend on."""
        parts: list[Any] = [self.mission.model_dump(mode="json"), self.seed, self.ground_gsd_m]
        parts.append(None if self.recipe is None else self.recipe.model_dump(mode="json"))
        if self.frames is not None:
            parts.append(hashlib.sha256(truth_path(self.frames).read_bytes()).hexdigest())
        if self.ground is not None:
            files = sorted(p for p in self.ground.rglob("*") if p.is_file())
            parts.append([(p.name, p.stat().st_size) for p in files])
        return hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()
