"""Mission files that are wrong: one sentence each, naming the file and the key, and never a traceback or a code run."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from mission.errors import InputError
from mission.mission_file import load_mission
from mission.settings import CONFIGS
from mission.wanted import load_wanted
from pipeline.command_line import run

SHIPPED = (CONFIGS / "missions" / "harrow-fen.yaml").read_text(encoding="utf-8")
SENTENCE = re.compile(r"^The .+ must .+\. Got .+ instead\.$")


def written(folder: Path, text: str) -> Path:
    path = folder / "mission.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def with_key(folder: Path, section: str, key: str, value: object) -> Path:
    content = yaml.safe_load(SHIPPED)
    (content[section] if section else content)[key] = value
    return written(folder, yaml.safe_dump(content))


def refusal(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        load_mission(path)
    message = str(caught.value)
    assert SENTENCE.match(message), message
    return message


@pytest.mark.parametrize(
    ("section", "key", "value", "phrase"),
    [
        ("flight", "height", "-80 m", "be positive"),
        ("flight", "height", "80 kg", "metre"),
        ("flight", "height", "eighty", "metre"),
        ("flight", "height", "inf m", "metre"),
        ("flight", "height", ".nan", "metre"),
        ("flight", "height", True, "metre"),
        ("flight", "height", None, "metre"),
        ("flight", "speed", "25 ft", "metre / second"),
        ("flight", "shutter", "0 s", "be positive"),
        ("flight", "shutter", "1/0 s", "second"),
        ("flight", "forward_overlap", 1.0, "less than 1"),
        ("flight", "pitch", "85 deg", "looks at the ground"),
        ("flight", "position_sigma", "-1 m", "zero or more"),
        ("camera", "image_width_px", 0, "greater than 0"),
        ("camera", "sensor_width", "2 V", "millimetre"),
        ("camera", "distortion", [0.1, 0.2], "camera.distortion"),
        ("site", "latitude_deg", 95, "less than or equal to 90"),
        ("site", "area_width", "0 m", "be positive"),
        ("panels", "size_smallest", "2 m", "size_smallest"),
        ("panels", "shapes", ["circle", "blob"], "blob"),
        ("panels", "shapes", [], "empty"),
        ("panels", "marks", ["A", "A"], "repeating"),
        ("panels", "marks", [True], "quotation marks"),
        ("panels", "colours", ["turquoise"], "turquoise"),
        ("panels", "mark_turn", "upright", "'any', 'upright-on-panel' or 'base-bar'. Got upright instead"),
        ("panels", "outlines", {"bow": [[0, 0], [1, 1], [1, 0], [0, 1]]}, "cross itself"),
        ("panels", "outlines", {"line": [[0, 0], [1, 1]]}, "three corners"),
        ("", "keep_clear", "-3 m", "zero or more"),
        ("", "name", "", "name"),
    ],
)
def test_wrong_values_are_named(tmp_path, section, key, value, phrase):
    message = refusal(with_key(tmp_path, section, key, value))
    assert key in message
    assert "mission.yaml" in message
    assert phrase in message


def test_unknown_keys_name_the_nearest(tmp_path):
    assert "did you mean 'height'" in refusal(with_key(tmp_path, "flight", "hieght", "80 m"))
    assert "did you mean 'camera'" in refusal(with_key(tmp_path, "", "camara", {}))


def test_missing_keys_are_named(tmp_path):
    content = yaml.safe_load(SHIPPED)
    del content["flight"]["speed"]
    assert "'flight.speed'" in refusal(written(tmp_path, yaml.safe_dump(content)))


def test_versions_are_refused_by_name(tmp_path):
    assert "mission/2" in refusal(written(tmp_path, SHIPPED.replace("mission/1", "mission/2")))
    assert "none" in refusal(written(tmp_path, SHIPPED.replace("format: mission/1", "")))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "   \n# nothing but a remark\n",
        "- a\n- list\n",
        "format: mission/1\nname: [unclosed",
        SHIPPED[: len(SHIPPED) // 3],
        "format: mission/1\nname: a\nname: b\n",
        "format: mission/1\nname: !!python/object/apply:os.system ['touch never']\n",
        "a: &a [*a]\n",
        "\x00\x01\x02",
    ],
)
def test_broken_yaml(tmp_path, text, monkeypatch):
    monkeypatch.chdir(tmp_path)
    refusal(written(tmp_path, text))
    assert not (tmp_path / "never").exists()


def test_other_bytes_missing_files_and_folders(tmp_path):
    path = tmp_path / "mission.yaml"
    path.write_bytes(b"\xff\xfe\x80\x81")
    assert "UTF-8" in refusal(path)
    assert "no such file" in refusal(tmp_path / "none.yaml")
    assert "folder" in refusal(tmp_path)


def test_unknown_shipped_name_lists_the_known():
    with pytest.raises(InputError, match="harrow-fen"):
        load_mission("harrow-fem")


@pytest.mark.parametrize(
    ("text", "phrase"),
    [
        ("format: wanted/1\nwanted: 3\n", "be a list"),
        ("format: wanted/1\nwanted: [{shape: circle}]\n", "id"),
        ("format: wanted/1\nwanted: [{id: a}, {id: a}]\n", "each id once"),
        ("format: wanted/1\nwanted: [{id: a, shape: blob}]\n", "circle"),
        ("format: wanted/1\nwanted: [{id: a, mark: [A]}]\n", "text or null"),
        ("format: wanted/1\nlist: []\nwanted: []\n", "known key"),
    ],
)
def test_broken_wanted_lists(tmp_path, text, phrase):
    path = written(tmp_path, text)
    with pytest.raises(InputError, match=phrase):
        load_wanted(path, load_mission("harrow-fen").panels.vocabulary)


def test_the_command_line_says_one_sentence_and_ends_with_two(tmp_path, capsys):
    assert run(["brief", str(with_key(tmp_path, "flight", "height", "-80 m"))]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    lines = captured.err.strip().splitlines()
    assert len(lines) == 1
    assert "'flight.height'" in lines[0]
