"""Photographs as cameras and cards deliver them: every pixel format, every kind of damage, and the scale on the ground."""

from __future__ import annotations

import os
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from mission.errors import InputError
from mission.photograph_facts import PhotographFacts
from mission.photographs import (
    GroundScale,
    list_photographs,
    load_photograph,
    parse_gsd,
    photograph_facts,
    photograph_scale,
    photograph_size_px,
    scale_from_facts,
    scale_or_reason,
)

SHARED = Path(os.environ.get("PANELSCOUT_SHARED", Path(__file__).parents[2] / "../shared")) / "data/aerial"
RAMP = np.linspace(0, 255, 40, dtype=np.uint8)[None, :].repeat(30, axis=0)
COLOUR = np.stack([RAMP, RAMP[:, ::-1], np.full_like(RAMP, 90)], axis=2)


def saved(folder: Path, image: Image.Image, name: str, **options: object) -> Path:
    path = folder / name
    image.save(path, **options)
    return path


def test_rgb_comes_back_as_it_is(tmp_path):
    pixels = load_photograph(saved(tmp_path, Image.fromarray(COLOUR), "a.png"))
    assert (pixels.dtype, pixels.shape) == (np.uint8, (30, 40, 3))
    np.testing.assert_array_equal(pixels, COLOUR)


def test_grey_becomes_three_equal_channels(tmp_path):
    pixels = load_photograph(saved(tmp_path, Image.fromarray(RAMP), "grey.jpg", quality=100))
    np.testing.assert_allclose(pixels, RAMP[..., None].repeat(3, axis=2), atol=2)


@pytest.mark.parametrize("name", ["deep.png", "deep.tif"])
def test_sixteen_bits_of_grey_keep_their_share_of_the_range(tmp_path, name):
    deep = RAMP.astype(np.uint16) * 257
    np.testing.assert_array_equal(load_photograph(saved(tmp_path, Image.fromarray(deep), name))[..., 0], RAMP)


def test_sixteen_bits_of_colour(tmp_path):
    """A PNG written chunk by chunk (ISO 15948): colour type 2, bit depth 16, filter 0."""
    import zlib

    rows = b"".join(b"\x00" + (row.astype(">u2") * 257).astype(">u2").tobytes() for row in COLOUR)

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 40, 30, 16, 2, 0, 0, 0)
    path = tmp_path / "deep.png"
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
    )
    np.testing.assert_allclose(load_photograph(path), COLOUR, atol=1)


def test_cmyk_looks_as_it_should(tmp_path):
    cmyk = Image.fromarray(COLOUR).convert("CMYK")
    for name in ("ink.jpg", "ink.tif"):
        np.testing.assert_allclose(load_photograph(saved(tmp_path, cmyk, name)), COLOUR, atol=14)


def test_palette(tmp_path):
    indexed = Image.fromarray(COLOUR).quantize(256)
    pixels = load_photograph(saved(tmp_path, indexed, "palette.png"))
    np.testing.assert_array_equal(pixels, np.asarray(indexed.convert("RGB")))


@pytest.mark.parametrize("mode", ["RGBA", "LA", "P"])
def test_transparent_areas_become_black(tmp_path, mode):
    layered = Image.fromarray(COLOUR).convert("RGBA")
    layered.putalpha(Image.fromarray(np.where(RAMP > 127, 255, 0).astype(np.uint8)))
    if mode == "P":
        layered = layered.quantize(64)
    elif mode == "LA":
        layered = layered.convert("LA")
    pixels = load_photograph(saved(tmp_path, layered, "alpha.png"))
    assert (pixels[:, :18] == 0).all()
    assert (pixels[:, 22:].max(axis=2) > 50).all()


@pytest.mark.parametrize("suffix", ["jpg", "png", "tif"])
def test_truncated_files_are_refused(tmp_path, suffix):
    noisy = np.random.default_rng(0).integers(0, 256, (200, 200, 3), dtype=np.uint8)
    path = saved(tmp_path, Image.fromarray(noisy), f"cut.{suffix}")
    whole = path.read_bytes()
    for kept in (0.95, 0.5, 0.02):
        path.write_bytes(whole[: int(len(whole) * kept)])
        with pytest.raises(InputError, match=r"The photograph .*cut.* must .*\. Got .* instead\.$"):
            load_photograph(path)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "must have content. Got an empty file"),
        (b"not an image at all", "Got a file that no image decoder reads"),
        (b"\xff\xd8\xff\xe0" + b"\x00" * 40, "Got a file that no image decoder reads"),
        (b"\x89PNG\r\n\x1a\n" + b"\x00" * 40, "Got a file that no image decoder reads"),
        (b"II*\x00\xff\xff\xff\xff", "must be a whole JPEG, PNG or TIFF image"),
    ],
)
def test_other_content_is_refused(tmp_path, content, message):
    path = tmp_path / "odd.jpg"
    path.write_bytes(content)
    for read in (load_photograph, photograph_size_px, photograph_facts):
        with pytest.raises(InputError, match=message):
            read(path)


def test_missing_files_and_folders_are_refused(tmp_path):
    with pytest.raises(InputError, match=r"must exist. Got no such file"):
        load_photograph(tmp_path / "none.jpg")
    with pytest.raises(InputError, match=r"must be a file. Got a folder"):
        load_photograph(tmp_path)
    with pytest.raises(InputError, match=r"must exist. Got no such folder"):
        list_photographs(tmp_path / "none")
    with pytest.raises(InputError, match=r"must hold photographs"):
        list_photographs(tmp_path)


def test_more_than_200_megapixels_are_refused_before_decoding(tmp_path):
    """Headers alone: a PNG and a TIFF that claim more pixels than we take hold no pixel at all."""
    import zlib

    for side, width in ((20_000, 10_001), (60_000, 60_000)):
        head = struct.pack(">IIBBBBB", width, side, 8, 2, 0, 0, 0)
        chunk = struct.pack(">I", 13) + b"IHDR" + head + struct.pack(">I", zlib.crc32(b"IHDR" + head))
        path = tmp_path / "huge.png"
        path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk + struct.pack(">I", 0) + b"IDAT" + struct.pack(">I", 0))
        with pytest.raises(InputError, match="at most 200 megapixels"):
            load_photograph(path)


def test_floating_point_images_are_refused(tmp_path):
    path = saved(tmp_path, Image.fromarray(np.ones((4, 4), np.float32)), "heights.tif")
    with pytest.raises(InputError, match="8 or 16 bits"):
        load_photograph(path)


def test_one_pixel(tmp_path):
    assert load_photograph(saved(tmp_path, Image.fromarray(COLOUR[:1, :1]), "dot.png")).shape == (1, 1, 3)


def test_listing(tmp_path):
    for name in ("b.JPG", "a.png", "c.tiff", "notes.txt", ".hidden.jpg", "deep/d.jpeg", ".cache/e.jpg"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    assert [p.name for p in list_photographs(tmp_path)] == ["a.png", "b.JPG", "c.tiff"]
    assert [p.name for p in list_photographs(tmp_path, subfolders=True)] == ["a.png", "b.JPG", "c.tiff", "d.jpeg"]
    assert list_photographs(tmp_path / "b.JPG") == [tmp_path / "b.JPG"]
    with pytest.raises(InputError, match=r"must end in one of"):
        list_photographs(tmp_path / "notes.txt")


# --- scale ---------------------------------------------------------------------------------------------------------

#: 30 m above take-off, straight down, 15 mm lens, 3.756 um pixels: 0.75 cm to the pixel.
KNOWN = PhotographFacts(
    focal_length_mm=15.0,
    pixel_pitch_mm=0.003756,
    recorded_size_px=(4608, 3456),
    relative_height_m=29.9,
    gimbal_pitch_deg=-90.0,
)


@pytest.mark.parametrize("text", ["1.7cm", "1.7 cm", "17 mm", "1.7 cm/px", "0.017", 0.017])
def test_ground_sample_distance_from_text(text):
    assert parse_gsd(text) == pytest.approx(0.017)


@pytest.mark.parametrize("text", ["1.7 kg", "-2 cm", "0", "fast", "20 m", "nan", ""])
def test_ground_sample_distance_that_cannot_be(text):
    with pytest.raises(InputError, match="The 'ground sample distance' must"):
        parse_gsd(text)


def test_scale_from_what_the_camera_wrote():
    scale = scale_from_facts(KNOWN, (4608, 3456))
    assert isinstance(scale, GroundScale)
    assert scale.gsd_m == pytest.approx(29.9 * 0.003756 / 15)
    # Cropped on one side only: the other side proves that nothing was resized.
    assert scale_from_facts(KNOWN, (4608, 2900)) == scale


def test_equivalent_focal_length_stands_in_for_the_pixel_pitch():
    """30 mm equivalent for 15 mm is half the diagonal of 36 x 24 mm over 5760 pixels (4608 x 3456): 3.756 um."""
    facts = replace(KNOWN, pixel_pitch_mm=None, focal_length_35mm=30.0)
    scale = scale_from_facts(facts, (4608, 3456))
    assert isinstance(scale, GroundScale)
    assert scale.gsd_m == pytest.approx(29.9 * 0.003756 / 15, rel=1e-3)


@pytest.mark.parametrize(
    ("change", "size_px", "reason"),
    [
        ({"relative_height_m": None, "altitude_above_sea_m": 134.0}, (4608, 3456), "height above the take-off"),
        ({"relative_height_m": -3.0}, (4608, 3456), "not above the ground"),
        ({"gimbal_pitch_deg": None}, (4608, 3456), "which way the camera looked"),
        ({"gimbal_pitch_deg": -60.0}, (4608, 3456), "30 degrees away from straight down"),
        ({"digital_zoom": 2.0}, (4608, 3456), "digital zoom"),
        ({}, (2304, 1728), "cropped or resized"),
        ({"recorded_size_px": (1058, 997), "optical_centre_px": (2736.0, 1539.0)}, (1058, 997), "cropped or resized"),
        ({"recorded_size_px": None}, (4608, 3456), "size it was taken at"),
        ({"focal_length_mm": None}, (4608, 3456), "focal length"),
        ({"pixel_pitch_mm": None}, (4608, 3456), "size of its pixels"),
    ],
)
def test_scale_that_cannot_be_trusted(change, size_px, reason):
    found = scale_from_facts(replace(KNOWN, **change), size_px)
    assert isinstance(found, str)
    assert reason in found


def with_xmp(path: Path, packet: bytes) -> None:
    """Insert an XMP packet as the first APP1 segment of a JPEG (ISO 16684-3: identifier, zero byte, packet)."""
    jpeg = path.read_bytes()
    body = b"http://ns.adobe.com/xap/1.0/\x00" + packet
    path.write_bytes(jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + jpeg[2:])


@pytest.mark.parametrize(
    "packet",
    [
        b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><r:Description q:RelativeAltitude="+29.90" q:GimbalPitchDegree="-89.9"/>',
        b"<q:RelativeAltitude>29.9</q:RelativeAltitude><q:GimbalPitchDegree>-89.9</q:GimbalPitchDegree>",
    ],
)
def test_scale_of_a_file_from_end_to_end(tmp_path, packet):
    from tests.reference.test_exif import CAMERA, exif_block, photograph

    path = photograph(tmp_path, exif_block("<", CAMERA, []))
    assert photograph_scale(path) is None
    with_xmp(path, packet)
    scale = photograph_scale(path)
    assert scale is not None
    assert scale.gsd_m == pytest.approx(29.9 * (25.4 / 10_000) / 15.4)


def test_option_before_file_before_camera(tmp_path):
    path = saved(tmp_path, Image.fromarray(COLOUR), "a.jpg")
    other = saved(tmp_path, Image.fromarray(COLOUR), "b.jpg")
    assert photograph_scale(path) is None
    (tmp_path / "ground.yaml").write_text(
        "format: ground/1\ngsd: 2 cm\nphotographs: {a.jpg: 7.5 mm}\n", encoding="utf-8"
    )
    assert photograph_scale(path) == GroundScale(pytest.approx(0.0075), "ground.yaml")
    assert photograph_scale(other) == GroundScale(pytest.approx(0.02), "ground.yaml")
    assert photograph_scale(path, gsd_m=0.03) == GroundScale(0.03, "given")


@pytest.mark.parametrize(
    "text", ["format: ground/2\ngsd: 2 cm\n", "format: ground/1\ngsd: 2 kg\n", "format: ground/1\nscale: 3\n", "{", ""]
)
def test_broken_ground_file(tmp_path, text):
    path = saved(tmp_path, Image.fromarray(COLOUR), "a.jpg")
    (tmp_path / "ground.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"must .*\. Got .* instead\.$"):
        photograph_scale(path)


@pytest.mark.skipif(not SHARED.is_dir(), reason="the real aerial photographs are not beside this checkout")
def test_real_photographs_are_not_believed_beyond_their_word():
    """None of the five flights records a height that can be trusted: the altitudes of one climb by 100 m in two minutes
    while the ground keeps its scale, and the one with a height above take-off was cropped afterwards."""
    photographs = list_photographs(SHARED, subfolders=True)
    reasons = {path.parent.name: scale_or_reason(path) for path in photographs}
    assert all(isinstance(reason, str) for reason in reasons.values()), reasons
    assert "cropped" in str(reasons["lake"])
    heights = [photograph_facts(p).altitude_above_sea_m or 0 for p in photographs if p.parent.name == "building-site"]
    assert max(heights) - min(heights) > 70
