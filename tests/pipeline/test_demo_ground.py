"""The demo's photographs: no flight, or no photograph, is on both sides; scales go with the links."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from mission.errors import InputError
from mission.ground_folder import list_flights
from pipeline.demo_ground import divided, split_ground
from synth.photo_ground import GroundBank


def _photographs(folder: Path, **counts: int) -> Path:
    for name, count in counts.items():
        (folder / name).mkdir(parents=True)
        for k in range(count):
            pixels = np.random.default_rng(k).integers(40, 200, (300, 300, 3), dtype=np.uint8)
            Image.fromarray(pixels).save(folder / name / f"{k}.png")
    return folder


def test_whole_flights_are_kept_for_judging_and_never_the_largest(tmp_path: Path) -> None:
    flights = list_flights(_photographs(tmp_path, heath=1, marsh=4, wood=2, park=1, lake=1))
    training, judging = divided(flights)
    assert set(judging) == {"wood", "park"} and set(training) == {"marsh", "heath", "lake"}


def test_links_and_scales_make_two_banks(tmp_path: Path) -> None:
    ground = _photographs(tmp_path / "ground", marsh=2, wood=1)
    training, judging, said = split_ground(tmp_path / "split", ground, {"marsh": 0.02, "wood": 0.018})
    assert said == "Photographs as ground: 2 to train on, 1 kept for judging (the flights wood)."
    assert training is not None
    banks = [GroundBank.from_folder(part, mission_gsd_m=0.02) for part in (training, judging)]
    assert [[(p.flight, p.scale.gsd_m) for p in bank.photographs] for bank in banks] == [
        [("marsh", 0.02), ("marsh", 0.02)], [("wood", 0.018)],
    ]  # fmt: skip
    split_ground(tmp_path / "split", ground, {"marsh": 0.02, "wood": 0.018})  # gone on with, nothing doubled


def test_one_flight_is_divided_by_photograph(tmp_path: Path) -> None:
    ground = _photographs(tmp_path, marsh=4) / "marsh"
    training, judging, said = split_ground(tmp_path / "split", ground, 0.02)
    assert "3 to train on, 1 kept for judging" in said and "kinder than on a new field" in said
    assert training is not None
    assert [p.name for p in sorted((judging / "marsh").glob("*.png"))] == ["1.png"]
    alone, _, _ = split_ground(tmp_path / "alone", _photographs(tmp_path / "one", x=1), 0.02)
    assert alone is None
    with pytest.raises(
        InputError, match=r"The scale of .*0\.png must be known \(--ground-gsd, or ground.yaml beside it\)"
    ):
        split_ground(tmp_path / "unknown", ground, None)
