from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from itertools import product

import numpy as np
import pytest
import torch

from synth.ground_tiles import TILE_PX
from synth.opencv import without_opencv
from synth.tile_crops import _crop


@pytest.mark.parametrize("way", [nullcontext, without_opencv])
def test_pieces_are_mirrored_then_turned_and_go_on_around_the_edge(
    way: Callable[[], AbstractContextManager[None]],
) -> None:
    tile = np.random.default_rng(0).integers(-127, 128, (3, TILE_PX, TILE_PX)).astype(np.int8)
    window, offset = (TILE_PX - 30, 7, 50, 41), (3, TILE_PX - 20)
    y, x = np.meshgrid(np.arange(50) + window[0] + offset[0], np.arange(41) + window[1] + offset[1], indexing="ij")
    for turn, flip_y, flip_x in product((False, True), repeat=3):
        laid = tile[:, ::-1] if flip_y else tile
        laid = laid[:, :, ::-1] if flip_x else laid
        laid = laid.transpose(0, 2, 1) if turn else laid
        out = torch.empty((3, 50, 41))
        with way():
            _crop(torch.from_numpy(tile), (turn, flip_y, flip_x), offset, window, out)
        assert np.array_equal(out.numpy(), laid[:, y % TILE_PX, x % TILE_PX])
