"""Processes that learn together: as one with all their data, each part by its own half, and what is refused."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
import torch
import yaml

from mission.errors import InputError
from pipeline.bundle import load_bundle
from pipeline.team import APART, Team, World
from pipeline.tensor_files import read_tensors
from tests.pipeline.test_chips import drawn_frame_set
from tests.pipeline.test_fit import MODEL
from tests.pipeline.two_members import learn, points

ROOT = Path(__file__).parents[2]


def launched(*arguments):
    """Run the same command in two processes, as torchrun sets them up; what they said and their exit codes."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    members = []
    for rank in range(2):
        environment = os.environ | {
            "RANK": str(rank), "LOCAL_RANK": str(rank), "WORLD_SIZE": "2", "LOCAL_WORLD_SIZE": "2",
            "MASTER_ADDR": "127.0.0.1", "MASTER_PORT": str(port), "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1",
        }  # fmt: skip
        members.append(
            subprocess.Popen(
                [sys.executable, *arguments],
                env=environment,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
            )
        )
    try:
        said = [member.communicate(timeout=200)[0] for member in members]
    finally:
        for member in members:
            member.kill()
    assert [member.returncode for member in members] == [0, 0], said
    return said


def test_two_members_end_as_one_that_saw_all_their_points(tmp_path):
    launched("-m", "tests.pipeline.two_members", str(tmp_path))
    first, second = (read_tensors(tmp_path / f"{rank}.safetensors")[0] for rank in range(2))
    alone, half = learn(torch.cat([points(0), points(1)])), learn(points(0))
    assert len(first) > 50 and set(first) == set(second)  # the parts of a small model among them
    for name in first:
        assert torch.equal(first[name], second[name]), name
    for name in alone:
        assert torch.allclose(first[name], alone[name], atol=1e-5)
    assert not torch.allclose(half["bias"], alone["bias"], atol=1e-3)  # half of the points would have shown


def test_a_launched_fit_shares_out_the_parts_and_writes_one_bundle(tmp_path, mission_vocabulary):
    drawn_frame_set(tmp_path / "set", mission_vocabulary)
    (tmp_path / "tiny.yaml").write_text(yaml.safe_dump(MODEL.model_dump(mode="json")))
    out = tmp_path / "made" / "out"
    said = launched(
        "-m", "pipeline", "fit", "--train", str(tmp_path / "set"), "--out", str(out), "--model", str(tmp_path / "tiny.yaml"),
        "--steps", "2", "--device", "cpu",
    )  # fmt: skip
    assert "Wrote the bundle" in said[0] and "Wrote the bundle" not in said[1]
    record = load_bundle(out, "cpu").record.training
    assert record["processes"] == 2 and record["steps"] == {"detector": 2, "readers": 2}
    assert [p.name for p in out.parent.iterdir()] == ["out"]


def test_a_launch_is_read_from_the_environment(monkeypatch):
    for name in ("RANK", "WORLD_SIZE", "LOCAL_RANK", "LOCAL_WORLD_SIZE"):
        monkeypatch.delenv(name, raising=False)
    assert World.here() == World(0, 1, 0, 1)
    for name, value in {"RANK": "3", "WORLD_SIZE": "4", "LOCAL_RANK": "1", "LOCAL_WORLD_SIZE": "2"}.items():
        monkeypatch.setenv(name, value)
    assert World.here() == World(3, 4, 1, 2)
    monkeypatch.setenv("RANK", "4")
    with pytest.raises(
        InputError, match="The 'RANK' in the environment must be a whole number from 0 to WORLD_SIZE - 1"
    ):
        World.here()


def test_members_draw_different_batches_and_one_leads():
    first, second = Team(0, 2), Team(1, 2)
    assert first.first_batch == 0 and second.first_batch == APART
    assert first.leads and not second.leads
    assert Team().agreed(0.25) == 0.25
