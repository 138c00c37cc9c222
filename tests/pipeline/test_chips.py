"""Chips cut from frame sets on disk."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import torch
from PIL import Image
from torchvision.ops import box_iou

from mission.errors import InputError
from mission.frame_set import Frame, FrameSet, OtherThing, Thing, read_frame_set, write_truth
from mission.vocabulary import ATTRIBUTES, CATEGORIES
from pipeline.chips import FrameSetChips, cut_chip
from pipeline.frame_split import split_frames
from synth.other_things import OTHER
from tests.pipeline.drawn_chips import DrawnChips


def drawn_frame_set(folder, vocabulary, frames: int = 6, side: int = 200, seed: int = 0) -> FrameSet:
    """A valid frame set of drawn panels, one a frame; two frames share a background."""
    chips = DrawnChips(vocabulary, seed=seed, chip_px=side, focus="panel").batch(frames)
    (folder / "frames").mkdir(parents=True)
    found = []
    for n in range(frames):
        Image.fromarray(chips.image[n].permute(1, 2, 0).numpy()).save(folder / "frames" / f"{n}.png")
        x0, y0, x1, y1 = chips.box_px[n].tolist()
        names = {a: vocabulary.values(a)[i] for a, i in zip(ATTRIBUTES, chips.attributes[n].tolist(), strict=True)}
        thing = Thing(n + 1, "panel", (x0, y0, x1 - x0, y1 - y0), (x1 - x0) * (y1 - y0), None, names, f"object {n}",
                      None, 1.0, float(chips.mark_turn_deg[n]))  # fmt: skip
        found.append(Frame(n + 1, f"frames/{n}.png", side, side, None, f"run {n // 2}", f"field {n // 2}", (thing,)))
    frame_set = FrameSet(folder, "rendered", tuple(found), (), {4: "person", 9: "panel"})
    write_truth(folder, frame_set)
    return frame_set


@pytest.fixture
def folder(tmp_path, mission_vocabulary):
    drawn_frame_set(tmp_path / "set", mission_vocabulary)
    return tmp_path / "set"


def test_a_batch_has_the_promised_shapes(folder, mission_vocabulary):
    batch = FrameSetChips(folder, mission_vocabulary, chip_px=96, seed=1).batch(10)
    n = len(batch.chip)
    assert batch.image.shape == (10, 3, 96, 96) and batch.image.dtype == torch.uint8
    assert n > 0 and batch.box_px.shape == (n, 4) and batch.attributes.shape == (n, 4)
    assert (batch.box_px >= 0).all() and (batch.box_px <= 96).all()
    assert (batch.box_px[:, 2:] > batch.box_px[:, :2]).all()
    assert set(batch.category.tolist()) == {CATEGORIES.index("panel")}


def test_pixels_and_boxes_are_those_of_the_frame(folder, mission_vocabulary):
    frame_set = read_frame_set(folder)
    frame = frame_set.frames[2]
    pixels = np.asarray(Image.open(frame_set.path_of(frame)))
    cut = cut_chip(frame, pixels, np.array([100.0, 90.0]), 64)
    assert np.array_equal(cut.pixels, pixels[58:122, 68:132])
    x, y, w, h = frame.things[0].bbox_px
    expected = np.clip([x - 68, y - 58, x + w - 68, y + h - 58], 0, 64)
    assert np.allclose(cut.boxes[0], expected, atol=1e-3)
    share = np.prod(expected[2:] - expected[:2]) / (w * h)
    assert cut.visible[0] == pytest.approx(share, rel=1e-3)


def test_every_focused_chip_has_a_panel_near_its_middle(folder, mission_vocabulary):
    source = FrameSetChips(folder, mission_vocabulary, chip_px=128, seed=2, focus="panel", augment=False)
    batch = source.batch(16)
    assert sorted(set(batch.chip.tolist())) == list(range(16))
    centre = (batch.box_px[:, :2] + batch.box_px[:, 2:]) / 2
    assert ((centre - 64).abs() < 30).all()


def test_augmented_boxes_stay_on_their_panels(folder, mission_vocabulary):
    """The flat paint of each drawn panel must still be found inside its augmented box and hardly outside it."""
    frame_set = read_frame_set(folder)
    frame = frame_set.frames[0]
    pixels = np.full((200, 200, 3), 90, np.uint8)
    pixels[60:100, 70:130] = (250, 250, 250)
    Image.fromarray(pixels).save(frame_set.path_of(frame))
    thing = Thing(1, "panel", (70.0, 60.0, 60.0, 40.0), 2400.0)
    lone = FrameSet(frame_set.folder, "rendered", (Frame(1, frame.file_name, 200, 200, things=(thing,)),))
    batch = FrameSetChips(lone, mission_vocabulary, chip_px=160, seed=3, focus="panel").batch(24)
    sides = []
    for n in range(24):
        bright = batch.image[n].float().mean(0) > 190
        y, x = torch.nonzero(bright, as_tuple=True)
        x0, y0, x1, y1 = batch.box_px[batch.chip == n][0].tolist()
        assert abs(float(x.min()) - x0) < 3 and abs(float(y.max()) + 1 - y1) < 3
        assert abs(float(x.max()) + 1 - x1) < 3 and abs(float(y.min()) - y0) < 3
        sides.append(x1 - x0)
    assert max(sides) - min(sides) > 4  # and the scale did vary


def test_a_panel_larger_than_a_chip_is_shown_whole(folder, mission_vocabulary):
    """A white square of 150 px in chips of 96 px: shrunk to three fifths of the chip, and the box with it."""
    frame = read_frame_set(folder).frames[0]
    pixels = np.full((200, 200, 3), 90, np.uint8)
    pixels[30:180, 20:170] = 250
    Image.fromarray(pixels).save(folder / frame.file_name)
    thing = Thing(1, "panel", (20.0, 30.0, 150.0, 150.0), 22500.0)
    lone = FrameSet(folder, "photographed", (Frame(1, frame.file_name, 200, 200, things=(thing,)),))
    batch = FrameSetChips(lone, mission_vocabulary, chip_px=96, focus="panel", augment=False).batch(4)
    assert batch.visible.tolist() == pytest.approx([1.0] * 4)
    for image, box in zip(batch.image, batch.box_px, strict=True):
        y, x = torch.nonzero(image.float().mean(0) > 170, as_tuple=True)
        seen = torch.stack([x.min(), y.min(), x.max() + 1, y.max() + 1]).float()
        assert torch.allclose(seen, box, atol=1.0) and float(box[2] - box[0]) == pytest.approx(0.6 * 96, abs=1)


def test_unknown_attributes_and_foreign_words_are_minus_one(folder, mission_vocabulary):
    attributes = {"shape": "circle", "panel_colour": None, "mark": "Q", "mark_colour": "red"}
    thing = Thing(1, "panel", (80.0, 80.0, 40.0, 40.0), 1600.0, attributes=attributes)
    person = Thing(2, "person", (20.0, 20.0, 30.0, 30.0), 900.0, attributes={"shape": "circle"})
    other = Thing(3, "bicycle", (20.0, 80.0, 30.0, 30.0), 900.0)
    lone = FrameSet(folder, "photographed", (Frame(1, "frames/0.png", 200, 200, things=(thing, person, other)),))
    batch = FrameSetChips(lone, mission_vocabulary, chip_px=192, seed=0, augment=False).batch(1)
    rows = dict(zip(batch.category.tolist(), batch.attributes.tolist(), strict=True))
    colours, shapes = mission_vocabulary.colours, mission_vocabulary.shapes
    assert rows == {0: [shapes.index("circle"), -1, -1, colours.index("red")], 1: [-1, -1, -1, -1]}
    assert all(math.isnan(turn) for turn in batch.mark_turn_deg.tolist())


def test_a_frame_smaller_than_a_chip_is_filled_with_its_edge(mission_vocabulary):
    frame = Frame(1, "x.png", 40, 30, things=(Thing(1, "panel", (5.0, 5.0, 20.0, 20.0), 400.0),))
    pixels = np.random.default_rng(0).integers(0, 255, (30, 40, 3), dtype=np.uint8)
    cut = cut_chip(frame, pixels, np.array([20.0, 15.0]), 64)
    assert cut.pixels.shape == (64, 64, 3) and cut.boxes[0].tolist() == [5, 5, 25, 25]
    assert (cut.pixels[29:, 50] == pixels[29, 39]).all()


def test_splits_keep_backgrounds_together(folder):
    frame_set = read_frame_set(folder)
    training, held_out = split_frames(frame_set, seed=0)
    assert {f.background for f in training}.isdisjoint({f.background for f in held_out})
    assert len(training) + len(held_out) == 6 and len(held_out) == 2
    assert split_frames(frame_set, seed=0) == (training, held_out)
    lone = FrameSet(frame_set.folder, "rendered", frame_set.frames[:2])
    assert split_frames(lone, 0) == (list(lone.frames), list(lone.frames))


def test_one_seed_cuts_the_same_chips(folder, mission_vocabulary):
    first, second, other = (FrameSetChips(folder, mission_vocabulary, chip_px=96, seed=s).batch(6) for s in (4, 4, 5))
    assert torch.equal(first.image, second.image) and torch.equal(first.box_px, second.box_px)
    assert not torch.equal(first.image, other.image)


def test_faulty_sets_are_refused_in_a_sentence(folder, mission_vocabulary):
    frame_set = read_frame_set(folder)
    with pytest.raises(InputError, match="must hold a frame"):
        FrameSetChips(FrameSet(folder, "rendered", ()), mission_vocabulary)
    bare = FrameSet(folder, "rendered", (Frame(1, "frames/0.png", 200, 200),))
    with pytest.raises(InputError, match="must hold a frame with a panel"):
        FrameSetChips(bare, mission_vocabulary, focus="panel")
    Image.new("RGB", (50, 50)).save(frame_set.path_of(frame_set.frames[0]))
    with pytest.raises(InputError, match="must be 200 x 200 px as its truth says"):
        FrameSetChips(folder, mission_vocabulary, chip_px=96, only=frame_set.frames[:1]).batch(2)
    frame_set.path_of(frame_set.frames[1]).write_bytes(b"not an image")
    with pytest.raises(InputError):
        FrameSetChips(folder, mission_vocabulary, chip_px=96, only=frame_set.frames[1:2]).batch(2)


def test_other_things_take_the_place_of_panels_in_focused_chips_only(folder, mission_vocabulary):
    """Half the focused chips lie around a thing that the truth names or bare ground, and no such box meets a panel."""
    frame_set = read_frame_set(folder)
    stone = OtherThing("stone", (150.0, 20.0, 30.0, 20.0))
    frames = tuple(replace(frame, other_things=(stone,)) for frame in frame_set.frames)
    named = replace(frame_set, frames=frames)
    whole = FrameSetChips(named, mission_vocabulary, chip_px=96, seed=2, focus="panel", other_share=0.5, augment=False)
    batch = whole.batch(40)
    others = batch.category == OTHER
    assert 8 <= int(others.sum()) <= 24 and (batch.attributes[others] == -1).all()
    panels = batch.category == 0
    for n in torch.nonzero(others)[:, 0].tolist():
        beside = batch.box_px[panels & (batch.chip == batch.chip[n])]
        assert (box_iou(batch.box_px[n : n + 1], beside) == 0).all()
    detector = FrameSetChips(named, mission_vocabulary, chip_px=96, seed=2, other_share=0.5, augment=False).batch(40)
    assert not (detector.category == OTHER).any()
