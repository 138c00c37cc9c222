"""``panelscout brief`` prints every figure, side by side, with warnings and cautions."""

from __future__ import annotations

import pytest

from mission.cautions import CAUTIONS
from pipeline.command_line import run


@pytest.fixture
def said(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "160")

    def call(*missions: str) -> str:
        assert run(["brief", *missions]) == 0
        return " ".join(capsys.readouterr().out.split())

    return call


def test_one_mission(said):
    text = said("harrow-fen")
    for figure in ("1.38 cm", "76.2 m x 50.8 m", "29 to 72", "1/1600 s", "0.36 px", "2.5 s", "53.3 m", "1 min 30 s"):
        assert figure in text
    for shape in ("triangle", "star", "cross", "semicircle"):
        assert shape in text
    assert "expect misread marks" in text
    assert "the crew adds transit, turns, wind and the battery's reserve" in text


def test_side_by_side(said):
    text = said("harrow-fen", "harrow-fen-low")
    assert "1.38 cm 0.66 cm" in text
    assert "Harrow Fen, low and slow: nothing stands against it." in text


def test_all_cautions_are_shown(said):
    text = said("harrow-fen-low")
    for caution in CAUTIONS:
        assert f"{caution.heading}. {caution.text}" in text


def test_names_are_printed_as_they_are(said, tmp_path):
    """A mission's name is text, never markup for the terminal."""
    from mission.settings import CONFIGS

    text = (CONFIGS / "missions" / "harrow-fen-low.yaml").read_text(encoding="utf-8")
    path = tmp_path / "m.yaml"
    path.write_text(text.replace("name: Harrow Fen, low and slow", "name: '[bold]odd[/nothing]'"), encoding="utf-8")
    assert "[bold]odd[/nothing]" in said(str(path))


def test_without_a_mission(capsys):
    assert run(["brief"]) == 2
    assert run(["brief", "nowhere"]) == 2
    assert "must be a YAML file or one of the shipped names" in capsys.readouterr().err
