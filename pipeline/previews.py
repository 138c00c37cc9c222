"""Annotated previews: each frame at a readable size with its sightings, and a strip of close-ups at full resolution.

They are for a human to judge by, so they never change a result and never stop a reading. People are blurred unless
asked otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from mission.atomic import replacing

LONGEST_SIDE_PX = 1600
# A close-up shows the box and as much again around it, in a square of this side; so many fit under a frame.
_CLOSE_UP_PX, _MOST_CLOSE_UPS = 150, 20
_GAP_PX, _STRIP_TEXT_PX, _LEAST_STRIP_PX = 8, 34, 800
# Colour-blind-safe pair (Okabe & Ito 2008): vermilion for panels, sky blue for people; both stand out from grass
# and soil.
_COLOURS = {"panel": (213, 94, 0), "person": (86, 180, 233)}
_PAPER, _INK = (24, 24, 26), (240, 240, 240)


@dataclass(frozen=True)
class Labelled:
    """One sighting as it is drawn: box (x0, y0, x1, y1) in frame pixels, what it is, the mark that it bears, its confidence."""

    box_px: tuple[float, float, float, float]
    category: str
    what: str
    mark: str
    confidence: float

    @property
    def text(self) -> str:
        """One line for the frame itself."""
        return f"{self.what}, {self.mark}" if self.mark else self.what

    @property
    def lines(self) -> tuple[str, str]:
        """Two lines for under a close-up."""
        sure = f"confidence {self.confidence:.2f}"
        return self.what, f"{self.mark}, {sure}" if self.mark else sure


def write_preview(
    path: Path, pixels: np.ndarray, labelled: Sequence[Labelled], blurred_px: Sequence[tuple[float, ...]] = ()
) -> None:
    """Write a JPEG preview of a frame uint8 [H, W, 3]; boxes in ``blurred_px`` are made unrecognisable first."""
    image = draw_preview(pixels, labelled, blurred_px)
    with replacing(path) as temporary:
        image.save(temporary, format="JPEG", quality=85, subsampling=0)  # thin coloured lines stay clear


def draw_preview(
    pixels: np.ndarray, labelled: Sequence[Labelled], blurred_px: Sequence[tuple[float, ...]] = ()
) -> Image.Image:
    """The preview as an image: the frame, at most LONGEST_SIDE_PX long, with the close-ups under it."""
    frame = blur_boxes(Image.fromarray(pixels), blurred_px)
    scale = min(1.0, LONGEST_SIDE_PX / max(frame.size))
    size = (max(1, round(frame.width * scale)), max(1, round(frame.height * scale)))
    small = frame.resize(size, Image.Resampling.BOX if scale < 0.5 else Image.Resampling.LANCZOS)
    _draw_boxes(small, labelled, scale)
    strip = _close_ups(frame, labelled, small.width)
    if strip is None:
        return small
    whole = Image.new("RGB", (max(small.width, strip.width), small.height + strip.height), _PAPER)
    whole.paste(small, (0, 0))
    whole.paste(strip, (0, small.height))
    return whole


def blur_boxes(image: Image.Image, boxes_px: Sequence[tuple[float, ...]]) -> Image.Image:
    """A copy in which each box, and a quarter more around it, keeps about five cells of colour a side."""
    blurred = image.copy() if boxes_px else image
    for box in boxes_px:
        x0, y0, x1, y1 = _grown(box, 0.25, image.size)
        if x1 <= x0 or y1 <= y0:
            continue
        part = blurred.crop((x0, y0, x1, y1))
        # Cells first: a plain blur can be undone in part, averaged cells cannot.
        cells = part.resize((5, 5), Image.Resampling.BOX).resize(part.size, Image.Resampling.BICUBIC)
        blurred.paste(cells.filter(ImageFilter.GaussianBlur(max(part.size) / 20)), (x0, y0))
    return blurred


def _grown(box: Sequence[float], share: float, size: tuple[int, int]) -> tuple[int, int, int, int]:
    x0, y0, x1, y1 = box
    dx, dy = share * (x1 - x0), share * (y1 - y0)
    return (
        max(0, int(x0 - dx)),
        max(0, int(y0 - dy)),
        min(size[0], int(np.ceil(x1 + dx))),
        min(size[1], int(np.ceil(y1 + dy))),
    )


def _draw_boxes(image: Image.Image, labelled: Sequence[Labelled], scale: float) -> None:
    draw, font = ImageDraw.Draw(image), ImageFont.load_default(size=15)
    taken: list[tuple[float, float, float, float]] = []
    for number, item in enumerate(labelled, start=1):
        x0, y0, x1, y1 = (v * scale for v in item.box_px)
        colour = _COLOURS.get(item.category, _INK)
        draw.rectangle((x0 - 3, y0 - 3, x1 + 3, y1 + 3), outline=(0, 0, 0), width=4)
        draw.rectangle((x0 - 2, y0 - 2, x1 + 2, y1 + 2), outline=colour, width=2)
        text = f"{number}  {item.text}"
        left, top, right, bottom = draw.textbbox((0, 0), text, font=font)
        width, height = right - left + 8, bottom - top + 6
        place = _free_place((x0, y0, x1, y1), width, height, image.size, taken)
        taken.append((place[0], place[1], place[0] + width, place[1] + height))
        draw.rectangle(taken[-1], fill=_PAPER, outline=colour)
        draw.text((place[0] + 4 - left, place[1] + 3 - top), text, fill=_INK, font=font)


def _free_place(
    box: tuple[float, ...], width: float, height: float, size: tuple[int, int], taken: list[tuple[float, ...]]
) -> tuple[float, float]:
    """Where a label goes: above, below, right or left of its box, the first place that is inside and not covered."""
    x0, y0, x1, y1 = box
    places = [(x0, y0 - height - 5), (x0, y1 + 5), (x1 + 6, y0), (x0 - width - 6, y0), (x0, y0 - 2 * height - 9)]
    inside = [
        (min(max(x, 0), max(size[0] - width - 1, 0)), min(max(y, 0), max(size[1] - height - 1, 0))) for x, y in places
    ]
    for x, y in inside:
        if all(x + width <= a or c <= x or y + height <= b or d <= y for a, b, c, d in taken):
            return x, y
    return inside[0]


def _close_ups(frame: Image.Image, labelled: Sequence[Labelled], width: int) -> Image.Image | None:
    """The sightings at one size side by side, numbered as in the frame; None where there are none."""
    shown = labelled[:_MOST_CLOSE_UPS]
    if not shown:
        return None
    cell_w, cell_h = _CLOSE_UP_PX + _GAP_PX, _CLOSE_UP_PX + _STRIP_TEXT_PX + _GAP_PX
    columns = min((max(width, _LEAST_STRIP_PX) - _GAP_PX) // cell_w, len(shown))
    rows = -(-len(shown) // columns)
    strip = Image.new("RGB", (columns * cell_w + _GAP_PX, rows * cell_h + _GAP_PX), _PAPER)
    draw, font = ImageDraw.Draw(strip), ImageFont.load_default(size=13)
    for i, item in enumerate(shown):
        x, y = _GAP_PX + (i % columns) * cell_w, _GAP_PX + (i // columns) * cell_h
        strip.paste(_close_up(frame, item.box_px), (x, y))
        draw.rectangle((x, y, x + _CLOSE_UP_PX - 1, y + _CLOSE_UP_PX - 1), outline=_COLOURS.get(item.category, _INK))
        for row, line in enumerate((f"{i + 1}  {item.lines[0]}", item.lines[1])):
            draw.text((x, y + _CLOSE_UP_PX + 1 + 16 * row), _fitted(draw, line, font), fill=_INK, font=font)
    return strip


def _fitted(draw: ImageDraw.ImageDraw, text: str, font: ImageFont.ImageFont | ImageFont.FreeTypeFont) -> str:
    while text and draw.textlength(text, font=font) > _CLOSE_UP_PX:
        text = text[:-2] + "…" if len(text) > 2 else ""
    return text


def _close_up(frame: Image.Image, box: Sequence[float]) -> Image.Image:
    """A square around a box with half its side to spare, at _CLOSE_UP_PX; what lies outside the frame is dark."""
    x0, y0, x1, y1 = box
    half = max(x1 - x0, y1 - y0, 8.0)
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    around = (round(cx - half), round(cy - half), round(cx + half), round(cy + half))
    return frame.crop(around).resize((_CLOSE_UP_PX, _CLOSE_UP_PX), Image.Resampling.BICUBIC)
