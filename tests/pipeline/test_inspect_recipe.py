"""Sheets and histograms of a recipe: measures that measure, files that are whole, refusals in one sentence."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageFilter

from pipeline import inspect_recipe
from pipeline.command_line import run
from pipeline.picture_measures import contrast_with_surroundings, differences, measure_pictures
from synth.colour import ciede2000, lab_from_linear, linear_from_srgb


def _natural(seed: int = 0, size: int = 256) -> np.ndarray:
    """A random field with the power spectrum of nature (f^-2.4)."""
    rng = np.random.default_rng(seed)
    f = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size))
    f[0, 0] = 1
    spectrum = np.fft.rfft2(rng.standard_normal((size, size))) * f**-1.2
    spectrum[0, 0] = 0
    field = np.fft.irfft2(spectrum, s=(size, size))
    grey = np.clip(120 + 25 * field / field.std(), 0, 255).astype(np.uint8)
    return np.repeat(grey[..., None], 3, 2)


def test_softer_pictures_measure_softer_and_flatter() -> None:
    picture = Image.fromarray(_natural())
    soft = picture.filter(ImageFilter.GaussianBlur(1.2))
    sharp, blurred = (measure_pictures([np.asarray(p)]) for p in (picture, soft))
    assert blurred["sharpness"][0] > sharp["sharpness"][0] + 0.4
    assert blurred["fine_contrast"][0] < 0.6 * sharp["fine_contrast"][0]
    assert blurred["coarse_contrast"][0] == pytest.approx(sharp["coarse_contrast"][0], rel=0.15)


def test_colours_and_noise_are_the_pictures() -> None:
    rng = np.random.default_rng(1)
    flat = np.full((128, 128, 3), (60, 120, 50), dtype=np.uint8)
    noisy = np.clip(flat + rng.normal(0, 3, (128, 128, 1)), 0, 255).astype(np.uint8)
    found = measure_pictures([noisy])
    lab = lab_from_linear(linear_from_srgb(np.array([60, 120, 50]) / 255))
    for key, value in zip(("lightness", "green_red", "blue_yellow"), lab, strict=True):
        assert np.median(found[key]) == pytest.approx(value, abs=0.5)
    assert found["noise"][0] == pytest.approx(3, rel=0.2)


def test_contrast_is_that_of_the_medians_and_ignores_other_things() -> None:
    picture = np.full((60, 60, 3), 90, dtype=np.uint8)
    own, free = np.zeros((60, 60), bool), np.ones((60, 60), bool)
    own[20:40, 20:40] = True
    picture[own] = (200, 40, 40)
    picture[15:19, :] = 255  # another thing, in the ring but not free
    free &= ~own
    free[15:19] = False
    labs = [lab_from_linear(linear_from_srgb(np.array(c) / 255)) for c in ((200, 40, 40), (90, 90, 90))]
    assert contrast_with_surroundings(picture, own, free) == pytest.approx(float(ciede2000(*labs)))
    assert contrast_with_surroundings(picture, own, np.zeros_like(own)) is None


def test_only_what_differs_is_remarked_on() -> None:
    drawn = {"sharpness": [0.5, 0.6, 0.7, 0.8], "noise": [1.0, 2.0, 3.0]}
    said = differences(drawn, {"sharpness": [1.5, 1.6, 1.7], "noise": [2.0, 2.1]})
    assert len(said) == 1 and "median of 1.6 lies outside the 0.53 to 0.77" in said[0]
    assert differences(drawn, {}) == []


@pytest.fixture
def recipe(tmp_path: Path) -> str:
    path = tmp_path / "sand.yaml"
    ground = "{kinds: {sand: 1}, extra_kinds: [0, 0], structures: 0, trees: 0, tree_shade: 0}"
    path.write_text(f"format: recipe/1\nname: sand\nground: {ground}\n")
    return str(path)


def test_sheets_and_figures_of_a_recipe_beside_photographs(recipe: str, tmp_path: Path, capsys, monkeypatch) -> None:
    monkeypatch.setattr(inspect_recipe, "CHIP_PX", 128)
    photographs, out = tmp_path / "photographs", tmp_path / "out"
    photographs.mkdir()
    Image.fromarray(_natural(size=512)).save(photographs / "a.png")
    command = ["inspect", recipe, "--out", str(out), "--chips", "24", "--beside", str(photographs)]
    assert run([*command, "--beside-gsd", "1.5cm"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "This ground is thin because" in said and "softness" in said
    names = {"drawn.png", "drawn-ground.png", "photographs.png", "which-are-photographs.png", "histograms.png"}
    assert names | {"which-are-photographs.txt", "figures.json"} == {p.name for p in out.iterdir()}
    with Image.open(out / "drawn.png") as sheet:
        assert sheet.size == (6 * 128, 4 * 128)
    figures = json.loads((out / "figures.json").read_text())
    low, middle, high = figures["across"]["drawn"]
    # The mission's panels are 0.4 to 1.0 m at 1.4 cm a pixel, chips 0.75 to 1.4 times that.
    assert 15 < low < middle < high < 110
    assert figures["across"]["photographs"] is None and len(figures["noise"]["photographs"]) == 3
    words = (out / "which-are-photographs.txt").read_text().split()
    assert len(words) == 24 and set(words) == {"photograph", "drawn"}
    shuffled, drawn, real = (
        np.asarray(Image.open(out / f"{name}.png")).reshape(4, 128, 6, 128, 3).swapaxes(1, 2).reshape(24, -1)
        for name in ("which-are-photographs", "drawn-ground", "photographs")
    )
    for i, word in enumerate(words):
        assert (shuffled[i] == (real if word == "photograph" else drawn)[i]).all()


def test_refusals(recipe: str, tmp_path: Path, capsys) -> None:
    assert run(["inspect", recipe]) == 2
    assert "The '--out' must be given" in capsys.readouterr().err
    assert run(["inspect", "no-such-recipe", "--out", str(tmp_path / "x")]) == 2
    assert "must be a YAML file or one of the shipped names" in capsys.readouterr().err
    assert run(["inspect", recipe, "--out", str(tmp_path / "x"), "--beside", str(tmp_path / "none")]) == 2
    assert "must exist" in capsys.readouterr().err
    assert not (tmp_path / "x").exists()
