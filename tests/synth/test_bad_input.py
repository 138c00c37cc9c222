"""What users hand to the renderer and should not have: each ends in one sentence, or is put right; nothing is left behind."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from mission.errors import InputError
from mission.mission_file import Mission
from mission.recipe import Recipe
from synth import bake_marks, marks
from synth.chips import ChipSource
from synth.frames import render_frame_set
from synth.photo_ground import GroundBank
from tests.synth.small_mission import small_mission

GSD_M = 0.02


def _ramp() -> np.ndarray:
    """Colours that rise to the right and fall downwards, uint8 [260, 300, 3]."""
    across, down = np.linspace(40, 220, 300)[None, :], np.linspace(200, 60, 260)[:, None]
    return np.stack([across + 0 * down, down + 0 * across, (across + down) / 2], axis=2).astype(np.uint8)


def _bank(folder: Path) -> GroundBank:
    return GroundBank.from_folder(folder, GSD_M, mission_gsd_m=GSD_M)


def _grey(folder: Path) -> np.ndarray:
    image = Image.fromarray(_ramp()).convert("L")
    image.save(folder / "a.png")
    return np.asarray(image.convert("RGB"))


def _cmyk(folder: Path) -> np.ndarray:
    Image.fromarray(_ramp()).convert("CMYK").save(folder / "a.tif")
    return _ramp()


def _sixteen_bits(folder: Path) -> np.ndarray:
    grey = np.asarray(Image.fromarray(_ramp()).convert("L"))
    Image.fromarray(grey.astype(np.uint16) * 257).save(folder / "a.png")
    return np.repeat(grey[..., None], 3, axis=2)


def _turned(folder: Path) -> np.ndarray:
    """Stored lying, with the Exif orientation (6: CIPA DC-008) that stands it up."""
    exif = Image.Exif()
    exif[0x0112] = 6
    Image.fromarray(np.rot90(_ramp())).save(folder / "a.png", exif=exif)
    return _ramp()


@pytest.mark.parametrize("write", [_grey, _cmyk, _sixteen_bits, _turned])
def test_photographs_of_other_kinds_become_ground_as_they_look(write, tmp_path: Path) -> None:
    expected = write(tmp_path)
    (photograph,) = _bank(tmp_path).photographs
    assert photograph.pixels.dtype == np.uint8 and photograph.pixels.shape == expected.shape
    assert np.abs(photograph.pixels.astype(int) - expected).max() <= 14  # inks round


def test_more_than_200_megapixels_are_refused_by_the_header(tmp_path: Path) -> None:
    head = struct.pack(">IIBBBBB", 20_000, 10_001, 8, 2, 0, 0, 0)
    chunk = struct.pack(">I", 13) + b"IHDR" + head + struct.pack(">I", zlib.crc32(b"IHDR" + head))
    (tmp_path / "huge.png").write_bytes(b"\x89PNG\r\n\x1a\n" + chunk + struct.pack(">I", 0) + b"IDAT" + bytes(4))
    with pytest.raises(InputError, match=r"huge\.png must have at most 200 megapixels"):
        _bank(tmp_path)


def test_a_truncated_photograph_ends_in_one_sentence_and_leaves_nothing(tmp_path: Path, capsys) -> None:
    from pipeline.command_line import run

    photographs = tmp_path / "photographs"
    photographs.mkdir()
    noise = np.random.default_rng(0).integers(0, 256, (300, 300, 3), dtype=np.uint8)
    Image.fromarray(noise).save(photographs / "a.jpg")
    whole = (photographs / "a.jpg").read_bytes()
    (photographs / "a.jpg").write_bytes(whole[: len(whole) // 2])
    out = tmp_path / "out"
    command = ["render", "plain", "--out", str(out), "--frames", "1", "--ground", str(photographs)]
    assert run([*command, "--ground-gsd", "1.4cm"]) == 2
    said = capsys.readouterr().err
    assert (
        said.count("\n") == 1 and "a.jpg must be a whole JPEG, PNG or TIFF image. Got a truncated file instead." in said
    )
    assert run(command) == 2  # of unknown scale, which is known before any pixel is read
    assert "The scale of the photograph" in capsys.readouterr().err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["photographs"]


def _mission(**panels: object) -> Mission:
    mission = small_mission(192, 128)
    return mission.model_copy(update={"panels": mission.panels.model_copy(update=panels)})


def test_colours_that_cannot_be_told_apart_are_refused_before_anything_is_written(tmp_path: Path) -> None:
    mission, recipe = _mission(colours=("orange", "pink")), Recipe(name="test")
    message = (
        r"The 'panels.colours' of the mission must hold two that differ by 25 in lightness .* Got orange, pink instead"
    )
    with pytest.raises(InputError, match=message):
        render_frame_set(recipe, mission, tmp_path / "out", 1, 0)
    with pytest.raises(InputError, match=message):
        ChipSource(recipe, mission, seed=0)
    assert list(tmp_path.iterdir()) == []


def test_ranges_that_contradict_the_mission_are_refused() -> None:
    thin = Recipe.model_validate({"format": "recipe/1", "name": "thin", "panels": {"stroke_share": [0.05, 0.1]}})
    small = Recipe.model_validate({"format": "recipe/1", "name": "small", "panels": {"mark_share": [0.2, 0.4]}})
    for recipe, key in ((thin, "stroke_share"), (small, "mark_share")):
        with pytest.raises(InputError, match=rf"The 'panels.{key}' in the recipe must reach the mission's least share"):
            ChipSource(recipe, small_mission(), seed=0)


def test_signs_are_drawn_whatever_colours_the_mission_has() -> None:
    decoys = {"kinds": {"sign": 1.0}}
    composition = {"empty_share": 1.0, "decoys_per_chip": [2, 3]}
    recipe = Recipe.model_validate(
        {"format": "recipe/1", "name": "signs", "decoys": decoys, "composition": composition}
    )
    mission = _mission(colours=("red", "green"), lightness_difference_min=0.0, colour_difference_min=20.0)
    assert len(ChipSource(recipe, mission, seed=0, chip_px=96).scene(4, 0).layout.plates.glyph) > 4


def test_a_wide_lens_never_looks_at_the_horizon() -> None:
    mission = small_mission()
    wide = mission.camera.model_copy(update={"focal_length_mm": 1.2, "image_width_px": 640})
    recipe = Recipe.model_validate({"format": "recipe/1", "name": "x", "composition": {"oblique_share": 1.0}})
    source = ChipSource(recipe, mission.model_copy(update={"camera": wide}), seed=0, chip_px=64)
    _, views, _ = source._views(np.random.default_rng(0), 300)
    camera = views.camera
    corners = np.array([[0.0, 0.0], [640.0, 0.0], [0.0, 448.0], [640.0, 448.0]])
    local = np.concatenate([(corners - camera.centre_px) / np.array(camera.focal_px), np.ones((4, 1))], axis=1)
    rays = local @ views.rotation.transpose(0, 2, 1)
    down = -rays[..., 2] / np.linalg.norm(rays, axis=2)
    assert np.degrees(np.arccos(down)).max() < 75.5


def _font(folder: Path, characters: str) -> Path:
    """A typeface cut down to a few characters."""
    subset = pytest.importorskip("fontTools.subset")
    matplotlib = pytest.importorskip("matplotlib")
    source = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"
    options = subset.Options(notdef_outline=True)
    font = subset.load_font(str(source), options)
    cutter = subset.Subsetter(options)
    cutter.populate(text=characters)
    cutter.subset(font)
    font.save(folder / "few.ttf")
    return folder / "few.ttf"


def test_a_face_without_the_mark_is_refused(tmp_path: Path) -> None:
    face = _font(tmp_path, "AB")
    assert bake_marks._bitmap(face, "A").any()
    with pytest.raises(
        InputError, match=r"few\.ttf must hold the character 'K'. Got its sign for missing ones instead"
    ):
        bake_marks._bitmap(face, "K")
    (tmp_path / "few.ttf").write_bytes(b"no font")
    with pytest.raises(InputError, match="must be a font file"):
        bake_marks._bitmap(face, "A")


def test_a_damaged_atlas_of_marks_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(marks, "DATA", tmp_path)
    with pytest.raises(InputError, match=r"marks\.npz must exist"):
        marks.mark_atlas.__wrapped__()
    (tmp_path / "marks.npz").write_bytes(b"PK\x03\x04 cut")
    with pytest.raises(InputError, match=r"marks\.npz must be a whole file of this version"):
        marks.mark_atlas.__wrapped__()
