"""The chips of one part's training: held-out ones first, then training chips without end, drawn on CPU cores."""

from __future__ import annotations

from functools import partial

import torch

from mission.model_file import TrainingSettings
from pipeline.drawing import DrawnByWorkers, FirstThen, draw_many
from pipeline.reservoir import DrawnAhead, select_chips
from pipeline.training_data import TrainingData
from synth.chips import ChipBatch

DRAWN_AT_A_TIME = 32


def chips_a_draw(settings: TrainingSettings) -> int:
    """How many chips are drawn at a time: few enough for the first ones to come soon."""
    return min(settings.batch, DRAWN_AT_A_TIME)


def _held_out_draws(settings: TrainingSettings) -> int:
    return -(-settings.validation_chips // chips_a_draw(settings))


def open_in_turn(data: TrainingData, settings: TrainingSettings, focus: str | None, first_batch: int = 0) -> FirstThen:
    """The source itself, as each process opens it; training begins with the batch of number ``first_batch``."""
    held_out, training = (data.open(purpose, settings.chip_px, focus, "cpu") for purpose in ("validation", "training"))
    return FirstThen(held_out, _held_out_draws(settings), training, first_batch)


def open_supply(
    data: TrainingData,
    settings: TrainingSettings,
    focus: str | None,
    draw_workers: int,
    *,
    first_batch: int = 0,
    pinned: bool = False,
) -> DrawnAhead | DrawnByWorkers:
    """Start drawing: in so many processes, in a thread where there are none."""
    if draw_workers == 0:
        return DrawnAhead(open_in_turn(data, settings, focus, first_batch))
    opener = partial(open_in_turn, data, settings, focus, first_batch)
    return DrawnByWorkers(opener, draw_workers, chips_a_draw(settings), settings.chip_px, pinned=pinned)


def held_out_of(source: DrawnAhead | DrawnByWorkers, settings: TrainingSettings) -> ChipBatch:
    """The held-out chips, which come first."""
    drawn = draw_many(source, _held_out_draws(settings), chips_a_draw(settings))
    return select_chips(drawn, torch.arange(settings.validation_chips))


def real_held_out(data: TrainingData, settings: TrainingSettings, focus: str | None) -> ChipBatch | None:
    """Held-out chips of the real frames; None where there are none."""
    source = data.open_real("validation", settings.chip_px, focus, "cpu")
    return None if source is None else source.batch(settings.validation_chips)
