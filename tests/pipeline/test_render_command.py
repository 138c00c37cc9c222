"""``panelscout render``: what it says, and what it refuses in one sentence."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from mission.frame_set import read_frame_set
from mission.settings import CONFIGS
from pipeline.command_line import run


@pytest.fixture
def small(tmp_path: Path) -> dict[str, str]:
    """A mission with a small camera and a recipe on sand alone, as files."""
    content = yaml.safe_load((CONFIGS / "missions" / "harrow-fen.yaml").read_text())
    content["camera"] |= {
        "image_width_px": 480, "image_height_px": 360, "sensor_width": "2.016 mm", "sensor_height": "1.512 mm",
    }  # fmt: skip
    content.pop("rulebook"), content.pop("wanted")
    (tmp_path / "mission.yaml").write_text(yaml.safe_dump(content))
    ground = {"kinds": {"sand": 1.0}, "extra_kinds": [0, 0], "structures": 0, "trees": 0, "tree_shade": 0}
    recipe = {"format": "recipe/1", "name": "small", "ground": ground, "flight": {"frames_per_run": 2}}
    (tmp_path / "recipe.yaml").write_text(yaml.safe_dump(recipe))
    return {key: str(tmp_path / f"{key}.yaml") for key in ("mission", "recipe")}


def test_render_writes_a_valid_frame_set_and_says_so(small, tmp_path: Path, capsys) -> None:
    out = tmp_path / "out"
    code = run(
        ["render", small["recipe"], "--mission", small["mission"], "--out", str(out), "--frames", "2", "--seed", "3"]
    )
    assert code == 0
    assert len(read_frame_set(out).frames) == 2
    assert "Wrote 2 frames of 1 runs" in " ".join(capsys.readouterr().out.split())


def test_refusals_are_one_sentence_and_leave_nothing(small, tmp_path: Path, capsys) -> None:
    out = tmp_path / "out"
    base = ["--mission", small["mission"], "--out", str(out), "--frames", "1"]
    assert run(["render", "no-such-recipe", *base]) == 2
    assert "The recipe 'no-such-recipe' must be a YAML file or one of the shipped names" in capsys.readouterr().err
    assert run(["render", small["recipe"], *base, "--ground", str(tmp_path / "nowhere")]) == 2
    assert "nowhere" in capsys.readouterr().err
    assert run(["render", small["recipe"], *base, "--seed", "-1"]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    out.mkdir()
    (out / "mine.txt").write_text("x")
    assert run(["render", small["recipe"], *base]) == 2
    assert "must be new or empty" in capsys.readouterr().err
    assert [p.name for p in out.iterdir()] == ["mine.txt"]
