"""Bundles: written whole, read with suspicion."""

from __future__ import annotations

import shutil
from dataclasses import replace

import pytest
import torch
import yaml
from safetensors.torch import load_file, save_file

from mission.errors import InputError
from mission.model_file import FcosSettings, HeatMapSettings, ModelFile, ReaderSettings, load_model_file
from mission.vocabulary import ATTRIBUTES, Vocabulary
from pipeline.bundle import build_detector, check_vocabulary, load_bundle, write_bundle
from pipeline.commands.read import expected
from pipeline.readers import Readers
from pipeline.score_map import ScoreMap
from pipeline.working_confidence import AtWork

MODEL = ModelFile(
    detector=HeatMapSettings(stage_widths=(8, 8, 16, 16), stage_blocks=(0, 0, 1, 1), neck_width=16),
    readers=ReaderSettings(widths=(8, 16, 16), template_width=16, colour_width=16),
)
WORDS = Vocabulary(("square", "circle"), ("red", "white"), ("A", "4", "N"))


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    torch.manual_seed(0)
    out = tmp_path_factory.mktemp("bundles") / "one"
    return write_bundle(
        out, MODEL, WORDS, build_detector(MODEL.detector), Readers(MODEL.readers, WORDS),
        working_confidence={"panel": 0.3, "person": 0.45}, temperatures={"mark": 1.7}, training={"seed": 3},
        validation={"detector": {"panel AP50": 0.5}}, half=False,
    )  # fmt: skip


@pytest.fixture
def folder(whole, tmp_path):
    return shutil.copytree(whole, tmp_path / "copy")


def changed_record(folder, change):
    path = folder / "bundle.yaml"
    content = yaml.safe_load(path.read_text())
    change(content)
    path.write_text(yaml.safe_dump(content))


def changed_tensors(folder, change, part="detector"):
    path = folder / f"{part}.safetensors"
    tensors = load_file(path)
    change(tensors)
    save_file(tensors, path)


def test_maps_of_scores_come_back_and_older_bundles_have_none(whole, folder):
    """A bundle written before there were maps reads as it did: its record has no such key."""
    own = {"a": 0.7, "b": 2.0, "c": -0.25, "lowest": 0.01}
    changed_record(folder, lambda content: content.update(score_maps={"panel": own}))
    assert load_bundle(folder, "cpu").score_maps == {"panel": ScoreMap(0.7, 2.0, -0.25, 0.01)}
    changed_record(folder, lambda content: content.pop("score_maps"))
    assert load_bundle(folder, "cpu").score_maps == {} == load_bundle(whole, "cpu").score_maps
    for wrong in (own | {"a": -1.0}, own | {"c": float("nan")}, own | {"d": 1.0}):
        changed_record(folder, lambda content, wrong=wrong: content.update(score_maps={"panel": wrong}))
        with pytest.raises(InputError, match=r"score_maps\.panel"):
            load_bundle(folder, "cpu")


def test_what_to_expect_at_work_comes_back(tmp_path):
    """A recall that could not be measured is null in the file and NaN in hand; other damage is refused."""
    panel = AtWork(0.4123456, 0.9, 50, 0.2, 0.1, 3, 5.0, 10.0, 0.8, 1.0, 1.4, (5520, 3680), False)
    person = replace(panel, recall=float("nan"), f_measure=float("nan"), objects=0)
    out = write_bundle(
        tmp_path / "one", MODEL, WORDS, build_detector(MODEL.detector), Readers(MODEL.readers, WORDS),
        working_confidence={"panel": 0.0123456, "person": 0.5}, at_work={"panel": panel, "person": person},
        temperatures={}, training={}, validation={},
    )  # fmt: skip
    bundle = load_bundle(out, "cpu")
    assert bundle.working_confidence["panel"] == 0.0123456
    assert bundle.record.at_work["panel"].at_work() == replace(panel, confidence=0.4123)
    assert yaml.safe_load((out / "bundle.yaml").read_text())["at_work"]["person"]["recall"] is None
    said = expected(bundle.record)
    assert said[0].startswith("Panels: at this confidence 90 % of panels are found and 0.1 false reports a frame")
    assert said[1].startswith("People: none was held out")
    changed_record(out, lambda content: content["at_work"]["panel"].update(recall=1.5))
    with pytest.raises(InputError, match=r"at_work\.panel"):
        load_bundle(out, "cpu")


def test_a_bundle_comes_back_as_it_was(whole):
    bundle = load_bundle(whole, "cpu")
    assert bundle.name == "one" and bundle.categories == ("panel", "person")
    assert bundle.working_confidence == {"panel": 0.3, "person": 0.45}
    assert (bundle.vocabulary.shapes, bundle.vocabulary.marks) == (WORDS.shapes, WORDS.marks)
    assert sorted(p.name for p in whole.iterdir()) == ["bundle.yaml", "detector.safetensors", "readers.safetensors"]


def test_detections_and_readings_keep_their_promises(whole):
    bundle = load_bundle(whole, "cpu")
    frame = torch.randint(0, 256, (3, 90, 130), dtype=torch.uint8)
    found = bundle.detect(torch.stack([frame, frame]))
    assert len(found) == 2
    for one in found:
        assert one.box_px.dtype == one.score.dtype == torch.float32 and one.category.dtype == torch.int64
        assert one.box_px.shape == (len(one.score), 4)
    tables = bundle.read_attributes(frame, torch.tensor([[10.0, 10, 50, 60], [100, 70, 130, 90], [0, 0, 1, 1]]))
    assert list(tables) == [*ATTRIBUTES, "panel"]
    assert tables["panel"].shape == (3,) and 0 <= tables["panel"].min() <= tables["panel"].max() <= 1
    for attribute in ATTRIBUTES:
        table = tables[attribute]
        assert table.shape == (3, len(WORDS.values(attribute)))
        assert torch.allclose(table.sum(1), torch.ones(3), atol=1e-5)
    assert bundle.read_attributes(frame, torch.zeros(0, 4))["mark"].shape == (0, 3)


def test_half_the_bytes_and_nearly_the_same_numbers(tmp_path):
    torch.manual_seed(0)
    detector, readers = build_detector(MODEL.detector), Readers(MODEL.readers, WORDS)
    rest = {"working_confidence": {"panel": 0.3, "person": 0.3}, "temperatures": {}, "training": {}, "validation": {}}
    sizes = {}
    for half in (False, True):
        out = write_bundle(tmp_path / f"{half}", MODEL, WORDS, detector, readers, half=half, **rest)
        sizes[half] = (out / "detector.safetensors").stat().st_size
    assert sizes[True] < 0.65 * sizes[False]
    frame = torch.randint(0, 256, (3, 64, 64), dtype=torch.uint8)
    box = torch.tensor([[10.0, 10, 40, 40]])
    tables = [load_bundle(tmp_path / f"{half}", "cpu").read_attributes(frame, box) for half in (False, True)]
    for attribute in ATTRIBUTES:
        assert torch.allclose(tables[0][attribute], tables[1][attribute], atol=0.02)


@pytest.mark.parametrize(
    "dtype,shape", [(torch.float32, (1, 3, 8, 8)), (torch.uint8, (1, 1, 8, 8)), (torch.uint8, (3, 8, 8))]
)
def test_tiles_of_another_kind_are_refused(whole, dtype, shape):
    with pytest.raises(InputError, match=r"The 'tiles' must be 8-bit RGB of shape \[B, 3, h, w\]"):
        load_bundle(whole, "cpu").detect(torch.zeros(shape, dtype=dtype))


def test_a_missing_tensor_is_named(folder):
    changed_tensors(folder, lambda tensors: tensors.pop("heat.weight"))
    with pytest.raises(InputError, match=r"The tensor 'heat.weight' in .* must be there"):
        load_bundle(folder, "cpu")


def test_an_extra_tensor_is_named(folder):
    changed_tensors(folder, lambda tensors: tensors.update(surprise=torch.zeros(1)))
    with pytest.raises(InputError, match="Got an extra 'surprise' instead"):
        load_bundle(folder, "cpu")


def test_a_misshaped_tensor_is_named(folder):
    changed_tensors(folder, lambda tensors: tensors.update({"heat.bias": torch.zeros(3)}))
    with pytest.raises(InputError, match=r"The 'heat.bias' in .* must have the shape \(2,\). Got \(3,\) instead"):
        load_bundle(folder, "cpu")


def test_a_tensor_with_nan_is_named(folder):
    changed_tensors(folder, lambda tensors: tensors["heat.bias"].fill_(float("nan")))
    with pytest.raises(InputError, match="must hold finite numbers only"):
        load_bundle(folder, "cpu")


def test_changed_numbers_are_noticed(folder):
    changed_tensors(folder, lambda tensors: tensors["heat.bias"].add_(1.0))
    with pytest.raises(InputError, match=r"must be the one that bundle.yaml records"):
        load_bundle(folder, "cpu")


def test_a_truncated_or_foreign_tensor_file_is_refused(folder):
    path = folder / "readers.safetensors"
    path.write_bytes(path.read_bytes()[:200])
    with pytest.raises(InputError, match="must be whole safetensors"):
        load_bundle(folder, "cpu")
    path.write_bytes(b"\x80\x04\x95 a pickle is not read")
    with pytest.raises(InputError, match="must be whole safetensors"):
        load_bundle(folder, "cpu")
    path.unlink()
    with pytest.raises(InputError, match="must exist"):
        load_bundle(folder, "cpu")


def test_another_version_is_refused_by_name(folder):
    changed_record(folder, lambda content: content.update(format="bundle/9"))
    with pytest.raises(InputError, match=r"The 'format' in .* must be bundle/1. Got bundle/9 instead."):
        load_bundle(folder, "cpu")


def test_an_unknown_key_is_refused_with_the_nearest(folder):
    changed_record(folder, lambda content: content.update(temperature={}))
    with pytest.raises(InputError, match="did you mean 'temperatures'"):
        load_bundle(folder, "cpu")


def test_a_changed_vocabulary_does_not_fit_the_numbers(folder):
    changed_record(folder, lambda content: content["vocabulary"]["marks"].append("Z"))
    with pytest.raises(InputError, match="must have the shape"):
        load_bundle(folder, "cpu")


@pytest.mark.parametrize(
    "change",
    [
        lambda c: c["working_confidence"].update(panel=1.5),
        lambda c: c["detector"].update(file="../outside.safetensors"),
        lambda c: c["vocabulary"].update(marks=["A", "A"]),
        lambda c: c.update(categories=["person", "panel"]),
        lambda c: c.pop("model"),
    ],
)
def test_other_damage_is_one_sentence(folder, change):
    changed_record(folder, change)
    with pytest.raises(InputError) as caught:
        load_bundle(folder, "cpu")
    assert "\n" not in str(caught.value) and "must" in str(caught.value)


def test_no_such_bundle(tmp_path):
    with pytest.raises(InputError, match=r"must be a folder with a bundle.yaml"):
        load_bundle(tmp_path / "nowhere")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="must exist"):
        load_bundle(tmp_path / "empty")


def test_a_mission_with_other_marks_is_refused(whole):
    bundle = load_bundle(whole, "cpu")
    check_vocabulary(bundle, Vocabulary(("square",), ("red",), ("N",)), "the mission")
    with pytest.raises(InputError, match=r"must know every mark of the mission\. Got no 'Q'"):
        check_vocabulary(bundle, Vocabulary(("square",), ("red",), ("Q",)), "the mission")


def test_nothing_half_written_when_the_disk_fills(tmp_path, monkeypatch):
    def full(*args, **kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.bundle.write_text", full)
    with pytest.raises(OSError):
        write_bundle(
            tmp_path / "out", MODEL, WORDS, build_detector(MODEL.detector), Readers(MODEL.readers, WORDS),
            working_confidence={"panel": 0.3, "person": 0.3}, temperatures={}, training={}, validation={},
        )  # fmt: skip
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["small", "default", "large", "fcos", "separate-readers"])
def test_shipped_models_build(name):
    model = load_model_file(name)
    numbers = sum(p.numel() for p in build_detector(model.detector).parameters())
    assert isinstance(model.detector, FcosSettings) or numbers < 5e6
    most = {"small": 0.5e6, "default": 4.5e6}
    assert numbers < most.get(name, numbers + 1)
