"""One case to judge: a frame set with the sightings made on it, as rows that the measuring modules understand.

Frames come in the order of their ids, as in pycocotools, so that ties of score are broken as there. Only the categories
panel and person are scored; sightings of other categories of the file are passed over, those of no category are refused.
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from eval.masks import checked_segmentation, mask_extent
from eval.matching import Detections, Objects
from eval.resampling import Clusters, clusters_of
from mission.errors import InputError, must
from mission.frame_set import Frame, FrameSet, Thing
from mission.sightings import Sighting, Sightings
from mission.vocabulary import CATEGORIES


@dataclass(frozen=True)
class Case:
    """Truth and answers of one frame set. ``things`` and ``sightings`` stand row by row beside ``objects`` and ``detections``.

    ``sighting_number`` maps a row of ``detections`` to the sighting's place in its file. ``truth`` is "rendered",
    "photographed" or "mixed", or None for a plain COCO file, whose ``things`` and ``sightings`` are empty.
    """

    truth: str | None
    categories: tuple[str, ...]
    sizes_px: tuple[tuple[int, int], ...]
    objects: Objects
    detections: Detections
    clusters: Clusters
    frames: tuple[Frame, ...] = ()
    things: tuple[Thing, ...] = ()
    sightings: tuple[Sighting, ...] = ()
    sighting_number: tuple[int, ...] = ()

    @property
    def masks(self) -> bool:
        """True where both sides carry segmentations, so that masks can be scored too."""
        return self.objects.segmentation is not None and self.detections.segmentation is not None


def case_of(frame_set: FrameSet, sightings: Sightings, where: str | Path) -> Case:
    """Arrange a frame set and its sightings as rows; ``where`` names the sightings in complaints.

    Raises InputError where nothing is there to be found or a sighting names an unknown frame or category.
    """
    frames = tuple(sorted(frame_set.frames, key=lambda frame: frame.id))
    categories = tuple(name for name in CATEGORIES if name in frame_set.categories.values())
    rows = [(i, thing) for i, frame in enumerate(frames) for thing in frame.things if thing.category in categories]
    if not any(thing.scored for _, thing in rows):
        raise InputError(
            f"The frame set {frame_set.folder} must have a panel or person that counts. Got"
            f" {len(rows)} too small or hidden ones instead."
        )
    frame_row = {frame.id: i for i, frame in enumerate(frames)}
    kept: list[tuple[int, Sighting]] = []
    for number, sighting in enumerate(sightings.sightings):
        _check_known(number, sighting, frame_row, frame_set.categories, where)
        if frame_set.categories[sighting.category_id] in categories:
            kept.append((number, _with_sound_mask(number, sighting, frames[frame_row[sighting.image_id]], where)))
    return Case(
        truth=frame_set.truth,
        categories=categories,
        sizes_px=tuple((frame.width_px, frame.height_px) for frame in frames),
        objects=_objects(rows, categories),
        detections=_detections([s for _, s in kept], frame_row, frame_set, categories),
        clusters=clusters_of([f.background for f in frames], [f.mission_run for f in frames]),
        frames=frames,
        things=tuple(thing for _, thing in rows),
        sightings=tuple(s for _, s in kept),
        sighting_number=tuple(number for number, _ in kept),
    )


def _check_known(
    number: int, sighting: Sighting, frames: Container[int], categories: Container[int], where: str | Path
) -> None:
    place = f"sightings[{number}]"
    if sighting.image_id not in frames:
        raise must(f"{place}.image_id", "be a frame of the frame set", sighting.image_id, where=where)
    if sighting.category_id not in categories:
        raise must(f"{place}.category_id", "be a category of the frame set", sighting.category_id, where=where)


def _with_sound_mask(number: int, sighting: Sighting, frame: Frame, where: str | Path) -> Sighting:
    """The sighting with its segmentation checked and, where it came without a box, the box of its mask."""
    if sighting.segmentation is None:
        return sighting
    size = (frame.width_px, frame.height_px)
    mask = checked_segmentation(sighting.segmentation, *size, f"sightings[{number}]", str(where))
    x, y, w, h = mask_extent(mask, *size)[0] if not any(sighting.bbox_px) else sighting.bbox_px
    return replace(sighting, segmentation=mask, bbox_px=(x, y, w, h))


def _objects(rows: Sequence[tuple[int, Thing]], categories: tuple[str, ...]) -> Objects:
    things = [thing for _, thing in rows]
    outlines = [thing.segmentation for thing in things]
    return Objects(
        frame=np.array([frame for frame, _ in rows], dtype=np.int64),
        category=np.array([categories.index(thing.category) for thing in things], dtype=np.int64),
        box_px=np.array([thing.bbox_px for thing in things], dtype=float).reshape(-1, 4),
        area_px2=np.array([thing.area_px2 for thing in things], dtype=float),
        crowd=np.zeros(len(things), dtype=bool),
        left_out=np.array([not thing.scored for thing in things], dtype=bool),
        segmentation=[[list(ring) for ring in outline or ()] for outline in outlines] if all(outlines) else None,
    )


def _detections(
    sightings: Sequence[Sighting], frame_row: dict[int, int], frame_set: FrameSet, categories: tuple[str, ...]
) -> Detections:
    boxes = np.array([s.bbox_px for s in sightings], dtype=float).reshape(-1, 4)
    outlines = [s.segmentation for s in sightings]
    return Detections(
        frame=np.array([frame_row[s.image_id] for s in sightings], dtype=np.int64),
        category=np.array([categories.index(frame_set.categories[s.category_id]) for s in sightings], dtype=np.int64),
        box_px=boxes,
        area_px2=boxes[:, 2] * boxes[:, 3],
        score=np.array([s.score for s in sightings], dtype=float),
        segmentation=outlines if sightings and all(o is not None for o in outlines) else None,
    )
