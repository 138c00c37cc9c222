"""Run lengths and outlines from outside: decoded as pycocotools encodes them, refused where they would be misread."""

from __future__ import annotations

import numpy as np
import pytest
from pycocotools import mask as coco_mask

from eval.masks import checked_segmentation, decompressed_runs
from mission.errors import InputError


def runs_of(mask: np.ndarray) -> list[int]:
    """Run lengths in column order, background first, counted one by one."""
    runs, now = [0], 0
    for value in mask.flatten(order="F"):
        if value != now:
            runs.append(0)
            now = value
        runs[-1] += 1
    return runs


def test_compressed_runs_agree_with_pycocotools() -> None:
    rng = np.random.default_rng(2)
    for _ in range(60):
        height, width = rng.integers(1, 90, 2)
        mask = (rng.random((height, width)) < rng.choice([0.02, 0.5, 0.98])).astype(np.uint8)
        text = coco_mask.encode(np.asfortranarray(mask))["counts"].decode("ascii")
        assert decompressed_runs(text) == runs_of(mask)
        sound = {"size": [int(height), int(width)], "counts": text}
        assert checked_segmentation(sound, int(width), int(height), "[0]", "results.json") == sound


@pytest.mark.parametrize(
    ("segmentation", "words"),
    [
        ({"size": [4, 4], "counts": [3, 5]}, "fill the image exactly"),
        ({"size": [4, 4], "counts": [20, -4]}, "fill the image exactly"),
        ({"size": [9, 4], "counts": [36]}, "be the image's [4, 4]"),
        ({"size": [4, 4], "counts": "\x7f\x7f"}, "compressed text"),
        ({"size": [4, 4], "counts": "o" * 40}, "compressed text"),
        ({"size": [4, 4], "counts": None}, "compressed text"),
        ([[0, 0, 1e9, 0, 1, 1]], "near the image"),
        ([[0, 0, 1, 1]], "three corners or more"),
        ([], "at least one outline"),
        ("polygon", "outlines or run lengths"),
    ],
)
def test_unsound_segmentations_are_refused(segmentation: object, words: str) -> None:
    with pytest.raises(InputError, match=r"^The '\[0\]\.segmentation.*results\.json must .* instead\.$") as caught:
        checked_segmentation(segmentation, 4, 4, "[0]", "results.json")
    assert words in str(caught.value)
