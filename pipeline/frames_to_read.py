"""What there is to read: the frames of a frame set, or just photographs with whatever their camera recorded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import ExifTags, Image

from mission.camera import View
from mission.errors import InputError, must
from mission.frame_set import read_frame_set
from mission.geodesy import LocalFrame
from mission.mission_file import Mission
from mission.photographs import list_photographs, load_photograph, photograph_facts, photograph_size_px
from mission.vocabulary import CATEGORIES
from mission.wanted import WantedPanel

# A recorded gimbal roll beyond this is not taken for level flight: makers do not agree on its sign.
_LEVEL_ROLL_DEG = 1.0
# Heights above the take-off point outside this range are no photographs of a field [m].
_HEIGHTS_M = (2.0, 1000.0)


@dataclass(frozen=True)
class FrameToRead:
    """One image; ``view`` is None where the pose is not known, ``mission_run`` where no flight is named."""

    image_id: int
    path: Path
    file_name: str
    width_px: int
    height_px: int
    view: View | None
    mission_run: str | None


@dataclass(frozen=True)
class FramesToRead:
    """All images of one reading. ``category_ids`` maps panel and person to the ids that the sightings carry."""

    name: str
    frames: tuple[FrameToRead, ...]
    category_ids: Mapping[str, int]
    wanted: Mapping[str | None, tuple[WantedPanel, ...]]
    is_frame_set: bool


def frames_to_read(source: str | Path, mission: Mission | None = None) -> FramesToRead:
    """The frames of a frame set (a folder with truth.json, or that file), of a folder of photographs, or one photograph.

    Truth is not looked at, but for the poses, the runs and their wanted lists. InputError where there is nothing to
    read.
    """
    path = Path(source)
    if not path.exists():
        raise InputError(f"The frames {path} must be a frame set, a folder of photographs or one. Got nothing instead.")
    if path.suffix.lower() == ".json" or (path / "truth.json").exists():
        return _of_frame_set(path)
    return _of_photographs(path, mission)


def load_frame(frame: FrameToRead) -> np.ndarray:
    """The pixels uint8 [H, W, 3] of a frame; InputError where the file is broken or not of the size that was told."""
    pixels = load_photograph(frame.path)
    if pixels.shape[:2] != (frame.height_px, frame.width_px):
        size = f"{pixels.shape[1]} x {pixels.shape[0]}"
        raise must("frame", f"be {frame.width_px} x {frame.height_px} pixels", size, where=frame.path)
    return pixels if pixels.flags.writeable else pixels.copy()  # tensors share memory with arrays that may be written


def _of_frame_set(path: Path) -> FramesToRead:
    frame_set = read_frame_set(path)
    frames = tuple(
        FrameToRead(f.id, frame_set.path_of(f), f.file_name, f.width_px, f.height_px, f.view, f.mission_run)
        for f in sorted(frame_set.frames, key=lambda f: f.id)
    )
    if not frames:
        raise InputError(f"The frame set {path} must hold frames. Got none instead.")
    ids = {name: number for number, name in frame_set.categories.items() if name in CATEGORIES}
    for name in CATEGORIES:
        ids.setdefault(name, max([*frame_set.categories, *ids.values()], default=0) + 1)
    wanted: dict[str | None, tuple[WantedPanel, ...]] = {
        run.mission_run: run.wanted for run in frame_set.runs if run.wanted
    }
    return FramesToRead(frame_set.folder.resolve().name, frames, ids, wanted, True)


def _of_photographs(path: Path, mission: Mission | None) -> FramesToRead:
    """One folder is taken for one flight; the photographs are numbered from 1 in the order of their names."""
    folder = (path if path.is_dir() else path.parent).resolve()
    frames = []
    for number, photograph in enumerate(list_photographs(path), start=1):
        width, height = photograph_size_px(photograph)
        view = None if mission is None else photograph_view(photograph, (width, height), mission)
        frames.append(FrameToRead(number, photograph, photograph.name, width, height, view, folder.name))
    ids = {name: number for number, name in enumerate(CATEGORIES, start=1)}
    return FramesToRead(folder.name if path.is_dir() else path.name, tuple(frames), ids, {}, False)


def photograph_view(path: Path, size_px: tuple[int, int], mission: Mission) -> View | None:
    """The pose of a photograph from what its camera recorded, or None unless all of it can be trusted.

    Needed are latitude and longitude, the height above the take-off point, and the direction of the gimbal; a
    gimbal pitch of -90 deg is our 0. The altitude above the sea is never taken for a height above the ground.
    Camera and origin are the mission's, and the photograph must have that camera's size.
    """
    camera = mission.camera.as_camera()
    if size_px != (camera.image_width_px, camera.image_height_px):
        return None
    if _is_turned(path):
        return None  # the recorded direction is that of the sensor, not of the upright photograph
    facts = photograph_facts(path)
    if facts.latitude_deg is None or facts.longitude_deg is None or facts.relative_height_m is None:
        return None
    if facts.gimbal_pitch_deg is None or facts.gimbal_yaw_deg is None or facts.gimbal_roll_deg is None:
        return None
    level = abs(facts.gimbal_roll_deg) <= _LEVEL_ROLL_DEG
    zoomed = facts.digital_zoom is not None and facts.digital_zoom > 1.001
    low, high = _HEIGHTS_M
    if zoomed or not level or not low <= facts.relative_height_m <= high or not -120 <= facts.gimbal_pitch_deg < -10:
        return None
    origin = mission.site.origin
    place = (facts.latitude_deg, facts.longitude_deg, origin.height_m)
    east, north, _ = LocalFrame(origin).enu_from_geodetic(np.array(place))
    return View(
        camera,
        (float(east), float(north), facts.relative_height_m),
        facts.gimbal_yaw_deg % 360.0,
        facts.gimbal_pitch_deg + 90.0,
        0.0,
        origin,
        facts.taken,
    )


def _is_turned(path: Path) -> bool:
    """Whether Exif asks for the photograph to be turned or mirrored (orientation other than 1)."""
    with Image.open(path) as image:
        return image.getexif().get(ExifTags.Base.Orientation, 1) != 1
