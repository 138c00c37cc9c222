"""What is done to fresh chips on request: hard negatives and the exchange of amplitudes."""

from __future__ import annotations

from dataclasses import replace

import pytest
import torch
from torch import nn

from mission.mission_file import load_mission
from mission.model_file import HeatMapSettings, ModelFile, ReaderSettings, TrainingSettings
from mission.recipe import Recipe
from pipeline.amplitude_exchange import AmplitudeExchange, exchange_amplitudes
from pipeline.bundle import build_detector
from pipeline.detector import Detections
from pipeline.hard_negatives import HardNegatives, surest_false_report
from pipeline.reservoir import Reservoir
from pipeline.tasks import Job, changes_of_chips
from pipeline.training import Budget
from pipeline.training_data import TrainingData
from synth.chips import ChipBatch
from tests.pipeline.drawn_chips import DrawnChips, boxes_in_chips


class BrightIsAPanel(nn.Module):
    """A detector as sure as a chip is bright."""

    def detect(self, images: torch.Tensor) -> list[Detections]:
        found = []
        for image in images:
            score = image.float().mean().reshape(1) / 255
            found.append(Detections(torch.tensor([[2.0, 2, 9, 9]]), score, torch.zeros(1, dtype=torch.int64)))
        return found


class Grey:
    """Empty chips of growing brightness, without end."""

    def __init__(self) -> None:
        self.level = 0

    def batch(self, n: int, /) -> ChipBatch:
        levels = (torch.arange(n) + self.level) % 256
        self.level += n
        return empty(levels.to(torch.uint8)[:, None, None, None].expand(n, 3, 16, 16).contiguous())


def empty(image: torch.Tensor) -> ChipBatch:
    return replace(boxes_in_chips([]), image=image)


def test_the_chips_with_the_surest_false_reports_are_kept():
    kept = HardNegatives.mined(BrightIsAPanel(), Grey(), keep=48, share=1.0, seed=0)
    assert sorted(kept.image[:, 0, 0, 0].tolist()) == list(range(144, 192))


def test_a_chip_with_a_panel_is_no_negative(mission_vocabulary):
    chips = DrawnChips(mission_vocabulary, seed=3, chip_px=64).batch(11)  # the first of each ten is empty
    score = surest_false_report(BrightIsAPanel(), chips)
    assert (score > 0).nonzero()[:, 0].tolist() == [0, 10]


def test_hard_negatives_replace_empty_chips_only_and_the_same_ones_every_time(mission_vocabulary):
    source = DrawnChips(mission_vocabulary, seed=3, chip_px=64)
    fresh = source.batch(30)
    before = fresh.image.clone()
    hard = HardNegatives(torch.full((4, 3, 64, 64), 7, dtype=torch.uint8), 1.0, 0)
    changed = (hard(fresh, 5).image != before).flatten(1).any(1)
    assert changed.nonzero()[:, 0].tolist() == [0, 10, 20]
    some = [replace(hard, share=0.5)(empty(torch.zeros(40, 3, 64, 64, dtype=torch.uint8)), 9).image for _ in range(2)]
    assert torch.equal(*some) and 8 <= int((some[0][:, 0, 0, 0] == 7).sum()) <= 32


def test_exchange_by_hand():
    """Only the lowest amplitudes move: the mean follows the photograph, fine stripes and their phase stay."""
    side = 128
    stripes = 20 * torch.sin(torch.arange(side) * 2 * torch.pi / 8)
    own, real = (100 + stripes).expand(1, 3, side, side), torch.full((1, 3, side, side), 160.0)
    changed = exchange_amplitudes(own, real)
    assert torch.allclose(changed, own + 60.0, atol=1e-3)
    assert torch.allclose(exchange_amplitudes(own, own), own, atol=1e-3)


def test_exchange_is_the_formula_of_the_paper():
    """Yang & Soatto 2020, eq. 2-3, written out with shifted spectra and a square mask in numpy."""
    import numpy as np

    rng = np.random.default_rng(0)
    own, real = rng.uniform(80, 170, (2, 3, 100, 100))
    half = 5  # beta 0.05 of 100 px
    spectrum, other = (np.fft.fftshift(np.fft.fft2(p), axes=(1, 2)) for p in (own, real))
    amplitude = np.abs(spectrum)
    middle = slice(50 - half, 50 + half + 1)
    amplitude[:, middle, middle] = np.abs(other)[:, middle, middle]
    mixed = np.fft.ifft2(np.fft.ifftshift(amplitude * np.exp(1j * np.angle(spectrum)), axes=(1, 2))).real
    ours = exchange_amplitudes(torch.from_numpy(own)[None], torch.from_numpy(real)[None], 0.05)[0]
    assert np.allclose(ours.numpy(), mixed.clip(0, 255), atol=1e-2)


def test_a_share_of_the_chips_takes_on_the_photographs_tones_and_no_truth_changes(mission_vocabulary):
    fresh = DrawnChips(mission_vocabulary, seed=3, chip_px=64).batch(40)
    before = fresh.image.float().mean((1, 2, 3))
    photographs = torch.full((2, 3, 64, 64), 200, dtype=torch.uint8)
    exchange = AmplitudeExchange(photographs, 0.5, 1)
    boxes = fresh.box_px.clone()
    after = exchange(fresh, 3).image.float().mean((1, 2, 3))
    moved = (after - before).abs() > 20
    assert 10 <= int(moved.sum()) <= 30 and float(after[moved].mean()) > 180
    assert torch.equal(fresh.box_px, boxes)


def test_the_reservoir_makes_the_changes_to_fresh_chips():
    seen = []

    def darken(fresh: ChipBatch, number: int) -> ChipBatch:
        seen.append(number)
        return replace(fresh, image=torch.zeros_like(fresh.image))

    reservoir = Reservoir(Grey(), capacity=16, uses_per_chip=2, mirrored=False, seed=0, changes=[darken])
    assert float(reservoir.batch(8).image.max()) == 0.0 and seen[0] == 0 and seen == sorted(set(seen))


@pytest.mark.parametrize("part", ["detector", "readers"])
def test_a_model_file_asks_for_them(part, tmp_path):
    tiny = HeatMapSettings(stage_widths=(8, 8, 16, 16), stage_blocks=(0, 0, 1, 1), neck_width=16)
    training = TrainingSettings(chip_px=64, hard_negatives=8)
    model = ModelFile(detector=tiny, readers=ReaderSettings(), detector_training=training, reader_training=training)
    sand = {"kinds": {"sand": 1.0}, "extra_kinds": [0, 0], "structures": 0, "trees": 0, "tree_shade": 0}
    recipe = Recipe.model_validate({"name": "test", "format": "recipe/1", "ground": sand})
    data = TrainingData(load_mission("harrow-fen"), recipe)
    from_nothing = Job(part, model, data, Budget(steps=1), "cpu", tmp_path, 0)
    network = build_detector(tiny)
    assert changes_of_chips(from_nothing, network) == []
    changes = changes_of_chips(replace(from_nothing, start=tmp_path), network)
    if part == "readers":
        assert changes == []
    else:
        assert isinstance(changes[0], HardNegatives) and changes[0].image.shape == (8, 3, 64, 64)
