"""A sheet of what went wrong: the most confident false alarms and the panels that were missed, twice as large as they are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from benchmarks.transfer.measure import Answer, iou
from mission.atomic import replacing
from mission.frame_set import Frame

TILE_PX, ENLARGED, COLUMNS, ROWS_EACH = 96, 2, 8, 3
KEPT = COLUMNS * ROWS_EACH
_ALARM, _MISSED = (255, 255, 0), (0, 255, 255)

Tile = tuple[float, Image.Image]


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
        for box, score in zip(said.box_px, said.score):
            overlap = iou(box, boxes) if len(boxes) else np.zeros(0)
            hit = overlap >= 0.5
            best[hit] = np.maximum(best[hit], score)
            if not hit.any() and score > 0.05:
                self.alarms.append((float(score), _tile(picture, box, f"{score:.2f}", _ALARM)))
        self.alarms = sorted(self.alarms, key=lambda item: -item[0])[:KEPT]
        missed = [(t, b, s) for t, b, s in zip(things, boxes, best) if s < self.working and t.scored]
        self.missed += [(float(s), _tile(picture, b, f"{s:.2f} {_name(t.attributes)}", _MISSED)) for t, b, s in missed]
        self.missed = sorted(self.missed, key=lambda item: item[0])[:KEPT]

    def take_in(self, others: Iterable[AlarmSheet]) -> None:
        """Go on with the surest alarms and the worst misses of other sheets, too."""
        for other in others:
            self.alarms = sorted(self.alarms + other.alarms, key=lambda item: -item[0])[:KEPT]
            self.missed = sorted(self.missed + other.missed, key=lambda item: item[0])[:KEPT]

    def save(self, path: Path) -> None:
        """Write the sheet as a JPEG."""
        side = TILE_PX * ENLARGED
        sheet = Image.new("RGB", (COLUMNS * side, (2 * ROWS_EACH) * side + 8), (255, 0, 255))
        for first, tiles in ((0, self.alarms), (ROWS_EACH * side + 8, self.missed)):
            for i, (_, tile) in enumerate(tiles):
                sheet.paste(tile, ((i % COLUMNS) * side, first + (i // COLUMNS) * side))
        with replacing(path) as temporary:
            sheet.save(temporary, "JPEG", quality=90)


def _name(attributes: Mapping[str, str | None]) -> str:
    """Mark and shape, as far as known."""
    return " ".join(str(attributes[key]) for key in ("mark", "shape") if attributes.get(key))


def _tile(picture: Image.Image, box: np.ndarray, text: str, colour: tuple[int, int, int]) -> Image.Image:
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    x0, y0 = int(x - TILE_PX / 2), int(y - TILE_PX / 2)
    tile = picture.crop((x0, y0, x0 + TILE_PX, y0 + TILE_PX))
    tile = tile.resize((TILE_PX * ENLARGED, TILE_PX * ENLARGED), Image.Resampling.BICUBIC)
    draw = ImageDraw.Draw(tile)
    draw.rectangle([ENLARGED * float(v - s) for v, s in zip(box, (x0, y0, x0, y0))], outline=colour)
    draw.text((3, 2), text, fill=colour, stroke_width=1, stroke_fill=(0, 0, 0))
    return tile
