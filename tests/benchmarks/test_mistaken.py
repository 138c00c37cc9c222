"""What a bundle mistakes, by kind: which chips are drawn, and how what is said of them is counted."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import torch

from benchmarks.reading.mistaken import Said, changed, joined_up, said_of, share
from pipeline.detector import Detections


class Pretender:
    """Finds in every chip a panel at 0.9 that the look gives 0.4, one below what is looked at, and people at 0.5 and 0.2."""

    second_look_weight = 0.5

    def __init__(self) -> None:
        self.score_maps: dict[str, object] = {}
        self.working_confidence = {"panel": 0.5, "person": 0.3}

    def detect(self, image: torch.Tensor) -> list[Detections]:
        box = torch.tensor([[1.0, 1, 9, 9], [2, 2, 8, 8], [3, 3, 9, 9], [0, 0, 5, 5]])
        one = Detections(box, torch.tensor([0.9, 0.5, 0.2, 0.01]), torch.tensor([0, 1, 1, 0]))
        return [one for _ in image]

    def read_attributes(self, frame: torch.Tensor, box_px: torch.Tensor) -> dict[str, torch.Tensor]:
        assert frame.shape == (3, 16, 16) and box_px.shape == (1, 4)
        return {"panel": torch.tensor([0.4])}


def test_scores_are_joined_and_people_counted() -> None:
    said = said_of(Pretender(), torch.zeros(3, 3, 16, 16, dtype=torch.uint8))  # type: ignore[arg-type]
    assert said.panel == pytest.approx(np.full(3, (0.9 * 0.4) ** 0.5), abs=1e-6)
    assert said.person == pytest.approx(np.full(3, 0.5)) and (said.people == 1).all()


def test_nothing_found_scores_nothing() -> None:
    blind = SimpleNamespace(
        second_look_weight=0.5,
        **vars(Pretender()),
        detect=lambda image: [Detections(torch.zeros(0, 4), torch.zeros(0), torch.zeros(0, dtype=torch.int64))] * len(image),
        read_attributes=lambda frame, box: {"panel": torch.zeros(0)},
    )  # fmt: skip
    said = said_of(blind, torch.zeros(2, 3, 16, 16, dtype=torch.uint8))  # type: ignore[arg-type]
    assert (said.panel == 0).all() and (said.person == 0).all() and (said.people == 0).all()


def test_batches_are_joined_and_shares_carry_their_interval() -> None:
    one = Said(np.array([0.1]), np.array([0.2]), np.array([0]), np.zeros((1, 3, 4, 4)))
    assert joined_up([one, one, one]).image.shape == (3, 3, 4, 4)
    # Wilson's interval of 1 in 4, from memory of the method's formula: 0.046 to 0.699.
    assert share(np.array([True, False, False, False])) == "0.25 (0.05 to 0.70)"


def test_recipe_is_changed_where_asked_and_nowhere_else() -> None:
    recipe = changed({"decoys.kinds": {"cone": 1.0}})
    assert recipe.decoys.kinds == {"cone": 1.0} and recipe.panels == changed({}).panels
