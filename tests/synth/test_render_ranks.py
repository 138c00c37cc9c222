"""One render shared by the processes of PyTorch's launcher: the same files as one process writes."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from mission.errors import InputError
from mission.frame_set import read_frame_set
from mission.settings import CONFIGS
from synth import render_ranks
from synth.frames import render_frame_set
from synth.render_ranks import Ranks, ranks_of
from tests.synth.small_mission import small_mission
from tests.synth.test_frames import digests, recipe

ROOT = Path(__file__).parents[2]


def test_ranks_come_from_the_launchers_environment() -> None:
    assert ranks_of({}) == Ranks(0, 1)
    ranks = ranks_of({"RANK": "1", "WORLD_SIZE": "3"})
    assert list(ranks.own(8)) == [1, 4, 7]
    for rank, world in (("3", "3"), ("-1", "2"), ("x", "2")):
        with pytest.raises(InputError, match=r"The 'RANK' in the environment must be a whole number from 0"):
            ranks_of({"RANK": rank, "WORLD_SIZE": world})


@pytest.fixture
def files(tmp_path: Path) -> tuple[str, str]:
    """Recipe and mission of the tests as files."""
    content = yaml.safe_load((CONFIGS / "missions" / "harrow-fen.yaml").read_text())
    pitch_mm = 0.0042
    content["camera"] |= {
        "image_width_px": 320, "image_height_px": 240,
        "sensor_width": f"{320 * pitch_mm} mm", "sensor_height": f"{240 * pitch_mm} mm",
    }  # fmt: skip
    del content["rulebook"], content["wanted"]
    (tmp_path / "mission.yaml").write_text(yaml.safe_dump(content))
    (tmp_path / "recipe.yaml").write_text(yaml.safe_dump(recipe(2).model_dump(mode="json")))
    return str(tmp_path / "recipe.yaml"), str(tmp_path / "mission.yaml")


def test_two_processes_of_the_launcher_write_what_one_writes(files: tuple[str, str], tmp_path: Path) -> None:
    from pipeline.command_line import run

    command = ["render", files[0], "--mission", files[1], "--frames", "5", "--seed", "7", "--out"]
    assert run([*command, str(tmp_path / "one")]) == 0
    launcher = [
        sys.executable,
        "-m",
        "torch.distributed.run",
        "--standalone",
        "--nproc-per-node",
        "2",
        "-m",
        "pipeline",
    ]
    done = subprocess.run(
        [*launcher, *command, str(tmp_path / "two")], cwd=ROOT, capture_output=True, text=True, timeout=180,
        env=os.environ | {"OMP_NUM_THREADS": "1"}, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout.count("Wrote 5 frames") == 1  # rank 0 alone speaks
    assert digests(tmp_path / "one") == digests(tmp_path / "two")
    assert not list(tmp_path.glob(".*"))


def test_a_process_that_never_comes_ends_in_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(render_ranks, "STALLED_S", 0.3)
    monkeypatch.setenv("RANK", "0")
    monkeypatch.setenv("WORLD_SIZE", "2")
    out = tmp_path / "out"
    with pytest.raises(
        InputError, match=r"All 2 processes must go on drawing frames into .*\. Got no sign of that for"
    ):
        render_frame_set(recipe(2), small_mission(192, 128), out, 2, 0)
    assert not out.exists()
    # What was drawn is kept: one process alone goes on with it.
    monkeypatch.delenv("RANK")
    assert len(read_frame_set(render_frame_set(recipe(2), small_mission(192, 128), out, 2, 0)).frames) == 2
    assert sorted(p.name for p in out.iterdir()) == ["frames", "recipe.yaml", "truth.json"]
