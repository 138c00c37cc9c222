"""The readers' training code and figures against data and formulas that others published."""

from __future__ import annotations

import numpy as np
import pytest
import torch
import torch.nn.functional as F
from sklearn.datasets import load_digits
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import StratifiedKFold
from torch import Tensor

from mission.model_file import ReaderSettings
from mission.vocabulary import Vocabulary
from pipeline.crops import cut_crops
from pipeline.readers import Readers
from pipeline.reservoir import select_chips
from pipeline.validation import share_told_apart, temperature
from synth.chips import ChipBatch

DIGITS = Vocabulary(("square",), ("white", "black"), tuple("0123456789"))
SETTINGS = ReaderSettings(
    widths=(16, 32, 32), template_width=48, colour_width=8, tight_px=16, tight_extent=1.0, wide_px=8, rings=8,
    directions=24, reach=1.0,
)  # fmt: skip
STEPS, BATCH = 80, 80


def test_handwritten_digits_five_fold_scikit_learn():
    """scikit-learn's digits (1,797 of 8 x 8 px, after Alpaydin & Kaynak, UCI 1998) as marks of known turn.

    A support vector machine reaches 0.97 on half of them (scikit-learn's documentation, "Recognizing hand-written digits").
    """
    chips, label = _digits()
    folds = StratifiedKFold(5, shuffle=True, random_state=0)
    right = np.zeros(len(label), bool)
    for train, test in folds.split(label.numpy(), label.numpy()):
        right[test] = (_said(_trained(chips, train), chips, test) == label[test]).numpy()
    assert right.mean() >= 0.97


def _digits() -> tuple[ChipBatch, Tensor]:
    bunch = load_digits()
    image = torch.from_numpy(bunch.images).float()[:, None] * (255 / 16)  # type: ignore[union-attr]
    image = F.interpolate(image, size=(32, 32), mode="bilinear", align_corners=False).expand(-1, 3, -1, -1)
    label = torch.from_numpy(bunch.target).long()  # type: ignore[union-attr]
    n = len(label)
    attributes = torch.full((n, 4), -1)
    attributes[:, 2] = label
    chips = ChipBatch(
        image.round().to(torch.uint8), torch.arange(n), torch.zeros(n, dtype=torch.int64),
        torch.tensor([[2.0, 2, 30, 30]]).repeat(n, 1), torch.ones(n), attributes, torch.zeros(n),
    )  # fmt: skip
    return chips, label


def _trained(chips: ChipBatch, rows: np.ndarray) -> Readers:
    torch.manual_seed(0)
    readers, generator = Readers(SETTINGS, DIGITS), torch.Generator().manual_seed(0)
    optimiser = torch.optim.AdamW(readers.parameters(), lr=4e-3, weight_decay=1e-2)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, 4e-3, total_steps=STEPS)
    for _ in range(STEPS):
        chosen = torch.from_numpy(rows)[torch.randperm(len(rows), generator=generator)[:BATCH]]
        losses = readers.losses(select_chips(chips, chosen), generator)
        optimiser.zero_grad()
        (losses["mark"] + 2 * losses["turn"]).backward()
        optimiser.step()
        schedule.step()
    return readers.eval()


@torch.inference_mode()
def _said(readers: Readers, chips: ChipBatch, rows: np.ndarray) -> Tensor:
    """The likeliest digit among the turns about upright: a 6 is not a 9 there."""
    some = select_chips(chips, torch.from_numpy(rows))
    turned = readers(*cut_crops(some.image, some.chip, some.box_px, SETTINGS)).turned_mark
    return turned[..., [-1, 0, 1]].logsumexp(-1).argmax(1)


def test_temperature_finds_the_scale_that_labels_were_drawn_from():
    """Labels from softmax(z), 2.5 z handed over, 8 classes, n = 20,000: 2.5 within 2 % (the property behind Guo et al. 2017)."""
    generator = torch.Generator().manual_seed(0)
    z = torch.randn(20_000, 8, generator=generator) * 1.5
    label = torch.multinomial(z.softmax(1), 1, generator=generator)[:, 0]
    found = temperature((2.5 * z).log_softmax(1), label)
    assert found == pytest.approx(2.5, rel=0.02)
    before, after = (float(F.nll_loss((2.5 * z / t).log_softmax(1), label)) for t in (1.0, found))
    assert after < before and torch.equal((2.5 * z).argmax(1), (2.5 * z / found).argmax(1))


def test_share_told_apart_is_scikit_learns_area_under_the_curve():
    rng = np.random.default_rng(0)
    truth = rng.random(300) < 0.3
    score = np.round(rng.normal(truth * 1.0, 1.0), 1)  # rounded, so that there are ties
    ours = share_told_apart(torch.from_numpy(score), torch.from_numpy(truth))
    assert ours == pytest.approx(roc_auc_score(truth, score), abs=1e-12)
