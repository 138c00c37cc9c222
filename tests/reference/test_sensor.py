"""Lens and sensor against closed forms and published numbers: EMVA 1288, MTF forms, ColorChecker."""

import math

import numpy as np
import pytest
import torch

from synth.capture import CaptureSpec
from synth.light import illuminate
from synth.mosaic import PLANES, sample_mosaic
from synth.optics import kernel_terms, lens_mtf, smear_mtf
from synth.sensor import BLACK_COUNTS, develop, expose
from tests.reference.slanted_edge import mtf_at, pixel_averaged_edge, true_mtf

# EMVA 1288 release 4.0 linear model: variance = K^2 sigma_d^2 + 1/12 + K (mu - mu_dark); closed form for K = 0.25 DN/e,
# sigma_d = 3 e.
GAIN_DN_PER_E = 0.25
READ_NOISE_E = 3.0
PHOTON_TRANSFER = {100: (25.0, 6.895833), 1000: (250.0, 63.145833), 8000: (2000.0, 500.645833)}


def _flat(electrons: float, seed: int, size: int = 500) -> np.ndarray:
    counts = 2**12 - 1 - BLACK_COUNTS
    full_well = counts / GAIN_DN_PER_E
    capture = CaptureSpec(
        seed=seed, exposure=1.0, full_well_e=full_well, read_noise_e=READ_NOISE_E, blur_sigma_px=0.0, bits=12
    )
    radiance = torch.full((1, 3, size, size), electrons / full_well)
    return (expose(radiance, [capture]) * counts).numpy().astype(np.float64).ravel()


@pytest.mark.parametrize("electrons", PHOTON_TRANSFER)
def test_photon_transfer_emva1288(electrons: int) -> None:
    mean, variance = PHOTON_TRANSFER[electrons]
    one, two = _flat(electrons, 1), _flat(electrons, 2)
    n = len(one)
    assert one.mean() == pytest.approx(mean, abs=4 * math.sqrt(variance / n))
    measured = (one - two).var() / 2
    # The relative standard deviation of a variance from N pixels is sqrt(2 / N).
    assert measured == pytest.approx(variance, rel=4 * math.sqrt(2 / n))


def test_gain_is_the_slope_of_variance_over_mean_emva1288() -> None:
    dark = (_flat(0, 3) - _flat(0, 4)).var() / 2
    rows = []
    for electrons in (500, 2000, 8000):
        one, two = _flat(electrons, 5), _flat(electrons, 6)
        rows.append(((one.mean() + two.mean()) / 2, (one - two).var() / 2 - dark))
    mean, excess = np.array(rows).T
    assert float(mean @ excess / (mean @ mean)) == pytest.approx(GAIN_DN_PER_E, rel=0.01)
    assert dark == pytest.approx((GAIN_DN_PER_E * READ_NOISE_E) ** 2 + 1 / 12, rel=0.02)


def test_signal_to_noise_emva1288() -> None:
    # SNR = mu_e / sqrt(sigma_d^2 + sigma_q^2 / K^2 + mu_e): 1 000 e -> 31.460648 (closed form)
    one, two = _flat(1000, 7), _flat(1000, 8)
    assert one.mean() / math.sqrt((one - two).var() / 2) == pytest.approx(31.460648, rel=0.01)


def test_reader_finds_the_mtf_of_an_independent_edge() -> None:
    """Check of the check: pixel square, tilt 5 deg, no blur (closed form)."""
    edge = pixel_averaged_edge(160, 120)
    for f, value in zip((0.1, 0.25, 0.4), mtf_at(edge, [0.1, 0.25, 0.4]), strict=True):
        assert value == pytest.approx(true_mtf(f, 0.0), abs=0.01)


# Tilt 5 deg, pixel-integrated Gaussian edge of sigma 0.5 px (closed form).
SLANTED_EDGE_SIGMA_HALF = {0.10: 0.9363, 0.25: 0.6614, 0.40: 0.3437}


@pytest.mark.parametrize("sigma_px", [0.4, 0.5, 0.8, 1.2])
def test_slanted_edge_before_demosaic(sigma_px: float) -> None:
    """Closed-form MTF within 0.02 at 0.1-0.4 cycles per pixel, read from the raw mosaic of a grey edge."""
    edge = torch.from_numpy(pixel_averaged_edge(160, 120)).float()
    capture = CaptureSpec(seed=1, blur_sigma_px=sigma_px, exposure=1.0, read_noise_e=0.0, full_well_e=1e9, bits=24)
    planes = expose(edge.expand(1, 3, -1, -1), [capture])
    raw = np.empty((160, 120))
    for plane, (_, row, column) in zip(planes[0].numpy(), PLANES, strict=True):
        raw[row::2, column::2] = plane
    frequencies = [0.1, 0.2, 0.25, 0.3, 0.4]
    for f, value in zip(frequencies, mtf_at(raw, frequencies), strict=True):
        assert value == pytest.approx(true_mtf(f, sigma_px), abs=0.02), f
        if sigma_px == 0.5 and f in SLANTED_EDGE_SIGMA_HALF:
            assert value == pytest.approx(SLANTED_EDGE_SIGMA_HALF[f], abs=0.02)


def _response(taps: np.ndarray, f: float) -> float:
    k = np.arange(len(taps)) - len(taps) // 2
    return float(np.sum(taps * np.cos(2 * math.pi * f * k)))


@pytest.mark.parametrize("smear", [0.25, 0.5, 1.0, 1.5, 2.0])
def test_smear_mtf_is_a_sinc(smear: float) -> None:
    """Linear smear of a pixels: sinc(a f) (closed form; Goodman, citation from memory), along it; nothing across it."""
    terms = kernel_terms(CaptureSpec(seed=0, blur_sigma_px=0.4, smear_px=(0.0, smear)))
    down, across = terms.down.sum(0), terms.across.sum(0)
    for f in (0.1, 0.2, 0.3, 0.4):
        lens = math.exp(-2 * (math.pi * 0.4 * f) ** 2)
        assert _response(down, f) == pytest.approx(float(np.sinc(smear * f)) * lens, abs=0.02)
        assert _response(across, f) == pytest.approx(lens, abs=0.02)


@pytest.mark.parametrize("angle_deg", [20, 45, 70, 130])
def test_smear_mtf_in_any_direction(angle_deg: float) -> None:
    a = math.radians(angle_deg)
    capture = CaptureSpec(seed=0, blur_sigma_px=0.5, smear_px=(1.4 * math.cos(a), 1.4 * math.sin(a)))
    terms = kernel_terms(capture)
    kernel = terms.down.T @ terms.across
    k = np.arange(len(kernel)) - len(kernel) // 2
    for f in (0.1, 0.2, 0.3, 0.4):
        for direction in np.radians([0, 40, 90, angle_deg, angle_deg + 90]):
            fx, fy = f * math.cos(direction), f * math.sin(direction)
            response = np.sum(kernel * np.cos(2 * math.pi * (fx * k[None, :] + fy * k[:, None])))
            expected = np.sinc(fx * capture.smear_px[0] + fy * capture.smear_px[1]) * math.exp(
                -2 * (math.pi * 0.5 * f) ** 2
            )
            assert response == pytest.approx(expected, abs=0.02)


def test_mtf_forms_at_nyquist() -> None:
    """Printed closed-form values: smear a = 0.5, 1, 2 px and Gaussian jitter 0.25, 0.5 px at 0.5 cycles per pixel."""
    half = np.array(0.5)
    for smear, expected in ((0.5, 0.9003163), (1.0, 0.6366198), (2.0, 0.0)):
        assert float(smear_mtf(half, 0 * half, (smear, 0.0))) == pytest.approx(expected, abs=1e-6)
    for sigma, expected in ((0.25, 0.7346029), (0.5, 0.2912129)):
        assert float(lens_mtf(half, sigma)) == pytest.approx(expected, abs=1e-6)


# ColorChecker Classic, 2005 data (as carried by colour-science), D65-adapted 8-bit sRGB; "cyan" lies outside sRGB.
COLORCHECKER_2005 = {
    "dark skin": (115, 81, 67),
    "light skin": (199, 147, 129),
    "blue sky": (91, 122, 156),
    "foliage": (90, 108, 64),
    "blue flower": (130, 128, 176),
    "bluish green": (92, 190, 172),
    "orange": (224, 124, 47),
    "purplish blue": (68, 91, 170),
    "moderate red": (198, 82, 97),
    "purple": (94, 58, 106),
    "yellow green": (159, 189, 63),
    "orange yellow": (230, 162, 39),
    "blue": (35, 63, 147),
    "green": (67, 149, 74),
    "red": (180, 49, 57),
    "yellow": (238, 198, 20),
    "magenta": (193, 84, 151),
    "white 9.5": (245, 245, 243),
    "neutral 8": (200, 202, 202),
    "neutral 6.5": (161, 163, 163),
    "neutral 5": (121, 121, 122),
    "neutral 3.5": (82, 84, 86),
    "black 2": (49, 49, 51),
}


@pytest.mark.parametrize("light", ["white", "low sun and blue sky"])
@pytest.mark.parametrize("jpeg", [False, True])
def test_colorchecker_through_the_chain(light: str, jpeg: bool) -> None:
    """Reflectance of the patches, lit, exposed to full scale, developed with the tone curve off: dE2000 < 3."""
    skimage_color = pytest.importorskip("skimage.color", reason="scikit-image is a development extra")
    from synth.daylight import daylight_rgb
    from synth.tone import linear_from_srgb

    codes = np.array(list(COLORCHECKER_2005.values()))
    sun = (0.7, 0.7, 0.7) if light == "white" else tuple(0.7 * v for v in daylight_rgb(4200))
    sky = (0.3, 0.3, 0.3) if light == "white" else tuple(0.3 * v for v in daylight_rgb(12000))
    total = [a + b for a, b in zip(sun, sky, strict=True)]
    gain = (total[1] / total[0], 1.0, total[1] / total[2])
    capture = CaptureSpec(
        seed=3,
        sun_rgb=(sun[0], sun[1], sun[2]),
        sky_rgb=(sky[0], sky[1], sky[2]),
        white_gain=gain,
        exposure=min(gain),
        read_noise_e=2.0,
        full_well_e=40000.0,
        jpeg_quality=95,
        tone="srgb",
    )
    side = 48
    albedo = torch.from_numpy(linear_from_srgb(codes / 255)).float()
    strip = albedo.T.reshape(1, 3, 1, -1, 1).expand(1, 3, side, -1, side).reshape(1, 3, side, -1)
    picture = develop(illuminate(strip, torch.ones(1, 1, side, strip.shape[-1]), [capture]), [capture], jpeg=jpeg)
    patches = picture[0].view(3, side, len(codes), side)[:, 12:36, :, 12:36].float().mean((1, 3)).numpy().T
    difference = skimage_color.deltaE_ciede2000(
        skimage_color.rgb2lab(codes[None] / 255), skimage_color.rgb2lab(patches[None] / 255)
    )[0]
    assert difference.max() < 3, dict(zip(COLORCHECKER_2005, difference.round(2), strict=True))


def test_mosaic_keeps_one_colour_a_pixel() -> None:
    """RGGB: red at even row and column, blue at odd ones (common practice, no source)."""
    radiance = torch.tensor([0.2, 0.5, 0.8]).view(1, 3, 1, 1).expand(1, 3, 8, 8)
    planes = sample_mosaic(radiance, [CaptureSpec(seed=0, blur_sigma_px=0.0)])
    assert planes[0, :, 0, 0].tolist() == pytest.approx([0.2, 0.5, 0.5, 0.8])
