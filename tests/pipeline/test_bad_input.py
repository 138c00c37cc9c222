"""What people hand over by mistake, from the file to the finds: a sentence or a right answer, never a traceback."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
import torch
from PIL import Image

from mission.errors import InputError
from mission.frame_set import Frame, FrameSet, Thing, write_truth
from mission.photographs import load_photograph
from mission.vocabulary import Vocabulary
from pipeline.bundle import build_detector, load_bundle
from pipeline.chips import FrameSetChips
from pipeline.command_line import run
from pipeline.detector import MAX_DETECTIONS
from tests.pipeline.drawn_chips import boxes_in_chips
from tests.pipeline.test_bundle import MODEL
from tests.pipeline.test_starting_weights import written

SIDE = 160


@pytest.fixture(scope="module")
def bundle(tmp_path_factory, mission_vocabulary):
    return written(tmp_path_factory.mktemp("bad") / "bundle", MODEL, mission_vocabulary)


def colours() -> np.ndarray:
    """A picture [S, S, 3] whose three channels can be told apart: red falls, green rises, blue stands."""
    ramp = np.linspace(20, 235, SIDE).astype(np.uint8)
    return np.stack([np.tile(ramp[::-1], (SIDE, 1)), np.tile(ramp, (SIDE, 1)), np.full((SIDE, SIDE), 90)], -1).astype(
        np.uint8
    )


def as_file(kind: str, folder):
    """The picture written as another kind of file, and how far its pixels may differ once read."""
    picture = Image.fromarray(colours())
    if kind == "RGBA":
        picture.putalpha(255)
        picture.save(folder / "a.png")
        return folder / "a.png", 0
    if kind == "palette":
        picture.quantize(256).save(folder / "a.png")
        return folder / "a.png", 12
    if kind == "CMYK":
        picture.convert("CMYK").save(folder / "a.tif")
        return folder / "a.tif", 2
    if kind == "grey":
        picture.convert("L").save(folder / "a.png")
        return folder / "a.png", None
    grey = np.asarray(picture.convert("L")).astype(np.uint16) * 257
    Image.fromarray(grey).save(folder / "a.png")
    return folder / "a.png", None


@pytest.mark.parametrize("kind", ["RGBA", "palette", "CMYK", "grey", "16-bit grey"])
def test_files_of_other_depths_and_channels_are_read_as_what_they_show(kind, bundle, tmp_path):
    photographs = tmp_path / "in"
    photographs.mkdir()
    path, tolerance = as_file(kind, photographs)
    expected = colours().astype(int)
    if tolerance is None:  # grey: the picture's luma in all three channels
        expected, tolerance = np.asarray(Image.fromarray(colours()).convert("L").convert("RGB")).astype(int), 1
    pixels = load_photograph(path)
    assert pixels.dtype == np.uint8 and np.abs(pixels.astype(int) - expected).max() <= tolerance
    assert run(["read", str(bundle), str(photographs), "--out", str(tmp_path / "out"), "--device", "cpu"]) == 0


def test_a_file_of_numbers_without_a_range_is_refused(bundle, tmp_path, capsys):
    (tmp_path / "in").mkdir()
    Image.fromarray(np.full((40, 40), np.nan, np.float32)).save(tmp_path / "in" / "a.tif")
    assert run(["read", str(bundle), str(tmp_path / "in"), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "must hold grey, RGB or CMYK values of 8 or 16 bits" in " ".join(said.split()) and "Traceback" not in said
    assert not (tmp_path / "out").exists()


def test_tensors_of_floats_nan_or_another_order_are_refused(bundle):
    loaded = load_bundle(bundle, "cpu")
    frame = torch.zeros(3, 64, 64)
    frame[0, 5, 5] = float("nan")
    for tiles in (
        frame[None],
        torch.zeros(1, 64, 64, 3, dtype=torch.uint8),
        torch.zeros(1, 3, 8, 8, dtype=torch.int16),
    ):
        with pytest.raises(InputError, match=r"must be 8-bit RGB of shape \[B, 3, h, w\]"):
            loaded.detect(tiles)
    for wrong in (frame, torch.zeros(64, 64, 3, dtype=torch.uint8)):
        with pytest.raises(InputError, match=r"must be 8-bit RGB of shape \[3, H, W\]"):
            loaded.read_attributes(wrong, torch.tensor([[1.0, 1, 9, 9]]))


@pytest.mark.parametrize("box", [[float("nan"), 1, 9, 9], [1, 1, float("inf"), 9]])
def test_boxes_that_are_no_numbers_are_refused(bundle, box):
    with pytest.raises(InputError, match="The 'box_px' must hold finite numbers"):
        load_bundle(bundle, "cpu").read_attributes(torch.zeros(3, 64, 64, dtype=torch.uint8), torch.tensor([box]))


@pytest.mark.parametrize("size", [(1, 1), (1, 700), (3, 2)])
def test_frames_of_a_pixel_are_read_without_a_find(bundle, tmp_path, size):
    (tmp_path / "in").mkdir()
    Image.new("RGB", size, (90, 120, 60)).save(tmp_path / "in" / "a.png")
    assert run(["read", str(bundle), str(tmp_path / "in"), "--out", str(tmp_path / "out"), "--device", "cpu"]) == 0
    content = json.loads((tmp_path / "out" / "sightings.json").read_text())
    for sighting in content["sightings"]:
        x, y, w, h = sighting["bbox"]
        assert 0 <= x <= x + w <= size[0] and 0 <= y <= y + h <= size[1]


def crowded(folder, things: int) -> FrameSet:
    """One frame with so many panels of 18 px in rows."""
    rng = np.random.default_rng(0)
    (folder / "frames").mkdir(parents=True)
    Image.fromarray(rng.integers(0, 255, (640, 960, 3), dtype=np.uint8)).save(folder / "frames" / "a.png")
    boxes = [(24.0 * (n % 40), 24.0 * (n // 40), 18.0, 18.0) for n in range(things)]
    panels = tuple(Thing(n + 1, "panel", box, 324.0) for n, box in enumerate(boxes))
    frame_set = FrameSet(folder, "photographed", (Frame(1, "frames/a.png", 960, 640, things=panels),))
    write_truth(folder, frame_set)
    return frame_set


@pytest.mark.parametrize("things", [0, 1000])
def test_a_frame_with_a_thousand_things_or_none(bundle, mission, tmp_path, things):
    crowded(tmp_path / "set", things)
    chips = FrameSetChips(tmp_path / "set", mission.panels.vocabulary, chip_px=320, seed=1).batch(4)
    assert (len(chips.chip) > 300) == (things > 0)
    losses = build_detector(MODEL.detector).losses(chips.image, chips)  # type: ignore[operator]
    assert all(torch.isfinite(loss) for loss in losses.values())
    assert run(["read", str(bundle), str(tmp_path / "set"), "--out", str(tmp_path / "out"), "--device", "cpu"]) == 0
    content = json.loads((tmp_path / "out" / "sightings.json").read_text())
    assert len(content["sightings"]) <= MAX_DETECTIONS
    loaded = load_bundle(bundle, "cpu")
    boxes = torch.tensor([list(t) for t in [(2.0, 2, 20, 20)] * things]).reshape(-1, 4)
    assert loaded.read_attributes(torch.zeros(3, 64, 64, dtype=torch.uint8), boxes)["mark"].shape[0] == things


def test_a_thousand_objects_in_one_chip_have_each_its_peak():
    rows = [(0, 16.0 * (n % 40), 16.0 * (n // 40), 16.0 * (n % 40) + 16, 16.0 * (n // 40) + 16) for n in range(1000)]
    objects = boxes_in_chips(rows)
    from pipeline.detector import heat_targets

    target = heat_targets(objects, (1, 2, 80, 80), 8)
    assert int((target.heat[0, 0] >= 1).sum()) == 1000 and target.positives == 1000


def test_a_bundle_of_another_vocabulary_is_refused_before_anything_is_read(tmp_path, capsys):
    other = written(tmp_path / "other", MODEL, Vocabulary(("square",), ("red", "white"), ("A",)))
    (tmp_path / "in").mkdir()
    Image.new("RGB", (64, 64)).save(tmp_path / "in" / "a.png")
    arguments = ["read", str(other), str(tmp_path / "in"), "--out", str(tmp_path / "out"), "--mission", "harrow-fen"]
    assert run(arguments) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "The bundle 'other' must know every shape of the mission" in said and not (tmp_path / "out").exists()


@pytest.mark.parametrize("damage", ["no record", "binary record", "no numbers", "empty numbers", "swapped numbers"])
def test_a_damaged_bundle_is_refused_in_a_sentence(bundle, tmp_path, capsys, damage):
    copy = shutil.copytree(bundle, tmp_path / "copy")
    detector, readers = copy / "detector.safetensors", copy / "readers.safetensors"
    if damage == "no record":
        (copy / "bundle.yaml").unlink()
    elif damage == "binary record":
        (copy / "bundle.yaml").write_bytes(bytes(range(256)))
    elif damage == "no numbers":
        detector.unlink()
    elif damage == "empty numbers":
        readers.write_bytes(b"")
    else:
        detector.rename(tmp_path / "aside")
        readers.rename(detector)
        (tmp_path / "aside").rename(readers)
    (tmp_path / "in").mkdir()
    Image.new("RGB", (64, 64)).save(tmp_path / "in" / "a.png")
    for command in (
        ["read", str(copy), str(tmp_path / "in"), "--out", str(tmp_path / "out")],
        [
            "fit",
            "--train",
            "plain",
            "--from",
            str(copy),
            "--steps",
            "1",
            "--workers",
            "1",
            "--out",
            str(tmp_path / "out"),
        ],
    ):
        assert run(command) == 2
        said = " ".join(capsys.readouterr().err.split())
        assert " must " in said and said.endswith("instead.") and "Traceback" not in said
        assert not (tmp_path / "out").exists()
