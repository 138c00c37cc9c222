"""Is this frame set whole? Every image is opened and every box and label looked at; nothing is repaired.

A *fault* makes a set unfit to train or score on (broken image, box outside, unknown label, doubles); a *remark* is for
the eye (few examples of a value, many objects below the size that is scored).
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path

import numpy as np
from PIL import Image, ImageOps

from mission.errors import InputError
from mission.frame_set import SCORED_MIN_SIDE_PX, Frame, FrameSet, Thing
from mission.photographs import SUFFIXES, load_photograph
from mission.vocabulary import ATTRIBUTES, CATEGORIES, Vocabulary

# Boxes of one category that overlap this much (intersection over union) are one object drawn twice.
DOUBLE_OVERLAP = 0.95
# A box may stick out of the frame by rounding, no more.
OUTSIDE_SLACK_PX = 0.5
# Fewer examples than this of a value of the vocabulary are remarked on.
FEW_EXAMPLES = 5


@dataclass(frozen=True)
class Finding:
    """One fault or remark: where, and what, in words."""

    where: str
    what: str


@dataclass
class FrameSetReport:
    """What was found in a frame set; ``counts`` are value -> number of objects, by category and attribute."""

    frames: int
    objects: int
    empty_frames: int
    faults: list[Finding] = field(default_factory=list)
    remarks: list[Finding] = field(default_factory=list)
    counts: dict[str, Counter[str]] = field(default_factory=dict)
    pixels_across: dict[str, list[float]] = field(default_factory=dict)

    @property
    def broken(self) -> bool:
        """True where there is a fault."""
        return bool(self.faults)


def inspect_frames(
    frame_set: FrameSet, vocabulary: Vocabulary | None = None, on_progress: Callable[[int], None] | None = None
) -> FrameSetReport:
    """Look at every frame of a frame set that :func:`mission.frame_set.read_frame_set` could read.

    ``vocabulary`` narrows the labels that are known (a mission's); without it every name of the vocabulary is.
    """
    things = [thing for frame in frame_set.frames for thing in frame.things]
    report = FrameSetReport(len(frame_set.frames), len(things), sum(not f.things for f in frame_set.frames))
    seen_names: dict[str, int] = {}
    seen_pixels: dict[str, str] = {}
    for done, frame in enumerate(frame_set.frames, start=1):
        if frame.file_name in seen_names:
            _fault(report, frame, f"the same file as image {seen_names[frame.file_name]}")
        else:
            seen_names[frame.file_name] = frame.id
            _check_image(report, frame_set, frame, seen_pixels)
        _check_boxes(report, frame)
        if on_progress:
            on_progress(done)
    known = vocabulary or Vocabulary()
    _check_labels(report, frame_set, known)
    _check_objects(report, frame_set)
    _count(report, things)
    _remark(report, frame_set, known if vocabulary else None)
    return report


def _fault(report: FrameSetReport, frame: Frame, what: str) -> None:
    report.faults.append(Finding(frame.file_name, what))


def _check_image(report: FrameSetReport, frame_set: FrameSet, frame: Frame, seen: dict[str, str]) -> None:
    path = frame_set.path_of(frame)
    try:
        pixels = load_photograph(path)
    except InputError as error:
        _fault(report, frame, str(error))
        return
    height, width = pixels.shape[:2]
    if (width, height) != (frame.width_px, frame.height_px):
        turned = ", turned by its Exif orientation" if _is_turned(path) else ""
        _fault(
            report,
            frame,
            f"truth.json says {frame.width_px} x {frame.height_px} px and the image is {width} x {height} px{turned}",
        )
    digest = hashlib.sha256(np.ascontiguousarray(pixels).data).hexdigest()
    twin = seen.setdefault(digest, frame.file_name)
    if twin != frame.file_name:
        _fault(report, frame, f"the same picture as {twin}")


def _is_turned(path: Path) -> bool:
    with Image.open(path) as image:
        return ImageOps.exif_transpose(image).size != image.size


def _check_boxes(report: FrameSetReport, frame: Frame) -> None:
    for thing in frame.things:
        x, y, width, height = thing.bbox_px
        if width <= 0 or height <= 0:
            _fault(report, frame, f"the box of annotation {thing.id} is empty ({width:g} x {height:g} px)")
        out_px = max(-x, -y, x + width - frame.width_px, y + height - frame.height_px)
        if out_px > OUTSIDE_SLACK_PX:
            _fault(report, frame, f"the box of annotation {thing.id} lies {out_px:.1f} px outside the frame")
    for one, other in combinations(frame.things, 2):
        if one.category == other.category and overlap(one, other) > DOUBLE_OVERLAP:
            _fault(report, frame, f"annotations {one.id} and {other.id} box the same {one.category} twice")


def overlap(one: Thing, other: Thing) -> float:
    """Intersection over union of two boxes; 0 where both are empty."""
    ax, ay, aw, ah = one.bbox_px
    bx, by, bw, bh = other.bbox_px
    wide = min(ax + aw, bx + bw) - max(ax, bx)
    high = min(ay + ah, by + bh) - max(ay, by)
    shared = max(0.0, wide) * max(0.0, high)
    both = aw * ah + bw * bh - shared
    return shared / both if both > 0 else 0.0


def _check_labels(report: FrameSetReport, frame_set: FrameSet, known: Vocabulary) -> None:
    for frame in frame_set.frames:
        for thing in frame.things:
            if thing.category not in CATEGORIES:
                _fault(
                    report,
                    frame,
                    f"the category of annotation {thing.id}, '{thing.category[:40]}', is none of {', '.join(CATEGORIES)}",
                )
            for attribute in ATTRIBUTES:
                value = thing.attributes.get(attribute)
                if value is not None and value not in known.values(attribute):
                    _fault(
                        report,
                        frame,
                        f"the {attribute} of annotation {thing.id}, '{value[:40]}', is not in the vocabulary",
                    )


def _check_objects(report: FrameSetReport, frame_set: FrameSet) -> None:
    """One object of one run must carry the same labels in every frame."""
    labels: dict[tuple[str | None, str], tuple[str, Thing]] = {}
    for frame in frame_set.frames:
        for thing in frame.things:
            if thing.object is None:
                continue
            name, first = labels.setdefault((frame.mission_run, thing.object), (frame.file_name, thing))
            if first.category != thing.category:
                _fault(
                    report, frame, f"object {thing.object} is a {thing.category} here and a {first.category} in {name}"
                )
            for attribute in ATTRIBUTES:
                here, there = thing.attributes.get(attribute), first.attributes.get(attribute)
                if here and there and here != there:
                    _fault(
                        report, frame, f"the {attribute} of object {thing.object} is {here} here and {there} in {name}"
                    )


def _count(report: FrameSetReport, things: list[Thing]) -> None:
    report.counts["category"] = Counter(thing.category for thing in things)
    panels = [thing for thing in things if thing.category == "panel"]
    for attribute in ATTRIBUTES:
        values = (thing.attributes.get(attribute) for thing in panels)
        report.counts[attribute] = Counter("unknown" if value is None else value for value in values)
    for thing in things:
        report.pixels_across.setdefault(thing.category, []).append(max(thing.bbox_px[2:]))


def _remark(report: FrameSetReport, frame_set: FrameSet, narrowed: Vocabulary | None) -> None:
    for category in CATEGORIES:
        if not report.counts["category"][category]:
            report.remarks.append(Finding("whole set", f"no {category} in any frame"))
    if narrowed:
        for attribute in ATTRIBUTES:
            values = narrowed.values(attribute)
            few = [value for value in values if report.counts[attribute][value] < FEW_EXAMPLES]
            which = "every value" if len(few) == len(values) else ", ".join(few)
            if few:
                report.remarks.append(Finding("whole set", f"fewer than {FEW_EXAMPLES} panels of {attribute} {which}"))
    small = sum(side < SCORED_MIN_SIDE_PX for sides in report.pixels_across.values() for side in sides)
    if small:
        what = f"{small} of {report.objects} objects are below {SCORED_MIN_SIDE_PX:.0f} px and left out of every figure"
        report.remarks.append(Finding("whole set", what))
    without_view = sum(frame.view is None for frame in frame_set.frames)
    if without_view:
        what = f"{without_view} of {report.frames} frames have no pose, so nothing in them can be placed"
        report.remarks.append(Finding("whole set", what))
    stray = stray_images(frame_set)
    if stray:
        what = f"{len(stray)} images in the folder are not in truth.json, for example {stray[0]}"
        report.remarks.append(Finding("whole set", what))


def stray_images(frame_set: FrameSet) -> list[str]:
    """Images under ``frames/`` that truth.json does not name."""
    named = {frame_set.path_of(frame).resolve() for frame in frame_set.frames}
    folder = frame_set.folder / "frames"
    if not folder.is_dir():
        return []
    images = (p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES and p.is_file())
    return sorted(str(p.relative_to(frame_set.folder)) for p in images if p.resolve() not in named)
