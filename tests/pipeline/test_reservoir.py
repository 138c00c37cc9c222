"""Chips used again: counted, turned with their truth, lit anew."""

from __future__ import annotations

import numpy as np
import torch

from pipeline.reservoir import (
    DrawnAhead,
    Looks,
    Objects,
    Reservoir,
    change_light,
    choose_looks,
    join_chips,
    objects_seen,
    pixels_at_once,
    pixels_one_by_one,
    select_chips,
)
from tests.pipeline.drawn_chips import DrawnChips


def square_of_light(image):
    """The bounding box of what is bright in a chip [3, S, S]."""
    y, x = torch.nonzero(image.float().mean(0) > 200, as_tuple=True)
    return [int(x.min()), int(y.min()), int(x.max()) + 1, int(y.max()) + 1]


def bright_boxes(mission_vocabulary, count=12, **options):
    """Bright boxes on dark chips, chips 0 and 10 being empty unless ``focus`` is given."""
    chips = DrawnChips(mission_vocabulary, seed=6, **options).batch(count)
    chips.image[:] = 30
    chips.box_px = chips.box_px.round()
    for chip, box in zip(chips.chip.tolist(), chips.box_px.int().tolist(), strict=True):
        chips.image[chip, :, box[1] : box[3], box[0] : box[2]] = 240
    return chips


def looks_of(quarters, mirrored, side=128, corner=None):
    corner = np.zeros((len(quarters), 2), np.int64) if corner is None else np.asarray(corner)
    return Looks(side, corner, np.asarray(quarters), np.asarray(mirrored))


def seen(chips, looks):
    """Every chip as it is looked at."""
    pixels = pixels_one_by_one(chips.image, np.arange(len(chips.image)), looks)
    return objects_seen(Objects.of(chips), looks).on(torch.device("cpu"), pixels)


def test_truth_turns_with_the_picture_each_chip_in_its_own_way(mission_vocabulary):
    chips = bright_boxes(mission_vocabulary, 8, focus="panel")
    turned = seen(chips, looks_of([0, 1, 2, 3] * 2, [False] * 4 + [True] * 4))
    for row, chip in enumerate(turned.chip.tolist()):
        assert turned.box_px[row].tolist() == square_of_light(turned.image[chip]), chip
    assert not torch.equal(turned.image[1], chips.image[1])


def test_pictures_turn_as_torch_turns_them(mission_vocabulary):
    """torch.rot90 and flip are the outside measure of what a quarter turn is."""
    image = DrawnChips(mission_vocabulary, seed=0).batch(8).image
    pixels = pixels_one_by_one(image, np.arange(8), looks_of([0, 1, 2, 3] * 2, [False] * 4 + [True] * 4))
    for chip in range(8):
        expected = torch.rot90(image[chip], chip % 4, (-2, -1))
        assert torch.equal(pixels[chip], expected.flip(-1) if chip >= 4 else expected)


def test_all_chips_at_once_are_the_chips_one_by_one(mission_vocabulary):
    """What a GPU gathers in one go against the plain way, whatever window, turn, mirror and order."""
    image = DrawnChips(mission_vocabulary, seed=0, chip_px=64).batch(9).image
    rng = np.random.default_rng(0)
    index = rng.integers(9, size=40)
    looks = Looks(48, rng.integers(0, 17, (40, 2)), rng.integers(4, size=40), rng.random(40) < 0.5)
    assert torch.equal(pixels_at_once(image, index, looks), pixels_one_by_one(image, index, looks))


def test_four_quarters_are_none_and_the_mark_turns_against_the_clock(mission_vocabulary):
    chips = bright_boxes(mission_vocabulary, 1, focus="panel")
    again = chips
    for _ in range(4):
        again = seen(again, looks_of([1], [False]))
    assert torch.equal(again.image, chips.image)
    assert torch.allclose(again.mark_turn_deg % 360, chips.mark_turn_deg % 360, atol=1e-3)
    once = seen(chips, looks_of([1], [False]))
    assert torch.allclose(once.mark_turn_deg, (chips.mark_turn_deg - 90) % 360, atol=1e-3)


def test_a_mirrored_mark_is_forgotten(mission_vocabulary):
    chips = bright_boxes(mission_vocabulary, 1, focus="panel")
    mirrored = seen(chips, looks_of([0], [True]))
    assert mirrored.attributes[0, 2] == -1 and torch.isnan(mirrored.mark_turn_deg).all()
    assert mirrored.attributes[0, 0] == chips.attributes[0, 0]
    assert chips.attributes[0, 2] >= 0  # the chip itself is as it was


def test_every_turn_and_both_hands_come_up_in_one_batch(mission_vocabulary):
    chips = DrawnChips(mission_vocabulary, seed=1).batch(8)
    looks = choose_looks(Objects.of(chips), 400, 128, 128, True, np.random.default_rng(0))
    assert np.bincount(looks.quarters).min() > 70
    assert 150 < looks.mirrored.sum() < 250
    assert not choose_looks(Objects.of(chips), 400, 128, 128, False, np.random.default_rng(0)).mirrored.any()


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
    assert reservoir.image is not None and len(reservoir.image) == 24


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
    chips = bright_boxes(mission_vocabulary)  # chips 0 and 10 are empty
    looks = choose_looks(Objects.of(chips), 12, 128, 80, True, np.random.default_rng(0))
    windows = seen(chips, looks)
    assert windows.image.shape == (12, 3, 80, 80)
    assert sorted(windows.chip.tolist()) == sorted(chips.chip.tolist())
    for row, chip in enumerate(windows.chip.tolist()):
        assert windows.box_px[row].tolist() == square_of_light(windows.image[chip])
        before = chips.box_px[chips.chip == chip][0]
        share = int((windows.image[chip, 0] > 200).sum()) / float((before[2] - before[0]) * (before[3] - before[1]))
        assert abs(float(windows.visible[row]) - share) < 1e-5


def test_what_lies_outside_a_window_is_left_out(mission_vocabulary):
    chips = bright_boxes(mission_vocabulary, 1, focus="panel")
    x0, y0, _, _ = chips.box_px[0].tolist()
    beside = looks_of([0], [False], side=16, corner=[[int(x0) - 16, int(y0) - 16]])
    assert len(seen(chips, beside).chip) == 0


class Ready:
    """Drawn chips of which some are ready now."""

    def __init__(self, vocabulary, at_once):
        self.plain, self.at_once, self.number = DrawnChips(vocabulary, seed=0, chip_px=64), at_once, 0

    def ready(self):
        return self.at_once > 0

    def batch(self, n):
        self.at_once -= 1
        self.number += 1
        return self.plain.batch(n)


def test_a_gpu_takes_what_is_ready_and_uses_old_chips_again_rather_than_wait(mission_vocabulary):
    source = Ready(mission_vocabulary, at_once=0)
    reservoir = Reservoir(source, capacity=16, uses_per_chip=2, mirrored=True, seed=0, draw_chips=4, as_they_come=True)
    for _ in range(10):
        assert len(reservoir.batch(8).image) == 8
    assert reservoir.drawn == 8 and reservoir.given / reservoir.drawn == 10  # far beyond two uses each
    source.at_once = 100
    reservoir.batch(8)
    assert reservoir.drawn == 24  # all places are filled anew, and no more drawn than there are places
    before = source.number
    assert len(reservoir.batch(5).image) == 5  # half a batch, after running out of memory
    assert source.number == before  # no chip is thrown away before it was used


def test_a_gpu_waits_for_an_eighth_of_the_pool_first(mission_vocabulary):
    reservoir = Reservoir(
        Ready(mission_vocabulary, at_once=0), capacity=80, uses_per_chip=4, mirrored=False, seed=0, draw_chips=4,
        as_they_come=True,
    )  # fmt: skip
    reservoir.batch(2)
    assert reservoir.drawn == 12


def test_a_pool_goes_on_where_another_was(mission_vocabulary):
    source = Ready(mission_vocabulary, at_once=0)
    reservoir = Reservoir(source, capacity=16, uses_per_chip=2, mirrored=True, seed=0, draw_chips=4)
    for _ in range(5):
        reservoir.batch(8)
    again = Reservoir(Ready(mission_vocabulary, 0), capacity=16, uses_per_chip=2, mirrored=True, seed=0, draw_chips=4)
    again.go_to(reservoir.place())
    assert again.source.number == source.number and again.place() == reservoir.place()


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


def test_drawing_ahead_goes_to_another_number(mission_vocabulary):
    class ByNumber(Numbered):
        number = 0

        def batch(self, n):
            self.drawn = self.number
            self.number += 1
            return super().batch(n)

    ahead = DrawnAhead(ByNumber(mission_vocabulary))
    ahead.batch(2)
    ahead.number = 7
    assert int(ahead.batch(2).image[0, 0, 0, 0]) == 7 and ahead.number == 8
    ahead.close()
