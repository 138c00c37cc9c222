"""Sightings: one detection in one frame each (contract sightings/1, sightings.json). A bare COCO results list is accepted too."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from mission.atomic import is_finite_number, read_json, write_json
from mission.errors import InputError, must
from mission.settings import check_format
from mission.vocabulary import ATTRIBUTES, CATEGORIES

FORMAT = "sightings/1"
#: What is kept of a detector's output: everything at or above this confidence, at most so many a frame.
KEPT_MIN_CONFIDENCE = 0.01
KEPT_MOST_PER_FRAME = 300
DEFAULT_WORKING_CONFIDENCE: Mapping[str, float] = dict.fromkeys(CATEGORIES, 0.5)


@dataclass(frozen=True)
class Sighting:
    """One detection: a COCO result plus, for a panel, a table of probabilities per attribute and, with a pose, a place.

    ``ground_covariance_m2`` is [[ee, en], [en, nn]].
    """

    image_id: int
    category_id: int
    bbox_px: tuple[float, float, float, float]
    score: float
    attributes: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    ground_enu_m: tuple[float, float, float] | None = None
    ground_covariance_m2: tuple[tuple[float, float], tuple[float, float]] | None = None
    segmentation: Any = None

    def to_json(self) -> dict[str, Any]:
        """An entry of ``sightings``."""
        covariance = self.ground_covariance_m2
        return {
            "image_id": self.image_id,
            "category_id": self.category_id,
            "bbox": list(self.bbox_px),
            "score": self.score,
            "attributes": {key: dict(table) for key, table in self.attributes.items()},
            "ground_enu_m": None if self.ground_enu_m is None else list(self.ground_enu_m),
            "ground_covariance_m2": None if covariance is None else [list(row) for row in covariance],
        }


@dataclass(frozen=True)
class Sightings:
    """All detections of one bundle on one frame set. ``working_confidence`` is the threshold for finds and alarms.

    ``file_names`` tells the frames by their ids: plain photographs have no truth.json to look them up in.
    ``adapted_photographs``: how many of the frames the bundle's statistics were adapted to before it read them.
    """

    sightings: tuple[Sighting, ...]
    bundle: str | None = None
    frame_set: str | None = None
    working_confidence: Mapping[str, float] = field(default_factory=lambda: dict(DEFAULT_WORKING_CONFIDENCE))
    file_names: Mapping[int, str] = field(default_factory=dict)
    adapted_photographs: int = 0


def read_sightings(path: str | Path, image_ids: Iterable[int] | None = None) -> Sightings:
    """Read sightings.json or a bare COCO results list.

    ``image_ids``: the frames of the frame set that they belong to; a sighting of another frame is refused. Raises
    InputError for scores outside 0..1, boxes of negative size, NaN and everything missing.
    """
    content = read_json(path)
    where = str(path)
    known = None if image_ids is None else frozenset(image_ids)
    if isinstance(content, list):
        return Sightings(tuple(_sighting(item, f"[{i}]", where, known) for i, item in enumerate(content)))
    if not isinstance(content, dict):
        raise InputError(
            f"The file {where} must hold sightings or a COCO results list. Got {type(content).__name__} instead."
        )
    check_format(content, FORMAT, where)
    items = content.get("sightings")
    if not isinstance(items, list):
        raise must("sightings", "be a list", items, where=where)
    return Sightings(
        tuple(_sighting(item, f"sightings[{i}]", where, known) for i, item in enumerate(items)),
        _text(content, "bundle", where),
        _text(content, "frame_set", where),
        _working_confidence(content.get("working_confidence"), where),
        _file_names(content.get("images"), where),
        _count(content, "adapted_photographs", where),
    )


def _count(content: Mapping[str, Any], key: str, where: str) -> int:
    value = content.get(key, 0)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise must(key, "be a whole number, 0 or more", value, where=where)
    return value


def _file_names(content: Any, where: str) -> dict[int, str]:
    if content is None:
        return {}
    if not isinstance(content, list):
        raise must("images", "be a list", content, where=where)
    found: dict[int, str] = {}
    for i, item in enumerate(content):
        number, name = (item.get("id"), item.get("file_name")) if isinstance(item, dict) else (None, None)
        if isinstance(number, bool) or not isinstance(number, int) or not isinstance(name, str):
            raise must(f"images[{i}]", "give a whole number as id and a file_name", item, where=where)
        found[number] = name
    return found


def _text(content: Mapping[str, Any], key: str, where: str) -> str | None:
    value = content.get(key)
    if value is not None and not isinstance(value, str):
        raise must(key, "be text or null", value, where=where)
    return value


def _working_confidence(content: Any, where: str) -> dict[str, float]:
    found = dict(DEFAULT_WORKING_CONFIDENCE)
    if content is None:
        return found
    if not isinstance(content, dict):
        raise must("working_confidence", "be an object", content, where=where)
    for name in CATEGORIES:
        value = content.get(name, found[name])
        if not is_finite_number(value) or not 0 <= value <= 1:
            raise must(f"working_confidence.{name}", "lie in 0..1", value, where=where)
        found[name] = float(value)
    return found


def _sighting(item: Any, place: str, where: str, known: frozenset[int] | None) -> Sighting:
    if not isinstance(item, dict):
        raise must(place, "be an object", item, where=where)
    image_id, category_id = item.get("image_id"), item.get("category_id")
    for key, value in (("image_id", image_id), ("category_id", category_id)):
        if isinstance(value, bool) or not isinstance(value, int):
            raise must(f"{place}.{key}", "be a whole number", value, where=where)
    assert isinstance(image_id, int) and isinstance(category_id, int)
    if known is not None and image_id not in known:
        raise must(f"{place}.image_id", "be a frame of the frame set", image_id, where=where)
    box, score = item.get("bbox"), item.get("score")
    if not is_finite_number(score) or not 0 <= score <= 1:
        raise must(f"{place}.score", "lie in 0..1", score, where=where)
    if box is None and item.get("segmentation") is not None:
        box = [0.0, 0.0, 0.0, 0.0]  # a mask result without a box, as COCO's demonstration has them
    if not isinstance(box, list) or len(box) != 4 or not all(is_finite_number(v) for v in box) or min(box[2:]) < 0:
        raise must(f"{place}.bbox", "be [x, y, w, h] with finite numbers, w and h not negative", box, where=where)
    return Sighting(
        image_id,
        category_id,
        (float(box[0]), float(box[1]), float(box[2]), float(box[3])),
        float(score),
        attribute_tables(item.get("attributes"), place, where),
        ground_point(item.get("ground_enu_m"), place, where),
        ground_covariance(item.get("ground_covariance_m2"), place, where),
        item.get("segmentation"),
    )


def attribute_tables(content: Any, place: str, where: str) -> dict[str, dict[str, float]]:
    """Attribute -> value -> probability, each in 0..1; absent attributes are left out."""
    if content is None:
        return {}
    if not isinstance(content, dict):
        raise must(f"{place}.attributes", "be an object or null", content, where=where)
    found: dict[str, dict[str, float]] = {}
    for key in ATTRIBUTES:
        table = content.get(key)
        if table is None:
            continue
        if not isinstance(table, dict) or not table:
            raise must(f"{place}.attributes.{key}", "map values to probabilities", table, where=where)
        for value, share in table.items():
            if not is_finite_number(share) or not 0 <= share <= 1 + 1e-6:
                raise must(f"{place}.attributes.{key}.{value}", "lie in 0..1", share, where=where)
        found[key] = {str(value): float(share) for value, share in table.items()}
    return found


def ground_point(content: Any, place: str, where: str) -> tuple[float, float, float] | None:
    """Three finite numbers or null."""
    if content is None:
        return None
    if not isinstance(content, list) or len(content) != 3 or not all(is_finite_number(v) for v in content):
        raise must(f"{place}.ground_enu_m", "be null or three finite numbers", content, where=where)
    return float(content[0]), float(content[1]), float(content[2])


def ground_covariance(content: Any, place: str, where: str) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """A symmetric, not negative 2 x 2 matrix [m2], or null."""
    if content is None:
        return None
    rows: list[Any] = content if isinstance(content, list) else []
    flat: list[Any] = [v for row in rows for v in (row if isinstance(row, list) else [None])]
    if len(rows) != 2 or len(flat) != 4 or not all(is_finite_number(v) for v in flat):
        raise must(f"{place}.ground_covariance_m2", "be null or [[ee, en], [en, nn]]", content, where=where)
    ee, en, ne, nn = (float(v) for v in flat)
    if abs(en - ne) > 1e-9 + 1e-6 * abs(en) or ee < 0 or nn < 0 or ee * nn - en * ne < -1e-9:
        raise must(f"{place}.ground_covariance_m2", "be symmetric and not negative", content, where=where)
    return (ee, en), (ne, nn)


def write_sightings(path: str | Path, content: Sightings) -> None:
    """Write sightings.json whole."""
    write_json(
        path,
        {
            "format": FORMAT,
            "bundle": content.bundle,
            "frame_set": content.frame_set,
            "working_confidence": dict(content.working_confidence),
            "adapted_photographs": content.adapted_photographs,
            "images": [{"id": number, "file_name": name} for number, name in content.file_names.items()],
            "sightings": [s.to_json() for s in content.sightings],
        },
    )
