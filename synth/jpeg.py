"""JPEG as a camera stores it: a real encoder on the CPU, the same quantisation in arithmetic on a GPU.

Tables are those of ITU-T T.81 Annex K, scaled by quality as the Independent JPEG Group's library does.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F
from PIL import Image

from synth.at_once import at_once
from synth.capture import CaptureSpec
from synth.opencv import cv2, with_opencv

# Pillow's codes of chroma sampling, and the (rows, columns) of luma to one chroma sample.
_SUBSAMPLING = {"4:4:4": 0, "4:2:2": 1, "4:2:0": 2}
_CHROMA_STEP = {"4:4:4": (1, 1), "4:2:2": (1, 2), "4:2:0": (2, 2)}

# ITU-T T.81 (1992), Annex K, tables K.1 and K.2, row order.
LUMINANCE_TABLE = np.array(
    [
        [16, 11, 10, 16, 24, 40, 51, 61],
        [12, 12, 14, 19, 26, 58, 60, 55],
        [14, 13, 16, 24, 40, 57, 69, 56],
        [14, 17, 22, 29, 51, 87, 80, 62],
        [18, 22, 37, 56, 68, 109, 103, 77],
        [24, 35, 55, 64, 81, 104, 113, 92],
        [49, 64, 78, 87, 103, 121, 120, 101],
        [72, 92, 95, 98, 112, 100, 103, 99],
    ]
)
CHROMINANCE_TABLE = np.full((8, 8), 99)
CHROMINANCE_TABLE[:4, :4] = [[17, 18, 24, 47], [18, 21, 26, 66], [24, 26, 56, 99], [47, 66, 99, 99]]


def scaled_table(base: np.ndarray, quality: int) -> np.ndarray:
    """Quantisation table for a quality of 1..100."""
    scale = 5000 // quality if quality < 50 else 200 - 2 * quality
    return np.clip((base * scale + 50) // 100, 1, 255)


def encode_jpeg(picture: torch.Tensor, capture: CaptureSpec, exif: bytes = b"") -> bytes:
    """JPEG file of one picture uint8 [3, H, W] on the CPU, at the capture's quality and chroma sampling."""
    buffer = io.BytesIO()
    Image.merge("RGB", [Image.fromarray(plane.numpy()) for plane in picture.contiguous()]).save(
        buffer,
        "JPEG",
        quality=capture.jpeg_quality,
        subsampling=_SUBSAMPLING[capture.chroma_sampling],
        exif=exif,
    )
    return buffer.getvalue()


def store_as_jpeg(pictures: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """Pictures uint8 [B, 3, H, W] as they come back from a JPEG file; same shape, type and device.

    A picture is a piece of a larger one: where the encoder's blocks lie in it hangs on the seed (of the first capture where
    a GPU takes a batch together).
    """
    if with_opencv(pictures.device):
        stored = torch.empty(pictures.shape, dtype=torch.uint8)
        for picture, capture, out in zip(pictures, captures, stored.numpy(), strict=True):
            _through_opencv(picture.contiguous().numpy(), capture, out)
        return stored
    red, green, blue = pictures.int().unbind(1)
    return store_packed(red.add_(green, alpha=256).add_(blue, alpha=65536), captures)


def store_packed(packed: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """:func:`store_as_jpeg` for pixels int32 [B, H, W] of red + 256 green + 65536 blue."""
    if not at_once(packed.device) and len(captures) > 1:
        return torch.cat([store_packed(packed[i : i + 1], captures[i : i + 1]) for i in range(len(captures))])
    y, x = _corner(captures[0])
    h, w = packed.shape[-2:]
    larger = torch.empty((len(packed), h + y, w + x), dtype=torch.int32, device=packed.device)
    larger[:, y:, x:] = packed
    larger[:, y:, :x] = larger[:, y:, x : x + 1]
    larger[:, :y] = larger[:, y : y + 1]
    if at_once(packed.device):
        return quantise_as_jpeg(pixels_of(larger), captures)[..., y:, x:]
    return _through_a_file(larger[0], captures[0], (y, x))[None]


def _corner(capture: CaptureSpec) -> tuple[int, int]:
    """Rows and columns of a larger picture's first blocks that lie beyond a picture's top and left."""
    return capture.seed % 16, capture.seed // 16 % 16


def _through_opencv(picture: np.ndarray, capture: CaptureSpec, out: np.ndarray) -> None:
    """A picture uint8 [3, H, W] encoded and decoded into ``out`` by OpenCV, which has the same library as Pillow inside."""
    y, x = _corner(capture)
    _, h, w = picture.shape
    larger = np.empty((h + y, w + x, 3), np.uint8)
    inside = larger[y:, x:]
    for colour, plane in enumerate(picture):
        cv2.insertChannel(plane, inside, 2 - colour)
    larger[y:, :x] = larger[y:, x : x + 1]
    larger[:y] = larger[y : y + 1]
    sampling = getattr(cv2, f"IMWRITE_JPEG_SAMPLING_FACTOR_{capture.chroma_sampling.replace(':', '')}")
    asked = [cv2.IMWRITE_JPEG_QUALITY, capture.jpeg_quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    done, file = cv2.imencode(".jpg", larger, asked)
    assert done
    stored = cv2.imdecode(file, cv2.IMREAD_COLOR)[y:, x:]
    for colour, plane in enumerate(out):
        cv2.extractChannel(stored, 2 - colour, dst=plane)


def pixels_of(packed: torch.Tensor) -> torch.Tensor:
    """uint8 [B, 3, H, W] of packed pixels int32 [B, H, W]."""
    return torch.stack([packed >> shift & 255 for shift in (0, 8, 16)], 1).to(torch.uint8)


def _through_a_file(packed: torch.Tensor, capture: CaptureSpec, first: tuple[int, int]) -> torch.Tensor:
    """A packed picture int32 [H, W] encoded and decoded: uint8 [3, ...] from its ``first`` row and column on."""
    # Four bytes to a pixel are how Pillow holds RGB: it takes them as they are.
    size = (packed.shape[1], packed.shape[0])
    raw = packed.contiguous().numpy().astype("<i4", copy=False)
    image = Image.frombuffer("RGBX", size, raw.view(np.uint8), "raw", "RGBX", 0, 1)
    buffer = io.BytesIO()
    sampling = _SUBSAMPLING[capture.chroma_sampling]
    image.save(buffer, "JPEG", quality=capture.jpeg_quality, subsampling=sampling)
    with Image.open(buffer) as stored:
        # Split up by Pillow: sorting its pixels by colour here would take as long as decoding.
        bands = stored.split()
    return torch.from_numpy(np.stack([np.asarray(band)[first[0] :, first[1] :] for band in bands]))


def quantise_as_jpeg(pictures: torch.Tensor, captures: Sequence[CaptureSpec]) -> torch.Tensor:
    """What JPEG does to pictures uint8 [B, 3, H, W], in arithmetic on any device: the entropy coder loses nothing.

    Agrees with the encoder to a grey level (root mean square).
    """
    b, _, h, w = pictures.shape
    padded = F.pad(pictures.float(), (0, -w % 16, 0, -h % 16), mode="replicate")
    r, g, bl = padded.unbind(1)
    y = 0.299 * r + 0.587 * g + 0.114 * bl
    cb, cr = (bl - y) * (0.5 / 0.886), (r - y) * (0.5 / 0.701)
    # The encoder and the decoder hold samples as whole numbers between their steps.
    y, cb, cr = (plane.round_() for plane in (y, cb, cr))
    y = _through_blocks(y - 128, _tables(captures, LUMINANCE_TABLE, y.device)).add_(128).clamp_(0, 255)
    chroma_tables = _tables(captures, CHROMINANCE_TABLE, y.device)
    chroma = torch.stack([cb, cr], 1)
    out = torch.empty_like(chroma)
    for sampling in {c.chroma_sampling for c in captures}:
        rows = [i for i, c in enumerate(captures) if c.chroma_sampling == sampling]
        step = _CHROMA_STEP[sampling]
        some = chroma if len(rows) == b else chroma[rows]
        small = _reduced(some, step) if step != (1, 1) else some
        tables = chroma_tables if len(rows) == b else chroma_tables[rows]
        small = _through_blocks(small.flatten(0, 1), tables.repeat_interleave(2, 0)).view(
            len(rows), 2, *small.shape[-2:]
        )
        whole = small if step == (1, 1) else _enlarged(small, step)
        if len(rows) == b:
            out = whole
        else:
            out[rows] = whole
    cb, cr = out.unbind(1)
    rgb = torch.stack([y + 1.402 * cr, y - 0.344136 * cb - 0.714136 * cr, y + 1.772 * cb], 1)
    return rgb[..., :h, :w].add_(0.5).clamp_(0, 255).to(torch.uint8)


def _reduced(chroma: torch.Tensor, step: tuple[int, int]) -> torch.Tensor:
    """Means of chroma samples, halves rounded down and up in turn along a row as the encoder does."""
    turns = torch.arange(chroma.shape[-1] // 2, device=chroma.device) % 2
    area = step[0] * step[1]
    bias = (turns + (area // 4)) / area
    return (F.avg_pool2d(chroma, step) + bias).floor_()


def _enlarged(chroma: torch.Tensor, step: tuple[int, int]) -> torch.Tensor:
    """Chroma at full size: a triangle filter (three quarters of the nearer sample), as the decoder does."""
    return F.interpolate(chroma, scale_factor=step, mode="bilinear", align_corners=False).round_()


def _tables(captures: Sequence[CaptureSpec], base: np.ndarray, device: torch.device) -> torch.Tensor:
    tables = np.stack([scaled_table(base, c.jpeg_quality) for c in captures]).astype(np.float32)
    return torch.from_numpy(tables).to(device)


def _through_blocks(image: torch.Tensor, tables: torch.Tensor) -> torch.Tensor:
    """Images [N, H, W] through the 8 x 8 cosine transform, quantised by tables [N, 8, 8], and back."""
    n, h, w = image.shape
    if h % 8 or w % 8:
        image = F.pad(image[:, None], (0, -w % 8, 0, -h % 8), mode="replicate")[:, 0]
    rows, columns = image.shape[1] // 8, image.shape[2] // 8
    d = torch.from_numpy(_cosines()).to(image.device)
    blocks = image.view(n, rows, 8, columns, 8).transpose(2, 3)
    step = tables.view(n, 1, 1, 8, 8)
    levels = torch.round(d @ blocks @ d.T / step) * step
    return (d.T @ levels @ d).round_().transpose(2, 3).reshape(n, rows * 8, columns * 8)[:, :h, :w]


@lru_cache(maxsize=1)
def _cosines() -> np.ndarray:
    """Orthonormal 8-point cosine transform (T.81, A.3.3)."""
    u, x = np.meshgrid(np.arange(8), np.arange(8), indexing="ij")
    basis = 0.5 * np.cos((2 * x + 1) * u * math.pi / 16)
    basis[0] /= math.sqrt(2)
    return basis.astype(np.float32)
