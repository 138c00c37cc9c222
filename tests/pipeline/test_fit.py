"""``fit`` from end to end, in small: side by side, killed and resumed, refused."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest
import torch
from click.testing import CliRunner
from PIL import Image

from mission.errors import InputError
from mission.model_file import HeatMapSettings, ModelFile, ReaderSettings, TrainingSettings
from pipeline.bundle import load_bundle
from pipeline.command_line import run
from pipeline.commands.fit import fit_command
from pipeline.fit import fit
from pipeline.tensor_files import read_tensors
from tests.pipeline.counted_chips import is_alive
from tests.pipeline.test_chips import drawn_frame_set

MODEL = ModelFile(
    detector=HeatMapSettings(stage_widths=(8, 8, 16, 16), stage_blocks=(0, 0, 1, 1), neck_width=16),
    readers=ReaderSettings(widths=(8, 16, 16), template_width=16, colour_width=16),
    detector_training=TrainingSettings(batch=4, chip_px=96, reservoir_chips=16, validation_chips=8),
    reader_training=TrainingSettings(batch=8, chip_px=96, reservoir_chips=32, validation_chips=8),
)


@pytest.fixture(scope="module")
def frames(tmp_path_factory):
    from mission.mission_file import load_mission

    folder = tmp_path_factory.mktemp("fit") / "set"
    drawn_frame_set(folder, load_mission("harrow-fen").panels.vocabulary)
    return folder


@pytest.fixture(scope="module")
def plain(frames, tmp_path_factory):
    """Three steps of each part, drawn in a thread, one part after the other."""
    return fit(frames, tmp_path_factory.mktemp("plain") / "out", model=MODEL, steps=3, workers=1, device="cpu")


def leftovers(folder):
    return sorted(p.name for p in folder.iterdir())


def test_separate_readers_with_all_their_parts_train_into_a_bundle(frames, tmp_path):
    """Networks of their own, residual blocks, the close view and the surroundings: written, and read back to the number."""
    parts = {"trunk": "separate", "blocks": 1, "mark_rings": 12, "surroundings_width": 8}
    model = MODEL.model_copy(update={"readers": MODEL.readers.model_copy(update=parts)})
    fitted = fit(frames, tmp_path / "out", model=model, steps=2, workers=1, device="cpu")
    bundle = load_bundle(fitted.bundle, "cpu")
    assert bundle.record.model.readers == model.readers
    assert bundle.record.training["mark_turn"] == "any"
    boxes = torch.tensor([[10.0, 12, 50, 52]])
    for upright in (False, True):
        tables = bundle.read_attributes(torch.full((3, 64, 64), 90, dtype=torch.uint8), boxes, marks_upright=upright)
        assert float(tables["mark"].sum()) == pytest.approx(1.0, abs=1e-4)


def test_both_parts_train_side_by_side_into_a_bundle(frames, tmp_path):
    reports = []
    fitted = fit(frames, tmp_path / "out", model=MODEL, steps=4, workers=2, device="cpu", on_progress=reports.append)
    assert {report.part for report in reports} == {"detector", "readers"}
    assert leftovers(tmp_path) == ["out"]
    bundle = load_bundle(fitted.bundle, "cpu")
    assert bundle.record.training["steps"] == {"detector": 4, "readers": 4}
    assert bundle.record.training["data"] == "frame set"
    assert set(bundle.record.temperatures) == {"shape", "panel_colour", "mark", "mark_colour", "panel"}
    assert set(bundle.record.validation["second look"]) == {"panel AP50", "panel AP50 without"}
    with Image.open(fitted.bundle / "curves.png") as curves:
        assert curves.size == (1040, 700)
    assert len(bundle.detect(torch.zeros(1, 3, 64, 64, dtype=torch.uint8))) == 1


def test_a_drawing_process_changes_no_chip_and_uses_are_recorded(frames, plain, tmp_path):
    drawn = fit(frames, tmp_path / "out", model=MODEL, steps=3, workers=1, draw_workers=1, device="cpu")
    for name in ("detector.safetensors", "readers.safetensors"):
        assert (plain.bundle / name).read_bytes() == (drawn.bundle / name).read_bytes()
    record = load_bundle(drawn.bundle, "cpu").record.training
    assert record["uses_per_chip"]["detector"] == pytest.approx(3 * 4 / record["chips_drawn"]["detector"], abs=0.01)


def test_a_killed_fit_goes_on_and_ends_as_it_would_have(frames, plain, tmp_path):
    def interrupt(report):
        if report.part == "readers":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fit(frames, tmp_path / "out", model=MODEL, steps=3, workers=1, device="cpu", on_progress=interrupt)
    assert leftovers(tmp_path) == [".out.unfinished"]
    reports = []
    again = fit(frames, tmp_path / "out", model=MODEL, steps=3, workers=1, device="cpu", on_progress=reports.append)
    assert {report.part for report in reports} == {"readers"}  # the finished detector was not trained again
    assert leftovers(tmp_path) == ["out"]
    same = (again.bundle / "detector.safetensors").read_bytes() == (plain.bundle / "detector.safetensors").read_bytes()
    assert same


def children_of(pid):
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def test_a_fit_killed_while_it_trains_goes_on_from_the_step_it_kept(frames, tmp_path):
    """SIGKILL at some step of the detector, with a process that draws; nothing is cleaned up by the one that is killed."""
    root, out, steps = Path(__file__).parents[2], tmp_path / "out", 2000
    script = [sys.executable, "-m", "tests.pipeline.eager_fit", str(frames), str(out), str(steps)]
    killed = subprocess.Popen(script, cwd=root, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    kept, deadline = tmp_path / ".out.unfinished" / "detector.unfinished.safetensors", time.monotonic() + 120
    while not kept.is_file() and killed.poll() is None and time.monotonic() < deadline:
        time.sleep(0.05)
    drawing = children_of(killed.pid)
    killed.kill()
    killed.wait()
    while any(is_alive(pid) for pid in drawing) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert drawing and not any(is_alive(pid) for pid in drawing)
    step = json.loads(read_tensors(kept)[1]["run"])["step"]
    assert 0 < step < steps and not out.exists()
    reports = []
    again = fit(frames, out, model=MODEL, steps=step + 3, workers=1, device="cpu", on_progress=reports.append)
    assert min(report.step for report in reports if report.part == "detector") > step
    assert load_bundle(again.bundle, "cpu").record.training["steps"] == {"detector": step + 3, "readers": step + 3}
    assert leftovers(tmp_path) == ["out"]


def test_other_settings_do_not_go_on_with_an_unfinished_fit(frames, tmp_path):
    def interrupt(report):
        if report.part == "readers":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fit(frames, tmp_path / "out", model=MODEL, steps=2, workers=1, device="cpu", on_progress=interrupt)
    with pytest.raises(InputError, match="must be of the same settings to go on"):
        fit(frames, tmp_path / "out", model=MODEL, steps=2, workers=1, device="cpu", seed=7)


def test_a_refusal_in_the_second_process_is_the_same_sentence(frames, tmp_path):
    broken = MODEL.model_copy(
        update={"reader_training": MODEL.reader_training.model_copy(update={"learning_rate": 1e30, "clip_norm": 1e30})}
    )
    with pytest.raises(InputError, match="loss of the readers must stay a finite number"):
        fit(frames, tmp_path / "out", model=broken, steps=30, workers=2, device="cpu")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "change,sentence",
    [
        ({"minutes": 1.0, "steps": 5}, "must be given --minutes or --steps"),
        ({"steps": 0}, "The 'steps' must be 1 or more. Got 0 instead."),
        ({"minutes": -1.0}, "The 'minutes' must be above 0"),
        ({"workers": 0}, "The 'workers' must be 1 or more"),
        ({"draw_workers": -1}, "The 'draw_workers' must be 0 or more"),
        ({"uses_per_chip": 0}, "The 'uses_per_chip' must lie between 1 and 16"),
        ({"ground": "/nowhere"}, "must be a folder of photographs that exists"),
        ({"model": "enormous"}, "must be a YAML file or one of the shipped names"),
        ({"device": "abacus"}, "must be auto, cpu, cuda or cuda:NUMBER"),
    ],
)
def test_contradictions_are_refused_before_anything_starts(frames, tmp_path, change, sentence):
    settings = {"model": MODEL, "device": "cpu"} | change
    with pytest.raises(InputError, match=sentence):
        fit(frames, tmp_path / "out", **settings)
    assert leftovers(tmp_path) == []


def test_a_full_output_folder_is_left_alone(frames, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "letter.txt").write_text("keep me")
    with pytest.raises(InputError, match="must be new or empty"):
        fit(frames, tmp_path / "out", model=MODEL, steps=1, device="cpu")
    assert leftovers(tmp_path / "out") == ["letter.txt"]


def test_the_command_says_what_was_made(frames, tmp_path):
    model = tmp_path / "tiny.yaml"
    import yaml

    model.write_text(yaml.safe_dump(MODEL.model_dump(mode="json")))
    result = CliRunner().invoke(
        fit_command,
        ["--train", str(frames), "--out", str(tmp_path / "out"), "--model", str(model), "--steps", "2", "--workers", "1",
         "--device", "cpu"],
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "Wrote the bundle" in result.output and "on held-out chips" in result.output


def test_wrong_input_on_the_command_line_ends_in_one_sentence(tmp_path, capsys):
    code = run(["fit", "--train", str(tmp_path / "none.yaml"), "--out", str(tmp_path / "out")])
    said = capsys.readouterr().err
    assert code == 2 and "must exist" in said and "Traceback" not in said
    code = run(["fit", "--train", "x", "--out", str(tmp_path / "out"), "--ground-gsd", "3 kg"])
    assert code == 2 and "Got 3 kg instead" in capsys.readouterr().err
