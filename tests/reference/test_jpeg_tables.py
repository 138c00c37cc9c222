"""JPEG quantisation tables: ITU-T T.81 (1992) Annex K, K.1 and K.2; quality scaling of the Independent JPEG Group."""

import io

import pytest
import torch
from PIL import Image
from sklearn.datasets import load_sample_image

from synth.capture import CaptureSpec
from synth.jpeg import CHROMINANCE_TABLE, LUMINANCE_TABLE, encode_jpeg, quantise_as_jpeg, scaled_table, store_as_jpeg

FIRST_LUMINANCE_ROW = {
    50: [16, 11, 10, 16, 24, 40, 51, 61],
    75: [8, 6, 5, 8, 12, 20, 26, 31],
    90: [3, 2, 2, 3, 5, 8, 10, 12],
    95: [2, 1, 1, 2, 2, 4, 5, 6],
    100: [1] * 8,
}


def _picture() -> torch.Tensor:
    """Part of a photograph that scikit-learn ships (china.jpg)."""
    whole = load_sample_image("china.jpg")
    return torch.from_numpy(whole[100:340, 150:470].copy()).permute(2, 0, 1).contiguous()


@pytest.mark.parametrize("quality", FIRST_LUMINANCE_ROW)
def test_tables_in_a_stored_file_are_those_of_annex_k(quality: int) -> None:
    assert scaled_table(LUMINANCE_TABLE, quality)[0].tolist() == FIRST_LUMINANCE_ROW[quality]
    file = encode_jpeg(_picture(), CaptureSpec(seed=0, jpeg_quality=quality))
    with Image.open(io.BytesIO(file)) as image:
        tables = image.quantization  # type: ignore[attr-defined]
    assert list(tables[0]) == scaled_table(LUMINANCE_TABLE, quality).ravel().tolist()
    assert list(tables[1]) == scaled_table(CHROMINANCE_TABLE, quality).ravel().tolist()


@pytest.mark.parametrize("sampling", ["4:4:4", "4:2:2", "4:2:0"])
@pytest.mark.parametrize(("quality", "levels"), [(80, 1.2), (95, 1.0)])
def test_arithmetic_agrees_with_the_encoder(sampling: str, quality: int, levels: float) -> None:
    """libjpeg (through Pillow) as the outside reference: RMS about one grey level, far below what JPEG itself costs."""
    captures = [CaptureSpec(seed=0, jpeg_quality=quality, chroma_sampling=sampling)]
    picture = _picture()[None]
    stored = store_as_jpeg(picture, captures).float()
    worked_out = quantise_as_jpeg(picture, captures).float()
    apart = float((stored - worked_out).square().mean().sqrt())
    assert apart <= levels
    assert apart < 0.4 * float((stored - picture.float()).square().mean().sqrt())
