"""Frame sets: a folder of frames with their truth (contract frame-set/1), read with suspicion and written whole.

``truth.json`` is COCO (info, licenses, images, annotations, categories) with our additions; boxes are [x, y, w, h] in
pixels from the image's top-left edge. Unknown keys are passed over: the data may come from outside.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from mission.atomic import is_finite_number, read_json, write_json
from mission.camera import View, view_from_json
from mission.errors import InputError, must
from mission.settings import check_format
from mission.vocabulary import ATTRIBUTES, CATEGORIES
from mission.wanted import WantedPanel, wanted_from_json

FORMAT = "frame-set/1"
TRUTHS = ("rendered", "photographed", "mixed")
#: Objects below either are left out of every figure (matched, but neither counted nor held against anybody).
SCORED_MIN_SIDE_PX = 16.0
SCORED_MIN_VISIBLE = 0.5


@dataclass(frozen=True)
class Thing:
    """One annotation: a panel or a person as it appears in one frame."""

    id: int
    category: str
    bbox_px: tuple[float, float, float, float]
    area_px2: float
    segmentation: tuple[tuple[float, ...], ...] | None = None
    attributes: Mapping[str, str | None] = field(default_factory=dict)
    object: str | None = None
    ground_enu_m: tuple[float, float, float] | None = None
    visible: float | None = None
    mark_turn_deg: float | None = None

    @property
    def scored(self) -> bool:
        """False where the thing is too small or too little of it can be seen to be counted."""
        return max(self.bbox_px[2:]) >= SCORED_MIN_SIDE_PX and (
            self.visible is None or self.visible >= SCORED_MIN_VISIBLE
        )


@dataclass(frozen=True)
class OtherThing:
    """Something in a frame that is neither panel nor person and might be taken for one; ``kind`` says what it is."""

    kind: str
    bbox_px: tuple[float, float, float, float]


@dataclass(frozen=True)
class Frame:
    """One image with its pose and truth. ``background`` names the ground or real flight: the cluster for intervals.

    ``other_things`` None: nobody has noted what else there is.
    """

    id: int
    file_name: str
    width_px: int
    height_px: int
    view: View | None = None
    mission_run: str | None = None
    background: str | None = None
    things: tuple[Thing, ...] = ()
    other_things: tuple[OtherThing, ...] | None = None


@dataclass(frozen=True)
class Run:
    """One flight over one layout, with the panels that it asks for."""

    mission_run: str
    wanted: tuple[WantedPanel, ...] = ()


@dataclass(frozen=True)
class FrameSet:
    """A whole frame set; ``categories`` maps the file's own ids to names (only panel and person are ours)."""

    folder: Path
    truth: str
    frames: tuple[Frame, ...]
    runs: tuple[Run, ...] = ()
    categories: Mapping[int, str] = field(default_factory=lambda: {i + 1: name for i, name in enumerate(CATEGORIES)})

    def path_of(self, frame: Frame) -> Path:
        """Where a frame's image lies."""
        return self.folder / frame.file_name

    def category_id(self, name: str) -> int:
        """The file's id of a category name; KeyError where it has none."""
        for number, known in self.categories.items():
            if known == name:
                return number
        raise KeyError(name)


def truth_path(folder_or_file: str | Path) -> Path:
    """``truth.json`` of a frame set given as its folder or as that file."""
    path = Path(folder_or_file)
    return path / "truth.json" if path.is_dir() else path


def read_frame_set(folder: str | Path) -> FrameSet:
    """Read and validate truth.json of a frame set; images are not opened here.

    Raises InputError (one sentence naming file and key) for anything missing, doubled, non-finite or leaving the folder.
    """
    path = truth_path(folder)
    content = read_json(path)
    where = str(path)
    if not isinstance(content, dict):
        raise InputError(f"The file {where} must hold an object. Got {type(content).__name__} instead.")
    check_format(content, FORMAT, where)
    truth = content.get("truth")
    if truth not in TRUTHS:
        raise must("truth", f"be one of {', '.join(TRUTHS)}", truth, where=where)
    return frame_set_from_coco(content, path.parent, truth, where)


def frame_set_from_coco(content: Mapping[str, Any], folder: Path, truth: str, where: str) -> FrameSet:
    """A frame set from the content of any COCO truth file, whose file names are relative to ``folder``.

    Raises InputError (one sentence naming the key in ``where``) for anything missing, doubled, non-finite or leaving the
    folder.
    """
    categories = _categories(content, where)
    things: dict[int, list[Thing]] = {}
    images = _list(content, "images", where)
    known = {_whole(item, "id", f"images[{i}]", where) for i, item in enumerate(images)}
    for i, item in enumerate(_list(content, "annotations", where)):
        image_id = _whole(item, "image_id", f"annotations[{i}]", where)
        if image_id not in known:
            raise must(f"annotations[{i}].image_id", "be the id of an image", image_id, where=where)
        category = categories.get(_whole(item, "category_id", f"annotations[{i}]", where))
        if category is None:
            raise must(f"annotations[{i}].category_id", "be the id of a category", item["category_id"], where=where)
        things.setdefault(image_id, []).append(_thing(item, category, f"annotations[{i}]", where))
    _refuse_doubles([t.id for group in things.values() for t in group], "annotations", where)
    frames = tuple(_frame(item, i, things, where) for i, item in enumerate(images))
    _refuse_doubles([frame.id for frame in frames], "images", where)
    return FrameSet(folder, truth, frames, _runs(content, where), categories)


def _list(content: Mapping[str, Any], key: str, where: str) -> list[Any]:
    value = content.get(key)
    if not isinstance(value, list):
        raise must(key, "be a list", value, where=where)
    for i, item in enumerate(value):
        if not isinstance(item, dict):
            raise must(f"{key}[{i}]", "be an object", item, where=where)
    return value


def _whole(item: Mapping[str, Any], key: str, place: str, where: str) -> int:
    value = item.get(key)
    if isinstance(value, bool) or not isinstance(value, int):
        raise must(f"{place}.{key}", "be a whole number", value, where=where)
    return value


def _refuse_doubles(ids: list[int], key: str, where: str) -> None:
    seen: set[int] = set()
    for number in ids:
        if number in seen:
            raise must(key, "give each id once", f"{number} twice", where=where)
        seen.add(number)


def _categories(content: Mapping[str, Any], where: str) -> dict[int, str]:
    found: dict[int, str] = {}
    for i, item in enumerate(_list(content, "categories", where)):
        name = item.get("name")
        if not isinstance(name, str):
            raise must(f"categories[{i}].name", "be text", name, where=where)
        number = _whole(item, "id", f"categories[{i}]", where)
        if number in found or name in found.values():
            raise must("categories", "give each id and name once", f"{number} {name}", where=where)
        found[number] = name
    return found


def _thing(item: Mapping[str, Any], category: str, place: str, where: str) -> Thing:
    box = _box(item, place, where)
    area = item.get("area", box[2] * box[3])
    if not is_finite_number(area) or area < 0:
        raise must(f"{place}.area", "be a number, zero or more", area, where=where)
    for key, low, high in (("visible", 0.0, 1.0), ("mark_turn_deg", -360.0, 360.0)):
        value = item.get(key)
        if value is not None and not (is_finite_number(value) and low <= value <= high):
            raise must(f"{place}.{key}", f"be null or lie in {low:g}..{high:g}", value, where=where)
    ground = item.get("ground_enu_m")
    if ground is not None and not (
        isinstance(ground, list) and len(ground) == 3 and all(map(is_finite_number, ground))
    ):
        raise must(f"{place}.ground_enu_m", "be null or three finite numbers", ground, where=where)
    name = item.get("object")
    return Thing(
        _whole(item, "id", place, where),
        category,
        box,
        float(area),
        _segmentation(item.get("segmentation"), place, where),
        _attributes(item.get("attributes"), place, where),
        None if name is None else str(name),
        None if ground is None else (float(ground[0]), float(ground[1]), float(ground[2])),
        item.get("visible"),
        item.get("mark_turn_deg"),
    )


def _box(item: Mapping[str, Any], place: str, where: str) -> tuple[float, float, float, float]:
    box = item.get("bbox")
    if not isinstance(box, list) or len(box) != 4 or not all(is_finite_number(v) for v in box) or min(box[2:]) < 0:
        raise must(f"{place}.bbox", "be [x, y, w, h] with finite numbers, w and h not negative", box, where=where)
    return float(box[0]), float(box[1]), float(box[2]), float(box[3])


def _other_things(image: Mapping[str, Any], place: str, where: str) -> tuple[OtherThing, ...] | None:
    if image.get("other_things") is None:
        return None
    found = []
    for k, item in enumerate(_list(image, "other_things", f"{where} {place}")):
        if not isinstance(item.get("kind"), str):
            raise must(f"{place}.other_things[{k}].kind", "be text", item.get("kind"), where=where)
        found.append(OtherThing(item["kind"], _box(item, f"{place}.other_things[{k}]", where)))
    return tuple(found)


def _segmentation(content: Any, place: str, where: str) -> tuple[tuple[float, ...], ...] | None:
    if not isinstance(content, list) or not content:
        return None  # absent, or run-length encoded by another program: the box is what we need
    for ring in content:
        if not isinstance(ring, list) or len(ring) < 6 or len(ring) % 2 or not all(is_finite_number(v) for v in ring):
            raise must(f"{place}.segmentation", "be lists of x, y pairs, three corners or more", ring, where=where)
    return tuple(tuple(float(v) for v in ring) for ring in content)


def _attributes(content: Any, place: str, where: str) -> dict[str, str | None]:
    if content is None:
        return {}
    if not isinstance(content, dict):
        raise must(f"{place}.attributes", "be an object or null", content, where=where)
    found: dict[str, str | None] = {}
    for key in ATTRIBUTES:
        value = content.get(key)
        if value is not None and not isinstance(value, str):
            raise must(f"{place}.attributes.{key}", "be text or null (unknown)", value, where=where)
        found[key] = value
    return found


def checked_file_name(name: Any, place: str, where: str) -> str:
    """A relative file name that stays inside its folder; InputError otherwise."""
    if not isinstance(name, str) or not name or "\x00" in name:
        raise must(f"{place}.file_name", "be text", name, where=where)
    pure = PurePosixPath(name.replace("\\", "/"))
    if pure.is_absolute() or ".." in pure.parts or ":" in pure.parts[0]:
        raise must(f"{place}.file_name", "stay inside the frame set's folder", name, where=where)
    return name


def _frame(item: Mapping[str, Any], index: int, things: Mapping[int, list[Thing]], where: str) -> Frame:
    place = f"images[{index}]"
    number = _whole(item, "id", place, where)
    width, height = _whole(item, "width", place, where), _whole(item, "height", place, where)
    if width <= 0 or height <= 0:
        raise must(place, "have a positive width and height", f"{width} x {height}", where=where)
    name = checked_file_name(item.get("file_name"), place, where)
    view = view_from_json(item.get("view"), f"{where} {place}")
    if view is not None and (view.camera.image_width_px, view.camera.image_height_px) != (width, height):
        got = f"{view.camera.image_width_px} x {view.camera.image_height_px} for an image of {width} x {height}"
        raise must(f"{place}.view.camera", "have the image's size", got, where=where)
    run, background = item.get("mission_run"), item.get("background")
    return Frame(
        number, name, width, height, view,
        None if run is None else str(run),
        None if background is None else str(background),
        tuple(things.get(number, ())),
        _other_things(item, place, where),
    )  # fmt: skip


def _runs(content: Mapping[str, Any], where: str) -> tuple[Run, ...]:
    if content.get("runs") is None:
        return ()
    found = []
    for i, item in enumerate(_list(content, "runs", where)):
        if not isinstance(item.get("mission_run"), str):
            raise must(f"runs[{i}].mission_run", "be text", item.get("mission_run"), where=where)
        found.append(Run(item["mission_run"], wanted_from_json(item.get("wanted") or [], f"{where} runs[{i}]")))
    return tuple(found)


def truth_to_json(frame_set: FrameSet, info: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """The content of truth.json."""
    ids = {name: number for number, name in frame_set.categories.items()}
    return {
        "format": FORMAT,
        "truth": frame_set.truth,
        "info": dict(info or {"description": "panelscout frame set"}),
        "licenses": [],
        "runs": [{"mission_run": r.mission_run, "wanted": [w.to_json() for w in r.wanted]} for r in frame_set.runs],
        "categories": [{"id": number, "name": name} for number, name in frame_set.categories.items()],
        "images": [_image_json(frame) for frame in frame_set.frames],
        "annotations": [_annotation_json(t, frame, ids) for frame in frame_set.frames for t in frame.things],
    }


def _image_json(frame: Frame) -> dict[str, Any]:
    return {
        "id": frame.id,
        "file_name": frame.file_name,
        "width": frame.width_px,
        "height": frame.height_px,
        "view": None if frame.view is None else frame.view.to_json(),
        "mission_run": frame.mission_run,
        "background": frame.background,
        **_other_things_json(frame),
    }


def _other_things_json(frame: Frame) -> dict[str, Any]:
    if frame.other_things is None:
        return {}
    return {"other_things": [{"kind": thing.kind, "bbox": list(thing.bbox_px)} for thing in frame.other_things]}


def _annotation_json(thing: Thing, frame: Frame, ids: Mapping[str, int]) -> dict[str, Any]:
    return {
        "id": thing.id,
        "image_id": frame.id,
        "category_id": ids[thing.category],
        "bbox": list(thing.bbox_px),
        "area": thing.area_px2,
        "segmentation": [list(ring) for ring in thing.segmentation or ()],
        "iscrowd": 0,
        "attributes": dict(thing.attributes),
        "object": thing.object,
        "ground_enu_m": None if thing.ground_enu_m is None else list(thing.ground_enu_m),
        "visible": thing.visible,
        "mark_turn_deg": thing.mark_turn_deg,
    }


def write_truth(folder: str | Path, frame_set: FrameSet, info: Mapping[str, Any] | None = None) -> Path:
    """Write ``folder``/truth.json whole; returns its path."""
    path = Path(folder) / "truth.json"
    write_json(path, truth_to_json(frame_set, info))
    return path
