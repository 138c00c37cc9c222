"""The transfer loop's bookkeeping: rows, plan, table; and a trial of a few steps from end to end."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image

from benchmarks.transfer import judge, pool, run, table, verdict
from benchmarks.transfer.bundle import answer_of
from benchmarks.transfer.ingredients import BASE, ROWS, recipe_of, row_named
from benchmarks.transfer.judge import Flight, judge_flight
from benchmarks.transfer.learn import (
    LEAD,
    LearnTask,
    Plan,
    PoolBatches,
    Run,
    Shelves,
    Turns,
    learn,
    network_of,
    parts_for,
)
from benchmarks.transfer.pool import Part, Shelf, plan, source_of, write_chips
from mission.errors import InputError
from mission.mission_file import load_mission
from mission.model_file import load_model_file
from mission.recipe import check_recipe
from mission.sightings import Sighting
from pipeline.processors import choose_device
from pipeline.training import Budget
from synth.chips import ChipBatch

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("name", list(ROWS))
def test_every_row_is_a_valid_recipe_that_differs(name: str) -> None:
    row = row_named(name)
    changed = recipe_of(row)
    check_recipe(changed, load_mission(pool.MISSION))
    assert (changed != recipe_of(row_named("real"))) == any(
        BASE.get(key) != value for key, value in row.settings.items()
    )


def test_unknown_row_is_named() -> None:
    with pytest.raises(InputError, match="The 'row' must be one of real, second-look"):
        row_named("unreal")


def test_no_flight_judges_a_model_trained_on_its_ground() -> None:
    sizes = load_model_file(run.MODEL)
    for one in run.planned(list(ROWS), [1, 2]):
        assert not set(one.left_out) & set(one.grounds)
        drawn_on = {part.ground for part in parts_for(one, sizes, run.CHIPS)}
        assert not set(one.left_out) & drawn_on
    # Detector and readers: five flights alone, one training without real ground, one without three flights; two seeds.
    assert len(list(run.planned(["real", "procedural", "two-flights"], [1, 2]))) == 28
    with pytest.raises(InputError, match="flights' must be of"):
        list(run.planned(["real"], [1], ["moon"]))


def test_trainings_are_dealt_out_to_the_gpus_by_what_they_have_to_do() -> None:
    given = argparse.Namespace(model=str(run.MODEL), large="default", steps=100, large_steps=400)
    asked = list(run.planned(["real", "procedural", "two-flights", "no-clutter"], [1, 2], once=["real", "procedural"]))
    learners = run.learners_for(asked, given)
    assert sorted((len(one.runs), one.model == "default", one.steps) for one in learners) == [
        *[(1, False, 100)] * 6, (1, True, 400), (1, True, 400), (5, True, 400), (5, True, 400)
    ]  # fmt: skip
    devices = run.dealt_out(learners, "auto", 2)
    load = [
        sum(one.work for one, device in zip(learners, devices, strict=True) if device == f"cuda:{n}") for n in (0, 1)
    ]
    assert max(load) < 1.1 * min(load)
    assert (
        run.dealt_out(learners, "cuda:1", 2) == ["cuda:1"] * 10 and run.dealt_out(learners, "auto", 0) == ["auto"] * 10
    )


def test_parts_of_the_pool_grow_evenly() -> None:
    parts = [Part("real", "park", None, 256, 640), Part("real", "lake", None, 256, 6400)]
    order = plan(parts)
    assert len(order) == 110 and len(set(order)) == 110
    half = order[:55]
    assert abs(sum(part.ground == "park" for part, _ in half) - 5) <= 1


def _chips(counts: list[int], grey: int = 10) -> ChipBatch:
    chip = torch.repeat_interleave(torch.arange(len(counts)), torch.tensor(counts))
    n = len(chip)
    image = torch.full((len(counts), 3, 8, 8), grey, dtype=torch.uint8)
    box = torch.tensor([1.0, 1.0, 5.0, 5.0]).repeat(n, 1)
    return ChipBatch(
        image, chip, chip * 0, box, torch.ones(n), torch.arange(4 * n).reshape(n, 4), torch.arange(1.0 * n)
    )


def _shelf(folder: Path, ground: str, counts: list[int], grey: int) -> Shelf:
    part = Part("real", ground, None, 8, len(counts))
    (folder / part.name).mkdir()
    write_chips(folder / part.name / "00000.safetensors", [_chips(counts, grey)])
    shelf = Shelf(part, folder, torch.device("cpu"))
    shelf.take_in()
    return shelf


def test_batches_keep_the_shares_of_ground_and_of_empty_chips(tmp_path: Path) -> None:
    shelves = {
        _shelf(tmp_path, "park", [1, 0] * 32, 20): 0.8,
        _shelf(tmp_path, "lake", [1, 0] * 32, 200): 0.2,
    }
    for wanted in (0.0, 0.8):
        batches = PoolBatches(shelves, replace(row_named("real"), empty_share=wanted), True, 1)
        chips = batches.batch(2000)
        on_park = (chips.image.mean((1, 2, 3)) < 100).float().mean()
        empty = 1 - len(chips.chip.unique()) / 2000
        assert abs(float(on_park) - 0.8) < 0.04 and abs(empty - wanted) < 0.04
        assert batches.drawn == 128 and batches.given == 2000


def test_a_renewed_shelf_gives_the_newest_chips(tmp_path: Path) -> None:
    part = Part("real", "park", None, 8, 256)
    (tmp_path / part.name).mkdir()
    shelf = Shelf(part, tmp_path, torch.device("cpu"), renewed=True)
    for number in range(7):  # the shelf has room for four files
        write_chips(tmp_path / part.name / f"{number:06d}.safetensors", [_chips([1, 0] * 32, 30 * number)])
        shelf.take_in()
    assert shelf.held == 256 and shelf.usable == 192 and not list((tmp_path / part.name).iterdir())
    given = shelf.places(np.arange(shelf.usable))
    assert shelf.image is not None and len(set(given)) == 192
    # The oldest file, which is written over next, is given to nobody.
    assert set(shelf.image[torch.from_numpy(given), 0, 0, 0].tolist()) == {120, 150, 180}
    assert [len(shelf.facts[place]) == 0 for place in given] == list(shelf.empty[given])


def test_trainings_side_by_side_take_steps_in_rounds() -> None:
    turns, taken = Turns(["quick", "slow", "short"]), {"quick": 0, "slow": 0, "short": 0}
    apart: list[int] = []

    def train(name: str, steps: int, rest_s: float) -> None:
        for _ in range(steps):
            turns.next(name)
            taken[name] += 1
            apart.append(taken["quick"] - taken["slow"])
            time.sleep(rest_s)
        turns.leave(name)

    threads = [threading.Thread(target=train, args=a) for a in (("quick", 60, 0), ("slow", 60, 0.004), ("short", 5, 0))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert taken == {"quick": 60, "slow": 60, "short": 5} and LEAD - 2 <= max(apart) <= LEAD + 1


@pytest.mark.parametrize("row", ["hard-negatives", "amplitude-exchange"])
def test_rows_with_a_way_of_learning_of_their_own(row: str, tmp_path: Path) -> None:
    shelves = {}
    for ground, grey in (("park", 20), (pool.PROCEDURAL, 200)):
        part = Part("real", ground, None, 64, 64)
        (tmp_path / part.name).mkdir()
        chips = _chips([1, 0] * 32, grey)
        chips.image = chips.image.repeat(1, 1, 8, 8)
        write_chips(tmp_path / part.name / "00000.safetensors", [chips])
        shelf = Shelf(part, tmp_path, torch.device("cpu"))
        shelf.take_in()
        shelves[shelf] = 0.5
    one = Run(row, "detector", 1, ("lake",), ("park",))
    batches = PoolBatches(shelves, row_named(row), True, 1)
    task = LearnTask(one, batches, Budget(steps=1))
    torch.manual_seed(0)
    network = network_of(one, load_model_file(run.MODEL), load_mission(pool.MISSION)).train()
    before = batches.batch(8)
    drawn = before.image.clone()
    losses = task.losses(network, before)
    assert all(bool(torch.isfinite(loss)) for loss in losses.values()) and network.training
    changed = (before.image != drawn).flatten(1).any(1)
    if row == "hard-negatives":
        assert task.hard is not None and not task.mine_at[1:]
        held = torch.zeros(8, dtype=torch.bool)
        held[before.chip] = True
        assert not bool((changed & held).any())  # what holds an object is never exchanged
    else:
        assert bool(changed.any()) and float(batches.pictures(6, photographs=True).float().mean()) == 20.0


def test_loop_from_end_to_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw, learn and judge for seconds on two invented flights: figures for the flight that was left out."""
    rng = np.random.default_rng(0)
    for flight in ("bush", "lake"):
        (tmp_path / "photographs" / flight).mkdir(parents=True)
        pixels = np.clip(np.array((90, 100, 60)) + rng.normal(0, 8, (480, 520, 1)), 0, 255).astype(np.uint8)
        Image.fromarray(pixels).save(tmp_path / "photographs" / flight / "one.jpg", quality=95)
    flights = [f for f in judge.FLIGHTS if f.name not in ("bush", "lake")]
    monkeypatch.setattr(judge, "FLIGHTS", (*flights, Flight("lake", 0.017, 0.5, 1), Flight("bush", 0.018, 0.9, 1)))
    judge_flight(tmp_path / "photographs", tmp_path / "judged", "bush")
    sizes = load_model_file(run.MODEL)
    nets, folder, until = tmp_path / "nets", tmp_path / "pool", time.time() + 60
    runs = [Run("real", part, 1, ("bush",), ("lake",)) for part in ("detector", "readers")]
    small = sizes.model_copy(
        update={
            "detector_training": sizes.detector_training.model_copy(update={"batch": 4}),
            "reader_training": sizes.reader_training.model_copy(update={"batch": 4}),
        }
    )
    asked = {one: parts_for(one, small, dict.fromkeys(run.CHIPS, 64)) for one in runs}
    parts = sorted({p for some in asked.values() for p in some}, key=lambda p: p.name)
    monkeypatch.setattr(pool, "CHIPS_A_FILE", 16)
    for part in parts:
        path = folder / part.name / "00000.safetensors"
        path.parent.mkdir(parents=True)
        write_chips(path, [source_of(part, tmp_path / "photographs", 1).batch(16)])
    shelves = Shelves(parts, folder, torch.device("cpu"))
    shelves.wait(16, until)
    failed = learn(runs, small, load_mission(pool.MISSION), shelves, asked.__getitem__, choose_device("cpu"),
                   Plan(nets, time.time() + 3.0, steps=50), print)  # fmt: skip
    shelves.ended = True
    assert not failed
    cases = {case.row: case for case in verdict.cases(nets, tmp_path / "judged", str(run.MODEL), tmp_path)}
    assert set(cases) == {"real", "second-look", "adapted"}  # the latter two train nothing
    again = verdict.verdict(cases["second-look"])
    result = json.loads(json.dumps(verdict.verdict(cases["real"]), allow_nan=False))
    assert again["panels"] == result["panels"] and again["row"] == "second-look"
    assert result["panels"] == 2 and result["grounds"] == ["lake"] and result["steps"] >= 1
    assert (tmp_path / "real-1-bush.jpg").is_file()
    out = tmp_path / "results.jsonl"
    out.write_text(json.dumps(result) + "\n")
    assert verdict.already_judged(out) == {("real", 1, "bush")}
    assert len(run.shards(nets, tmp_path)) == 1


def test_table_shows_mean_and_worst_flight_in_blocks() -> None:
    facts = {"steps": 100, "chips": 4096}
    results = [
        {"row": "real", "seed": s, "flight": f, "ap50": a, "alarms_at_90": n, **facts}
        for s, f, a, n in ((1, "park", 0.8, 2.0), (2, "park", 0.9, None), (1, "lake", 0.5, None))
    ]
    results += [{"row": row, "seed": 1, "flight": "park", "ap50": 0.4, **facts} for row in ("no-clutter", "empty-0")]
    shown = table.table(results)
    line = next(text for text in shown.splitlines() if text.startswith("| real |"))
    assert "| real | four fifths on photographs of the other flights | 2 | 100 | 4096 | 0.68 (0.50) |" in line
    assert "2.0 (never)" in line and line.count("–") >= 2
    assert shown.count("what differs") == 3 and shown.index("| empty-0 |") < shown.index("| no-clutter |")


def test_training_imports_light_packages_only() -> None:
    """Drawing and learning run where OpenCV, albumentations, matplotlib, SciPy, scikit-learn and pycocotools are missing."""
    heavy = ["cv2", "albumentations", "matplotlib", "scipy", "sklearn", "pycocotools", "skimage", "shapely", "pandas"]
    code = f"import sys\nfor name in {heavy!r}: sys.modules[name] = None\nimport benchmarks.transfer.run"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr


def test_a_bundles_sightings_answer_by_their_most_probable_values() -> None:
    tables = {"shape": {"star": 0.2, "cross": 0.7}, "mark": {"A": 1.0}}
    seen = [Sighting(1, 1, (10.0, 20.0, 30.0, 40.0), 0.9, tables), Sighting(1, 2, (1.0, 2.0, 3.0, 4.0), 0.5)]
    panels, people = answer_of(seen, "panel"), answer_of(seen, "person")
    assert panels.box_px.tolist() == [[10, 20, 40, 60]] and panels.attributes == [{"shape": "cross", "mark": "A"}]
    assert people.box_px.tolist() == [[1, 2, 4, 6]] and people.score.tolist() == [0.5] and not people.attributes
    assert answer_of([], "panel").box_px.shape == (0, 4)
