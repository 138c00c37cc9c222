"""Empty ground: empty, held out, the same whoever draws it, and counted by its share of the field."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
import torch

from mission.mission_file import load_mission
from mission.recipe import load_recipe
from pipeline.detector import Detections
from pipeline.drawing import DrawnByWorkers
from pipeline.empty_ground import BATCH_CHIPS, NOTHING_EMPTY, EmptyChips, EmptyGround, decoys_on_chips, ground_reports
from pipeline.field import Field
from pipeline.training_data import TrainingData
from synth.chips import ChipBatch
from tests.pipeline.drawn_chips import boxes_in_chips

# A chip of 100 x 100 px at 10 cm shows a hundredth of a hectare.
FIELD = Field({"panel": 1.4, "person": 0.3}, 40.0, 0.1, (1000, 1000))


def batch(chips: int, rows=()) -> ChipBatch:
    made = boxes_in_chips(rows)
    made.image = torch.zeros(chips, 3, 100, 100, dtype=torch.uint8)
    return made


def one_each(images: torch.Tensor) -> list[Detections]:
    """A report of a panel at 0.6 and of a person at 0.3 in every image."""
    box = torch.tensor([[0.0, 0, 9, 9], [0, 0, 5, 9]])
    return [Detections(box, torch.tensor([0.6, 0.3]), torch.tensor([0, 1])) for _ in images]


def test_chips_count_by_the_share_of_the_field_that_they_stand_for():
    """Ten bare chips stand for 0.6 of the field, four with something for 0.4: a report on one of the first is worth 0.6 / 10 of a
    report a chip, on the second 0.4 / 4, and a hectare holds a hundred chips."""
    empty = EmptyChips((0.6, 0.4), iter([(0, batch(6)), (0, batch(4)), (1, batch(4))]))
    found = ground_reports(empty, FIELD, one_each)
    assert len(found.score) == 28 and found.hectares == pytest.approx(0.14)
    assert found.per_hectare[:20] == pytest.approx(6.0) and found.per_hectare[20:] == pytest.approx(10.0)
    # One report of either category on every chip: a hundred a hectare, however chips are shared out.
    assert found.per_hectare[found.category == 0].sum() == pytest.approx(100.0)
    assert found.unseen_per_hectare == pytest.approx((6.0 + 10.0) / 2)


def test_chips_that_hold_a_target_are_left_out():
    empty = EmptyChips((1.0,), iter([(0, batch(5, [(1, 0, 0, 9, 9), (1, 9, 9, 20, 20), (3, 0, 0, 9, 9)]))]))
    found = ground_reports(empty, FIELD, one_each)
    assert found.hectares == pytest.approx(0.03) and len(found.score) == 6
    assert (
        ground_reports(EmptyChips((1.0,), iter([(0, batch(1, [(0, 0, 0, 9, 9)]))])), FIELD, one_each) is NOTHING_EMPTY
    )


@pytest.mark.parametrize(("chip_px", "each", "share"), [(100, 1, 0.4), (200, 2, 0.8), (50, 1, 0.1)])
def test_as_many_other_things_as_on_the_field(chip_px, each, share):
    """40 a hectare are 0.4 on a hundredth of one: one each on two fifths of such chips, two on four fifths of larger ones."""
    assert decoys_on_chips(FIELD, chip_px) == (each, pytest.approx(share))
    assert decoys_on_chips(Field({}, None, 0.1, (1000, 1000)), chip_px) == (1, 0.0)


DATA = TrainingData(load_mission("harrow-fen"), load_recipe("demo-training"), seed=3)


def test_drawn_ground_is_empty_and_the_same_by_any_number_of_processes():
    ground = DATA.open_empty(64, 64)
    assert [part.batches for part in ground.parts] == [3, 1]
    assert sum(part.field_share for part in ground.parts) == pytest.approx(1.0)
    own = list(ground.drawn_by(ground).batches)
    assert [part for part, _ in own] == [0, 0, 0, 1] and all(len(chips.chip) == 0 for _, chips in own)
    with DrawnByWorkers(partial(DATA.open_empty, 64, 64), 2, BATCH_CHIPS, 64) as drawn:
        for (_, mine), (_, theirs) in zip(own, ground.drawn_by(drawn).batches, strict=True):
            assert torch.equal(mine.image, theirs.image)


def test_empty_ground_is_not_that_of_the_held_out_chips():
    own = DATA.open_empty(64, 16).batch(BATCH_CHIPS).image.float()
    others = DATA.open("validation", 64, None, "cpu").batch(BATCH_CHIPS).image.float()
    assert float((own[:, None] - others[None]).abs().mean((2, 3, 4)).min()) > 3.0


def test_batches_beyond_the_last_are_refused():
    ground = EmptyGround(DATA.open_empty(64, 16).parts)
    with pytest.raises(IndexError):
        ground.part_of(ground.batches)
    assert np.isclose(NOTHING_EMPTY.hectares, 0.0)
