"""Marks: capital letters and digits in many faces, as one mosaic of signed distance fields.

The field of a mark is negative inside its ink, in units of the mark's height, in a plane with x right and y up whose
origin is the middle of the ink. Adding to the field thins the strokes, subtracting from it fattens them. Faces are split
by family into "training" and "held-out", so that reading can be judged in faces that no model has met.
"""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mission.errors import InputError
from mission.vocabulary import MARKS

DATA = Path(__file__).resolve().parent / "data"
#: Samples along the side of one field, the half side of the plane that it spans, the distance at which it saturates
#: (both in units of the mark's height), and the number of rim points kept of each mark.
CELL, SPAN, RANGE, RIM = 44, 0.75, 0.25, 16
Typefaces = Literal["training", "held-out", "all"]


@dataclass(frozen=True)
class MarkAtlas:
    """All marks of all faces. Arrays are indexed [face, mark], marks in the order of mission.vocabulary.MARKS.

    ``field`` int8 [F, 36, CELL, CELL] (row 0 at the top; -127..127 stand for -RANGE..RANGE), ``rim`` [F, 36, RIM, 2]
    outermost points of the ink, ``stroke`` [F, 36] width of the thin strokes, ``family`` [F], ``held_out`` [F].
    """

    field: NDArray[np.int8]
    rim: NDArray[np.float64]
    stroke: NDArray[np.float64]
    family: NDArray[np.int16]
    held_out: NDArray[np.bool_]

    def faces(self, typefaces: Typefaces) -> NDArray[np.int64]:
        """Indices of the faces of one side of the split, or of all."""
        if typefaces == "all":
            return np.arange(len(self.held_out))
        return np.flatnonzero(self.held_out == (typefaces == "held-out"))

    def mosaic(self) -> NDArray[np.int8]:
        """The fields as one picture: row of tiles = face, column of tiles = mark; [F * CELL, 36 * CELL]."""
        faces = len(self.field)
        return self.field.transpose(0, 2, 1, 3).reshape(faces * CELL, len(MARKS) * CELL)


@cache
def mark_atlas() -> MarkAtlas:
    """The atlas that ships with the package."""
    path = DATA / "marks.npz"
    if not path.exists():
        raise InputError(f"The atlas of marks {path} must exist. Got no such file instead.")
    try:
        with np.load(path, allow_pickle=False) as content:
            return MarkAtlas(
                content["field"],
                content["rim"].astype(float),
                content["stroke"].astype(float),
                content["family"],
                content["held_out"],
            )
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        raise InputError(
            f"The atlas of marks {path} must be a whole file of this version. Got a damaged one instead; install anew."
        ) from None
