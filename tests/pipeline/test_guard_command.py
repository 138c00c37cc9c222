"""The guard on the command line: exit codes, files, refusals."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from eval.score import score
from pipeline.command_line import run
from tests.eval.made_case import made_frame_set, perfect_sightings, written


@pytest.fixture(scope="module")
def cards(tmp_path_factory: pytest.TempPathFactory) -> Path:
    base = tmp_path_factory.mktemp("guarded")
    frame_set = made_frame_set(base / "frames", runs=12)
    good = perfect_sightings(frame_set)
    for name, step in (("good", 1), ("poor", 2)):
        kept = tuple(s for i, s in enumerate(good.sightings) if i % step == 0)
        paths = written(base / f"{name}-answers", replace(good, sightings=kept))
        score(frame_set.folder, paths[0], base / name)
    return base


def test_held_is_0_and_worse_is_1(cards: Path, tmp_path: Path) -> None:
    files = ["--markdown", str(tmp_path / "said.md"), "--junit", str(tmp_path / "said.xml")]
    assert run(["guard", "--baseline", str(cards / "good"), "--scorecard", str(cards / "good"), *files]) == 0
    assert "Held" in (tmp_path / "said.md").read_text()
    assert run(["guard", "--baseline", str(cards / "good"), "--scorecard", str(cards / "poor"), *files]) == 1
    assert "Worse" in (tmp_path / "said.md").read_text() and "<failure" in (tmp_path / "said.xml").read_text()


@pytest.mark.parametrize("margin", ["detection.AP", "detection.AP=-1", "detection.AP=nan", "nothing=1"])
def test_a_wrong_margin_is_2(cards: Path, margin: str, capsys: pytest.CaptureFixture[str]) -> None:
    both = ["--baseline", str(cards / "good"), "--scorecard", str(cards / "poor")]
    assert run(["guard", *both, "--margin", margin]) == 2
    assert "must be" in capsys.readouterr().err


def test_accept_needs_a_reason_and_then_holds(cards: Path, tmp_path: Path) -> None:
    import shutil

    shutil.copytree(cards / "good", tmp_path / "base")
    both = ["--baseline", str(tmp_path / "base"), "--scorecard", str(cards / "poor")]
    assert run(["guard", *both, "--accept"]) == 2
    assert run(["guard", *both, "--reason", "fewer epochs"]) == 2
    assert run(["guard", *both, "--accept", "--reason", "fewer epochs, on purpose"]) == 0
    assert run(["guard", *both]) == 0


def test_compare_prints_and_writes_a_table(cards: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = tmp_path / "said.md"
    assert run(["compare", str(cards / "good"), str(cards / "poor"), "--markdown", str(said)]) == 0
    assert "AP" in capsys.readouterr().out and "| figure |" in said.read_text()
    assert run(["compare", str(cards / "good")]) == 2


def test_a_baseline_of_another_frame_set_is_2(cards: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = made_frame_set(tmp_path / "frames", runs=12, seed=9)
    answers = written(tmp_path / "answers", perfect_sightings(other))
    score(other.folder, answers[0], tmp_path / "other")
    assert run(["guard", "--baseline", str(tmp_path / "other"), "--scorecard", str(cards / "good")]) == 2
    printed = capsys.readouterr().err
    assert "must be of the same frame set" in printed and printed.count("\n") == 1
