"""The ladder of corruptions: what each rung does to a picture, and where a simple reader breaks."""

from __future__ import annotations

import json
from pathlib import Path
from types import MappingProxyType, SimpleNamespace

import numpy as np
import pytest
import torch

from mission.vocabulary import Vocabulary
from pipeline.command_line import run
from pipeline.ladder import RUNGS, breaks_at, climb, corrupted, write_ladder
from tests.eval.made_case import COLOURS, MARKS, SHAPES, made_frame_set


class BrightBundle:
    """Finds spots much lighter than the ground and reads the first value of everything."""

    categories = ("panel", "person")
    name, device = "bright", "cpu"
    working_confidence = {"panel": 0.5, "person": 0.5}  # noqa: RUF012
    second_look_weight = 0.0
    score_maps = MappingProxyType({})
    vocabulary = Vocabulary(SHAPES, COLOURS, MARKS)

    def detect(self, tiles: torch.Tensor) -> list[SimpleNamespace]:
        from scipy import ndimage

        found = []
        for tile in tiles.numpy():
            saturation = tile.max(axis=0).astype(int) - tile.min(axis=0)
            labels, _ = ndimage.label(saturation > 120)
            boxes = [
                (s[1].start, s[0].start, s[1].stop, s[0].stop) for s in ndimage.find_objects(labels) if s is not None
            ]
            boxes = [b for b in boxes if b[2] - b[0] > 20 and b[3] - b[1] > 20]
            found.append(
                SimpleNamespace(
                    box_px=torch.tensor(boxes, dtype=torch.float32).reshape(-1, 4),
                    score=torch.full((len(boxes),), 0.9),
                    category=torch.zeros(len(boxes), dtype=torch.int64),
                )
            )
        return found

    def read_attributes(self, frame: torch.Tensor, box_px: torch.Tensor) -> dict[str, torch.Tensor]:
        count = {"shape": SHAPES, "panel_colour": COLOURS, "mark": MARKS, "mark_colour": COLOURS}
        return {a: torch.eye(len(v))[:1].repeat(len(box_px), 1) for a, v in count.items()}


def picture() -> np.ndarray:
    rng = np.random.default_rng(0)
    made = np.full((96, 128, 3), 110, np.uint8)
    made[30:60, 40:80] = (220, 40, 40)
    return (made + rng.integers(0, 6, made.shape)).astype(np.uint8)


@pytest.mark.parametrize("kind", RUNGS)
def test_each_rung_changes_the_picture_more_than_the_last(kind: str) -> None:
    clean = picture().astype(float)
    apart = []
    for rung in RUNGS[kind][1]:
        changed = corrupted(picture(), kind, rung, 3)
        assert changed.shape == clean.shape and changed.dtype == np.uint8
        assert np.array_equal(changed, corrupted(picture(), kind, rung, 3))
        apart.append(((changed - clean) ** 2).mean())
    assert apart == sorted(apart) and apart[0] > 0


def test_shade_leaves_the_stated_share_of_light() -> None:
    grey = np.full((4, 4, 3), 188, np.uint8)  # sRGB 188 is half of full linear light (IEC 61966-2-1)
    shaded = corrupted(grey, "shade", 0.25, 0)
    linear = ((shaded[0, 0] / 255 + 0.055) / 1.055) ** 2.4
    assert linear == pytest.approx(0.5 * 0.25 * np.array([0.85, 0.97, 1.2]), abs=0.004)


def test_a_reader_of_colour_breaks_where_colour_goes(tmp_path: Path) -> None:
    frame_set = made_frame_set(tmp_path / "set", runs=3, images=True)
    rungs = climb(BrightBundle(), frame_set.folder)  # type: ignore[arg-type]
    clean = rungs[0]
    assert clean.rung is None and clean.figures["panel_AP50"] is not None and clean.figures["panel_AP50"] > 0.3
    assert breaks_at(rungs, "shade", "panel_AP50") is not None
    assert breaks_at(rungs, "jpeg", "panel_AP50") is None
    content = write_ladder(tmp_path, rungs, "rendered", "bright <b>")
    assert json.loads((tmp_path / "ladder.json").read_text()) == content
    page = (tmp_path / "ladder.html").read_text()
    assert "bright &lt;b&gt;" in page and page.count("<svg") == len(RUNGS)


def test_the_ladder_needs_a_bundle(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    frame_set = made_frame_set(tmp_path / "set", runs=1)
    assert run(["score", str(frame_set.folder), "none.json", "--ladder", "--out", str(tmp_path / "out")]) == 2
    assert "must come with --bundle" in capsys.readouterr().err
