"""Bake the atlas of marks (synth/data/marks.npz) from typefaces; needed only where faces are added or changed.

    python -m synth.bake_marks --fonts FOLDER

FOLDER holds the font files named in synth/data/faces.yaml, at any depth (from the packages named there). Each character
of each face becomes a signed distance field, negative inside the ink, in units of the mark's height, on a square of
CELL x CELL samples that spans -SPAN..SPAN about the middle of its ink. Quantised to 8 bits over -RANGE..RANGE.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mission.atomic import replacing
from mission.errors import InputError
from mission.settings import check_format, read_yaml
from mission.vocabulary import MARKS
from synth.marks import CELL, DATA, RANGE, RIM, SPAN

Array = NDArray[Any]
_DRAWN_PX = 240  # ink height of the bitmap from which distances are measured
_WIDEST = 1.3  # widest ink that the square holds beside a margin


def _ink(font: Any, character: str) -> NDArray[np.bool_]:
    from PIL import Image, ImageDraw

    canvas = Image.new("L", (4 * _DRAWN_PX, 4 * _DRAWN_PX), 0)
    ImageDraw.Draw(canvas).text((_DRAWN_PX, _DRAWN_PX), character, fill=255, font=font)
    return np.asarray(canvas) > 127


def _bitmap(font_file: Path, character: str) -> NDArray[np.bool_]:
    """Ink of one character, cropped, with an ink height of about _DRAWN_PX. InputError where the face lacks it."""
    from PIL import ImageFont

    try:
        font = ImageFont.truetype(str(font_file), _DRAWN_PX)
    except OSError:
        raise InputError(
            f"The face {font_file} must be a font file. Got one that no font engine reads instead."
        ) from None
    ink = _ink(font, character)
    rows, columns = np.flatnonzero(ink.any(axis=1)), np.flatnonzero(ink.any(axis=0))
    # What a face lacks it draws as nothing or as its box for missing characters, which U+FFFF (no character) shows.
    if not len(rows) or np.array_equal(ink, _ink(font, "\uffff")):
        got = "its sign for missing ones" if len(rows) else "no ink"
        raise InputError(f"The face {font_file.name} must hold the character '{character}'. Got {got} instead.")
    return ink[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]


def _field(ink: NDArray[np.bool_]) -> tuple[Array, Array, float]:
    """Distance field [CELL, CELL], rim points [RIM, 2] (x right, y up) and stroke, in units of the ink's height."""
    from scipy.ndimage import distance_transform_edt, map_coordinates
    from skimage.morphology import medial_axis

    height, width = ink.shape
    unit = max(height, width / _WIDEST)
    margin = round(0.5 * max(height, width))
    padded = np.pad(ink, margin)
    outside = np.asarray(distance_transform_edt(~padded), dtype=float)
    inside = np.asarray(distance_transform_edt(padded), dtype=float)
    distance = (np.maximum(outside - 0.5, 0) - np.maximum(inside - 0.5, 0)) / unit
    centre = np.array([margin + height / 2 - 0.5, margin + width / 2 - 0.5])
    steps = (np.arange(CELL) + 0.5) / CELL * 2 * SPAN - SPAN
    rows, columns = np.meshgrid(centre[0] + steps * unit, centre[1] + steps * unit, indexing="ij")
    field = map_coordinates(distance, [rows, columns], order=1, mode="nearest")
    ys, xs = np.nonzero(ink & (np.asarray(distance_transform_edt(np.pad(ink, 1)))[1:-1, 1:-1] < 2))
    points = np.stack([(xs + 0.5 - width / 2) / unit, -(ys + 0.5 - height / 2) / unit], axis=1)
    angle = 2 * np.pi * np.arange(RIM) / RIM
    rim = points[(points @ np.stack([np.cos(angle), np.sin(angle)])).argmax(axis=0)]
    ridge = 2 * inside[np.asarray(medial_axis(padded), dtype=bool)] / unit
    # The lower quartile stands for the thin strokes without the tapering tips of the ridge.
    return field, rim, float(np.quantile(ridge, 0.25))


def bake(fonts: Path, out: Path) -> tuple[int, int]:
    """Bake every face of synth/data/faces.yaml found below ``fonts``; returns how many families and faces."""
    listed: dict[str, Any] = read_yaml(DATA / "faces.yaml")
    check_format(listed, "faces/1", DATA / "faces.yaml")
    places = {path.name: path for path in sorted(fonts.rglob("*")) if path.is_file()}
    fields, rims, strokes, families, held_out = [], [], [], [], []
    for number, family in enumerate(listed["families"]):
        for name in family["files"]:
            if name not in places:
                raise InputError(f"The folder {fonts} must hold the font file {name}. Got none of that name instead.")
            for character in MARKS:
                field, rim, stroke = _field(_bitmap(places[name], character))
                fields.append(np.clip(np.round(field / RANGE * 127), -127, 127).astype(np.int8))
                rims.append(rim)
                strokes.append(stroke)
            families.append(number)
            held_out.append(family["split"] == "held-out")
    faces = len(families)
    with replacing(out) as temporary, temporary.open("wb") as handle:
        np.savez_compressed(
            handle,
            field=np.stack(fields).reshape(faces, len(MARKS), CELL, CELL),
            rim=np.stack(rims).reshape(faces, len(MARKS), RIM, 2).astype(np.float16),
            stroke=np.array(strokes).reshape(faces, len(MARKS)).astype(np.float16),
            family=np.array(families, dtype=np.int16),
            held_out=np.array(held_out),
        )
    return len(listed["families"]), faces


def main() -> None:
    """Command line of the bake."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fonts", type=Path, required=True)
    parser.add_argument("--out", type=Path, default=DATA / "marks.npz")
    options = parser.parse_args()
    families, faces = bake(options.fonts, options.out)
    print(f"{faces} faces of {families} families: {options.out}")  # noqa: T201 (a tool for developers)


if __name__ == "__main__":
    main()
