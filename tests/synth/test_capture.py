from types import SimpleNamespace

import numpy as np
import pytest
from pydantic import ValidationError

from mission.recipe_light import CaptureSettings, GroundSettings
from synth.capture import nominal_smear_px, sample_capture


def test_ranges_are_kept() -> None:
    settings = CaptureSettings(sun_elevation_deg=(30, 40), blur_sigma_px=(0.5, 0.6), tones={"flat": 1}, overcast=0.0)
    rng = np.random.default_rng(0)
    for _ in range(50):
        capture = sample_capture(rng, settings)
        assert 30 <= capture.sun_elevation_deg <= 40
        assert 0.5 <= capture.blur_sigma_px <= 0.6
        assert capture.tone == "flat"
        assert capture.smear_px == (0.0, 0.0)  # no mission: nothing moves
        light = [a + b for a, b in zip(capture.sun_rgb, capture.sky_rgb, strict=True)]
        assert 0.2126 * light[0] + 0.7152 * light[1] + 0.0722 * light[2] == pytest.approx(1, abs=0.01)


def test_same_generator_same_capture() -> None:
    one, two = (sample_capture(np.random.default_rng(3), CaptureSettings()) for _ in range(2))
    assert one == two


def test_smear_comes_from_speed_shutter_and_scale() -> None:
    # 15 m/s * 1/1000 s over 2 cm: 0.75 px (speed times shutter over ground sample distance, closed form)
    camera = SimpleNamespace(as_camera=lambda: SimpleNamespace(focal_px=(5000.0, 5000.0)))
    mission = SimpleNamespace(flight=SimpleNamespace(speed_mps=15.0, shutter_s=1 / 1000, height_m=100.0), camera=camera)
    assert nominal_smear_px(mission) == pytest.approx(0.75)
    capture = sample_capture(np.random.default_rng(0), CaptureSettings(smear=(1.0, 1.0)), mission)
    assert np.hypot(*capture.smear_px) == pytest.approx(0.75)
    assert abs(capture.smear_px[1]) > abs(capture.smear_px[0])  # along the flight: image up and down


@pytest.mark.parametrize(
    ("settings", "values", "words"),
    [
        (CaptureSettings, {"haze": (0.5, 0.1)}, "lowest first"),
        (CaptureSettings, {"haze": (0.0, 1.5)}, "lie in 0..1"),
        (CaptureSettings, {"tones": {"sepia": 1.0}}, "known tones"),
        (CaptureSettings, {"chroma_sampling": {"4:2:0": 0.0}}, "at least one of them positive"),
        (GroundSettings, {"kinds": {"lava": 1.0}}, "known kinds of ground"),
        (GroundSettings, {"kinds": {}}, "at least one of them positive"),
        (GroundSettings, {"extra_kinds": (3, 1)}, "lowest first"),
        (GroundSettings, {"structures": 1.2}, "less than or equal to 1"),
    ],
)
def test_contradictions_are_refused(settings, values: dict, words: str) -> None:  # type: ignore[no-untyped-def, type-arg]
    with pytest.raises(ValidationError, match=words):
        settings(**values)
