"""A sheet of what went wrong: the most confident false alarms and the panels that were missed, twice as large as they are."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

import numpy as np
from PIL import Image, ImageDraw

from benchmarks.transfer.measure import Answer, iou
from mission.atomic import replacing
from mission.frame_set import Frame

TILE_PX, ENLARGED, COLUMNS, ROWS_EACH = 96, 2, 8, 3
KEPT = COLUMNS * ROWS_EACH
_ALARM, _MISSED = (255, 255, 0), (0, 255, 255)

# Alarms nearer than this on one flight's frames are one and the same thing: the same ground is drawn upon several times.
SAME_PLACE_PX = 12.0


class Tile(NamedTuple):
    """A picture of one place of a flight's frames, by the score there."""

    score: float
    picture: Image.Image
    flight: str | None
    place_px: tuple[float, float]


class AlarmSheet:
    """Collects tiles frame by frame; the upper half of the sheet is false alarms, the lower half missed panels.

    An object is missed where nothing at or above ``working`` met it; its tile is marked by the best score that did.
    """

    def __init__(self, working: float = 0.3, category: str = "panel") -> None:
        self.working, self.category = working, category
        self.alarms: list[Tile] = []
        self.missed: list[Tile] = []

    def look(self, frame: Frame, pixels: np.ndarray, said: Answer) -> None:
        """Note what was said of one frame's things of the category."""
        picture = Image.fromarray(pixels)
        things = [t for t in frame.things if t.category == self.category]
        corner = np.array([t.bbox_px for t in things], dtype=float).reshape(-1, 4)
        boxes = np.concatenate([corner[:, :2], corner[:, :2] + corner[:, 2:]], axis=1)
        best = np.zeros(len(boxes))
        alarms = []
        for box, score in zip(said.box_px, said.score):
            overlap = iou(box, boxes) if len(boxes) else np.zeros(0)
            hit = overlap >= 0.5
            best[hit] = np.maximum(best[hit], score)
            if not hit.any() and score > 0.05:
                alarms.append(_tile(picture, box, float(score), "", _ALARM, frame.background))
        self.alarms = surest(self.alarms + alarms)
        missed = [(t, b, float(s)) for t, b, s in zip(things, boxes, best) if s < self.working and t.scored]
        tiles = [_tile(picture, b, s, _name(t.attributes), _MISSED, frame.background) for t, b, s in missed]
        self.missed = sorted(self.missed + tiles, key=lambda tile: tile.score)[:KEPT]

    def take_in(self, others: Iterable[AlarmSheet]) -> None:
        """Go on with the surest alarms and the worst misses of other sheets, too."""
        for other in others:
            self.alarms = surest(self.alarms + other.alarms)
            self.missed = sorted(self.missed + other.missed, key=lambda tile: tile.score)[:KEPT]

    def save(self, path: Path) -> None:
        """Write the sheet as a JPEG."""
        side = TILE_PX * ENLARGED
        sheet = Image.new("RGB", (COLUMNS * side, (2 * ROWS_EACH) * side + 8), (255, 0, 255))
        for first, tiles in ((0, self.alarms), (ROWS_EACH * side + 8, self.missed)):
            for i, tile in enumerate(tiles):
                sheet.paste(tile.picture, ((i % COLUMNS) * side, first + (i // COLUMNS) * side))
        with replacing(path) as temporary:
            sheet.save(temporary, "JPEG", quality=90)


def _name(attributes: Mapping[str, str | None]) -> str:
    """Mark and shape, as far as known."""
    return " ".join(str(attributes[key]) for key in ("mark", "shape") if attributes.get(key))


def surest(tiles: Iterable[Tile]) -> list[Tile]:
    """The surest ones by falling score, one for each place of a flight."""
    kept: list[Tile] = []
    for tile in sorted(tiles, key=lambda tile: -tile.score):
        if len(kept) == KEPT:
            break
        near = (k for k in kept if k.flight == tile.flight and math.dist(k.place_px, tile.place_px) < SAME_PLACE_PX)
        if next(near, None) is None:
            kept.append(tile)
    return kept


def _tile(
    picture: Image.Image, box: np.ndarray, score: float, name: str, colour: tuple[int, int, int], flight: str | None
) -> Tile:
    x, y = float(box[0] + box[2]) / 2, float(box[1] + box[3]) / 2
    x0, y0 = int(x - TILE_PX / 2), int(y - TILE_PX / 2)
    tile = picture.crop((x0, y0, x0 + TILE_PX, y0 + TILE_PX))
    tile = tile.resize((TILE_PX * ENLARGED, TILE_PX * ENLARGED), Image.Resampling.BICUBIC)
    draw = ImageDraw.Draw(tile)
    draw.rectangle([ENLARGED * float(v - s) for v, s in zip(box, (x0, y0, x0, y0))], outline=colour)
    draw.text((3, 2), f"{score:.2f} {name}", fill=colour, stroke_width=1, stroke_fill=(0, 0, 0))
    return Tile(score, tile, flight, (x, y))
