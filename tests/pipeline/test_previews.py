"""Previews: bounded in size, labelled, and nobody to be recognised."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from pipeline.previews import LONGEST_SIDE_PX, Labelled, blur_boxes, draw_preview, write_preview


def noise(height: int, width: int) -> np.ndarray:
    return np.random.default_rng(0).integers(0, 256, (height, width, 3), dtype=np.uint8)


def panel(x: float, y: float, side: float = 40) -> Labelled:
    return Labelled((x, y, x + side, y + side), "panel", "yellow circle", "black A", 0.9)


@pytest.mark.parametrize("size", [(1, 1), (3, 2000), (600, 900), (2500, 3700)])
def test_any_frame_fits(size):
    image = draw_preview(noise(*size), [panel(0, 0)] * 30)
    assert image.width <= LONGEST_SIDE_PX and image.height <= 2 * LONGEST_SIDE_PX
    assert image.mode == "RGB"


def test_a_frame_without_sightings_is_just_the_frame():
    pixels = noise(60, 80)
    assert np.array_equal(np.asarray(draw_preview(pixels, [])), pixels)


def test_what_was_in_a_blurred_box_is_gone_and_the_rest_is_untouched():
    """Two quite different people must come out nearly alike: what is left is about five cells of colour a side."""
    rng = np.random.default_rng(1)
    one, other = noise(200, 200), noise(200, 200)
    other[80:120, 80:120] = rng.permutation(one[80:120, 80:120].reshape(-1, 3)).reshape(40, 40, 3)
    one_blurred, other_blurred = (
        np.asarray(blur_boxes(Image.fromarray(p), [(80, 80, 120, 120)])) for p in (one, other)
    )
    inside = np.s_[84:116, 84:116]
    before = np.abs(one[inside].astype(int) - other[inside]).mean()
    after = np.abs(one_blurred[inside].astype(int) - other_blurred[inside]).mean()
    assert after < 0.2 * before
    assert np.array_equal(one_blurred[:69], one[:69]) and np.array_equal(one_blurred[:, 131:], one[:, 131:])


def test_boxes_at_and_beyond_the_edge_can_be_blurred():
    pixels = noise(50, 50)
    blurred = np.asarray(blur_boxes(Image.fromarray(pixels), [(-5, -5, 10, 10), (45, 45, 80, 80), (60, 60, 70, 70)]))
    assert not np.array_equal(blurred[:8, :8], pixels[:8, :8])
    assert np.array_equal(blurred[20:30, 20:30], pixels[20:30, 20:30])


def test_the_box_is_drawn_where_it_is(tmp_path):
    pixels = np.full((600, 900, 3), 90, np.uint8)
    write_preview(tmp_path / "p.jpg", pixels, [panel(300, 200)])
    drawn = np.asarray(Image.open(tmp_path / "p.jpg")).astype(int)
    orange = (drawn[..., 0] > 180) & (drawn[..., 2] < 90)
    rows, columns = np.nonzero(orange[:600])
    assert abs(columns.min() - 297) <= 3 and rows.max() <= 246
    assert drawn.shape[0] > 600  # the strip of close-ups


def test_crowded_labels_do_not_cover_each_other():
    from pipeline.previews import _free_place

    taken: list[tuple[float, ...]] = []
    for _ in range(4):
        x, y = _free_place((100, 100, 120, 120), 80, 18, (400, 300), taken)
        assert all(x + 80 <= a or c <= x or y + 18 <= b or d <= y for a, b, c, d in taken)
        taken.append((x, y, x + 80, y + 18))
