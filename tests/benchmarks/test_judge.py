"""The judge of the transfer benchmark: what it claims about a frame is in the frame, and it shares nothing with synth."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import numpy as np
import pytest
import yaml
from PIL import Image

from benchmarks.transfer import judge, paints, panels, typefaces
from benchmarks.transfer.judge import Flight, Window, draw_frame, judge_flight
from benchmarks.transfer.photograph_look import Look, look_of
from benchmarks.transfer.pixels import blurred, to_linear, to_srgb
from mission.frame_set import read_frame_set
from mission.vocabulary import COLOURS, MARKS, SHAPES

ROOT = Path(__file__).resolve().parents[2]
DRAWING = ("judge", "panels", "people", "decoys", "paints", "pixels", "typefaces", "photograph_look")


@pytest.fixture
def photographs(tmp_path: Path) -> Path:
    """Two small photographs of noise on brown and green, standing in for a flight."""
    folder = tmp_path / "photographs" / "bush"
    folder.mkdir(parents=True)
    rng = np.random.default_rng(0)
    for name, colour in (("one", (90, 80, 60)), ("two", (70, 110, 50))):
        pixels = np.clip(np.array(colour) + rng.normal(0, 6, (420, 520, 1)), 0, 255).astype(np.uint8)
        Image.fromarray(pixels).save(folder / f"{name}.png")
    return folder.parent


def test_judge_imports_nothing_of_the_renderer() -> None:
    for name in DRAWING:
        tree = ast.parse((ROOT / "benchmarks" / "transfer" / f"{name}.py").read_text())
        for node in ast.walk(tree):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [n for n in names if n.split(".")[0] in ("synth", "pipeline", "torch", "cv2")], name


def test_judge_draws_the_whole_vocabulary() -> None:
    assert set(paints.CENTRES) == set(COLOURS)
    for shape in SHAPES:
        corners, room = panels.outline(shape)
        assert np.ptp(corners, axis=0).max() == pytest.approx(1.0)
        assert room > 0.12
    for family in typefaces.FAMILIES:
        for mark in MARKS:
            assert typefaces.mark_mask(family, 0, mark).shape[0] > 100


def test_judge_typefaces_are_none_that_models_are_trained_on() -> None:
    listed = ROOT / "synth" / "data" / "faces.yaml"
    if not listed.is_file():
        pytest.skip("the renderer's list of typefaces is not in this checkout")
    training = {f["family"].lower() for f in yaml.safe_load(listed.read_text())["families"] if f["split"] == "training"}
    assert training
    assert not training & {family.lower() for family in typefaces.FAMILIES}


def test_colour_difference_against_scikit_image() -> None:
    """CIEDE2000 and CIELAB against scikit-image's (Sharma, Wu & Dalal 2005 is the source of both)."""
    colour = pytest.importorskip("skimage.color", reason="scikit-image is a development package")
    rng = np.random.default_rng(3)
    srgb = rng.integers(0, 256, (200, 3))
    lab = paints.lab_of(to_linear(srgb))
    assert np.abs(lab - colour.rgb2lab(srgb / 255.0)).max() < 0.05
    theirs = colour.deltaE_ciede2000(lab[:100], lab[100:])
    ours = [paints.difference_2000(a, b) for a, b in zip(lab[:100], lab[100:])]
    assert np.abs(theirs - ours).max() < 1e-6


def test_pairs_of_paints_keep_the_contrast_rule() -> None:
    rng = np.random.default_rng(5)
    for _ in range(60):
        panel, mark, one, other = paints.draw_pair(rng)
        assert panel != mark
        assert abs(paints.lab_of(one)[0] - paints.lab_of(other)[0]) >= 25


def test_blur_against_scipy() -> None:
    ndimage = pytest.importorskip("scipy.ndimage")
    image = np.random.default_rng(1).random((60, 50)).astype(np.float32)
    theirs = ndimage.gaussian_filter(image, 1.7, mode="nearest", truncate=6 / 1.7)
    assert np.abs(blurred(image, 1.7) - theirs).max() < 1e-4


def test_srgb_round_trip() -> None:
    steps = np.arange(256)
    assert np.abs(to_srgb(to_linear(steps)) - steps).max() < 1e-3


def test_sharpness_of_a_photograph_is_measured() -> None:
    rng = np.random.default_rng(2)
    cells = np.kron(rng.integers(40, 200, (40, 40)), np.ones((20, 20)))
    for sigma in (0.8, 1.4, 2.0):
        soft = blurred(cells.astype(np.float32), sigma)
        photograph = np.repeat(soft[..., None], 3, axis=2).round().astype(np.uint8)
        assert look_of(photograph).blur_px == pytest.approx(sigma, abs=0.25)


def test_truth_boxes_hold_what_was_drawn() -> None:
    """Draw onto a plain grey picture: everything that changed strongly lies in a box, and each box is filled to its sides."""
    flight = Flight("bush", 0.018, 0.0, 1)
    plain = np.full((700, 900, 3), 118, dtype=np.uint8)
    look = Look(1.0, 0.5, 0.0, 0.18)
    window = Window(Path("plain.jpg"), (0, 0, 900, 700))
    drawn, things = draw_frame(window, flight, look, plain, (4, 1, 0, 0))
    changed = np.abs(drawn.astype(int) - 118).max(axis=2) > 12
    assert {t.category for t in things} == {"panel", "person"}
    for thing in things:
        if thing.category != "panel":
            continue
        x, y, w, h = thing.bbox_px
        grown = changed[round(y) - 4 : round(y + h) + 4, round(x) - 4 : round(x + w) + 4]
        rows, columns = np.nonzero(grown)
        assert abs(columns.min() - 4 - (x - round(x))) < 2.5
        assert abs(np.ptp(columns) + 1 - w) < 4 and abs(np.ptp(rows) + 1 - h) < 6  # a dark rim below is its shadow


def test_same_seed_same_pixels_for_any_number_of_workers(
    photographs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flights = (*[f for f in judge.FLIGHTS if f.name != "bush"], Flight("bush", 0.018, 0.9, 2))
    monkeypatch.setattr(judge, "FLIGHTS", flights)
    judge_flight(photographs, tmp_path / "one", "bush", seed=7, share=0.5)
    judge_flight(photographs, tmp_path / "two", "bush", seed=7, share=0.05, workers=2)
    judge_flight(photographs, tmp_path / "other", "bush", seed=8, share=0.05)
    one, two = read_frame_set(tmp_path / "one" / "bush"), read_frame_set(tmp_path / "two" / "bush")
    assert (one.folder / "truth.json").read_bytes() == (two.folder / "truth.json").read_bytes()
    for frame in one.frames:
        assert one.path_of(frame).read_bytes() == two.path_of(frame).read_bytes()
    other = read_frame_set(tmp_path / "other" / "bush")
    assert other.path_of(other.frames[0]).read_bytes() != one.path_of(one.frames[0]).read_bytes()


def test_frame_sets_of_a_flight_are_valid(photographs: Path, tmp_path: Path) -> None:
    judge_flight(photographs, tmp_path, "bush", share=0.05)
    drawn, plain = read_frame_set(tmp_path / "bush"), read_frame_set(tmp_path / "bush-untouched")
    assert (drawn.truth, plain.truth) == ("mixed", "photographed")
    assert not any(frame.things for frame in plain.frames)
    for frame in drawn.frames:
        found = [t for t in frame.things if t.category == "panel"]
        assert len(found) == 2
        for thing in found:
            assert thing.attributes["shape"] in SHAPES and thing.attributes["mark"] in MARKS
            assert thing.scored
    assert len({t.id for f in drawn.frames for t in f.things}) == sum(len(f.things) for f in drawn.frames)
    assert len(drawn.runs[0].wanted) == 2


def test_modules_say_what_they_are() -> None:
    for name in DRAWING:
        assert importlib.import_module(f"benchmarks.transfer.{name}").__doc__
