"""The guard of our own build: what it lets pass and what it refuses, without rendering anything."""

from __future__ import annotations

import copy
import importlib.util
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from mission.mission_file import load_mission
from mission.recipe import check_recipe, load_recipe
from tests.eval.made_case import made_frame_set

CI = Path(__file__).resolve().parents[2] / ".ci"
pytestmark = pytest.mark.skipif(not CI.is_dir(), reason="the build's own scripts are not in this copy")


@pytest.fixture(scope="module")
def same_truth() -> ModuleType:
    spec = importlib.util.spec_from_file_location("same_truth", CI / "same_truth.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def truth(tmp_path: Path) -> dict[str, Any]:
    made_frame_set(tmp_path / "set", runs=2)
    return json.loads((tmp_path / "set" / "truth.json").read_text())


def test_a_hair_aside_is_the_same_truth(same_truth: ModuleType, truth: dict[str, Any]) -> None:
    moved = copy.deepcopy(truth)
    moved["annotations"][0]["bbox"][0] += 0.3
    moved["annotations"][0]["visible"] = 0.97
    moved["images"][0]["view"]["position_enu_m"][2] += 1e-9
    assert same_truth.difference(moved, truth) is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t["annotations"][0]["bbox"].__setitem__(0, t["annotations"][0]["bbox"][0] + 0.7), "bbox[0] is"),
        (lambda t: t["annotations"][0]["attributes"].__setitem__("mark", "Z"), "attributes.mark is Z"),
        (lambda t: t["annotations"].pop(), "annotations has 7 entries and not 8"),
        (lambda t: t["images"][0]["view"].__setitem__("heading_deg", 0.01), "heading_deg is 0.01"),
        (lambda t: t.pop("runs"), "has other keys"),
        (lambda t: t["annotations"][0].__setitem__("visible", None), "visible is None"),
    ],
)
def test_another_truth_is_told_by_its_place(same_truth: ModuleType, truth: dict[str, Any], change, words: str) -> None:
    moved = copy.deepcopy(truth)
    change(moved)
    assert words in same_truth.difference(moved, truth)


def test_the_kept_truth_takes_the_rendered_ones_place(tmp_path: Path, truth: dict[str, Any]) -> None:
    kept, rendered = tmp_path / "kept.json", tmp_path / "rendered.json"
    kept.write_text(json.dumps(truth, indent=1))
    truth["annotations"][0]["area"] += 3.0
    rendered.write_text(json.dumps(truth))
    done = subprocess.run([sys.executable, str(CI / "same_truth.py"), str(rendered), str(kept)], check=False)
    assert done.returncode == 0 and rendered.read_bytes() == kept.read_bytes()
    truth["truth"] = "mixed"
    rendered.write_text(json.dumps(truth))
    done = subprocess.run(
        [sys.executable, str(CI / "same_truth.py"), str(rendered), str(kept)],
        check=False,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 2 and "must be those of the baseline. Got a truth where truth is mixed" in done.stdout


def test_its_mission_and_recipe_load_and_fit() -> None:
    mission = load_mission(CI / "guard.mission.yaml")
    check_recipe(load_recipe(CI / "guard.recipe.yaml"), mission)
    survey = load_mission("harrow-fen")
    assert mission.ground_sample_distance_m == pytest.approx(survey.ground_sample_distance_m)
    assert mission.panels.vocabulary == survey.panels.vocabulary


@pytest.mark.skipif(shutil.which("bash") is None, reason="there is no bash here")
def test_it_says_when_it_cannot_guard(tmp_path: Path) -> None:
    # A copy without a bundle skips and says so; with a bundle and no baseline it fails.
    shutil.copytree(CI, tmp_path / ".ci", ignore=shutil.ignore_patterns("baseline"))
    command = ["bash", str(tmp_path / ".ci" / "guard")]
    plain = {k: v for k, v in os.environ.items() if not k.startswith("PANELSCOUT_GUARD")}
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=plain)
    assert done.returncode == 0 and "SKIPPED" in done.stdout
    bundle = plain | {"PANELSCOUT_GUARD_BUNDLE": str(tmp_path)}
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=bundle)
    assert done.returncode == 2 and "baseline .ci/baseline must be there" in done.stdout
    done = subprocess.run([*command, "--accept"], capture_output=True, text=True, check=False, env=bundle)
    assert done.returncode == 2 and "must come with a reason" in done.stdout
