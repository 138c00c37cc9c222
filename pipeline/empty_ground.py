"""Empty ground, held out: chips without panel or person, with as many other things as lie on the field.

Chips for training hold a hundred times as many things to mistake as a field does. Here most chips are bare, a quarter hold
something else, and either part counts by its share of the field (stratified sampling): so a few hundred chips stand for
hectares without many of them being spent on bare ground alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from pipeline.detector import Detections
from pipeline.field import Field
from pipeline.reservoir import Source
from synth.chips import ChipBatch

# Of the empty chips, those that hold something else.
DECOYS_PART = 0.25
# Empty chips are batches of these numbers and on, so that they share no scene with the held-out chips of the same seed.
FIRST_BATCH = 1 << 20
BATCH_CHIPS = 16

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class EmptyPart:
    """One kind of empty ground: its share of the field and where its chips come from, ``batches`` of them."""

    field_share: float
    source: Source
    batches: int


def decoys_on_chips(field: Field, chip_px: int) -> tuple[int, float]:
    """How many other things a chip that holds some is given, and the share of the field that such chips stand for."""
    expected = (field.decoys_per_hectare or 0.0) * field.hectares(chip_px**2)
    each = max(1, math.ceil(expected))
    return each, expected / each


def batches_of(chips: int, share: float) -> int:
    """Batches for that share of so many chips, one at least."""
    return max(1, round(chips * share / BATCH_CHIPS))


class EmptyGround:
    """The parts one after the other, as a source: its n-th batch is the same whoever draws it.

    A part's n-th batch is its source's of number ``FIRST_BATCH`` + n.
    """

    def __init__(self, parts: Sequence[EmptyPart]) -> None:
        self.parts, self.number = tuple(parts), 0

    @property
    def batches(self) -> int:
        """How many batches there are."""
        return sum(part.batches for part in self.parts)

    def batch(self, n: int, /) -> ChipBatch:
        """The next n chips."""
        part, place = self.part_of(self.number)
        source = self.parts[part].source
        source.number = FIRST_BATCH + place  # type: ignore[attr-defined]
        self.number += 1
        return source.batch(n)

    def part_of(self, number: int) -> tuple[int, int]:
        """Number of the part to which a batch belongs, and its number there."""
        for part, one in enumerate(self.parts):
            if number < one.batches:
                return part, number
            number -= one.batches
        raise IndexError("there are no more batches of empty ground")

    def drawn_by(self, source: Source) -> EmptyChips:
        """All batches, drawn by ``source``: this one, or processes that draw it."""
        return EmptyChips(
            tuple(part.field_share for part in self.parts),
            ((self.part_of(number)[0], source.batch(BATCH_CHIPS)) for number in range(self.batches)),
        )


@dataclass(frozen=True)
class EmptyChips:
    """The share of the field of each part, and batches of chips with the number of their part."""

    field_shares: tuple[float, ...]
    batches: Iterable[tuple[int, ChipBatch]]


@dataclass(frozen=True)
class GroundReports:
    """What is reported on empty ground, M reports: score, category (row of CATEGORIES), and how many of such a report a hectare
    of the field would hold.

    ``unseen_per_hectare``: half a report in every part, which goes on top of whatever was counted: what was not seen on so
    much ground may be there all the same (the mean of a rate under Jeffreys' prior; H. Jeffreys, Theory of Probability,
    1961, sec. 3.1). ``hectares``: ground looked at.
    """

    score: Floats
    category: NDArray[np.int64]
    per_hectare: Floats
    unseen_per_hectare: float
    hectares: float


_NO_ROWS = np.zeros(0, np.int64)
NOTHING_EMPTY = GroundReports(np.zeros(0), _NO_ROWS, np.zeros(0), 0.0, 0.0)


def ground_reports(empty: EmptyChips, field: Field, find: Callable[[Tensor], Sequence[Detections]]) -> GroundReports:
    """What ``find`` reports in uint8 images [B, 3, S, S] of empty ground; chips that do hold a target are left out."""
    columns: list[tuple[Floats, NDArray[np.int64], NDArray[np.int64]]] = [(np.zeros(0), _NO_ROWS, _NO_ROWS)]
    chips, side = np.zeros(len(empty.field_shares), np.int64), 0
    for part, batch in empty.batches:
        is_empty = torch.ones(len(batch.image), dtype=torch.bool)
        is_empty[batch.chip] = False
        images = batch.image[is_empty]
        chips[part], side = chips[part] + len(images), int(images.shape[-1])
        for one in find(images) if len(images) else ():
            columns.append((one.score.double().numpy(), one.category.numpy(), np.full(len(one.score), part)))
    if not chips.any():
        return NOTHING_EMPTY
    # What a part without a chip stands for falls to the others.
    share = np.where(chips > 0, np.asarray(empty.field_shares, float), 0.0)
    weight = share / share.sum() / np.maximum(chips, 1) / field.hectares(side**2)
    score, category, part_of = (np.concatenate(column) for column in zip(*columns, strict=True))
    return GroundReports(
        score, category, weight[part_of], float(weight.sum() / 2), field.hectares(side**2) * int(chips.sum())
    )
