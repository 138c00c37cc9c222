"""Exif facts against a block written byte by byte from the standard, and against Pillow's own writer.

CIPA DC-008 / JEITA CP-3451 (Exif 2.2 text, pp. 47 and 50): latitude as three RATIONALs dd/1, mm/1, ss/1 or dd/1, mmmm/100,
0/1; AltitudeRef is a BYTE, 1 below sea level with the absolute value. The position is Flinders Peak of the GDA2020
technical manual, -37.95103341666667, 144.42486788888889.
"""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from mission.photographs import load_photograph, photograph_facts, photograph_size_px

BYTE, ASCII, SHORT, LONG, RATIONAL = 1, 2, 3, 4, 5
# Tag numbers as printed in the standard.
ORIENTATION, EXIF_IFD, GPS_IFD = 0x0112, 0x8769, 0x8825
EXPOSURE, F_NUMBER, ISO, TAKEN = 0x829A, 0x829D, 0x8827, 0x9003
FOCAL, WIDTH, HEIGHT, PLANE_X, PLANE_UNIT, FOCAL_35 = 0x920A, 0xA002, 0xA003, 0xA20E, 0xA210, 0xA405
LAT_REF, LAT, LON_REF, LON, ALT_REF, ALT, DIRECTION_REF, DIRECTION = 1, 2, 3, 4, 5, 6, 16, 17

Entry = tuple[int, int, object]

FLINDERS_GPS: list[Entry] = [
    (LAT_REF, ASCII, "S"),
    (LAT, RATIONAL, [(37, 1), (57, 1), (37203, 10000)]),
    (LON_REF, ASCII, "E"),
    (LON, RATIONAL, [(144, 1), (25, 1), (295244, 10000)]),
    (ALT_REF, BYTE, 0),
    (ALT, RATIONAL, [(10000, 100)]),
    (DIRECTION_REF, ASCII, "T"),
    (DIRECTION, RATIONAL, [(27050, 100)]),
]
CAMERA: list[Entry] = [
    (EXPOSURE, RATIONAL, [(1, 1000)]),
    (F_NUMBER, RATIONAL, [(4, 1)]),
    (ISO, SHORT, 200),
    (TAKEN, ASCII, "2024:03:05 10:20:30"),
    (FOCAL, RATIONAL, [(154, 10)]),
    (WIDTH, LONG, 64),
    (HEIGHT, LONG, 48),
    (PLANE_X, RATIONAL, [(10_000_000, 1000)]),  # 10 000 pixels
    (PLANE_UNIT, SHORT, 2),  # to the inch
    (FOCAL_35, SHORT, 42),
]


def exif_block(order: str, camera: list[Entry], gps: list[Entry], orientation: int = 1) -> bytes:
    """A TIFF block with three directories ("<" little or ">" big endian), written from the standard alone."""
    base_size = _directory_size([(ORIENTATION, SHORT, 1), (EXIF_IFD, LONG, 0), (GPS_IFD, LONG, 0)])
    camera_at = 8 + base_size
    gps_at = camera_at + _directory_size(camera)
    base: list[Entry] = [(ORIENTATION, SHORT, orientation), (EXIF_IFD, LONG, camera_at), (GPS_IFD, LONG, gps_at)]
    head = (b"II*\x00" if order == "<" else b"MM\x00*") + struct.pack(order + "I", 8)
    parts = [_directory(order, base, 8), _directory(order, camera, camera_at), _directory(order, gps, gps_at)]
    return b"Exif\x00\x00" + head + b"".join(parts)


def _directory_size(entries: list[Entry]) -> int:
    return 2 + 12 * len(entries) + 4 + sum(len(d) for d in (_data("<", e) for e in entries) if len(d) > 4)


def _data(order: str, entry: Entry) -> bytes:
    _, kind, value = entry
    if kind == BYTE:
        return struct.pack("B", value)
    if kind == ASCII:
        return str(value).encode() + b"\x00"
    if kind in (SHORT, LONG):
        return struct.pack(order + ("H" if kind == SHORT else "I"), value)
    assert isinstance(value, list)
    return b"".join(struct.pack(order + "II", *pair) for pair in value)


def _directory(order: str, entries: list[Entry], at: int) -> bytes:
    overflow_at = at + 2 + 12 * len(entries) + 4
    table, overflow = struct.pack(order + "H", len(entries)), b""
    for tag, kind, value in entries:
        data = _data(order, (tag, kind, value))
        count = len(data) if kind in (BYTE, ASCII) else len(value) if isinstance(value, list) else 1
        if len(data) > 4:
            field = struct.pack(order + "I", overflow_at + len(overflow))
            overflow += data
        else:
            field = data.ljust(4, b"\x00")
        table += struct.pack(order + "HHI", tag, kind, count) + field
    return table + struct.pack(order + "I", 0) + overflow


def photograph(folder: Path, exif: bytes) -> Path:
    path = folder / "photograph.jpg"
    Image.fromarray(np.full((48, 64, 3), 120, np.uint8)).save(path, exif=exif)
    return path


@pytest.mark.parametrize("order", ["<", ">"])
def test_block_of_the_standard(tmp_path, order):
    facts = photograph_facts(photograph(tmp_path, exif_block(order, CAMERA, FLINDERS_GPS)))
    assert facts.latitude_deg == pytest.approx(-37.95103341666667, abs=1e-12)
    assert facts.longitude_deg == pytest.approx(144.42486788888889, abs=1e-12)
    assert facts.altitude_above_sea_m == pytest.approx(100.0)
    assert (facts.image_direction_deg, facts.image_direction_is_true_north) == (pytest.approx(270.5), True)
    assert facts.focal_length_mm == pytest.approx(15.4)
    assert facts.focal_length_35mm == 42
    assert (facts.f_number, facts.exposure_s, facts.iso) == (pytest.approx(4.0), pytest.approx(0.001), 200)
    assert facts.taken == "2024-03-05T10:20:30"
    assert facts.recorded_size_px == (64, 48)
    assert facts.pixel_pitch_mm == pytest.approx(25.4 / 10_000)
    assert facts.relative_height_m is None  # satellite altitude is never a height above the ground


def test_minutes_with_decimals(tmp_path):
    """dd/1, mmmm/100, 0/1: 37 deg 57.06 min S."""
    gps = [*FLINDERS_GPS[:1], (LAT, RATIONAL, [(37, 1), (5706, 100), (0, 1)]), *FLINDERS_GPS[2:]]
    facts = photograph_facts(photograph(tmp_path, exif_block("<", CAMERA, gps)))
    assert facts.latitude_deg == pytest.approx(-(37 + 57.06 / 60), abs=1e-12)


def test_below_the_sea_and_magnetic_north(tmp_path):
    gps = [*FLINDERS_GPS[:4], (ALT_REF, BYTE, 1), (ALT, RATIONAL, [(43, 10)]), (DIRECTION_REF, ASCII, "M")]
    facts = photograph_facts(photograph(tmp_path, exif_block(">", CAMERA, [*gps, FLINDERS_GPS[7]])))
    assert facts.altitude_above_sea_m == pytest.approx(-4.3)
    assert facts.image_direction_is_true_north is False


def test_zero_denominators_and_nonsense_read_as_absent(tmp_path):
    camera = [
        (EXPOSURE, RATIONAL, [(0, 0)]),
        (F_NUMBER, RATIONAL, [(0, 1)]),
        (TAKEN, ASCII, "0000:00:00 00:00:00"),
        (FOCAL, RATIONAL, [(5, 0)]),
    ]
    gps = [(LAT_REF, ASCII, "Q"), (LAT, RATIONAL, [(95, 1), (0, 1), (0, 1)]), (LON_REF, ASCII, "E")]
    facts = photograph_facts(photograph(tmp_path, exif_block("<", camera, gps)))
    assert (facts.exposure_s, facts.f_number, facts.taken, facts.focal_length_mm) == (None, None, None, None)
    assert (facts.latitude_deg, facts.longitude_deg) == (None, None)


def test_pillows_writer_agrees(tmp_path):
    """The same facts through an independent encoder."""
    exif = Image.Exif()
    detail = exif.get_ifd(EXIF_IFD)
    detail.update(
        {FOCAL: IFDRational(154, 10), EXPOSURE: IFDRational(1, 1000), TAKEN: "2024:03:05 10:20:30", FOCAL_35: 42}
    )
    gps = exif.get_ifd(GPS_IFD)
    gps.update({LAT_REF: "S", LAT: (37.0, 57.0, Fraction(37203, 10000)), LON_REF: "E", LON: (144.0, 25.0, 29.5244)})
    facts = photograph_facts(photograph(tmp_path, exif.tobytes()))
    assert facts.latitude_deg == pytest.approx(-37.95103341666667, abs=1e-9)
    assert facts.longitude_deg == pytest.approx(144.42486788888889, abs=1e-8)
    assert (facts.focal_length_mm, facts.exposure_s, facts.focal_length_35mm) == (15.4, pytest.approx(0.001), 42)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation(tmp_path, orientation):
    """Exif 2.2, tag 0x0112: what the 0th row and the 0th column of the stored image are, visually."""
    row_is, column_is = {
        1: ("top", "left"), 2: ("top", "right"), 3: ("bottom", "right"), 4: ("bottom", "left"),
        5: ("left", "top"), 6: ("right", "top"), 7: ("right", "bottom"), 8: ("left", "bottom"),
    }[orientation]  # fmt: skip
    stored = np.zeros((48, 64, 3), np.uint8)
    stored[:8] = (255, 0, 0)  # the 0th rows are red, the 0th columns green, their corner yellow
    stored[:, :8] += np.array([0, 255, 0], np.uint8)
    path = tmp_path / "turned.png"
    Image.fromarray(stored).save(path, exif=exif_block("<", CAMERA, FLINDERS_GPS, orientation))
    upright = load_photograph(path)
    assert photograph_size_px(path) == (upright.shape[1], upright.shape[0])
    sides = {"top": upright[0], "bottom": upright[-1], "left": upright[:, 0], "right": upright[:, -1]}
    assert (np.median(sides[row_is], axis=0) == (255, 0, 0)).all()
    assert (np.median(sides[column_is], axis=0) == (0, 255, 0)).all()
