"""Tiles: every pixel covered, every object found once, whatever the size of the frame."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import torch
from hypothesis import example, given, settings
from hypothesis import strategies as st

from mission.errors import InputError
from pipeline.tiles import (
    SIDE_STEP_PX,
    Detections,
    Tile,
    axis_tiles,
    detect_frame,
    merge_scales,
    merge_tiles,
    plan_tiles,
    shrunk,
)


class BlobDetector:
    """A stand-in for a model: every connected run of one bright colour is an object, seen where the tile shows it.

    Objects are flat rectangles whose red value is their number, so that a cut-off one is seen cut off, as a real model would.
    """

    def __init__(self) -> None:
        self.largest_batch_px = 0

    def __call__(self, tiles: torch.Tensor) -> list[SimpleNamespace]:
        self.largest_batch_px = max(self.largest_batch_px, tiles.shape[0] * tiles.shape[2] * tiles.shape[3])
        return [self._one(tile.numpy()) for tile in tiles]

    def _one(self, tile: np.ndarray) -> SimpleNamespace:
        boxes, scores, categories = [], [], []
        for number in np.unique(tile[0]):
            if number == 0:
                continue
            y, x = np.nonzero((tile[0] == number) & (tile[2] == 255))
            if not len(x):
                continue
            boxes.append([x.min(), y.min(), x.max() + 1, y.max() + 1])
            scores.append(0.5 + number / 1000)
            categories.append(int(tile[1][y[0], x[0]]))
        return SimpleNamespace(
            box_px=torch.tensor(boxes, dtype=torch.float32).reshape(-1, 4),
            score=torch.tensor(scores, dtype=torch.float32),
            category=torch.tensor(categories, dtype=torch.int64),
        )


def painted(width: int, height: int, boxes: list[tuple[int, int, int, int]]) -> torch.Tensor:
    frame = np.zeros((3, height, width), dtype=np.uint8)
    for number, (x0, y0, x1, y1) in enumerate(boxes, start=1):
        frame[:, y0:y1, x0:x1] = np.array([number, number % 2, 255], dtype=np.uint8)[:, None, None]
    return torch.from_numpy(frame)


def run(frame: torch.Tensor, detector=None, **changes) -> Detections:
    options = {"overlap_px": 64, "largest_tile_px": 256, "batch": 3, "at_least": 0.01, "at_most": 300} | changes
    return detect_frame(detector or BlobDetector(), frame, **options)


@given(length=st.integers(1, 9000), overlap=st.integers(0, 300), largest=st.sampled_from([512, 1024, 1536]))
@settings(max_examples=200, deadline=None)
def test_tiles_cover_the_axis_with_the_overlap_asked_for(length, overlap, largest):
    starts, side = axis_tiles(length, overlap, largest)
    assert side <= largest and side % SIDE_STEP_PX == 0
    assert starts[0] == 0 and starts[-1] + side >= length
    if len(starts) > 1:
        assert starts[-1] + side == length
        assert all(a + side - b >= overlap for a, b in zip(starts, starts[1:], strict=False))


def test_a_large_frame_is_computed_at_most_a_third_more_than_once():
    tiles = plan_tiles(5520, 3680, 160, 1536)
    assert sum(t.width_px * t.height_px for t in tiles) <= 1.34 * 5520 * 3680


def test_an_overlap_larger_than_the_tile_is_refused():
    with pytest.raises(InputError, match="The 'overlap_px' must be smaller than the tile"):
        plan_tiles(4000, 3000, 512, 512)


@pytest.mark.parametrize("size", [(1, 500), (31, 17), (256, 256), (257, 256), (700, 430)])
def test_frames_of_any_size_are_read(size):
    width, height = size
    frame = painted(width, height, [(0, 0, min(20, width), min(20, height))])
    found = run(frame)
    assert found.box_px.tolist() == [[0, 0, min(20, width), min(20, height)]]


def test_a_frame_of_one_pixel_is_read():
    found = run(painted(1, 1, []))
    assert len(found) == 0


def test_what_is_seen_only_in_the_filling_around_a_small_frame_is_dropped():
    def sees_everything(tiles):
        whole = torch.tensor([[0.0, 0, tiles.shape[3], tiles.shape[2]], [0, 0, 12, 9]])
        part = SimpleNamespace(box_px=whole, score=torch.tensor([0.9, 0.8]), category=torch.zeros(2, dtype=torch.int64))
        return [part for _ in tiles]

    assert run(painted(12, 9, []), sees_everything).box_px.tolist() == [[0, 0, 12, 9]]


@given(seed=st.integers(0, 10_000))
@example(seed=985)  # an object that ends just at the edge of the only tile that holds it whole
@settings(max_examples=60, deadline=None)
def test_no_object_is_lost_or_doubled_at_a_seam(seed):
    rng = np.random.default_rng(seed)
    width, height = int(rng.integers(300, 900)), int(rng.integers(300, 900))
    boxes: list[tuple[int, int, int, int]] = []
    for _ in range(40):
        w, h = rng.integers(8, 65, size=2)
        x, y = int(rng.integers(0, width - w)), int(rng.integers(0, height - h))
        new = (x, y, int(x + w), int(y + h))
        if all(new[2] <= b[0] or b[2] <= new[0] or new[3] <= b[1] or b[3] <= new[1] for b in boxes):
            boxes.append(new)
    found = run(painted(width, height, boxes))
    assert sorted(map(tuple, found.box_px.astype(int).tolist())) == sorted(boxes)
    assert (np.diff(found.score) <= 0).all()


def test_an_object_larger_than_the_overlap_is_joined_not_doubled():
    found = run(painted(800, 260, [(90, 60, 400, 160)]))
    assert found.box_px.tolist() == [[90, 60, 400, 160]]


def test_two_objects_that_touch_stay_two():
    found = run(painted(500, 200, [(200, 50, 230, 80), (230, 50, 260, 80)]))
    assert len(found) == 2


def test_a_panel_and_a_person_on_it_are_both_kept():
    box = np.array([[10.0, 10, 50, 50], [12, 10, 50, 50]])
    part = Detections(box, np.array([0.9, 0.8]), np.array([0, 1]))
    merged = merge_tiles([(Tile(0, 0, 64, 64), part), (Tile(0, 0, 64, 64), part)], 64, 64)
    assert sorted(merged.category.tolist()) == [0, 1]


def test_the_order_of_the_tiles_does_not_matter():
    rng = np.random.default_rng(3)
    tiles = plan_tiles(700, 500, 64, 256)
    found = []
    for tile in tiles:
        corner = rng.uniform(0, 200, size=(30, 2))
        box = np.concatenate([corner, corner + rng.uniform(5, 60, size=(30, 2))], axis=1)
        found.append((tile, Detections(box, np.round(rng.uniform(size=30), 1), rng.integers(0, 2, 30))))
    one, other = merge_tiles(found, 700, 500), merge_tiles(found[::-1], 700, 500)
    assert np.array_equal(one.box_px, other.box_px) and np.array_equal(one.score, other.score)


def test_at_most_the_strongest_are_kept_and_weak_ones_dropped():
    boxes = [(20 * i, 20 * j, 20 * i + 10, 20 * j + 10) for i in range(15) for j in range(15)]
    everything = run(painted(300, 300, boxes))
    found = run(painted(300, 300, boxes), at_most=50)
    assert len(everything) == 225 and len(found) == 50
    assert found.score.tolist() == everything.score[:50].tolist()
    assert len(run(painted(300, 300, boxes), at_least=0.6)) == sum(0.5 + n / 1000 >= 0.6 for n in range(1, 226))


def test_hundreds_of_objects_and_none():
    boxes = [(12 * i, 12 * j, 12 * i + 8, 12 * j + 8) for i in range(16) for j in range(15)]
    assert len(run(painted(1000, 1000, boxes))) == 240
    assert len(run(painted(1000, 1000, []))) == 0


def test_memory_is_bounded_by_the_batch_not_by_the_frame():
    detector = BlobDetector()
    run(painted(2000, 1500, [(5, 5, 40, 40)]), detector, batch=2)
    assert detector.largest_batch_px <= 2 * 256 * 256


def test_a_model_that_gives_nan_is_reported():
    def broken(tiles):
        nan = torch.full((1, 4), float("nan"))
        part = SimpleNamespace(box_px=nan, score=torch.ones(1), category=torch.zeros(1, dtype=torch.int64))
        return [part for _ in tiles]

    with pytest.raises(InputError, match="finite"):
        run(painted(100, 100, []), broken)


def at(*rows):
    """Detections from rows (x0, y0, x1, y1, score, category)."""
    table = np.array(rows, dtype=float).reshape(-1, 6)
    return Detections(table[:, :4], table[:, 4], table[:, 5].astype(np.int64))


def test_a_shrunk_frame_holds_means_of_four_pixels():
    frame = torch.arange(3 * 5 * 7, dtype=torch.uint8).view(3, 5, 7)
    by_hand = torch.nn.functional.avg_pool2d(frame[:, :4, :6].float(), 2)
    assert torch.equal(shrunk(frame), (by_hand + 0.5).floor().to(torch.uint8))
    white = torch.full((3, 4, 4), 255, dtype=torch.uint8)
    assert torch.equal(shrunk(white), white[:, :2, :2])


def test_two_scales_report_nothing_twice():
    """A large panel found whole in the shrunk frame replaces its parts; a small one stays as the frame's own; each once."""
    whole, mark, rim = (100, 100, 400, 400), (200, 200, 280, 290), (100, 100, 190, 380)
    fine = at((*mark, 0.85, 0), (*rim, 0.3, 0), (600, 600, 640, 640, 0.7, 0), (110, 110, 160, 200, 0.6, 1))
    coarse = at((*whole, 0.9, 0), (598, 602, 642, 640, 0.8, 0), (700, 100, 900, 300, 0.5, 0))
    merged = merge_scales(fine, coarse, 300)
    assert [tuple(b) for b in merged.box_px.tolist()] == [
        whole, (600, 600, 640, 640), (110, 110, 160, 200), (700, 100, 900, 300),
    ]  # fmt: skip
    assert merged.category.tolist() == [0, 0, 1, 0] and merged.score.tolist() == [0.9, 0.7, 0.6, 0.5]
    assert len(merge_scales(fine, coarse, 2)) == 2
    nothing = at()
    assert len(merge_scales(nothing, nothing, 300)) == 0
    assert merge_scales(fine, nothing, 300).score.tolist() == sorted(fine.score.tolist(), reverse=True)


def test_order_does_not_matter_to_merging_scales():
    rng = np.random.default_rng(0)
    corner, side = rng.uniform(0, 300, (40, 2)), rng.uniform(20, 200, (40, 2))
    table = np.concatenate([corner, corner + side, rng.choice([0.3, 0.5], (40, 1)), np.zeros((40, 1))], axis=1)
    one = merge_scales(at(*table[:20]), at(*table[20:]), 300)
    shuffled = merge_scales(at(*table[:20][::-1]), at(*rng.permutation(table[20:])), 300)
    assert np.array_equal(one.box_px, shuffled.box_px) and np.array_equal(one.score, shuffled.score)


def test_one_tile_gives_what_a_second_empty_one_does_not_change():
    """With one tile nothing is compared; a second tile that holds nothing takes the long way to the same answer."""
    rng = np.random.default_rng(3)
    corner = rng.uniform(0, 400, (40, 2))
    some = Detections(
        np.concatenate([corner, corner + rng.uniform(5, 90, (40, 2))], 1), rng.random(40), rng.integers(0, 2, 40)
    )
    far = Detections(np.array([[470.0, 470, 480, 480]]), np.array([0.001]), np.array([0]))
    first, second = Tile(0, 0, 500, 500), Tile(10, 10, 490, 490)
    alone = merge_tiles([(first, some)], 500, 500)
    beside = merge_tiles([(first, some), (second, far)], 500, 500, at_most=40)
    assert len(alone) == 40 and np.array_equal(alone.score, beside.score)
    assert np.array_equal(alone.box_px, beside.box_px) and np.array_equal(alone.category, beside.category)
