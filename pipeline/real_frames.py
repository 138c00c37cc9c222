"""Labelled photographs of one's own: a frame set, or a plain COCO file as any labelling program writes it."""

from __future__ import annotations

from collections.abc import Container, Iterable
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path, PurePosixPath

from mission.atomic import read_json
from mission.errors import InputError, must
from mission.frame_set import Frame, FrameSet, Thing, frame_set_from_coco, read_frame_set, truth_path
from mission.vocabulary import ATTRIBUTES, CATEGORIES, Vocabulary

# A category name is taken for a slip of ours from this likeness on (difflib's ratio, our own choice).
_NEAR = 0.6


def read_real_frames(source: str | Path, images: str | Path | None = None) -> FrameSet:
    """Labelled frames from a frame set (folder or truth.json) or from a COCO file whose ``images`` lie in a folder.

    Without ``images`` they are looked for beside the COCO file and in the folders beside it. A frame of a plain COCO file
    is of the ground that the folder in its file name stands for. Annotations marked ``iscrowd`` are kept as things of which
    nothing is visible: neither learnt nor held against anybody. InputError where there is no panel or person by that name,
    or an image is missing.
    """
    path = Path(source)
    if not path.exists():
        raise InputError(f"The real frames {path} must be a frame set or a COCO file. Got nothing instead.")
    if path.is_dir() and not truth_path(path).is_file():
        raise InputError(
            f"The real frames {path} must be a folder with a truth.json, or a COCO file. Got neither instead."
        )
    content = read_json(truth_path(path))
    if not isinstance(content, dict):
        raise must("real frames", "hold a JSON object", type(content).__name__, where=path)
    if "format" in content:
        frame_set = read_frame_set(path)
    else:
        crowded = {a.get("id") for a in content.get("annotations") or () if isinstance(a, dict) and a.get("iscrowd")}
        frame_set = frame_set_from_coco(content, path.parent, "photographed", str(path))
        frame_set = replace(frame_set, frames=tuple(_as_ours(frame, crowded) for frame in frame_set.frames))
    _refuse_other_names(frame_set.categories.values(), path)
    return replace(frame_set, folder=_images_folder(frame_set, path, None if images is None else Path(images)))


def _as_ours(frame: Frame, crowded: Container[object]) -> Frame:
    things = tuple(replace(t, visible=0.0) if t.id in crowded else t for t in frame.things)
    ground = PurePosixPath(frame.file_name.replace("\\", "/")).parent.as_posix()
    known = frame.background or frame.mission_run or ground == "."
    return replace(frame, things=things, background=frame.background if known else ground)


def _refuse_other_names(names: Iterable[str], path: Path) -> None:
    """Things named almost as ours would silently be taught to be nothing."""
    known = list(names)
    for ours in CATEGORIES:
        lowered = {name.lower(): name for name in known if name not in CATEGORIES}
        near = get_close_matches(ours, lowered, 1, _NEAR)
        if ours not in known and near:
            raise must("categories", f"name the {ours}s '{ours}'", f"'{lowered[near[0]]}'", where=path)
    if not set(known) & set(CATEGORIES):
        raise must("categories", f"hold '{CATEGORIES[0]}' or '{CATEGORIES[1]}'", ", ".join(known) or "none", where=path)


def _images_folder(frame_set: FrameSet, path: Path, given: Path | None) -> Path:
    """The folder to which all file names are relative."""
    if not frame_set.frames:
        raise must("images", "hold a labelled frame", "none", where=path)
    if given is not None:
        places = [given]
    else:
        beside = [truth_path(path).parent, truth_path(path).parent.parent]  # .../annotations/x.json beside .../images
        places = [beside[0], *(p for place in beside for p in sorted(place.iterdir()) if p.is_dir())]
    for place in places:
        if (place / frame_set.frames[0].file_name).is_file():
            missing = [f.file_name for f in frame_set.frames if not (place / f.file_name).is_file()]
            if missing:
                raise InputError(
                    f"The images of {path} must all lie in {place}. Got no '{missing[0]}' there"
                    f" ({len(missing)} of {len(frame_set.frames)} missing) instead."
                )
            return place
    raise InputError(
        f"The images of {path} must lie beside it, in a folder beside it, or in the one given with --real-images."
        f" Got no '{frame_set.frames[0].file_name}' there instead."
    )


def readable_panels(frames: Iterable[Frame], vocabulary: Vocabulary) -> int:
    """Panels with at least one attribute that the vocabulary knows: what readers can learn from."""
    return sum(_is_readable(thing, vocabulary) for frame in frames for thing in frame.things)


def unknown_values(frames: Iterable[Frame], vocabulary: Vocabulary) -> list[str]:
    """Attribute values of panels that the vocabulary lacks, each once, by name: they teach nothing."""
    found = {
        value
        for frame in frames
        for thing in frame.things
        for attribute in ATTRIBUTES
        if thing.category == "panel"
        and (value := thing.attributes.get(attribute))
        and value not in vocabulary.values(attribute)
    }
    return sorted(found)


def _is_readable(thing: Thing, vocabulary: Vocabulary) -> bool:
    named = any(thing.attributes.get(attribute) in vocabulary.values(attribute) for attribute in ATTRIBUTES)
    return thing.category == "panel" and thing.scored and named
