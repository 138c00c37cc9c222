"""A ground painted in strips is the ground painted whole: frames are painted in strips, and a seam would be a cue."""

from __future__ import annotations

import numpy as np
import pytest
import torch

from mission.recipe import load_recipe
from synth.ground import paint_ground, sample_ground

HEIGHT_PX, WIDTH_PX, STRIP_PX = 1024, 768, 256


@pytest.mark.parametrize("recipe", ["field", "held-out"])
@pytest.mark.parametrize("seed", [1, 3, 7, 16])
def test_strips_equal_the_whole(recipe, seed):
    spec = sample_ground(np.random.default_rng(seed), load_recipe(recipe).ground, 0.0138)
    whole = paint_ground([spec], HEIGHT_PX, WIDTH_PX)
    strips = [
        paint_ground([spec], HEIGHT_PX, WIDTH_PX, window=(y, 0, STRIP_PX, WIDTH_PX))
        for y in range(0, HEIGHT_PX, STRIP_PX)
    ]
    for plane in ("albedo", "shade", "light"):
        joined = torch.cat([getattr(strip, plane) for strip in strips], dim=2)
        # Rounding of wide fields, where they end on a steep border; a grey level is 4e-3.
        assert (joined - getattr(whole, plane)).abs().max() < 1e-4, plane
