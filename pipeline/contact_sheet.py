"""The contact sheet of a frame set: a few frames with the truth drawn in, and close-ups at full resolution with their labels.

It is for the eye: a wrong box or label is seen here in seconds. People are made unrecognisable unless every frame is rendered.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from mission.atomic import replacing
from mission.errors import InputError
from mission.frame_set import Frame, FrameSet, Thing
from mission.photographs import load_photograph
from pipeline.previews import blur_boxes

FRAMES, COLUMNS, FRAME_WIDTH_PX = 9, 3, 520
CLOSE_UPS, CLOSE_UP_PX = 36, 140
_GAP_PX, _TEXT_PX = 10, 34
# Colour-blind-safe pair (Okabe & Ito 2008), as in the previews.
_COLOURS = {"panel": (213, 94, 0), "person": (86, 180, 233)}
_PAPER, _INK, _DIM = (24, 24, 26), (240, 240, 240), (165, 165, 170)


def write_contact_sheet(path: Path, frame_set: FrameSet) -> int:
    """Write the sheet (JPEG or PNG by suffix) and return how many frames it shows; unreadable images are passed over."""
    if path.suffix.lower() not in (".jpg", ".jpeg", ".png"):
        raise InputError(f"The contact sheet must end in .jpg or .png. Got {path.name} instead.")
    sheet, shown = draw_contact_sheet(frame_set)
    with replacing(path) as temporary:
        sheet.save(temporary, quality=90, subsampling=0)
    return shown


def draw_contact_sheet(frame_set: FrameSet) -> tuple[Image.Image, int]:
    """The sheet as an image, and the number of frames on it."""
    thumbnails: list[Image.Image] = []
    close_ups: list[Image.Image] = []
    chosen = spread(frame_set.frames, FRAMES)
    for frame, image in _images(frame_set, chosen):
        thumbnails.append(_thumbnail(frame, image))
        share = -(-(CLOSE_UPS - len(close_ups)) // max(1, len(chosen) - len(thumbnails) + 1))
        close_ups += [_close_up(frame, thing, image) for thing in frame.things[:share]]
    title = f"{frame_set.folder.resolve().name}: {len(frame_set.frames)} frames, truth {frame_set.truth}"
    return _compose(title, thumbnails, close_ups[:CLOSE_UPS]), len(thumbnails)


def spread(frames: tuple[Frame, ...], count: int) -> list[Frame]:
    """At most ``count`` frames, evenly over the set; where there are enough, only such as hold something."""
    filled = [frame for frame in frames if frame.things]
    pool = filled if len(filled) >= count else list(frames)
    places = np.unique(np.linspace(0, len(pool) - 1, min(count, len(pool))).round().astype(int)) if pool else []
    return [pool[i] for i in places]


def _images(frame_set: FrameSet, frames: list[Frame]) -> Iterator[tuple[Frame, Image.Image]]:
    for frame in frames:
        try:
            image = Image.fromarray(load_photograph(frame_set.path_of(frame)))
        except InputError:
            continue  # reported as a fault by the inspection itself
        if frame_set.truth != "rendered":
            people = [_corners(thing) for thing in frame.things if thing.category == "person"]
            image = blur_boxes(image, people)
        yield frame, image


def _corners(thing: Thing) -> tuple[float, float, float, float]:
    x, y, width, height = thing.bbox_px
    return x, y, x + width, y + height


def _thumbnail(frame: Frame, image: Image.Image) -> Image.Image:
    scale = FRAME_WIDTH_PX / image.width
    small = image.resize((FRAME_WIDTH_PX, max(1, round(image.height * scale))), Image.Resampling.BOX)
    draw = ImageDraw.Draw(small)
    for thing in frame.things:
        x0, y0, x1, y1 = (value * scale for value in _corners(thing))
        # A box of a few pixels would vanish: it is drawn around the object with room to spare.
        room = max(3.0, (14 - (x1 - x0)) / 2)
        draw.rectangle((x0 - room, y0 - room, x1 + room, y1 + room), outline=_colour(thing), width=2)
    return _with_caption(small, (frame.file_name, f"{len(frame.things)} objects"))


def _close_up(frame: Frame, thing: Thing, image: Image.Image) -> Image.Image:
    x0, y0, x1, y1 = _corners(thing)
    left, top = round((x0 + x1) / 2 - CLOSE_UP_PX / 2), round((y0 + y1) / 2 - CLOSE_UP_PX / 2)
    part = image.crop((left, top, left + CLOSE_UP_PX, top + CLOSE_UP_PX))
    draw = ImageDraw.Draw(part)
    draw.rectangle((x0 - left - 3, y0 - top - 3, x1 - left + 2, y1 - top + 2), outline=_colour(thing))
    # The outline is drawn half transparent: it must not hide the border that it is checked against.
    outlined = part.copy()
    draw = ImageDraw.Draw(outlined)
    for ring in thing.segmentation or ():
        corners = [(x - left, y - top) for x, y in zip(ring[0::2], ring[1::2], strict=True)]
        draw.line([*corners, corners[0]], fill=_INK)
    return _with_caption(Image.blend(part, outlined, 0.4), _labels(thing))


def _labels(thing: Thing) -> tuple[str, str]:
    if thing.category != "panel":
        seen = "" if thing.visible is None else f"{thing.visible:.0%} visible"
        return thing.category, seen
    known = {key: value or "?" for key, value in thing.attributes.items()}
    first = f"{known.get('panel_colour', '?')} {known.get('shape', '?')}"
    return first, f"{known.get('mark_colour', '?')} {known.get('mark', '?')}, {max(thing.bbox_px[2:]):.0f} px"


def _colour(thing: Thing) -> tuple[int, int, int]:
    return _COLOURS.get(thing.category, _INK)


def _with_caption(image: Image.Image, lines: tuple[str, str]) -> Image.Image:
    framed = Image.new("RGB", (image.width, image.height + _TEXT_PX), _PAPER)
    framed.paste(image, (0, 0))
    draw, font = ImageDraw.Draw(framed), ImageFont.load_default(size=12)
    for row, (line, ink) in enumerate(zip(lines, (_INK, _DIM), strict=True)):
        draw.text((1, image.height + 2 + 15 * row), _shortened(line, image.width // 7), fill=ink, font=font)
    return framed


def _shortened(text: str, letters: int) -> str:
    return text if len(text) <= letters else f"…{text[-(letters - 1) :]}"


def _compose(title: str, thumbnails: list[Image.Image], close_ups: list[Image.Image]) -> Image.Image:
    width = COLUMNS * FRAME_WIDTH_PX + (COLUMNS + 1) * _GAP_PX
    rows = _rows(thumbnails, width) + _rows(close_ups, width)
    height = 2 * _TEXT_PX + sum(max(cell.height for cell in row) + _GAP_PX for row in rows)
    sheet = Image.new("RGB", (width, height), _PAPER)
    ImageDraw.Draw(sheet).text((_GAP_PX, _GAP_PX), title, fill=_INK, font=ImageFont.load_default(size=18))
    top = _TEXT_PX + _GAP_PX
    for row in rows:
        left = _GAP_PX
        for cell in row:
            sheet.paste(cell, (left, top))
            left += cell.width + _GAP_PX
        top += max(cell.height for cell in row) + _GAP_PX
    return sheet


def _rows(cells: list[Image.Image], width: int) -> list[list[Image.Image]]:
    rows: list[list[Image.Image]] = []
    left = width
    for cell in cells:
        if left + cell.width + _GAP_PX > width:
            rows.append([])
            left = _GAP_PX
        rows[-1].append(cell)
        left += cell.width + _GAP_PX
    return rows
