"""Reading frames: tiles, detections, attributes, places, finds, coverage and previews, written as one whole folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch

from mission.atomic import new_folder, write_json
from mission.errors import must
from mission.finds import Finds, write_finds
from mission.mission_file import Mission
from mission.sightings import KEPT_MIN_CONFIDENCE, Sighting, Sightings, write_sightings
from mission.vocabulary import ATTRIBUTES, CATEGORIES, Vocabulary
from mission.wanted import WantedPanel, load_wanted
from pipeline.adapting import windows_of
from pipeline.bundle import Bundle, check_vocabulary
from pipeline.coverage import FrameGround, cover, coverage_to_json, frame_ground
from pipeline.finding import corners, find_objects, origins_of
from pipeline.frame_reader import FrameReader
from pipeline.frames_to_read import FramesToRead, FrameToRead, frames_to_read, load_frame
from pipeline.hold import Zone
from pipeline.previews import Labelled, write_preview
from pipeline.processors import page_locked
from pipeline.rematch import FINDS

SIGHTINGS, COVERAGE, PREVIEWS = "sightings.json", "coverage.geojson", "previews"

# People are blurred in previews from this share of their working confidence: rather one bush too many.
_BLUR_FROM = 0.5
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Reading:
    """What one reading gave: finds, sightings, the frames it was made of, and how many previews could not be drawn."""

    finds: Finds
    sightings: Sightings
    frames: int
    frames_without_pose: int
    covered_share: Mapping[str | None, float | None]
    previews_failed: int


def read(
    bundle: Bundle,
    frames: str | Path,
    out: str | Path,
    *,
    mission: Mission | None = None,
    wanted: str | Path | None = None,
    min_confidence: float | None = None,
    adapt: int | None = None,
    show_people: bool = False,
    previews: bool = True,
    replace_out: bool = False,
    on_progress: Progress | None = None,
) -> Reading:
    """Read a frame set or photographs with a bundle and write the folder ``out``, whole or not at all.

    The wanted list is the file ``wanted``, else the frame set's own lists, else the mission's. ``min_confidence``
    replaces the bundle's working confidences. ``adapt``: re-estimate the detector's statistics on so many of the frames first
    (see pipeline.adapting). ``on_progress(done, total)`` is called after each frame. Raises
    InputError for whatever cannot be read.
    """
    working = _working_confidence(bundle, min_confidence)
    if mission is not None:
        check_vocabulary(bundle, mission.panels.vocabulary, f"the mission '{mission.name}'")
    source = frames_to_read(frames, mission)
    lists = wanted_lists(source, mission, wanted, bundle.vocabulary)
    origins_of(source.frames)
    if adapt is not None:
        bundle = bundle.adapted_to(windows_of(source.frames, adapt), adapt)
    reader = FrameReader(bundle, mission, source.category_ids, working)
    with new_folder(out, replace=replace_out) as folder:
        draw = _Previews(folder / PREVIEWS, reader, show_people).draw if previews else _draw_nothing
        seen, failed = _read_frames(reader, source, draw, on_progress or _say_nothing)
        names = {frame.image_id: frame.file_name for frame in source.frames}
        sightings = Sightings(tuple(seen), bundle.name, source.name, working, names, adapt or 0)
        found = find_objects(sightings, source, wanted=lists, zone=Zone.of(mission))
        shares, without_pose = _write_coverage(folder / COVERAGE, source, mission)
        write_sightings(folder / SIGHTINGS, sightings)
        write_finds(folder / FINDS, found)
    return Reading(found, sightings, len(source.frames), without_pose, shares, failed)


def _draw_nothing(_frame: FrameToRead, _pixels: np.ndarray, _seen: list[Sighting]) -> bool:
    return True


def _say_nothing(_done: int, _total: int) -> None:
    return None


def wanted_lists(
    source: FramesToRead, mission: Mission | None, wanted: str | Path | None, known: Vocabulary
) -> dict[str | None, tuple[WantedPanel, ...]]:
    """The wanted list of each run, under None for runs without one: the file's, else the frame set's, else the mission's.

    A list from a file may name only values of the mission's vocabulary, or of ``known`` where there is no mission.
    """
    vocabulary = known if mission is None else mission.panels.vocabulary
    if wanted is not None:
        return {None: load_wanted(wanted, vocabulary)}
    if source.wanted:
        return dict(source.wanted)
    if mission is not None and mission.wanted is not None:
        return {None: load_wanted(mission.wanted, vocabulary)}
    return {}


def _working_confidence(bundle: Bundle, min_confidence: float | None) -> dict[str, float]:
    if min_confidence is None:
        return {name: float(bundle.working_confidence[name]) for name in CATEGORIES}
    if not KEPT_MIN_CONFIDENCE <= min_confidence <= 1:
        raise must("min-confidence", f"lie in {KEPT_MIN_CONFIDENCE}..1", min_confidence)
    return dict.fromkeys(CATEGORIES, float(min_confidence))


def _decoded(frames: Sequence[FrameToRead], device: torch.device) -> Iterator[tuple[FrameToRead, np.ndarray]]:
    """Frames with their pixels; the next one is decoded while the caller works on this one, and never more than one ahead."""

    def load(frame: FrameToRead) -> np.ndarray:
        return page_locked(load_frame(frame), device)

    with ThreadPoolExecutor(1, thread_name_prefix="decode") as pool:
        ahead: Future[np.ndarray] = pool.submit(load, frames[0])
        for i, frame in enumerate(frames):
            pixels = ahead.result()
            if i + 1 < len(frames):
                ahead = pool.submit(load, frames[i + 1])
            yield frame, pixels


def _read_frames(
    reader: FrameReader,
    source: FramesToRead,
    draw: Callable[[FrameToRead, np.ndarray, list[Sighting]], bool],
    done: Progress,
) -> tuple[list[Sighting], int]:
    """Sightings of all frames in the order of the frames, and how many previews could not be drawn."""
    sightings: list[Sighting] = []
    drawn: list[Future[bool]] = []
    with ThreadPoolExecutor(1, thread_name_prefix="preview") as pool:
        for number, (frame, pixels) in enumerate(_decoded(source.frames, torch.device(reader.bundle.device)), start=1):
            seen = reader.sightings(frame, pixels)
            sightings += seen
            if drawn:
                drawn[-1].result()  # at most one frame waits for its preview, so memory stays bounded
            drawn.append(pool.submit(draw, frame, pixels, seen))
            done(number, len(source.frames))
        return sightings, sum(not future.result() for future in drawn)


def _write_coverage(
    path: Path, source: FramesToRead, mission: Mission | None
) -> tuple[dict[str | None, float | None], int]:
    """Write coverage.geojson; the share of the search area covered by each run, and the number of frames without a pose."""
    panel_m = None if mission is None else mission.panels.size_smallest_m
    area_m = Zone.of(mission).area_m
    grounds: dict[str | None, list[FrameGround]] = {}
    for frame in source.frames:
        if frame.view is not None:
            ground = frame_ground(
                frame.view, panel_m, image_id=frame.image_id, file_name=frame.file_name, mission_run=frame.mission_run
            )
            grounds.setdefault(frame.mission_run, []).append(ground)
    origins = origins_of(source.frames)
    runs = [(cover(group, area_m), origins.get(run)) for run, group in grounds.items()]
    without = sum(frame.view is None for frame in source.frames)
    write_json(path, coverage_to_json(runs, without))
    return {run.mission_run: run.covered_share for run, _ in runs}, without


@dataclass(frozen=True)
class _Previews:
    """Draws previews into a folder."""

    folder: Path
    reader: FrameReader
    show_people: bool

    def draw(self, frame: FrameToRead, pixels: np.ndarray, seen: Sequence[Sighting]) -> bool:
        """Draw one preview; False where that failed: a picture for people is no reason to lose a reading."""
        names = {number: name for name, number in self.reader.category_ids.items()}
        working = self.reader.working
        path = self.folder / f"{frame.image_id:05d}-{Path(frame.file_name).stem[:80]}.jpg"
        try:
            shown = [labelled(s, names[s.category_id]) for s in seen if s.score >= working[names[s.category_id]]]
            person, floor = self.reader.category_ids["person"], _BLUR_FROM * working["person"]
            people = [corners(s.bbox_px) for s in seen if s.category_id == person and s.score >= floor]
            write_preview(path, pixels, shown, [] if self.show_people else people)
        except Exception:
            return False
        return True


def labelled(sighting: Sighting, category: str) -> Labelled:
    """A sighting as a preview shows it: colour and shape of a panel, and its mark with the mark's colour."""
    best = {name: max(table, key=lambda v: table[v]) for name, table in sighting.attributes.items() if table}
    what, mark = category, ""
    if category == "panel" and len(best) == len(ATTRIBUTES):
        what, mark = f"{best['panel_colour']} {best['shape']}", f"{best['mark_colour']} {best['mark']}"
    return Labelled(corners(sighting.bbox_px), category, what, mark, sighting.score)
