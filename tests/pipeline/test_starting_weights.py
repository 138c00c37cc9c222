"""Going on from a bundle, the word ``default``, and bundles made small enough to ship."""

from __future__ import annotations

import shutil

import pytest
import torch
import yaml
from safetensors.torch import load_file

from mission.errors import InputError
from mission.model_file import ModelFile, TrainingSettings
from mission.vocabulary import ATTRIBUTES, Vocabulary
from pipeline.bundle import build_detector, load_bundle, write_bundle
from pipeline.commands.read import read_command
from pipeline.find_bundle import bundle_folder, default_bundle
from pipeline.fit import fit
from pipeline.readers import Readers
from pipeline.shrink import shrink_bundle
from pipeline.starting_weights import fill_from_bundle, new_values, remark_on_start, with_networks_of
from pipeline.tensor_files import read_tensors
from tests.pipeline.test_bundle import MODEL, WORDS
from tests.pipeline.test_chips import drawn_frame_set
from tests.pipeline.test_fit import MODEL as FIT_MODEL

WIDER = Vocabulary(("circle", "star", "square"), ("red", "white", "blue"), ("N", "A", "7"))


def written(out, model, words, *, half=True):
    torch.manual_seed(1)
    return write_bundle(
        out, model, words, build_detector(model.detector), Readers(model.readers, words),
        working_confidence={"panel": 0.3, "person": 0.3}, temperatures={}, training={"seed": 1}, validation={}, half=half,
    )  # fmt: skip


@pytest.fixture(scope="module")
def bundle(tmp_path_factory):
    return written(tmp_path_factory.mktemp("start") / "first", MODEL, WORDS, half=False)


def test_the_same_vocabulary_gives_the_same_network(bundle):
    detector, readers = build_detector(MODEL.detector), Readers(MODEL.readers, WORDS)
    for network, part in ((detector, "detector"), (readers, "readers")):
        fill_from_bundle(network, bundle, part)
        kept = read_tensors(bundle / f"{part}.safetensors")[0]
        assert all(torch.equal(tensor, kept[name]) for name, tensor in network.state_dict().items())
    assert remark_on_start(bundle, WORDS) == "Starting from the bundle 'first'."


def test_answers_for_known_values_are_carried_to_their_new_places(bundle):
    """In evaluation mode, log-probabilities of known values differ from the bundle's by one number a row."""
    before, after = Readers(MODEL.readers, WORDS).eval(), Readers(MODEL.readers, WIDER).eval()
    fill_from_bundle(before, bundle, "readers")
    fill_from_bundle(after, bundle, "readers")
    side = MODEL.readers.tight_px, MODEL.readers.wide_px
    tight, wide = (torch.rand(4, 3, px, px, generator=torch.Generator().manual_seed(3)) * 255 for px in side)
    old, new = before.read(tight, wide), after.read(tight, wide)
    for attribute in ATTRIBUTES:
        values, wider = WORDS.values(attribute), WIDER.values(attribute)
        shared = [value for value in values if value in wider]
        difference = torch.stack([
            new[attribute][:, wider.index(v)] - old[attribute][:, values.index(v)] for v in shared
        ])  # fmt: skip
        assert len(shared) >= 2
        assert torch.allclose(difference, difference[:1].expand_as(difference), atol=1e-4), attribute


def test_values_that_were_never_learnt_are_named(bundle):
    assert new_values(bundle, WIDER) == {"shapes": ["star"], "marks": ["7"], "colours": ["blue"]}
    said = remark_on_start(bundle, WIDER)
    assert "they begin from nothing: shapes star; marks 7; colours blue." in said
    assert "narrowed" in remark_on_start(bundle, Vocabulary(("circle",), WORDS.colours, WORDS.marks))


def test_a_damaged_bundle_is_no_start(bundle, tmp_path):
    copy = shutil.copytree(bundle, tmp_path / "copy")
    path = copy / "readers.safetensors"
    path.write_bytes(path.read_bytes()[:300])
    with pytest.raises(InputError, match="must be whole safetensors"):
        fill_from_bundle(Readers(MODEL.readers, WORDS), copy, "readers")


def test_fit_goes_on_from_a_bundle_with_its_networks_and_smaller_steps(tmp_path, mission):
    words = mission.panels.vocabulary
    drawn_frame_set(tmp_path / "set", words)
    start = written(tmp_path / "start", FIT_MODEL, words)
    other = ModelFile(
        detector_training=FIT_MODEL.detector_training, reader_training=FIT_MODEL.reader_training, tuning_rate_share=1e-9
    )
    said = []
    fitted = fit(
        tmp_path / "set",
        tmp_path / "out",
        model=other,
        start=start,
        steps=2,
        workers=1,
        device="cpu",
        on_remark=said.append,
    )
    assert said[0] == "Starting from the bundle 'start'."
    assert [line[:6] for line in said[1:]] == ["Panels", "People"]  # what to expect at work
    record = load_bundle(fitted.bundle, "cpu").record
    assert record.model.detector == FIT_MODEL.detector and record.model.readers == FIT_MODEL.readers
    assert record.training["started_from"] == "start"
    # With steps of next to nothing the weights are those that were started from (16-bit rounding apart).
    for part in ("detector", "readers"):
        first, last = (load_file(folder / f"{part}.safetensors") for folder in (start, fitted.bundle))
        for name in (name for name in first if name.endswith("weight")):
            assert torch.allclose(first[name].float(), last[name].float(), atol=1e-3), name


def test_a_killed_fine_tuning_goes_on_but_not_from_another_bundle(tmp_path, mission):
    words = mission.panels.vocabulary
    drawn_frame_set(tmp_path / "set", words)
    start = written(tmp_path / "start", FIT_MODEL, words)
    settings = {"model": FIT_MODEL, "steps": 2, "workers": 1, "device": "cpu"}

    def interrupt(report):
        if report.part == "readers":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fit(tmp_path / "set", tmp_path / "out", start=start, on_progress=interrupt, **settings)
    with pytest.raises(InputError, match="must be of the same settings to go on"):
        fit(tmp_path / "set", tmp_path / "out", **settings)
    reports = []
    fit(tmp_path / "set", tmp_path / "out", start=start, on_progress=reports.append, **settings)
    assert {report.part for report in reports} == {"readers"}


def test_networks_are_the_bundles_and_training_is_the_model_files(bundle):
    chosen = with_networks_of(ModelFile(detector_training=TrainingSettings(batch=7)), bundle)
    assert chosen.detector == MODEL.detector and chosen.readers == MODEL.readers
    assert chosen.detector_training.batch == 7


def test_a_shrunk_bundle_reads_the_same(bundle, tmp_path):
    small = shrink_bundle(bundle, tmp_path / "small")
    assert (small / "detector.safetensors").stat().st_size < 0.65 * (bundle / "detector.safetensors").stat().st_size
    assert {str(t.dtype) for t in load_file(small / "readers.safetensors").values() if t.is_floating_point()} == {
        "torch.float16"
    }
    first, second = load_bundle(bundle, "cpu"), load_bundle(small, "cpu")
    assert second.record.training == first.record.training
    assert all(t.dtype == torch.float32 for t in second._readers.state_dict().values() if t.is_floating_point())
    frame = torch.randint(0, 256, (3, 64, 64), dtype=torch.uint8, generator=torch.Generator().manual_seed(0))
    box = torch.tensor([[10.0, 10, 40, 40]])
    tables = [b.read_attributes(frame, box) for b in (first, second)]
    assert all(torch.allclose(tables[0][a], tables[1][a], atol=0.02) for a in ATTRIBUTES)
    again = shrink_bundle(small, tmp_path / "again")
    assert (again / "readers.safetensors").read_bytes() == (small / "readers.safetensors").read_bytes()


def test_a_bundle_too_large_to_ship_leaves_nothing_behind(bundle, tmp_path):
    with pytest.raises(InputError, match=r"must take 0\.01 MB or less"):
        shrink_bundle(bundle, tmp_path / "small", most_bytes=10_000)
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def installation(tmp_path, monkeypatch):
    """A package folder without a shipped bundle."""
    monkeypatch.setattr("pipeline.find_bundle.SHIPPED", tmp_path / "bundles")
    return tmp_path / "bundles"


def test_default_names_the_shipped_bundle(bundle, installation, tmp_path, monkeypatch):
    with pytest.raises(
        InputError, match=r"The bundle 'default' must have been shipped with this installation\. Got none"
    ):
        load_bundle("default")
    assert default_bundle() is None
    shrink_bundle(bundle, installation / "default")
    assert load_bundle("default", "cpu").name == "default"
    assert default_bundle() == bundle_folder("default") == installation / "default"
    assert with_networks_of(ModelFile(), "default").detector == MODEL.detector
    # A folder of that name that is no bundle does not hide it; one that is does.
    monkeypatch.chdir(tmp_path)
    (tmp_path / "default").mkdir()
    assert bundle_folder("default") == installation / "default"
    (tmp_path / "default" / "bundle.yaml").write_text(yaml.safe_dump({"format": "bundle/1"}))
    assert str(bundle_folder("default")) == "default"


def test_read_default_works_before_any_training(bundle, installation, tmp_path):
    from click.testing import CliRunner
    from PIL import Image

    shrink_bundle(bundle, installation / "default")
    (tmp_path / "photographs").mkdir()
    Image.effect_noise((200, 160), 60).convert("RGB").save(tmp_path / "photographs" / "a.jpg")
    result = CliRunner().invoke(
        read_command, ["default", str(tmp_path / "photographs"), "--out", str(tmp_path / "out"), "--device", "cpu"]
    )
    assert result.exit_code == 0, result.output
    assert (tmp_path / "out" / "sightings.json").is_file() and (tmp_path / "out" / "finds.geojson").is_file()


def test_the_shipped_bundle_is_whole_and_small():
    folder = default_bundle()
    if folder is None:
        pytest.skip("this checkout ships no default bundle yet")
    load_bundle("default", "cpu")
    assert sum(path.stat().st_size for path in folder.iterdir()) <= 20e6
