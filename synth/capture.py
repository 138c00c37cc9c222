"""One capture: the light, the lens and the sensor settings of one exposure, sampled first and frozen.

``sample_capture`` draws it; ``synth.light`` and ``synth.sensor`` use it without any further randomness but the sensor
noise that ``seed`` fixes.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from mission.recipe_light import CaptureSettings
from synth.chance import Chance
from synth.daylight import daylight_rgb, sun_temperature_k

Rgb = tuple[float, float, float]


@dataclass(frozen=True)
class CaptureSpec:
    """Light, lens and sensor of one exposure. Colours are linear sRGB; vectors are (x right, y down) in the image."""

    seed: int
    sun_elevation_deg: float = 45.0
    sun_azimuth_deg: float = 180.0
    sun_rgb: Rgb = (0.8, 0.8, 0.8)
    """Direct sunlight on level ground; with ``sky_rgb`` its luminance adds up to 1."""
    sky_rgb: Rgb = (0.2, 0.2, 0.2)
    haze: float = 0.0
    exposure: float = 0.8
    """Share of full scale that radiance 1 (a white board in full light) reaches."""
    white_gain: Rgb = (1.0, 1.0, 1.0)
    """Gains of the camera's white balance, errors included."""
    blur_sigma_px: float = 0.6
    smear_px: tuple[float, float] = (0.0, 0.0)
    vignetting: float = 0.0
    """Share of the light lost in the frame's corners."""
    off_axis: float = 0.0
    """Where a chip stands in its frame: 0 the centre, 1 a corner (for vignetting; unused when the frame is known)."""
    read_noise_e: float = 3.0
    full_well_e: float = 10000.0
    bits: int = 12
    noise_reduction: float = 0.0
    tone: str = "srgb"
    saturation: float = 1.0
    sharpening: float = 0.0
    jpeg_quality: int = 95
    chroma_sampling: str = "4:2:0"


def sample_capture(source: np.random.Generator | Chance, settings: CaptureSettings, mission: Any = None) -> CaptureSpec:
    """Draw one capture. ``mission`` gives speed, shutter and ground sample distance for the smear (none: no smear)."""
    s, rng = settings, Chance.of(source)
    elevation = _even(rng, s.sun_elevation_deg)
    sun_rgb, sky_rgb = _sample_light(rng, s, elevation)
    smear = _even(rng, s.smear) * nominal_smear_px(mission)
    crab = rng.normal(0.0, math.radians(8))  # heading against track in wind (common practice, no source)
    low, high = s.full_well_e
    return CaptureSpec(
        seed=rng.integers(2**31) << 31 | rng.integers(2**31),
        sun_elevation_deg=elevation,
        sun_azimuth_deg=_even(rng, s.sun_azimuth_deg),
        sun_rgb=sun_rgb,
        sky_rgb=sky_rgb,
        haze=_even(rng, s.haze) * rng.random(),
        exposure=0.95 * 2.0 ** _even(rng, s.exposure_ev),
        white_gain=_sample_gains(rng, s, sun_rgb, sky_rgb),
        blur_sigma_px=_even(rng, s.blur_sigma_px),
        smear_px=(smear * math.sin(crab), smear * math.cos(crab)),
        vignetting=_even(rng, s.vignetting),
        off_axis=math.sqrt(rng.random()),
        read_noise_e=_even(rng, s.read_noise_e),
        full_well_e=math.exp(rng.uniform(math.log(low), math.log(high))),
        noise_reduction=_even(rng, s.noise_reduction),
        tone=_pick(rng, s.tones),
        saturation=_even(rng, s.saturation),
        sharpening=_even(rng, s.sharpening),
        jpeg_quality=rng.integers(s.jpeg_quality[0], s.jpeg_quality[1] + 1),
        chroma_sampling=_pick(rng, s.chroma_sampling),
    )


def nominal_smear_px(mission: Any) -> float:
    """Speed times shutter over ground sample distance [px] of a mission; 0 where there is none."""
    if mission is None:
        return 0.0
    flight = mission.flight
    focal_px = mission.camera.as_camera().focal_px[0]
    return float(flight.speed_mps * flight.shutter_s * focal_px / flight.height_m)


def _sample_light(rng: Chance, s: CaptureSettings, elevation_deg: float) -> tuple[Rgb, Rgb]:
    overcast = rng.random() < s.overcast
    sky_share = rng.uniform(0.82, 0.98) if overcast else _even(rng, s.sky_share)
    sun = daylight_rgb(sun_temperature_k(elevation_deg) + rng.normal(0, 150))
    sky = daylight_rgb(rng.uniform(6000, 7500) if overcast else rng.uniform(8000, 16000))
    return _scaled(sun, 1 - sky_share), _scaled(sky, sky_share)


def _sample_gains(rng: Chance, s: CaptureSettings, sun_rgb: Rgb, sky_rgb: Rgb) -> Rgb:
    """Gains that make a white board in full light neutral, times the camera's error (green is the reference)."""
    white = [a + b for a, b in zip(sun_rgb, sky_rgb, strict=True)]
    # Errors along the blue-red line (colour temperature) are commoner than green-magenta ones; strong casts come from
    # presets for another light (Afifi & Brown, ICCV 2019, render one raw file under the wrong presets).
    temperature = rng.normal(0.0, s.white_balance_error)
    if rng.random() < s.white_balance_miss:
        temperature += rng.choice([-1.0, 1.0]) * rng.uniform(0.15, 0.4)
    tint = rng.normal(0.0, 0.4 * s.white_balance_error)
    red = white[1] / white[0] * math.exp(temperature - tint)
    blue = white[1] / white[2] * math.exp(-temperature - tint)
    return (red, 1.0, blue)


def _scaled(colour: Rgb, factor: float) -> Rgb:
    return (colour[0] * factor, colour[1] * factor, colour[2] * factor)


def _even(rng: Chance, bounds: tuple[float, float]) -> float:
    return rng.uniform(bounds[0], bounds[1])


def _pick(rng: Chance, weights: dict[str, float]) -> str:
    names, ends = _ends(tuple(weights.items()))
    return names[bisect_right(ends, rng.random())]


@lru_cache(maxsize=64)
def _ends(weights: tuple[tuple[str, float], ...]) -> tuple[tuple[str, ...], list[float]]:
    """Names in their order, and where the share of each ends between 0 and 1."""
    known = dict(weights)
    names = tuple(sorted(name for name, weight in weights if weight > 0))
    ends = np.cumsum([known[name] for name in names])
    # However sums are rounded, nothing lies beyond the last.
    return names, [*(ends[:-1] / ends[-1]).tolist(), math.inf]
