"""The transfer loop's bookkeeping: rows, plan, table; and a trial of a few steps from end to end."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
from PIL import Image

from benchmarks.transfer import judge, run, table, trial
from benchmarks.transfer.ingredients import ROWS, recipe_of, row_named
from benchmarks.transfer.judge import Flight, judge_flight
from mission.errors import InputError
from mission.mission_file import load_mission
from mission.recipe import Recipe, check_recipe
from synth.chips import ChipBatch

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("name", list(ROWS))
def test_every_row_is_a_valid_recipe_that_differs(name: str) -> None:
    base = Recipe(name=name)
    row = row_named(name)
    changed = recipe_of(row, base)
    check_recipe(changed, load_mission(trial.MISSION))
    assert (changed != base) == bool(row.settings)


def test_unknown_row_is_named() -> None:
    with pytest.raises(InputError, match="The 'row' must be one of real, procedural"):
        row_named("unreal")


def _given(**changes: Any) -> argparse.Namespace:
    plain: dict[str, Any] = {
        "rows": ["real", "procedural"], "seeds": [1, 2], "leave_out": None, "photographs": Path("p"), "judged": Path("j"),
        "sizes": "try", "speed": 1.0, "parts": ["detector"], "sheets": None,
    }  # fmt: skip
    return argparse.Namespace(**(plain | changes))


def test_no_flight_judges_a_model_trained_on_its_ground() -> None:
    for given in (_given(), _given(leave_out=["building-site,lake", "park,allotment,bush"])):
        for job in run.planned(given):
            assert job.row == "procedural" or not set(job.left_out) & set(job.grounds)
    # Five flights alone and one training without real ground, for two seeds; then two groups instead of five.
    assert len(list(run.planned(_given()))) == 12
    assert len(list(run.planned(_given(leave_out=["building-site,lake", "park,allotment,bush"])))) == 6
    with pytest.raises(InputError, match="name flights"):
        list(run.planned(_given(leave_out=["moon"])))


def test_table_shows_mean_and_worst_flight() -> None:
    results = [
        {"row": "real", "seed": s, "flight": f, "ap50": a, "alarms_at_90": n}
        for s, f, a, n in ((1, "park", 0.8, 2.0), (2, "park", 0.9, None), (1, "lake", 0.5, None))
    ]
    shown = table.table(results)
    line = shown.splitlines()[2]
    assert "| real | real ground of the other flights, defaults | 2 | 0.68 (0.50) |" in line
    assert "2.0 (never)" in line and line.count("–") >= 2


def test_training_and_judging_import_light_packages_only() -> None:
    """The loop runs where OpenCV, albumentations, matplotlib, SciPy, scikit-learn and pycocotools are missing."""
    heavy = ["cv2", "albumentations", "matplotlib", "scipy", "sklearn", "pycocotools", "skimage", "shapely", "pandas"]
    code = f"import sys\nfor name in {heavy!r}: sys.modules[name] = None\nimport benchmarks.transfer.run"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr


class _Numbered:
    """A source whose chips are all of one grey, with one object each."""

    def __init__(self, grey: int) -> None:
        self.grey = grey

    def batch(self, n: int) -> ChipBatch:
        image = torch.full((n, 3, 8, 8), self.grey, dtype=torch.uint8)
        each, one = torch.arange(n), torch.ones(n)
        return ChipBatch(image, each, each * 0, torch.zeros(n, 4), one, torch.zeros(n, 4, dtype=torch.int64), one)


def test_chips_of_two_sources_come_in_fixed_shares() -> None:
    chips = trial.MixedSource(_Numbered(10), _Numbered(200), 0.75).batch(8)
    assert [int(i[0, 0, 0]) for i in chips.image] == [10] * 2 + [200] * 6
    assert chips.chip.tolist() == list(range(8))


def test_trial_from_end_to_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A handful of steps on two invented flights: figures for the flight that was left out, appended as lines."""
    rng = np.random.default_rng(0)
    for flight in ("bush", "lake"):
        (tmp_path / "photographs" / flight).mkdir(parents=True)
        pixels = np.clip(np.array((90, 100, 60)) + rng.normal(0, 8, (480, 520, 1)), 0, 255).astype(np.uint8)
        Image.fromarray(pixels).save(tmp_path / "photographs" / flight / "one.jpg", quality=95)
    flights = [f for f in judge.FLIGHTS if f.name not in ("bush", "lake")]
    monkeypatch.setattr(judge, "FLIGHTS", (*flights, Flight("lake", 0.017, 0.5, 1), Flight("bush", 0.018, 0.9, 1)))
    judge_flight(tmp_path / "photographs", tmp_path / "judged", "bush")
    job = trial.Job(
        "real", 1, ("bush",), ("lake",), tmp_path / "photographs", tmp_path / "judged", "try", sheets=tmp_path
    )
    said: list[str] = []
    results = trial.run_job(job, "cpu", said.append)
    assert len(results) == 1
    result = json.loads(json.dumps(results[0], allow_nan=False))
    assert result["panels"] == 2 and result["grounds"] == ["lake"]
    assert result["detector_steps"] == trial.SIZES["try"].detector_steps
    assert (tmp_path / "real-1-bush.jpg").is_file()
    out = tmp_path / "results.jsonl"
    out.write_text(json.dumps(result) + "\n")
    assert run.already_done(out) == {("real", 1, "bush", ("bush",), "try", 1.0)}
    assert "| real |" in table.table(table.read_results([out]))
