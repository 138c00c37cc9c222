"""sRGB transfer function, IEC 61966-2-1:1999; numbers as printed by colour-science 0.4.7 (eotf_sRGB and its inverse)."""

import numpy as np
import pytest
import torch

from synth.tone import linear_from_pixels, linear_from_srgb, srgb_from_linear, tone_curve

LINEAR_OF_CODE = {
    0: 0.0,
    10: 0.0030352698,
    11: 0.0033465358,
    55: 0.0382043716,
    118: 0.1811642442,
    128: 0.2158605001,
    188: 0.5028864580,
    200: 0.5775804404,
    255: 1.0,
}
ENCODED_OF_LINEAR = {0.0031308: 0.040449936, 0.18: 0.4613561295, 0.2140411405: 0.5, 0.5: 0.7353569831, 1.0: 1.0}


@pytest.mark.parametrize(("code", "linear"), LINEAR_OF_CODE.items())
def test_linear_of_code_values(code: int, linear: float) -> None:
    assert linear_from_srgb(np.array(code / 255)) == pytest.approx(linear, abs=1e-9)
    assert float(linear_from_pixels(torch.tensor([code], dtype=torch.uint8))) == pytest.approx(linear, abs=1e-6)


@pytest.mark.parametrize(("linear", "encoded"), ENCODED_OF_LINEAR.items())
def test_encoded_of_linear(linear: float, encoded: float) -> None:
    assert srgb_from_linear(np.array(linear)) == pytest.approx(encoded, abs=1e-9)


def test_plain_tone_is_the_standard_curve() -> None:
    linear = np.linspace(0, 1, 1001)
    np.testing.assert_allclose(tone_curve("srgb", linear), srgb_from_linear(linear), atol=1e-12)
