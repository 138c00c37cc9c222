"""The second look: scores joined as promised, and trusted only where it helps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import MappingProxyType, SimpleNamespace

import numpy as np
import pytest
import torch

from mission.mission_file import load_mission
from mission.model_file import ReaderSettings
from mission.vocabulary import ATTRIBUTES
from pipeline import second_look
from pipeline.detector import Detections
from pipeline.empty_ground import EmptyChips
from pipeline.field import Field
from pipeline.frame_reader import FrameReader
from pipeline.frames_to_read import FrameToRead
from pipeline.readers import Readers
from pipeline.second_look import joined, look_from, rescored, settle, worth_a_look
from tests.pipeline.drawn_chips import DrawnChips
from tests.pipeline.painted_flight import VOCABULARY


def test_joined_scores_by_hand():
    """Geometric means: 0.9^0.6 0.1^0.4, and a weight of 0 changes nothing; NaN keeps the detector's score."""
    score, look = np.array([0.9, 0.2, 0.04]), np.array([0.1, 0.8, np.nan])
    assert joined(score, look, 0.4) == pytest.approx([0.9**0.6 * 0.1**0.4, 0.2**0.6 * 0.8**0.4, 0.04])
    assert joined(score, look, 0.0) == pytest.approx(score)


def test_only_the_strongest_panels_above_a_low_bar_are_looked_at():
    score = np.linspace(0.9, 0.02, 100)
    rows = worth_a_look(score, np.arange(100) % 2 == 0, 2000 * 1500)
    assert (rows % 2 == 0).all() and (score[rows] >= 0.05).all() and len(rows) == 48
    many = worth_a_look(np.full(500, 0.5), np.ones(500, bool), 2000 * 1500)
    assert len(many) == 60  # of a frame of 2000 x 1500 px
    assert len(worth_a_look(np.full(500, 0.5), np.ones(500, bool), 100)) == 12


def test_rescored_detections_stay_in_order():
    found = Detections(torch.arange(12.0).view(3, 4), torch.tensor([0.9, 0.5, 0.4]), torch.tensor([0, 1, 0]))
    again = rescored(found, torch.tensor([0.01, float("nan"), 0.95]), 0.5)
    assert again.category.tolist() == [0, 1, 0] and again.box_px[0, 0] == 8 and again.box_px[2, 0] == 0
    assert (again.score[:-1] >= again.score[1:]).all()


FIELD = Field({"panel": 1.4, "person": 0.3}, 40.0, 0.1, (1000, 1000))


class Doubtful(torch.nn.Module):
    """A detector that finds every drawn panel at 0.5 and reports a place without one at 0.6."""

    def __init__(self, chips):
        super().__init__()
        self.chips, self.at = chips, 0

    def detect(self, images):
        found = []
        for n in range(self.at, self.at + len(images)):
            own = self.chips.box_px[self.chips.chip == n]
            box = torch.cat([torch.tensor([[2.0, 2, 26, 26]]), own])
            score = torch.tensor([0.6] + [0.5] * len(own))
            found.append(Detections(box, score, torch.zeros(len(box), dtype=torch.int64)))
        self.at += len(images)
        return found


def test_nothing_is_looked_at_that_could_not_reach_the_working_confidence():
    """0.7^(1 / 0.5) = 0.49 could reach 0.7 with a weight of a half; half of that is more than is ever passed over."""
    assert look_from(0.7, 0.5) == 0.15
    assert look_from(0.5, 0.5) == pytest.approx(0.125)
    assert look_from(0.4, 0.8) == 0.05
    assert look_from(0.02, 0.0) == 0.05
    for weight in (0.0, 0.3, 0.8):
        for working in (0.1, 0.4, 0.8):
            assert joined(np.array([look_from(working, weight)]), np.array([1.0]), weight)[0] <= max(
                working, 0.05 ** (1 - weight)
            )


@pytest.mark.parametrize("helpful", [True, False])
def test_a_second_look_is_trusted_where_it_helps_and_nowhere_else(helpful, mission_vocabulary, monkeypatch):
    chips = DrawnChips(mission_vocabulary, seed=3, chip_px=128).batch(20)
    readers = Readers(ReaderSettings(widths=(8, 16, 16), template_width=16, colour_width=16), mission_vocabulary)

    def look(_readers, _images, found, _temperature):
        wrong, right = (0.05, 0.9) if helpful else (0.9, 0.05)
        return [torch.tensor([wrong] + [right] * (len(one.score) - 1)) for one in found]

    monkeypatch.setattr(second_look, "looks_at", look)
    settled = settle(Doubtful(chips), readers, chips, 1.0, FIELD)
    assert settled.without["panel AP50"] < 0.7
    if helpful:
        # Among weights that do as well, the largest: drawn chips underrate the second look.
        assert settled.weight == max(second_look.WEIGHTS) and settled.figures["panel AP50"] > 0.95
    else:
        assert settled.weight == 0 and settled.figures["panel AP50"] == settled.without["panel AP50"]


def test_readers_that_saw_only_panels_are_not_asked(mission_vocabulary):
    chips = DrawnChips(mission_vocabulary, seed=3, chip_px=128).batch(6)
    readers = Readers(ReaderSettings(widths=(8, 16, 16), template_width=16, colour_width=16), mission_vocabulary)
    assert settle(Doubtful(chips), readers, chips, 1.0, FIELD, trained=False).weight == 0
    assert (
        0 <= settle(Doubtful(chips), readers, chips, 1.0, FIELD).weight < 1
    )  # the real path, through crops and network


class Blinking(Doubtful):
    """The same on the chips that it knows; of other ones it takes every second for a panel, at 0.45."""

    def detect(self, images):
        if self.at < len(self.chips.image):
            return super().detect(images)
        box, of_panels = torch.tensor([[2.0, 2, 26, 26]]), torch.zeros(1, dtype=torch.int64)
        return [Detections(box[: n % 2], torch.full((n % 2,), 0.45), of_panels[: n % 2]) for n in range(len(images))]


def test_working_confidences_are_those_of_the_field(mission_vocabulary):
    """Every panel at 0.5, one false report at 0.45 on every second empty chip: the field would drown in them."""
    chips = DrawnChips(mission_vocabulary, seed=3, chip_px=128).batch(20)
    readers = Readers(ReaderSettings(widths=(8, 16, 16), template_width=16, colour_width=16), mission_vocabulary)
    bare = DrawnChips(mission_vocabulary, seed=4, chip_px=128).batch(1).image.expand(40, -1, -1, -1)
    none = DrawnChips(mission_vocabulary, seed=4, chip_px=128).batch(1)
    empty = EmptyChips((1.0,), iter([(0, replace(none, image=bare))] * 40))
    sparse = settle(Blinking(chips), readers, chips, 1.0, FIELD, empty, trained=False).at_work["panel"]
    assert sparse.empty_hectares == pytest.approx(1600 * 128**2 * 0.01 / 1e4)
    assert sparse.confidence == pytest.approx(0.475) and sparse.recall == 1.0 and sparse.false_counted == 0
    blind = settle(Blinking(chips), readers, chips, 1.0, FIELD, trained=False).at_work
    assert blind["panel"].confidence == pytest.approx(0.25) and blind["panel"].recall == 1.0
    assert blind["panel"].empty_frames == 0.0 and np.isnan(blind["person"].recall) and blind["person"].confidence == 0.5


class TwoBoxes:
    """A bundle whose detector prefers the wrong one of two places, which its readers then put right."""

    name, categories, vocabulary, device, second_look_weight = "two", ("panel", "person"), VOCABULARY, "cpu", 0.5
    score_maps = MappingProxyType({})
    working_confidence = MappingProxyType({"panel": 0.4, "person": 0.4})

    def detect(self, tiles):
        box = torch.tensor([[10.0, 10, 40, 40], [60, 60, 90, 90], [5, 60, 40, 95], [60, 5, 90, 30]])
        score, category = torch.tensor([0.8, 0.6, 0.03, 0.5]), torch.tensor([0, 0, 0, 1])
        return [SimpleNamespace(box_px=box, score=score, category=category) for _ in tiles]

    def read_attributes(self, frame, box_px):
        tables = {name: torch.ones(len(box_px), len(self.vocabulary.values(name))) for name in ATTRIBUTES}
        for table in tables.values():
            table[:, 0] += (box_px[:, 0] > 50).float() * 9
        return {**tables, "panel": torch.where(box_px[:, 0] > 50, 0.95, 0.05)}


def test_sightings_carry_the_final_score_and_their_own_tables():
    reader = FrameReader(TwoBoxes(), None, {"panel": 1, "person": 2}, TwoBoxes.working_confidence)  # type: ignore[arg-type]
    frame = FrameToRead(1, Path("one.jpg"), "one.jpg", 96, 96, None, None)
    seen = reader.sightings(frame, np.zeros((96, 96, 3), np.uint8))
    assert [s.category_id for s in seen] == [1, 2, 1, 1]
    assert [s.bbox_px[0] for s in seen] == [60, 60, 10, 5]
    assert [s.score for s in seen] == pytest.approx([(0.6 * 0.95) ** 0.5, 0.5, (0.8 * 0.05) ** 0.5, 0.03], abs=1e-4)
    first, wrong = seen[0].attributes["shape"], seen[2].attributes["shape"]
    assert max(first.values()) > 2 * max(wrong.values()) and not seen[1].attributes and not seen[3].attributes


class SizeBound:
    """A bundle whose detector knows bright squares up to 100 px only: of larger ones it reports a corner."""

    name, categories, vocabulary, device, second_look_weight = "bound", ("panel", "person"), VOCABULARY, "cpu", 0.0
    score_maps = MappingProxyType({})
    working_confidence = MappingProxyType({"panel": 0.4, "person": 0.4})

    def detect(self, tiles):
        found = []
        for tile in tiles:
            rows, columns = torch.nonzero(tile[0] > 200).T
            x0, y0, x1, y1 = columns.min(), rows.min(), columns.max() + 1, rows.max() + 1
            large = int(x1 - x0) > 100
            box = torch.stack([x0, y0, x0 + 60, y0 + 60] if large else [x0, y0, x1, y1]).float()[None]
            score = torch.tensor([0.5 if large else 0.9])
            found.append(SimpleNamespace(box_px=box, score=score, category=torch.zeros(1, dtype=torch.int64)))
        return found

    def read_attributes(self, frame, box_px):
        return {name: torch.ones(len(box_px), len(self.vocabulary.values(name))) for name in ATTRIBUTES}


@pytest.mark.parametrize("side", [40, 150])
def test_a_photograph_of_unknown_scale_is_looked_at_shrunk_as_well(side):
    """One bright square gives one sighting, whole, whether it is of a size that was learnt or twice as large."""
    pixels = np.full((300, 400, 3), 60, np.uint8)
    pixels[100 : 100 + side, 120 : 120 + side] = 250
    reader = FrameReader(SizeBound(), None, {"panel": 1, "person": 2}, SizeBound.working_confidence)  # type: ignore[arg-type]
    frame = FrameToRead(1, Path("one.jpg"), "one.jpg", 400, 300, None, None)
    assert [s.bbox_px for s in reader.sightings(frame, pixels)] == [(120, 100, side, side)]
    mission = load_mission("harrow-fen")  # 1.5 cm a pixel: its panels are of a size that was learnt
    known = FrameReader(SizeBound(), mission, {"panel": 1, "person": 2}, SizeBound.working_confidence)  # type: ignore[arg-type]
    assert known._too_fine(mission.ground_sample_distance_m) is False
    assert known._too_fine(0.004) and known._too_fine(None)
