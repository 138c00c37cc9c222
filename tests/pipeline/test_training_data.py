"""What trainings draw from: mixtures, empty photographs, real frames, and the splits between training and judging."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image
from sklearn.model_selection import GroupKFold

from mission.errors import InputError
from mission.frame_set import Frame, FrameSet, Thing, read_frame_set
from mission.model_file import ModelFile
from pipeline.commands.fit import figures_text
from pipeline.frame_split import groups_of, split_frames
from pipeline.mixed_chips import MixedChips
from pipeline.real_frames import read_real_frames, readable_panels
from pipeline.training_data import Photographs, training_data
from tests.pipeline.drawn_chips import DrawnChips
from tests.pipeline.test_chips import drawn_frame_set

MODEL = ModelFile()


@pytest.fixture(scope="module")
def real(tmp_path_factory, mission_vocabulary):
    folder = tmp_path_factory.mktemp("real") / "set"
    drawn_frame_set(folder, mission_vocabulary)
    return folder


@pytest.fixture(scope="module")
def meadow(tmp_path_factory):
    """Two photographs of blotchy ground."""
    folder = tmp_path_factory.mktemp("ground") / "photographs"
    folder.mkdir()
    rng = np.random.default_rng(5)
    for name in ("one", "two"):
        coarse = rng.normal((60, 150, 30), 12, (40, 40, 3)).clip(0, 255).astype(np.uint8)
        Image.fromarray(coarse).resize((640, 640), Image.Resampling.BICUBIC).save(folder / f"{name}.png")
    return folder


class Plain:
    """Chips of one grey value that say which batch they belong to."""

    def __init__(self, vocabulary, value: int) -> None:
        self.chips, self.value, self.number = DrawnChips(vocabulary, seed=value, chip_px=32), value, 0
        self.asked: list[tuple[int, int]] = []

    def batch(self, n, /):
        self.asked.append((self.number, n))
        batch = self.chips.batch(n)
        batch.image = torch.full_like(batch.image, self.value)
        return batch


def test_shares_hold_over_many_batches_and_numbers_are_passed_on(mission_vocabulary):
    sources = [Plain(mission_vocabulary, value) for value in (10, 20, 30)]
    mixed = MixedChips(list(zip((0.5, 0.2, 0.3), sources, strict=True)), seed=1)
    values = torch.cat([mixed.batch(7).image[:, 0, 0, 0] for _ in range(60)])
    shares = [float((values == value).float().mean()) for value in (10, 20, 30)]
    assert len(values) == 420 and shares == pytest.approx([0.5, 0.2, 0.3], abs=0.03)
    assert [number for number, _ in sources[0].asked] == list(range(60))


def test_a_mixture_by_number_is_the_same_whoever_draws_it(real, mission):
    data = training_data("plain", MODEL, mission=mission, real=real, seed=3)
    whole = data.open("training", 96, None, "cpu")
    third = [whole.batch(4) for _ in range(3)][2]
    other = data.open("training", 96, None, "cpu")
    other.number = 2
    again = other.batch(4)
    assert torch.equal(third.image, again.image) and torch.equal(third.box_px, again.box_px)


def test_photographs_known_to_be_empty_are_ground_and_also_shown_bare(meadow, mission):
    data = training_data("plain", MODEL, mission=mission, empty=Photographs(meadow, 0.02), seed=0)
    bare = data._empty(False, 96, "cpu").batch(6)
    assert len(bare.chip) == 0
    # A mixture of two: drawn on that ground, and bare; the photographs' own green shows in both.
    mixed = data.open("training", 96, None, "cpu")
    assert isinstance(mixed, MixedChips) and mixed.shares == pytest.approx([0.8, 0.2])
    for image in (bare.image, mixed.batch(6).image):
        red, green, blue = image.float().mean((0, 2, 3)).tolist()
        assert green > 1.15 * red and green > 1.15 * blue
    assert not isinstance(data.open("training", 96, "panel", "cpu"), MixedChips)  # readers: ground only
    assert data.record()["ground"] == "photographs" and data.record()["empty_photo_share"] == 0.2


def test_empty_photographs_go_beside_other_ground(meadow, mission):
    both = training_data(
        "plain", MODEL, mission=mission, ground=Photographs(meadow, 0.02), empty=Photographs(meadow, 0.02)
    )
    source = both.open("training", 96, "panel", "cpu")
    assert isinstance(source, MixedChips) and source.shares == [0.5, 0.5]


def test_real_frames_are_mixed_into_training_and_judged_apart(real, mission):
    data = training_data("plain", MODEL, mission=mission, real=real)
    training, validation = data.open("training", 96, None, "cpu"), data.open("validation", 96, None, "cpu")
    assert isinstance(training, MixedChips) and training.shares == pytest.approx([0.7, 0.3])
    assert not isinstance(validation, MixedChips)
    learnt, apart = data.open_real("training", 96, None, "cpu"), data.open_real("validation", 96, None, "cpu")
    assert learnt is not None and apart is not None
    assert {f.background for f in learnt.frames}.isdisjoint({f.background for f in apart.frames})
    assert apart.augment is None
    (sentence,) = data.remarks()
    assert sentence == "Real frames: 4 to train on, 2 of other grounds and flights held out."


def test_real_frames_go_beside_a_frame_set_too(real, mission, tmp_path, mission_vocabulary):
    drawn_frame_set(tmp_path / "rendered", mission_vocabulary, seed=8)
    source = training_data(tmp_path / "rendered", MODEL, mission=mission, real=real).open("training", 96, None, "cpu")
    assert isinstance(source, MixedChips)
    folders = [part.frame_set.folder for part in source.sources]  # type: ignore[attr-defined]
    assert folders == [tmp_path / "rendered", real] and len(source.batch(8).image) == 8


def test_without_attributes_real_frames_teach_the_detector_only(real, mission, tmp_path):
    content = json.loads((real / "truth.json").read_text())
    shutil.copytree(real, tmp_path / "set")
    for annotation in content["annotations"]:
        annotation["attributes"] = {"mark": "Ω"} if annotation["id"] == 1 else None
    (tmp_path / "set" / "truth.json").write_text(json.dumps(content))
    data = training_data("plain", MODEL, mission=mission, real=tmp_path / "set")
    assert "that the mission does not know are taken as unknown: Ω." in " ".join(data.remarks())
    assert data.open_real("training", 96, None, "cpu") is not None
    assert data.open_real("training", 96, "panel", "cpu") is None
    assert not isinstance(data.open("training", 96, "panel", "cpu"), MixedChips)
    assert "they teach the detector, not the readers" in " ".join(data.remarks())


def frame(number: int, background: str | None, run: str | None, panel: bool = True) -> Frame:
    things = (Thing(number, "panel", (5.0, 5.0, 30.0, 30.0), 900.0),) if panel else ()
    return Frame(number, f"{number}.png", 90, 90, None, run, background, things)


def test_frames_that_share_a_ground_or_a_flight_are_one_group():
    frames = [frame(1, "a", "r"), frame(2, "b", "r"), frame(3, "b", "s"), frame(4, "c", "t"), frame(5, None, None),
              frame(6, None, None), frame(7, None, "t")]  # fmt: skip
    assert groups_of(frames) == [0, 0, 0, 1, 2, 2, 1]


def test_the_split_is_one_of_scikit_learns_folds_and_leaves_panels_on_both_sides():
    frames = [frame(n, f"field {n % 7}", None, panel=n % 7 < 2) for n in range(42)]
    training, held_out = split_frames(FrameSet(None, "photographed", tuple(frames)), seed=4)  # type: ignore[arg-type]
    grounds = [{f.background for f in side} for side in (training, held_out)]
    assert grounds[0].isdisjoint(grounds[1]) and len(training) + len(held_out) == 42
    assert any(f.things for f in training) and any(f.things for f in held_out)
    sizes = {len(test) for _, test in GroupKFold(5).split(frames, groups=groups_of(frames))}
    assert len(held_out) in sizes
    assert split_frames(FrameSet(None, "photographed", tuple(frames)), 4) == (training, held_out)  # type: ignore[arg-type]


def coco_of(frame_set: FrameSet) -> dict:
    """The plain COCO file that a labelling program would write for a frame set."""
    return {
        "images": [{"id": f.id, "file_name": f.file_name.removeprefix("frames/"), "width": f.width_px,
                    "height": f.height_px} for f in frame_set.frames],
        "annotations": [{"id": t.id, "image_id": f.id, "category_id": 3, "bbox": list(t.bbox_px), "iscrowd": 0}
                        for f in frame_set.frames for t in f.things],
        "categories": [{"id": 3, "name": "panel"}, {"id": 5, "name": "person"}, {"id": 8, "name": "bench"}],
    }  # fmt: skip


@pytest.fixture
def coco(real, tmp_path):
    """annotations/labels.json beside images/, one folder a flight."""
    content = coco_of(read_frame_set(real))
    (tmp_path / "annotations").mkdir()
    for number, image in enumerate(content["images"]):
        flight = tmp_path / "images" / f"flight-{number // 3}"
        flight.mkdir(parents=True, exist_ok=True)
        shutil.copy(real / "frames" / image["file_name"], flight)
        image["file_name"] = f"flight-{number // 3}/{image['file_name']}"
    path = tmp_path / "annotations" / "labels.json"

    def write(**changes):
        path.write_text(json.dumps(content | changes))
        return path

    return content, write


def test_a_coco_file_finds_its_images_beside_it_and_its_flights_by_folder(coco, mission, mission_vocabulary):
    content, write = coco
    content["annotations"][0]["iscrowd"] = 1
    frames = read_real_frames(write())
    assert frames.truth == "photographed" and frames.folder.name == "images"
    assert [f.background for f in frames.frames] == ["flight-0"] * 3 + ["flight-1"] * 3
    assert len(groups_of(frames.frames)) == 6 and len(set(groups_of(frames.frames))) == 2
    assert not frames.frames[0].things[0].scored and frames.frames[1].things[0].scored  # a crowd is left out
    assert readable_panels(frames.frames, mission_vocabulary) == 0
    data = training_data("plain", MODEL, mission=mission, real=write())
    assert len(data.open("training", 96, None, "cpu").batch(8).image) == 8


def test_images_may_lie_elsewhere(coco, tmp_path):
    _, write = coco
    path = write()
    (tmp_path / "images").rename(tmp_path / "kept" if (tmp_path / "kept").exists() else tmp_path.parent / "far")
    with pytest.raises(InputError, match=r"or in the one given with --real-images\. Got no 'flight-0/0\.png' there"):
        read_real_frames(path)
    assert read_real_frames(path, tmp_path.parent / "far").folder == tmp_path.parent / "far"
    (tmp_path.parent / "far" / "flight-1" / "4.png").unlink()
    with pytest.raises(InputError, match=r"must all lie in .*Got no 'flight-1/4\.png' there \(1 of 6 missing\)"):
        read_real_frames(path, tmp_path.parent / "far")
    shutil.rmtree(tmp_path.parent / "far")


@pytest.mark.parametrize(
    "changes,sentence",
    [
        ({"categories": [{"id": 3, "name": "Panels"}, {"id": 5, "name": "person"}]}, "name the panels 'panel'. Got 'Panels'"),
        ({"categories": [{"id": 3, "name": "panel"}, {"id": 5, "name": "persons"}]}, "name the persons 'person'. Got 'persons'"),
        ({"categories": [{"id": 3, "name": "boat"}]}, "must hold 'panel' or 'person'. Got boat"),
        ({"images": [], "annotations": []}, "must hold a labelled frame"),
        ({"annotations": []}, "must hold a panel or a person to learn from"),
        ({"images": [{"id": 1, "file_name": "../x.png", "width": 9, "height": 9}], "annotations": []}, "must stay inside"),
    ],
)  # fmt: skip
def test_faulty_labels_are_refused_in_a_sentence(coco, mission, changes, sentence):
    _, write = coco
    with pytest.raises(InputError, match=sentence):
        training_data("plain", MODEL, mission=mission, real=write(**changes))


@pytest.mark.parametrize(
    "arguments,sentence",
    [
        ({"real": "/nowhere"}, "must be a frame set or a COCO file. Got nothing"),
        ({"real_images": "/nowhere"}, "--real-images must come with --real"),
        ({"empty": Photographs(Path("/nowhere"))}, "The 'empty' must be a folder of photographs that exists"),
    ],
)  # fmt: skip
def test_contradictions_are_refused(mission, arguments, sentence):
    with pytest.raises(InputError, match=sentence):
        training_data("plain", MODEL, mission=mission, **arguments)


def test_a_frame_set_needs_no_empty_photographs(real, meadow, mission):
    with pytest.raises(InputError, match="may hold frames without annotations instead"):
        training_data(real, MODEL, mission=mission, empty=Photographs(meadow, 0.02))


def test_other_photographs_or_labels_are_another_training(real, meadow, mission):
    prints = {
        training_data("plain", MODEL, mission=mission, **more).fingerprint()
        for more in ({}, {"real": real}, {"empty": Photographs(meadow, 0.02)}, {"empty": Photographs(meadow, 0.03)})
    }
    assert len(prints) == 4


def test_figures_on_real_frames_are_told_apart():
    figures = {"panel AP50": 0.5, "person AP50": float("nan"), "real panel AP50": 0.25}
    assert figures_text(figures) == "panel AP50 0.500; on held-out real frames: panel AP50 0.250"
