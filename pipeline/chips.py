"""Chips cut from the frames of a frame set on disk, for training and validation.

The interface is that of ``synth.chips.ChipSource``: ``.batch(n)`` gives a ``ChipBatch`` in RGB, boxes (x0, y0, x1, y1) in
chip pixels, attributes as indices into the vocabulary (-1: unknown, or no panel).
"""

from __future__ import annotations

import os
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from torch import Tensor

from mission.errors import InputError, must
from mission.frame_set import Frame, FrameSet, Thing, read_frame_set
from mission.photographs import load_photograph
from mission.vocabulary import ATTRIBUTES, CATEGORIES, Vocabulary
from synth.chips import ChipBatch
from synth.other_things import OTHER

# Frames that the chips of one batch are cut from, and chips cut before one of them is exchanged for the next.
FRAMES_AT_HAND = 6
CHIPS_PER_EXCHANGE = 24
# An object longer than this share of a chip is cut out with more around it and shrunk: a chip must show it whole, and the
# colour readers judge by its surroundings.
LARGEST_IN_CHIP = 0.6
# Decoded frames kept by one source; a frame of 20 megapixels takes 61 MB.
KEPT_BYTES = 400_000_000
# What is put in the place of a panel for the second look; no truth file names a category so.
NEITHER = "neither panel nor person"
# Of those places, the share that lie on a thing that the frame's truth names; the rest are anywhere on the ground.
NAMED_SHARE = 0.7


class Boxes(Protocol):
    """The part of a ``ChipBatch`` that detectors learn from (see there for shapes)."""

    chip: Tensor
    category: Tensor
    box_px: Tensor
    visible: Tensor


@dataclass(frozen=True)
class _Cut:
    """One chip: pixels [S, S, 3], boxes [n, 4], and the things behind them with the share of each that is seen."""

    pixels: NDArray[np.uint8]
    boxes: NDArray[np.float32]
    things: Sequence[Thing]
    visible: Sequence[float]


class FrameSetChips:
    """Chips of a frame set. Half of them lie around an object, half anywhere; ``focus="panel"`` puts a panel in each.

    In ``other_share`` of the focused chips something else (category ``OTHER``) takes the place of the panel.
    Where panels with a known attribute are there, only such ones are put in the middle: the others teach a reader nothing.

    The n-th batch of a seed (``number`` says which is next) is the same whoever cuts it. A few frames serve a batch and are
    exchanged in turn, and decoded ones are kept up to a limit, so memory does not grow with the set. InputError where the
    set has no frames, or (``focus``) no panel.
    """

    def __init__(
        self,
        frames: str | Path | FrameSet,
        vocabulary: Vocabulary,
        *,
        chip_px: int = 320,
        seed: int = 0,
        augment: bool = True,
        focus: Literal["panel"] | None = None,
        other_share: float = 0.0,
        only: Sequence[Frame] | None = None,
        device: str = "cpu",
    ) -> None:
        self.frame_set = frames if isinstance(frames, FrameSet) else read_frame_set(frames)
        self.vocabulary, self.chip_px, self.focus, self.device = vocabulary, chip_px, focus, device
        self.frames = list(self.frame_set.frames if only is None else only)
        if focus == "panel":
            self.frames = [f for f in self.frames if any(t.category == "panel" and t.scored for t in f.things)]
        if not self.frames:
            raise must(
                "frames", "hold a frame with a panel" if focus else "hold a frame", "none", where=self.frame_set.folder
            )
        self.seed, self.number = seed, 0
        self.other_share = other_share if focus else 0.0
        self.augment = _Augmentation() if augment else None
        things = [thing for frame in self.frames for thing in frame.things if thing.category == "panel"]
        self._some_labelled = any(self._is_labelled(thing) for thing in things)
        self._decoded: OrderedDict[int, NDArray[np.uint8]] = OrderedDict()

    def batch(self, n: int) -> ChipBatch:
        """The next n chips with their objects."""
        rng = np.random.default_rng([self.seed, self.chip_px, self.number])
        at_hand = self._frames_at_hand(self.number * n // CHIPS_PER_EXCHANGE)
        self.number += 1
        if self.augment is not None:
            self.augment.begin(int(rng.integers(2**31)))
        cuts = [self._one(rng, at_hand[rng.integers(len(at_hand))]) for _ in range(n)]
        rows = [(i, t, b, s) for i, c in enumerate(cuts) for t, b, s in zip(c.things, c.boxes, c.visible, strict=True)]
        image = torch.from_numpy(np.stack([c.pixels for c in cuts])).permute(0, 3, 1, 2).contiguous()

        def column(values: list[Any], kind: torch.dtype, *shape: int) -> Tensor:
            return torch.tensor(values, dtype=kind).reshape(len(rows), *shape).to(self.device)

        return ChipBatch(
            image=image.to(self.device),
            chip=column([i for i, *_ in rows], torch.int64),
            category=column([_number(t.category) for _, t, *_ in rows], torch.int64),
            box_px=column([b.tolist() for _, _, b, _ in rows], torch.float32, 4),
            visible=column([s for *_, s in rows], torch.float32),
            attributes=column([self._labels(t) for _, t, *_ in rows], torch.int64, 4),
            mark_turn_deg=column([_turn(t) for _, t, *_ in rows], torch.float32),
        )

    def _labels(self, thing: Thing) -> list[int]:
        """Indices into the vocabulary; -1 for what is unknown or outside it."""
        labels = []
        for attribute in ATTRIBUTES:
            value, values = thing.attributes.get(attribute), self.vocabulary.values(attribute)
            labels.append(values.index(value) if thing.category == "panel" and value in values else -1)
        return labels

    def _is_labelled(self, thing: Thing) -> bool:
        return any(label >= 0 for label in self._labels(thing))

    def _is_target(self, thing: Thing) -> bool:
        """Whether a chip may be cut around a thing."""
        if self.focus is None:
            return thing.category in CATEGORIES
        wanted = thing.category == self.focus and thing.scored
        return wanted and (not self._some_labelled or self._is_labelled(thing))

    def _one(self, rng: np.random.Generator, frame: Frame) -> _Cut:
        pixels, side = self._pixels(frame), self.chip_px
        targets = [thing for thing in frame.things if self._is_target(thing)]
        other = self._other(rng, frame, targets) if self.other_share and rng.random() < self.other_share else None
        if other is not None:
            frame, targets = replace(frame, things=(*frame.things, other)), [other]
        if targets and (self.focus or rng.random() < 0.5):
            x, y, w, h = targets[rng.integers(len(targets))].bbox_px
            free = self.chip_px * (0.06 if self.focus else 0.35)
            centre = np.array([x + w / 2, y + h / 2]) + rng.uniform(-free, free, 2)
            side = max(side, round(max(w, h) / LARGEST_IN_CHIP))
        else:
            centre = rng.uniform((0, 0), (frame.width_px, frame.height_px))
        cut = cut_chip(frame, pixels, centre, side)
        if side > self.chip_px:
            cut = _shrunk(cut, self.chip_px)
        return cut if self.augment is None else self.augment(cut)

    def _other(self, rng: np.random.Generator, frame: Frame, panels: Sequence[Thing]) -> Thing | None:
        """A box that a detector might report where there is no panel; None where the place drawn meets one."""
        size = np.array(panels[int(rng.integers(len(panels)))].bbox_px[2:])
        named = [other.bbox_px for other in frame.other_things or ()]
        if named and rng.random() < NAMED_SHARE:
            x, y, w, h = named[int(rng.integers(len(named)))]
            # Of a larger thing a part of a panel's size.
            size = np.array([w, h]) if max(w, h) <= 1.5 * size.max() else size
            centre = np.array([x, y]) + rng.random(2) * (w, h) if size[0] != w else np.array([x + w / 2, y + h / 2])
        else:
            centre = rng.uniform((0, 0), (frame.width_px, frame.height_px))
        low, high = centre - size / 2, centre + size / 2
        for thing in frame.things:
            corner = np.array(thing.bbox_px[:2])
            if thing.category == "panel" and (low < corner + thing.bbox_px[2:]).all() and (high > corner).all():
                return None
        return Thing(0, NEITHER, (float(low[0]), float(low[1]), float(size[0]), float(size[1])), float(size.prod()))

    def _frames_at_hand(self, start: int) -> list[Frame]:
        """Frames from place ``start`` of the endless sequence in which the set is gone through, each round in its own order."""
        count = len(self.frames)
        rounds = range(start // count, (start + FRAMES_AT_HAND - 1) // count + 1)
        order = [int(i) for r in rounds for i in np.random.default_rng([self.seed, r]).permutation(count)]
        first = start % count
        return [self.frames[i] for i in order[first : first + min(FRAMES_AT_HAND, count)]]

    def _pixels(self, frame: Frame) -> NDArray[np.uint8]:
        if frame.id not in self._decoded:
            self._decoded[frame.id] = self._decode(frame)
            while len(self._decoded) > 1 and sum(p.nbytes for p in self._decoded.values()) > KEPT_BYTES:
                self._decoded.popitem(last=False)
        self._decoded.move_to_end(frame.id)
        return self._decoded[frame.id]

    def _decode(self, frame: Frame) -> NDArray[np.uint8]:
        path = self.frame_set.path_of(frame)
        pixels = load_photograph(path)
        if pixels.shape[:2] != (frame.height_px, frame.width_px):
            raise must("frame", f"be {frame.width_px} x {frame.height_px} px as its truth says",
                       f"{pixels.shape[1]} x {pixels.shape[0]} px", where=path)  # fmt: skip
        return pixels


def cut_chip(frame: Frame, pixels: NDArray[np.uint8], centre_px: NDArray[np.float64], chip_px: int) -> _Cut:
    """The chip around a point, moved to lie in the frame; what a small frame lacks is filled with its edge's pixels."""
    height, width = pixels.shape[:2]
    x0 = int(np.clip(round(centre_px[0] - chip_px / 2), 0, max(0, width - chip_px)))
    y0 = int(np.clip(round(centre_px[1] - chip_px / 2), 0, max(0, height - chip_px)))
    patch = pixels[y0 : y0 + chip_px, x0 : x0 + chip_px]
    lack = ((0, chip_px - patch.shape[0]), (0, chip_px - patch.shape[1]), (0, 0))
    if lack[0][1] or lack[1][1]:
        patch = np.pad(patch, lack, mode="edge")
    boxes, things, visible = [], [], []
    for thing in frame.things:
        x, y, w, h = thing.bbox_px
        box = np.array([x - x0, y - y0, x + w - x0, y + h - y0], np.float32)
        seen = box.clip(0, chip_px)
        area = float((seen[2] - seen[0]) * (seen[3] - seen[1]))
        if thing.category not in (*CATEGORIES, NEITHER) or area <= 0.0 or w * h <= 0.0:
            continue
        boxes.append(seen)
        things.append(thing)
        visible.append((1.0 if thing.visible is None else thing.visible) * area / (w * h))
    return _Cut(np.ascontiguousarray(patch), np.asarray(boxes, np.float32).reshape(-1, 4), things, visible)


def _number(category: str) -> int:
    return OTHER if category == NEITHER else CATEGORIES.index(category)


def _shrunk(cut: _Cut, chip_px: int) -> _Cut:
    """A cut brought down to the size of a chip, each pixel a mean of those it covers."""
    pixels = Image.fromarray(cut.pixels).resize((chip_px, chip_px), Image.Resampling.BOX)
    return _Cut(np.array(pixels), cut.boxes * (chip_px / len(cut.pixels)), cut.things, cut.visible)


def _turn(thing: Thing) -> float:
    return float("nan") if thing.mark_turn_deg is None else float(thing.mark_turn_deg)


class _Augmentation:
    """Scale, place, light, sharpness, noise and compression of a chip, varied by albumentations."""

    def __init__(self) -> None:
        # Its import asks the network for a newer version unless told not to.
        os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")
        try:
            import albumentations as A
        except ImportError:
            raise InputError(
                "Training on a frame set must find the package albumentations. Got no such package instead."
            ) from None
        self.change = A.Compose(
            [
                A.Affine(scale=(0.88, 1.14), translate_percent=(-0.04, 0.04), border_mode=1, p=0.6),
                A.RandomBrightnessContrast(0.15, 0.15, p=0.6),
                A.HueSaturationValue(hue_shift_limit=3, sat_shift_limit=12, val_shift_limit=6, p=0.4),
                A.OneOf([A.GaussianBlur(blur_limit=(3, 3)), A.MotionBlur(blur_limit=3)], p=0.2),
                A.GaussNoise(std_range=(0.005, 0.03), p=0.3),
                A.ImageCompression(quality_range=(70, 96), p=0.3),
            ],
            bbox_params=A.BboxParams(format="pascal_voc", label_fields=["row"]),
        )

    def begin(self, seed: int) -> None:
        """Start a batch: what follows hangs on ``seed`` alone."""
        self.change.set_random_seed(seed)

    def __call__(self, cut: _Cut) -> _Cut:
        changed = self.change(image=cut.pixels, bboxes=cut.boxes, row=np.arange(len(cut.boxes)))
        rows = [int(r) for r in changed["row"]]
        boxes = np.asarray(changed["bboxes"], np.float32).reshape(-1, 4)
        return _Cut(changed["image"], boxes, [cut.things[r] for r in rows], [cut.visible[r] for r in rows])
