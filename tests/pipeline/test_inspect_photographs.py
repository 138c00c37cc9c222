"""Verdicts on photographs: known blur, smear and exposure, on drawn scenes always and on real aerial photographs where
they lie beside the checkout."""

from __future__ import annotations

import math
import os
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from mission.mission_file import load_mission
from mission.photographs import GroundScale, load_photograph
from pipeline.command_line import run
from pipeline.edge_sharpness import measure_sharpness
from pipeline.inspect_photographs import judge_photograph, luminance, stroke_contrast, yardstick_px

SHARED = Path(os.environ.get("PANELSCOUT_SHARED", Path(__file__).parents[2] / "../shared")) / "data/aerial"
REAL = {
    "allotment": "lawn_and_beds.jpg",
    "building-site": "IMG_9355.jpg",
    "bush": "open_woodland.png",
    "lake": "birds_and_logs.jpg",
    "park": "img_4074.jpg",
}
MISSION = load_mission("harrow-fen")


def blurred(pixels: np.ndarray, sigma_px: float) -> np.ndarray:
    return pixels if sigma_px == 0 else cv2.GaussianBlur(pixels, (0, 0), sigma_px)


def smeared(pixels: np.ndarray, length_px: float, direction_deg: float) -> np.ndarray:
    """Uniform motion: the mean of the picture along a line, by splatting many points of the line bilinearly."""
    reach = math.ceil(length_px / 2) + 1
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    for step in np.linspace(-length_px / 2, length_px / 2, 401):
        x = step * math.cos(math.radians(direction_deg)) + reach
        y = step * math.sin(math.radians(direction_deg)) + reach
        left, top = int(x), int(y)
        for dy, dx in ((0, 0), (0, 1), (1, 0), (1, 1)):
            kernel[top + dy, left + dx] += abs(1 - dy - (y - top)) * abs(1 - dx - (x - left))
    return cv2.filter2D(pixels, -1, kernel / kernel.sum())


def exposed(pixels: np.ndarray, stops: float) -> np.ndarray:
    """Codes of the same scene with 2^stops times the light (power-law tone curve of 2.2, clipped)."""
    codes = np.clip(255 * ((np.arange(256) / 255) ** 2.2 * 2**stops) ** (1 / 2.2), 0, 255)
    return codes.astype(np.uint8)[pixels]


def as_jpeg(pixels: np.ndarray) -> np.ndarray:
    return cv2.imdecode(cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, 92])[1], cv2.IMREAD_COLOR)


def drawn_scene(seed: int, side_px: int = 900) -> np.ndarray:
    """Ground of many scales with overlapping polygons of every direction, drawn four times too large and reduced."""
    rng = np.random.default_rng(seed)
    scene = np.full((side_px * 2, side_px * 2, 3), 110, np.uint8)
    for radius in np.geomspace(300, 8, 1500):
        centre, corners = rng.uniform(0, 2 * side_px, 2), int(rng.integers(3, 8))
        angles = np.sort(rng.uniform(0, 2 * math.pi, corners))
        points = centre + radius * np.stack([np.cos(angles), np.sin(angles)], axis=1)
        tone = int(np.clip(rng.normal(110, 45), 20, 220))
        colour = tuple(int(np.clip(tone + d, 5, 235)) for d in rng.normal(0, 15, 3))
        cv2.fillPoly(scene, [(points * 16).astype(np.int32)], colour, cv2.LINE_AA, shift=4)
    small = cv2.resize(scene, (side_px, side_px), interpolation=cv2.INTER_AREA)
    noisy = cv2.GaussianBlur(small, (0, 0), 0.5) + rng.normal(0, 1.5, small.shape)
    return np.clip(noisy, 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def scene() -> np.ndarray:
    return drawn_scene(1)


@pytest.mark.parametrize("sigma_px", [1.5, 2.0, 2.5, 3.0])
def test_blur_of_steps_is_measured(scene, sigma_px):
    """A scene of steps alone, so the edges tell the sum of both blurs (0.6 px of the drawing and the one added); the factor
    that makes up for the lines and sharpened edges of real photographs reads up to a fifth too much here."""
    measured = measure_sharpness(luminance(blurred(scene, sigma_px)))
    assert measured.blur_px == pytest.approx(1.1 * math.hypot(0.6, sigma_px), rel=0.15)
    assert measured.smear_px is not None
    assert measured.smear_px < 1.5


@pytest.mark.parametrize("direction_deg", [0, 40, 90, 155])
def test_smear_and_its_direction_are_measured(scene, direction_deg):
    measured = measure_sharpness(luminance(smeared(scene, 6, direction_deg)))
    assert measured.smear_px is not None
    assert 4 <= measured.smear_px <= 8
    assert measured.smear_direction_deg is not None
    assert abs((measured.smear_direction_deg - direction_deg + 90) % 180 - 90) < 12


def test_smear_grows_with_its_length(scene):
    lengths = [measure_sharpness(luminance(smeared(scene, length, 25))).smear_px or 0 for length in (1, 3, 5, 7)]
    assert lengths == sorted(lengths)
    assert lengths[0] < 2


def check(pixels: np.ndarray, verdict: str, word: str | None = None) -> None:
    found = judge_photograph(as_jpeg(pixels), MISSION)
    said = "; ".join(found.reasons)
    assert found.verdict == verdict or (verdict == "not good" and found.verdict != "good"), (found.verdict, said)
    assert word is None or word in said, said
    assert bool(said) == (found.verdict != "good")


def test_verdicts_on_a_drawn_scene(scene):
    check(scene, "good")
    check(blurred(scene, 1.6), "doubtful", "out of focus")
    check(blurred(scene, 3), "unusable", "out of focus")
    check(smeared(scene, 2.3, 70), "doubtful", "smeared")
    check(smeared(scene, 10, 70), "unusable", "smeared")
    check(exposed(scene, 1.8), "not good", "over-exposed")
    check(exposed(scene, 4), "unusable", "over-exposed")
    check(exposed(scene, -4), "doubtful", "under-exposed")
    check(exposed(scene, -9), "unusable", "under-exposed")


def test_a_blank_picture_is_not_called_sharp():
    found = judge_photograph(np.full((500, 700, 3), 120, np.uint8), MISSION)
    assert found.verdict == "doubtful"
    assert "too few edges" in found.reasons[0]


def test_tiny_pictures_get_an_answer():
    for shape in ((1, 1, 3), (3, 700, 3), (15, 15, 3)):
        assert judge_photograph(np.full(shape, 120, np.uint8), MISSION).verdict == "doubtful"


def test_known_scale_is_held_against_the_brief(scene):
    coarse = judge_photograph(scene, MISSION, scale=GroundScale(0.021, "given"))
    assert (coarse.verdict, "coarser than the brief" in coarse.reasons[0]) == ("doubtful", True)
    assert judge_photograph(scene, MISSION, scale=GroundScale(0.013, "given")).verdict == "good"
    # Finer photographs put more pixels on the stroke and bear more blur.
    assert yardstick_px(MISSION, GroundScale(0.004, "given")) > yardstick_px(MISSION)


def test_contrast_of_a_stroke_closed():
    """A bar of width w under a Gaussian keeps erf(w / (2 sqrt 2 sigma)) in its middle; here by numbers."""
    x = np.arange(-400, 401) / 20
    for width, sigma in ((3.0, 1.0), (3.0, 2.0), (5.0, 1.5)):
        kernel = np.exp(-(x**2) / (2 * sigma**2))
        by_sum = kernel[np.abs(x) <= width / 2].sum() / kernel.sum()
        assert stroke_contrast(width, sigma) == pytest.approx(by_sum, abs=0.02)
    assert stroke_contrast(3.0, 0.0) == 1.0


@pytest.mark.skipif(not SHARED.is_dir(), reason="the real aerial photographs are not beside this checkout")
@pytest.mark.parametrize("flight", REAL)
def test_real_photographs_and_their_degraded_copies(flight):
    """One photograph of each flight as it is, and degraded by amounts that no team would fly with."""
    pixels = load_photograph(SHARED / flight / REAL[flight])
    top, left = (max(0, (side - most) // 2) for side, most in zip(pixels.shape, (1500, 2200), strict=False))
    pixels = np.ascontiguousarray(pixels[top : top + 1500, left : left + 2200])
    check(pixels, "good")
    check(blurred(pixels, 2), "not good", "out of focus")
    check(blurred(pixels, 3), "unusable", "out of focus")
    check(smeared(pixels, 6, 20), "not good", "smeared")
    check(smeared(pixels, 12, 110), "unusable", "smeared")
    thin = np.ascontiguousarray(pixels[::2, ::2])
    check(exposed(thin, 4.5), "unusable", "over-exposed")
    check(exposed(thin, -8), "unusable", "under-exposed")


def test_command_judges_each_and_ends_with_one_where_one_is_unusable(tmp_path, capsys, scene):
    Image.fromarray(scene).save(tmp_path / "a_sharp.png")
    Image.fromarray(blurred(scene, 4)).save(tmp_path / "b_soft.png")
    (tmp_path / "c_broken.jpg").write_bytes(b"not an image")
    assert run(["inspect", str(tmp_path), "--mission", "harrow-fen"]) == 1
    text = " ".join(capsys.readouterr().out.split())
    assert "1 good, 0 doubtful, 2 unusable" in text
    assert "out of focus" in text
    for name in ("b_soft.png", "c_broken.jpg"):
        (tmp_path / name).unlink()
    assert run(["inspect", str(tmp_path), "--mission", "harrow-fen"]) == 0


def test_photographs_without_a_mission_are_refused(tmp_path, capsys, scene):
    Image.fromarray(scene).save(tmp_path / "a.png")
    assert run(["inspect", str(tmp_path)]) == 2
    assert "The '--mission' must be given" in capsys.readouterr().err
    assert run(["inspect", str(tmp_path / "none"), "--mission", "harrow-fen"]) == 2
    assert "must exist" in capsys.readouterr().err
