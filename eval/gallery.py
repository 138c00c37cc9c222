"""The worst cases as small pictures cut from the frames, people in them made unrecognisable.

A frame that cannot be opened costs its pictures, never the report.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw, ImageFilter

from eval.judgement import Judgement
from eval.runs import named_at
from mission.errors import InputError
from mission.frame_set import FrameSet
from mission.photographs import load_photograph
from mission.vocabulary import ATTRIBUTES

#: Cases shown of each kind.
MOST_OF_A_KIND = 12
_SIDE_PX = 180
_LEAST_CUT_PX = 64
#: A sighting of a person this sure is made unrecognisable too, for truth may not name everybody.
_PERSON_CONFIDENCE = 0.1
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Case:
    """One picture: its ``kind`` (of KINDS), words for it, the JPEG as a data URI, and which attributes were misread."""

    kind: str
    words: str
    file_name: str
    picture: str
    attributes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Wanted:
    kind: str
    words: str
    frame: int
    box_px: Box
    attributes: tuple[str, ...] = ()


#: Kinds of cases, in the order shown.
KINDS = ("person missed", "missed", "misread", "false alarm")


def worst_cases(judgement: Judgement, frame_set: FrameSet) -> list[Case]:
    """The largest people and panels missed, the surest wrong readings and the surest false alarms."""
    chosen = [*_persons(judgement), *_missed(judgement), *_misread(judgement), *_false(judgement)]
    frames = judgement.case.frames
    images: dict[int, Image.Image | None] = {}
    cases = []
    for wanted in sorted(chosen, key=lambda item: item.frame):
        if wanted.frame not in images:
            images = {wanted.frame: _opened(judgement, frame_set, wanted.frame)}  # one frame in memory at a time
        image = images[wanted.frame]
        if image is not None:
            picture = _cut(image, wanted.box_px)
            cases.append(Case(wanted.kind, wanted.words, frames[wanted.frame].file_name, picture, wanted.attributes))
    return sorted(cases, key=lambda case: KINDS.index(case.kind))


def _persons(judgement: Judgement) -> list[_Wanted]:
    """Views of people that count and were not found, the largest first."""
    if "person" not in judgement.case.categories:
        return []
    matches, case = judgement.matches, judgement.case
    category = case.categories.index("person")
    strong = matches.true() & (matches.det_category == category) & (matches.det_score >= judgement.working["person"])
    met = set(matches.det_object[0, 0, strong].tolist())
    asked = np.flatnonzero((matches.obj_category == category) & ~matches.obj_ignored[0]).tolist()
    rows = sorted((row for row in asked if row not in met), key=lambda row: -max(case.things[row].bbox_px[2:]))
    return [
        _Wanted(
            "person missed",
            "a person was not found in this view",
            int(case.objects.frame[row]),
            case.things[row].bbox_px,
        )
        for row in rows[:MOST_OF_A_KIND]
    ]


def _missed(judgement: Judgement) -> list[_Wanted]:
    readings = judgement.readings
    assert readings is not None
    things = judgement.case.things
    rows = sorted(readings.object_row[~readings.found].tolist(), key=lambda row: -max(things[row].bbox_px[2:]))
    frame = judgement.case.objects.frame
    words = {row: f"{_described(things[row].attributes)} was not found" for row in rows[:MOST_OF_A_KIND]}
    return [_Wanted("missed", text, int(frame[row]), things[row].bbox_px) for row, text in words.items()]


def _described(attributes: Mapping[str, str | None]) -> str:
    panel = " ".join(filter(None, (attributes.get("panel_colour"), attributes.get("shape") or "panel")))
    mark = " ".join(filter(None, (attributes.get("mark_colour"), attributes.get("mark"))))
    return f"{panel} with {mark}" if mark else panel


def _misread(judgement: Judgement) -> list[_Wanted]:
    readings = judgement.readings
    assert readings is not None
    wrong = readings.known & ~readings.right & readings.found[:, None]
    order = np.argsort(np.where(wrong, -np.nan_to_num(readings.probability), 1.0).min(axis=1), kind="stable")
    chosen = []
    for i in [i for i in order.tolist() if wrong[i].any()][:MOST_OF_A_KIND]:
        row = int(readings.object_row[i])
        words = ", ".join(
            f"{a.replace('_', ' ')} {readings.truth[i, j]} read as {readings.read[i, j] or 'nothing'}"
            for j, a in enumerate(ATTRIBUTES)
            if wrong[i, j]
        )
        misread = tuple(a for j, a in enumerate(ATTRIBUTES) if wrong[i, j])
        frame = int(judgement.case.objects.frame[row])
        chosen.append(_Wanted("misread", words, frame, judgement.case.things[row].bbox_px, misread))
    return chosen


def _false(judgement: Judgement) -> list[_Wanted]:
    matches, case = judgement.matches, judgement.case
    if "panel" not in case.categories:
        return []
    kept = matches.false() & (matches.det_category == case.categories.index("panel"))
    rows = np.flatnonzero(kept & (matches.det_score >= judgement.working["panel"]))
    rows = rows[np.argsort(-matches.det_score[rows], kind="stable")][:MOST_OF_A_KIND]
    chosen = []
    for row in rows.tolist():
        frame, box_px = int(matches.det_frame[row]), case.sightings[matches.det_row[row]].bbox_px
        kind = named_at(case.frames[frame], box_px)
        words = f"taken for a panel with confidence {matches.det_score[row]:.2f}"
        chosen.append(
            _Wanted("false alarm", words if kind is None else f"{kind.replace('_', ' ')} {words}", frame, box_px)
        )
    return chosen


def _opened(judgement: Judgement, frame_set: FrameSet, row: int) -> Image.Image | None:
    """The frame with every person in it, true or suspected, made unrecognisable."""
    frame = judgement.case.frames[row]
    try:
        image = Image.fromarray(load_photograph(frame_set.path_of(frame)))
    except (InputError, OSError):
        return None
    people = [thing.bbox_px for thing in frame.things if thing.category == "person"]
    detections = judgement.case.detections
    for i in np.flatnonzero(detections.frame == row).tolist():
        is_person = judgement.case.categories[detections.category[i]] == "person"
        if is_person and detections.score[i] >= _PERSON_CONFIDENCE:
            people.append(judgement.case.sightings[i].bbox_px)
    return unrecognisable(image, people)


def unrecognisable(image: Image.Image, boxes_px: Iterable[Box]) -> Image.Image:
    """Blur the boxes [x, y, w, h] and a margin around them so far that no face or figure is left."""
    for x, y, w, h in boxes_px:
        margin = 0.15 * max(w, h)
        area = (
            max(0, int(x - margin)), max(0, int(y - margin)),
            min(image.width, int(x + w + margin) + 1), min(image.height, int(y + h + margin) + 1),
        )  # fmt: skip
        if area[0] < area[2] and area[1] < area[3]:
            image.paste(image.crop(area).filter(ImageFilter.GaussianBlur(max(3.0, 0.25 * max(w, h)))), area[:2])
    return image


def _cut(image: Image.Image, box_px: Box) -> str:
    """A square around the box, with the box drawn in, as a JPEG data URI."""
    x, y, w, h = box_px
    half = max(_LEAST_CUT_PX, 2.2 * max(w, h)) / 2
    left, top = round(x + w / 2 - half), round(y + h / 2 - half)
    side = max(1, round(2 * half))
    # Pixels beyond the frame's edge come out black, which says what they are.
    cut = image.crop((left, top, left + side, top + side)).resize((_SIDE_PX, _SIDE_PX), Image.Resampling.BICUBIC)
    scale = _SIDE_PX / side
    corner = [(x - left) * scale - 3, (y - top) * scale - 3, (x + w - left) * scale + 2, (y + h - top) * scale + 2]
    pen = ImageDraw.Draw(cut)
    pen.rectangle([corner[0] - 1, corner[1] - 1, corner[2] + 1, corner[3] + 1], outline=(0, 0, 0))
    pen.rectangle(corner, outline=(255, 255, 255))
    file = io.BytesIO()
    cut.save(file, "JPEG", quality=85)
    return "data:image/jpeg;base64," + base64.b64encode(file.getvalue()).decode("ascii")
