"""A sheet of what went wrong: the most confident false alarms and the panels that were missed, at full size."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from benchmarks.transfer.measure import Answer, iou
from mission.atomic import replacing
from mission.frame_set import Frame

TILE_PX, COLUMNS, ROWS_EACH = 120, 12, 4


class AlarmSheet:
    """Collects tiles frame by frame; the upper half of the sheet is false alarms, the lower half missed panels."""

    def __init__(self) -> None:
        self.alarms: list[tuple[float, Image.Image]] = []
        self.missed: list[tuple[float, Image.Image]] = []

    def look(self, frame: Frame, pixels: np.ndarray, said: Answer) -> None:
        """Note one frame's panels."""
        picture = Image.fromarray(pixels)
        corner = np.array([t.bbox_px for t in frame.things if t.category == "panel"], dtype=float).reshape(-1, 4)
        boxes = np.concatenate([corner[:, :2], corner[:, :2] + corner[:, 2:]], axis=1)
        best = np.zeros(len(boxes))
        for box, score in zip(said.box_px, said.score):
            overlap = iou(box, boxes) if len(boxes) else np.zeros(0)
            hit = overlap >= 0.5
            best[hit] = np.maximum(best[hit], score)
            if not hit.any() and score > 0.05:
                self.alarms.append((float(score), _tile(picture, box, f"{score:.2f}")))
        self.alarms = sorted(self.alarms, key=lambda item: -item[0])[: COLUMNS * ROWS_EACH]
        self.missed += [(float(s), _tile(picture, b, f"{s:.2f}")) for b, s in zip(boxes, best) if s < 0.3]
        self.missed = sorted(self.missed, key=lambda item: item[0])[: COLUMNS * ROWS_EACH]

    def save(self, path: Path) -> None:
        """Write the sheet as a JPEG."""
        sheet = Image.new("RGB", (COLUMNS * TILE_PX, (2 * ROWS_EACH) * TILE_PX + 8), (255, 0, 255))
        for first, tiles in ((0, self.alarms), (ROWS_EACH * TILE_PX + 8, self.missed)):
            for i, (_, tile) in enumerate(tiles):
                sheet.paste(tile, ((i % COLUMNS) * TILE_PX, first + (i // COLUMNS) * TILE_PX))
        with replacing(path) as temporary:
            sheet.save(temporary, "JPEG", quality=90)


def _tile(picture: Image.Image, box: np.ndarray, text: str) -> Image.Image:
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    half = TILE_PX / 2
    tile = picture.crop((int(x - half), int(y - half), int(x - half) + TILE_PX, int(y - half) + TILE_PX))
    draw = ImageDraw.Draw(tile)
    shift = (int(x - half), int(y - half)) * 2
    draw.rectangle([float(v - s) for v, s in zip(box, shift)], outline=(255, 255, 0))
    draw.text((2, 2), text, fill=(255, 255, 0))
    return tile
