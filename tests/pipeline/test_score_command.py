"""``panelscout score`` on the command line: what it prints, what it writes, what it answers to bad input."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.command_line import run
from tests.eval.made_case import made_frame_set, perfect_finds, perfect_sightings, written


@pytest.fixture
def made(tmp_path: Path) -> tuple[Path, Path, Path]:
    frame_set = made_frame_set(tmp_path / "set", runs=3)
    sightings = perfect_sightings(frame_set)
    return (frame_set.folder, *written(tmp_path / "answers", sightings, perfect_finds(frame_set, sightings)))


def test_given_finds(made: tuple[Path, Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, sightings, finds = made
    command = ["score", str(folder), str(sightings), "--finds", str(finds), "--rulebook", "harrow-fen-careful"]
    assert run([*command, "--out", str(tmp_path / "out")]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert printed.startswith("Measured on rendered frames; expect less on photographs.")
    assert "9 of 9 panels found, 3 of 3 people, 0 false reports, 19.5 of 19.5 points a run over 3 runs" in printed
    card = json.loads((tmp_path / "out" / "scorecard.json").read_text())
    assert card["finds"] == "given" and {p.name for p in (tmp_path / "out").iterdir()} == {
        "scorecard.json", "evidence.npz", "report.html", "datasheet.html",
    }  # fmt: skip


def test_finds_are_fused_where_none_are_given(made: tuple[Path, Path, Path], tmp_path: Path) -> None:
    folder, sightings, _ = made
    assert (
        run(["score", str(folder), str(sightings), "--rulebook", "harrow-fen-brisk", "--out", str(tmp_path / "out")])
        == 0
    )
    card = json.loads((tmp_path / "out" / "scorecard.json").read_text())
    assert card["finds"] == "fused here"
    assert card["points"]["reports"]["panels_found"] == 9 and card["points"]["reports"]["false"] == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere", "{sightings}"], "nowhere must exist"),
        (["{folder}", "nowhere.json"], "nowhere.json must exist"),
        (["{folder}", "{sightings}", "--rulebook", "harrow-fen-bold"], "The rulebook 'harrow-fen-bold' must be"),
        (["{folder}", "{sightings}", "--finds", "{sightings}"], "must be FeatureCollection"),
        (["{folder}", "{sightings}", "--finds", "none.geojson"], "none.geojson must exist"),
    ],
)
def test_bad_input_is_one_sentence_and_leaves_nothing(
    made: tuple[Path, Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    folder, sightings, _ = made
    filled = [argument.format(folder=folder, sightings=sightings) for argument in arguments]
    assert run(["score", *filled, "--out", str(tmp_path / "out")]) == 2
    printed = capsys.readouterr().err
    assert words in printed and printed.count("\n") == 1 and "Traceback" not in printed
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"image_id": 77}, "must be a frame of the frame set. Got 77 instead."),
        ({"score": float("nan")}, "must hold finite numbers only"),
        ({"score": 1.01}, "must lie in 0..1. Got 1.01 instead."),
        ({"bbox": [3, 3, 10, -1]}, "w and h not negative"),
    ],
)
def test_unsound_sightings_are_2(
    made: tuple[Path, Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], change: dict, words: str
) -> None:
    folder, sightings, _ = made
    content = json.loads(sightings.read_text())
    content["sightings"][1] |= change
    sightings.write_text(json.dumps(content))
    assert run(["score", str(folder), str(sightings), "--out", str(tmp_path / "out")]) == 2
    printed = capsys.readouterr().err
    assert words in printed and printed.count("\n") == 1 and not (tmp_path / "out").exists()


def test_a_rulebook_that_rewards_false_reports_and_a_truth_without_objects_are_2(
    made: tuple[Path, Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, sightings, _ = made
    book = tmp_path / "generous.yaml"
    book.write_text("format: rulebook/1\nname: generous\npanel:\n  found: 1\nfalse_report: 1\n")
    command = ["score", str(folder), str(sightings), "--out", str(tmp_path / "out")]
    assert run([*command, "--rulebook", str(book)]) == 2
    assert "must be zero or less: a rulebook must not reward false reports" in capsys.readouterr().err
    truth = json.loads((folder / "truth.json").read_text())
    (folder / "truth.json").write_text(json.dumps(truth | {"annotations": []}))
    assert run(command) == 2
    printed = capsys.readouterr().err
    assert "must have a panel or person that counts. Got 0 too small or hidden ones instead." in printed
    assert printed.count("\n") == 1 and not (tmp_path / "out").exists()


def test_an_output_that_is_a_file_is_refused(made: tuple[Path, Path, Path], tmp_path: Path) -> None:
    folder, sightings, finds = made
    (tmp_path / "out").write_text("mine")
    assert run(["score", str(folder), str(sightings), "--finds", str(finds), "--out", str(tmp_path / "out")]) == 2
    assert (tmp_path / "out").read_text() == "mine"
