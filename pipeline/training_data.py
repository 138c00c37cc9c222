"""What a training draws its chips from: a recipe to render by, a frame set, and the user's own photographs.

Drawn chips stay in every mixture: a network that is tuned on a few real frames alone forgets what they do not show.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from mission.errors import InputError, must
from mission.frame_set import FrameSet, read_frame_set, truth_path
from mission.ground_folder import GroundScales, list_flights
from mission.mission_file import Mission, load_mission
from mission.model_file import ModelFile
from mission.recipe import Recipe, load_recipe
from mission.vocabulary import CATEGORIES
from pipeline.chips import FrameSetChips
from pipeline.empty_ground import DECOYS_PART, EmptyGround, EmptyPart, batches_of, decoys_on_chips
from pipeline.field import Field, field_of
from pipeline.frame_split import groups_of, split_frames
from pipeline.mixed_chips import MixedChips
from pipeline.real_frames import read_real_frames, readable_panels, unknown_values
from pipeline.reservoir import Source
from synth.chips import ChipSource
from synth.photo_ground import GroundBank

DEFAULT_MISSION = "harrow-fen"


@dataclass(frozen=True)
class Photographs:
    """Photographs that serve as ground: a folder of one flight or of one folder a flight, and their scale where given."""

    folder: Path
    gsd_m: GroundScales | None = None

    def bank(self, mission: Mission) -> GroundBank:
        """The photographs at the mission's scale. InputError where their scale is unknown or too coarse."""
        return GroundBank.from_folder(self.folder, self.gsd_m, mission_gsd_m=mission.ground_sample_distance_m)


def photographs(folder: str | Path | None, gsd_m: GroundScales | None) -> Photographs | None:
    """Photographs as ground, where a folder is given."""
    return None if folder is None else Photographs(Path(folder), gsd_m)


@dataclass(frozen=True)
class RealFrames:
    """Labelled frames (frame set or COCO file), the folder of their images where it is given, and their share of chips."""

    source: Path
    images: Path | None
    share: float

    def read(self) -> FrameSet:
        """The frames with their truth."""
        return read_real_frames(self.source, self.images)


@dataclass(frozen=True)
class TrainingData:
    """Where chips come from: a recipe to render by, or the folder of a frame set. Plain data: it travels to processes.

    ``empty``: photographs known to hold neither panel nor person; they are ground for drawn chips (beside ``ground``), and
    a share of the detector's chips shows them with nothing drawn. ``real``: labelled frames mixed in.
    """

    mission: Mission
    recipe: Recipe | None = None
    frames: Path | None = None
    ground: Photographs | None = None
    seed: int = 0
    empty: Photographs | None = None
    empty_share: float = 0.2
    real: RealFrames | None = None
    # Share of the readers' drawn chips with something else in the place of the panel.
    other_share: float = 0.0

    def open(self, purpose: str, chip_px: int, focus: str | None, device: str) -> Source:
        """The source for one purpose, "training" or "validation"; the two share no scene, typeface or real frame.

        Real frames are mixed in for training only: see ``open_real``.
        """
        held_out = purpose == "validation"
        parts = [(1.0, self._main(held_out, chip_px, focus, device))]
        if self.empty is not None and focus is None:
            parts = [(1.0 - self.empty_share, parts[0][1]), (self.empty_share, self._empty(held_out, chip_px, device))]
        real = None if held_out else self.open_real(purpose, chip_px, focus, device)
        if real is not None and self.real is not None:
            parts = [((1.0 - self.real.share) * share, source) for share, source in parts]
            parts.append((self.real.share, real))
        return parts[0][1] if len(parts) == 1 else MixedChips(parts, self._seed(held_out, focus))

    def open_bare(self, chip_px: int, *, photographs_only: bool) -> Source | None:
        """Training chips without panel or person: ground with what is no target, or the photographs alone with nothing drawn.

        None where there is no recipe to draw by, or no photograph where they are asked for.
        """
        ground = self.ground or self.empty
        if self.recipe is None or (photographs_only and ground is None):
            return None
        composition = self.recipe.composition.model_copy(update={"empty_share": 1.0})
        bare = self.recipe.model_copy(update={"composition": composition})
        if photographs_only:
            return replace(self, empty=ground)._empty(False, chip_px, "cpu")
        return replace(self, recipe=bare)._main(False, chip_px, None, "cpu")

    def field(self) -> Field:
        """How sparse the mission's field is, with the recipe's other things."""
        return field_of(self.mission, self.recipe)

    def open_empty(self, chip_px: int, chips: int) -> EmptyGround:
        """Held-out ground without panel or person, about so many chips: bare, and with the other things of the field.

        It is the ground of training, photographs included where they are given. Of a frame set, chips that happen to hold
        nothing: whatever lies there lies as densely as in its frames.
        """
        if self.recipe is None:
            return EmptyGround([EmptyPart(1.0, self._main(True, chip_px, None, "cpu"), batches_of(chips, 1.0))])
        each, share = decoys_on_chips(self.field(), chip_px)
        parts = []
        for field_share, part, decoys in ((1.0 - share, 1.0 - DECOYS_PART, 0), (share, DECOYS_PART, each)):
            empty = {"empty_share": 1.0, "decoys_per_chip": (decoys, decoys)}
            composition = self.recipe.composition.model_copy(update=empty)
            recipe = self.recipe.model_copy(update={"composition": composition})
            source = replace(self, recipe=recipe)._main(True, chip_px, None, "cpu")
            parts.append(EmptyPart(field_share, source, batches_of(chips, part)))
        return EmptyGround(parts)

    def open_real(self, purpose: str, chip_px: int, focus: str | None, device: str) -> Source | None:
        """The real frames alone; None where there are none for this purpose, or none that a reader could learn from."""
        if self.real is None:
            return None
        held_out, frames = purpose == "validation", self.real.read()
        if held_out and len(set(groups_of(frames.frames))) < 2:
            return None
        own = split_frames(frames, self.seed)[int(held_out)]
        vocabulary = self.mission.panels.vocabulary
        if focus is not None and not readable_panels(own, vocabulary):
            return None
        return FrameSetChips(
            frames, vocabulary, chip_px=chip_px, seed=self._seed(held_out, focus), augment=not held_out,
            focus="panel" if focus else None, other_share=self.other_share, only=own, device=device,
        )  # fmt: skip

    def _seed(self, held_out: bool, focus: str | None) -> int:
        return self.seed * 4 + (2 if held_out else 0) + (1 if focus else 0)

    def _main(self, held_out: bool, chip_px: int, focus: str | None, device: str) -> Source:
        """Chips of the frame set, or drawn by the recipe on all the ground that was given."""
        if self.frames is not None:
            frame_set = read_frame_set(self.frames)
            own = split_frames(frame_set, self.seed)[int(held_out)]
            return FrameSetChips(
                frame_set, self.mission.panels.vocabulary, chip_px=chip_px, seed=self._seed(held_out, focus),
                augment=not held_out, focus="panel" if focus else None, other_share=self.other_share, only=own, device=device,
            )  # fmt: skip
        assert self.recipe is not None
        grounds = [given for given in (self.ground, self.empty) if given is not None]
        drawn = [(1.0, self._drawn(self.recipe, g, held_out, chip_px, focus, device)) for g in grounds or [None]]
        return drawn[0][1] if len(drawn) == 1 else MixedChips(drawn, self._seed(held_out, focus))

    def _empty(self, held_out: bool, chip_px: int, device: str) -> Source:
        """Photographs with nothing drawn, seen by the same drawn camera as those with something: or its traces would tell."""
        assert self.recipe is not None
        composition = self.recipe.composition.model_copy(update={"empty_share": 1.0, "decoys_per_chip": (0, 0)})
        ground = self.recipe.ground.model_copy(update={"real_share": 1.0})
        bare = self.recipe.model_copy(update={"composition": composition, "ground": ground})
        return self._drawn(bare, self.empty, held_out, chip_px, None, device)

    def _drawn(
        self, recipe: Recipe, ground: Photographs | None, held_out: bool, chip_px: int, focus: str | None, device: str
    ) -> ChipSource:
        bank = None if ground is None else ground.bank(self.mission)
        return ChipSource(
            recipe, self.mission, seed=self._seed(held_out, focus), device=device, chip_px=chip_px, ground=bank,
            typefaces="held-out" if held_out else "training", focus="panel" if focus else None,
            other_share=self.other_share if focus else 0.0,
        )  # fmt: skip

    def fingerprint(self) -> str:
        """SHA-256 over what the chips depend on."""
        parts: list[Any] = [self.mission.model_dump(mode="json"), self.seed, self.empty_share, self.other_share]
        parts.append(None if self.recipe is None else self.recipe.model_dump(mode="json"))
        for truth in (self.frames, None if self.real is None else self.real.source):
            if truth is not None:
                parts.append(hashlib.sha256(truth_path(truth).read_bytes()).hexdigest())
        parts.append(None if self.real is None else self.real.share)
        for given in (self.ground, self.empty):
            if given is not None:
                files = sorted(p for p in given.folder.rglob("*") if p.is_file())
                parts.append([given.gsd_m, [(p.name, p.stat().st_size) for p in files]])
        return hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()

    def record(self) -> dict[str, Any]:
        """What a bundle keeps of its data, for people."""
        photographed = self.ground is not None or self.empty is not None
        return {
            "data": "frame set" if self.frames is not None else "recipe",
            "data_sha256": self.fingerprint(),
            "mission": self.mission.name,
            "mark_turn": self.mission.panels.mark_turn,
            "ground": "photographs" if photographed else "procedural" if self.recipe is not None else "frames",
            "empty_photo_share": None if self.empty is None else self.empty_share,
            "real_frames_share": None if self.real is None else self.real.share,
            "recipe": None if self.recipe is None else self.recipe.model_dump(mode="json"),
        }

    def remarks(self) -> list[str]:
        """Sentences about what the photographs and real frames can and cannot teach; none where there are none."""
        said = []
        for given in (self.ground, self.empty):
            if given is not None:
                bank = given.bank(self.mission)
                said += [sentence for sentence in (bank.describe(), bank.warning()) if sentence]
        return said if self.real is None else said + self._remarks_on_real(self.real.read())

    def _remarks_on_real(self, frames: FrameSet) -> list[str]:
        training, held_out = split_frames(frames, self.seed)
        said = []
        if len(set(groups_of(frames.frames))) < 2:
            said.append(
                f"The {len(training)} real frames name no second ground or flight, so none of them is held out to measure on."
            )
        else:
            said.append(
                f"Real frames: {len(training)} to train on, {len(held_out)} of other grounds and flights held out."
            )
        if not readable_panels(training, self.mission.panels.vocabulary):
            said.append(
                "No panel in them has an attribute that the mission knows: they teach the detector, not the readers."
            )
        foreign = unknown_values(frames.frames, self.mission.panels.vocabulary)
        if foreign:
            said.append(
                f"Attributes in them that the mission does not know are taken as unknown: {', '.join(foreign[:8])}."
            )
        for name in CATEGORIES:
            if name not in frames.categories.values():
                said.append(f"They have no category '{name}': any {name} in them is taught to be nothing.")
        return said


def training_data(
    train: str | Path | Recipe,
    model: ModelFile,
    *,
    mission: str | Path | Mission | None = None,
    ground: Photographs | None = None,
    empty: Photographs | None = None,
    real: str | Path | None = None,
    real_images: str | Path | None = None,
    seed: int = 0,
) -> TrainingData:
    """Resolve and check what is trained on; InputError where the parts contradict each other."""
    flown = mission if isinstance(mission, Mission) else load_mission(mission or DEFAULT_MISSION)
    data = TrainingData(
        flown, seed=seed, ground=ground, empty=empty, empty_share=model.empty_photo_share,
        other_share=model.reader_training.other_share,
    )  # fmt: skip
    for name, given in (("ground", ground), ("empty", empty)):
        if given is not None:
            if not given.folder.exists():
                raise must(name, "be a folder of photographs that exists", given.folder)
            list_flights(given.folder)
    if real is not None:
        data = replace(data, real=_checked_real(real, real_images, model))
    elif real_images is not None:
        raise InputError("The option --real-images must come with --real. Got it alone instead.")
    if isinstance(train, Recipe):
        return replace(data, recipe=train)
    path = Path(train)
    if not path.is_dir() and path.name != "truth.json":
        return replace(data, recipe=load_recipe(train))
    if ground is not None:
        raise must("ground", "be left out when training on a frame set, whose ground is its own", ground.folder)
    if empty is not None:
        raise must("empty", "be left out when training on a frame set, which may hold frames without annotations instead",
                   empty.folder)  # fmt: skip
    frame_set = read_frame_set(path)
    if not any(thing.category == "panel" for frame in frame_set.frames for thing in frame.things):
        raise must("annotations", "hold a panel to learn from", "none", where=truth_path(path))
    return replace(data, frames=path)


def _checked_real(real: str | Path, images: str | Path | None, model: ModelFile) -> RealFrames:
    frames = RealFrames(Path(real), None if images is None else Path(images), model.real_frames_share)
    found = frames.read()
    if not any(thing.scored for frame in found.frames for thing in frame.things):
        raise must("annotations", "hold a panel or a person to learn from", "none", where=truth_path(real))
    return frames
