"""Hard negatives: chips without panel or person on which a trained detector errs most, shown to it again.

Going on from a bundle, the detector first looks at drawn chips that hold only ground and things that are no target; those
with the surest false report are kept and take the place of a share of the empty chips that are drawn afterwards (Sung &
Poggio, IEEE PAMI 20(1), 1998, called it bootstrapping).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor, nn

from pipeline.reservoir import Source
from pipeline.second_look import detections
from synth.chips import ChipBatch

# So many chips are looked at for each that is kept.
LOOKED_AT_PER_KEPT = 4
_DRAWN_AT_A_TIME = 32


def surest_false_report(detector: nn.Module, chips: ChipBatch) -> Tensor:
    """Highest score [B] that a detector gives to anything in each chip; 0 for chips that do hold an object."""
    found = detections(detector.eval(), chips.image)  # type: ignore[arg-type]
    score = torch.tensor([float(one.score.max()) if len(one.score) else 0.0 for one in found])
    score[chips.chip.cpu()] = 0.0
    return score


@dataclass(frozen=True)
class HardNegatives:
    """``image`` uint8 [K, 3, S, S]: chips to be shown in the place of ``share`` of the empty ones."""

    image: Tensor
    share: float
    seed: int

    @classmethod
    def mined(cls, detector: nn.Module, source: Source, keep: int, share: float, seed: int) -> HardNegatives:
        """The ``keep`` chips of ``source`` on which ``detector`` errs most, of four times as many."""
        was_training = detector.training
        images, scores = [], []
        for _ in range(-(-keep * LOOKED_AT_PER_KEPT // _DRAWN_AT_A_TIME)):
            chips = source.batch(_DRAWN_AT_A_TIME)
            scores.append(surest_false_report(detector, chips))
            # Of each batch no more than could be kept in the end is worth its memory.
            best = scores[-1].topk(min(keep, len(scores[-1]))).indices
            images.append(chips.image.cpu()[best])
            scores[-1] = scores[-1][best]
        detector.train(was_training)
        hardest = torch.cat(scores).topk(keep).indices
        return cls(torch.cat(images)[hardest], share, seed)

    def __call__(self, fresh: ChipBatch, number: int) -> ChipBatch:
        """Batch ``number`` of the drawn chips, with hard negatives in the place of some that hold no object."""
        rng = np.random.default_rng([self.seed, number])
        empty = np.setdiff1d(np.arange(len(fresh.image)), fresh.chip.cpu().numpy())
        place = torch.from_numpy(empty[rng.random(len(empty)) < self.share])
        which = torch.from_numpy(rng.integers(0, len(self.image), len(place)))
        fresh.image[place] = self.image[which].to(fresh.image.device)
        return fresh
