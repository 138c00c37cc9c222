"""Marks of the judge: typefaces that ship with matplotlib and Pillow, and an alphabet of brush strokes of our own.

A mark is a coverage mask whose height is the mark's height; faces that are too thin for a marker panel are emboldened.
"""

from __future__ import annotations

import importlib.util
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from benchmarks.transfer.pixels import blurred

#: family -> files of matplotlib's font folder with the emboldening in shares of the mark's height.
FACES: dict[str, tuple[tuple[str, float], ...]] = {
    "STIX": (("STIXGeneralBol.ttf", 0.02), ("STIXGeneral.ttf", 0.045)),
    "Computer Modern": (("cmb10.ttf", 0.02), ("cmss10.ttf", 0.035), ("cmtt10.ttf", 0.045)),
    "DejaVu Serif": (("DejaVuSerif-Bold.ttf", 0.0), ("DejaVuSerif.ttf", 0.03)),
    "DejaVu Sans Mono": (("DejaVuSansMono-Bold.ttf", 0.0), ("DejaVuSansMono-BoldOblique.ttf", 0.0)),
}
BUILT_IN = "Aileron"
BRUSH = "brush"
FAMILIES = (*FACES, BUILT_IN, BRUSH)
HEIGHT_PX = 240

# Strokes on a grid of 4 x 6, y down: polylines, corners rounded by the brush. Our own drawing.
_STROKES = {
    "A": "06 20 46|14 34", "B": "00 06 36 45 44 33 03|33 42 41 30 00", "C": "41 30 10 01 05 16 36 45",
    "D": "00 06 26 45 41 20 00", "E": "40 00 06 46|03 33", "F": "40 00 06|03 33", "G": "41 30 10 01 05 16 36 45 43 23",
    "H": "00 06|40 46|03 43", "I": "20 26", "J": "30 35 26 16 05", "K": "00 06|40 03 46", "L": "00 06 46",
    "M": "06 00 24 40 46", "N": "06 00 46 40", "O": "10 30 41 45 36 16 05 01 10", "P": "06 00 30 41 42 33 03",
    "Q": "10 30 41 45 36 16 05 01 10|24 47", "R": "06 00 30 41 42 33 03|23 46", "S": "41 30 10 01 02 13 33 44 45 36 16 05",
    "T": "00 40|20 26", "U": "00 05 16 36 45 40", "V": "00 26 40", "W": "00 16 22 36 40", "X": "00 46|40 06",
    "Y": "00 23 40|23 26", "Z": "00 40 06 46", "0": "10 30 41 45 36 16 05 01 10|14 32", "1": "11 20 26|06 46",
    "2": "01 10 30 41 42 06 46", "3": "00 40 23 33 44 45 36 16 05", "4": "36 30 04 44", "5": "40 00 03 33 44 45 36 06",
    "6": "40 20 02 05 16 36 45 44 33 03", "7": "00 40 16", "8": "13 02 01 10 30 41 42 33 13 04 05 16 36 45 44 33",
    "9": "06 26 44 41 30 10 01 02 13 43",
}  # fmt: skip


def font_folder() -> Path:
    """Where matplotlib keeps its fonts (matplotlib itself is not imported)."""
    found = importlib.util.find_spec("matplotlib")
    assert found is not None and found.origin is not None, "the judge's typefaces ship with matplotlib"
    return Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"


def _trimmed(mask: Image.Image) -> NDArray[np.uint8]:
    box = mask.getbbox()
    assert box is not None
    return np.asarray(mask.crop(box))


def _from_file(name: str, text: str, embolden: float) -> NDArray[np.uint8]:
    font = (
        ImageFont.load_default(HEIGHT_PX)
        if name == BUILT_IN
        else ImageFont.truetype(str(font_folder() / name), HEIGHT_PX)
    )
    canvas = Image.new("L", (HEIGHT_PX * (len(text) + 1), HEIGHT_PX * 2))
    width = round(embolden * HEIGHT_PX * 0.7)  # capitals are about 0.7 of the em
    ImageDraw.Draw(canvas).text((HEIGHT_PX // 2, HEIGHT_PX // 4), text, 255, font, stroke_width=width)
    return _trimmed(canvas)


def _brushed(text: str, thickness: float) -> NDArray[np.uint8]:
    cell, pen = HEIGHT_PX / 6, thickness * HEIGHT_PX
    canvas = Image.new("L", (round(cell * (6 * len(text) + 2)), round(cell * 9)))
    draw = ImageDraw.Draw(canvas)
    for place, letter in enumerate(text):
        for stroke in _STROKES[letter].split("|"):
            points = [((int(p[0]) + 1 + 6 * place) * cell, (int(p[1]) + 1) * cell) for p in stroke.split()]
            draw.line(points, 255, round(pen), joint="curve")
            for x, y in points:
                draw.ellipse([x - pen / 2, y - pen / 2, x + pen / 2, y + pen / 2], 255)
    return _trimmed(canvas)


@cache
def mark_mask(family: str, style: int, text: str) -> NDArray[np.uint8]:
    """Coverage 0..255 [height, width] of ``text`` (one capital or digit for a mark), cut to its extent."""
    if family == BRUSH:
        return _brushed(text, (0.17, 0.20, 0.23)[style % 3])
    if family == BUILT_IN:
        return _from_file(BUILT_IN, text, (0.03, 0.05)[style % 2])
    files = FACES[family]
    return _from_file(files[style % len(files)][0], text, files[style % len(files)][1])


def stroke_share(mask: NDArray[np.uint8]) -> float:
    """Width of a mark's strokes in shares of its height: of the bar whose area and outline are the mark's.

    The length of the outline is the sum of the coverage's slope, which does not depend on its direction.
    """
    ink = blurred(np.pad(mask.astype(np.float32) / 255.0, 8), 1.0)
    down, along = np.gradient(ink)
    half, area = float(np.hypot(down, along).sum()) / 2, float(ink.sum())
    return (half - float(np.sqrt(max(half * half - 4 * area, 0.0)))) / 2 / mask.shape[0]
