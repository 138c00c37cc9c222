"""Chips used again: counted, turned with their truth, lit anew."""

from __future__ import annotations

import torch

from pipeline.reservoir import DrawnAhead, Reservoir, change_light, cut_windows, join_chips, select_chips, turn_chips
from tests.pipeline.drawn_chips import DrawnChips


def square_of_light(chips):
    """The bounding box of what is bright in the first chip."""
    y, x = torch.nonzero(chips.image[0].float().mean(0) > 200, as_tuple=True)
    return [int(x.min()), int(y.min()), int(x.max()) + 1, int(y.max()) + 1]


def one_bright_box(mission_vocabulary):
    chips = DrawnChips(mission_vocabulary, seed=0, focus="panel").batch(1)
    chips.image[:] = 40
    chips.image[0, :, 10:30, 50:110] = 250
    chips.box_px[0] = torch.tensor([50.0, 10, 110, 30])
    return chips


def test_truth_turns_with_the_picture(mission_vocabulary):
    chips = one_bright_box(mission_vocabulary)
    for quarters in range(4):
        for mirrored in (False, True):
            turned = turn_chips(chips, quarters, mirrored)
            assert turned.box_px[0].tolist() == square_of_light(turned), (quarters, mirrored)


def test_four_quarters_are_none_and_the_mark_turns_against_the_clock(mission_vocabulary):
    chips = one_bright_box(mission_vocabulary)
    again = chips
    for _ in range(4):
        again = turn_chips(again, 1, False)
    assert torch.equal(again.image, chips.image)
    assert torch.allclose(again.mark_turn_deg % 360, chips.mark_turn_deg % 360)
    once = turn_chips(chips, 1, False)
    assert torch.allclose(once.mark_turn_deg, (chips.mark_turn_deg - 90) % 360)


def test_a_mirrored_mark_is_forgotten(mission_vocabulary):
    chips = one_bright_box(mission_vocabulary)
    mirrored = turn_chips(chips, 0, True)
    assert mirrored.attributes[0, 2] == -1 and torch.isnan(mirrored.mark_turn_deg).all()
    assert chips.attributes[0, 2] >= 0  # the chip itself is as it was


def test_selecting_and_joining_keep_objects_with_their_chips(mission_vocabulary):
    chips = DrawnChips(mission_vocabulary, seed=1).batch(12)  # chips 0 and 10 are empty
    chosen = select_chips(chips, torch.tensor([11, 0, 3]))
    assert chosen.chip.tolist() == [2, 0] or sorted(chosen.chip.tolist()) == [0, 2]
    of_last = chips.box_px[chips.chip == 11]
    assert torch.equal(chosen.box_px[chosen.chip == 0], of_last)
    both = join_chips(chosen, chosen)
    assert len(both.image) == 6 and sorted(both.chip.tolist()) == [0, 2, 3, 5]


def test_no_chip_is_used_more_often_than_allowed(mission_vocabulary, monkeypatch):
    class Numbered:
        """Each chip is grey, its level the chip's own number."""

        def __init__(self):
            self.made = 0
            self.chip = DrawnChips(mission_vocabulary, seed=2, chip_px=64)

        def batch(self, n):
            chips = self.chip.batch(n)
            chips.image[:] = torch.arange(self.made, self.made + n, dtype=torch.uint8)[:, None, None, None]
            self.made += n
            return chips

    reservoir = Reservoir(Numbered(), capacity=24, uses_per_chip=3, mirrored=False, seed=0)
    monkeypatch.setattr("pipeline.reservoir.change_light", lambda image, generator: image)
    seen: dict[int, int] = {}
    for _ in range(40):
        for number in reservoir.batch(8).image[:, 0, 0, 0].tolist():
            seen[number] = seen.get(number, 0) + 1
    assert max(seen.values()) == 3
    assert sum(seen.values()) == 320
    assert reservoir.drawn <= 320 / 3 + 24 + 8  # a third as many chips as uses, and what is still at hand
    assert len(reservoir.uses) <= 24


def test_light_changes_little_and_stays_in_range(mission_vocabulary):
    chips = DrawnChips(mission_vocabulary, seed=3).batch(16)
    lit = change_light(chips.image, torch.Generator().manual_seed(0))
    assert lit.dtype == torch.float32 and lit.min() >= 0 and lit.max() <= 255
    ratio = lit.mean((1, 2, 3)) / chips.image.float().mean((1, 2, 3))
    assert (ratio > 0.6).all() and (ratio < 1.6).all() and float(ratio.std()) > 0.02


def test_batches_repeat_for_a_seed(mission_vocabulary):
    def first():
        source = DrawnChips(mission_vocabulary, seed=5, chip_px=64)
        return Reservoir(source, capacity=16, uses_per_chip=4, mirrored=True, seed=1).batch(8)

    assert torch.equal(first().image, first().image)


def test_windows_hold_an_object_and_their_boxes_lie_on_it(mission_vocabulary):
    """Bright squares on dark chips: every window's box must be the bounding box of what is bright in it."""
    chips = DrawnChips(mission_vocabulary, seed=6, chip_px=128).batch(12)  # chips 0 and 10 are empty
    chips.image[:] = 30
    chips.box_px = chips.box_px.round()
    for chip, box in zip(chips.chip.tolist(), chips.box_px.int().tolist(), strict=True):
        chips.image[chip, :, box[1] : box[3], box[0] : box[2]] = 240
    windows = cut_windows(chips, 80, torch.Generator().manual_seed(0))
    assert windows.image.shape == (12, 3, 80, 80)
    assert sorted(windows.chip.tolist()) == sorted(chips.chip.tolist())
    for row, chip in enumerate(windows.chip.tolist()):
        y, x = torch.nonzero(windows.image[chip, 0] > 200, as_tuple=True)
        seen = [int(x.min()), int(y.min()), int(x.max()) + 1, int(y.max()) + 1]
        assert windows.box_px[row].tolist() == seen
        before = chips.box_px[chips.chip == chip][0]
        share = len(x) / float((before[2] - before[0]) * (before[3] - before[1]))
        assert abs(float(windows.visible[row]) - share) < 1e-5
    assert cut_windows(chips, 128, torch.Generator()) is chips


class Numbered:
    """A source whose n-th batch is filled with n."""

    def __init__(self, vocabulary):
        self.plain, self.drawn = DrawnChips(vocabulary, seed=0), 0

    def batch(self, n):
        chips = self.plain.batch(n)
        chips.image[:] = self.drawn
        self.drawn += 1
        return chips


def test_drawing_ahead_keeps_the_order_and_takes_another_size(mission_vocabulary):
    ahead = DrawnAhead(Numbered(mission_vocabulary))
    seen = [int(ahead.batch(2).image[0, 0, 0, 0]) for _ in range(3)]
    assert seen == [0, 1, 2]
    assert len(ahead.batch(3).image) == 3
    ahead.close()
