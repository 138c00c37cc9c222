"""Reading frames: tiles, detections, attributes, places, finds, coverage and previews, written as one whole folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from mission.atomic import new_folder, write_json
from mission.errors import must
from mission.finds import Finds, write_finds
from mission.mission_file import Mission
from mission.sightings import KEPT_MIN_CONFIDENCE, KEPT_MOST_PER_FRAME, Sighting, Sightings, write_sightings
from mission.vocabulary import ATTRIBUTES, CATEGORIES, Vocabulary
from mission.wanted import WantedPanel, load_wanted
from pipeline.finding import corners, find_objects, origins_of
from pipeline.frames_to_read import FramesToRead, FrameToRead, frames_to_read, load_frame
from pipeline.hold import Zone
from pipeline.locate import locate_boxes
from pipeline.previews import Labelled, write_preview
from pipeline.rematch import FINDS
from pipeline.tiles import Detections, detect_frame

if TYPE_CHECKING:
    import torch

    from pipeline.bundle import Bundle

SIGHTINGS, COVERAGE, PREVIEWS = "sightings.json", "coverage.geojson", "previews"

# Tiles of about this side keep a small detector's feature maps within a few hundred megabytes.
LARGEST_TILE_PX = 1536
# Neighbouring tiles share this much where the scale is not known: a person lying at 1 cm a pixel.
OVERLAP_PX = 224
# The largest thing to be found, a person with outstretched arms [m]; two tiles share as much ground.
_LARGEST_THING_M = 2.0
# Panels below this confidence are not read: nobody uses the attributes of what is hardly seen, and crops cost time.
READ_FROM_CONFIDENCE = 0.05
# People are blurred in previews from this share of their working confidence: rather one bush too many.
_BLUR_FROM = 0.5
# Probabilities below this are left out of the tables on disk.
_LEAST_SHARE = 0.0005

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
    show_people: bool = False,
    previews: bool = True,
    replace_out: bool = False,
    on_progress: Progress | None = None,
) -> Reading:
    """Read a frame set or photographs with a bundle and write the folder ``out``, whole or not at all.

    The wanted list is the file ``wanted``, else the frame set's own lists, else the mission's. ``min_confidence``
    replaces the bundle's working confidences. ``on_progress(done, total)`` is called after each frame. Raises
    InputError for whatever cannot be read.
    """
    working = _working_confidence(bundle, min_confidence)
    source = frames_to_read(frames, mission)
    vocabulary = narrowed(bundle.vocabulary, mission)
    lists = wanted_lists(source, mission, wanted)
    origins_of(source.frames)
    with new_folder(out, replace=replace_out) as folder:
        detected, failed = _read_frames(
            bundle, source, folder, mission, vocabulary, working, show_people, previews, on_progress
        )
        sightings = Sightings(tuple(detected), _name(bundle), source.name, working)
        found = find_objects(sightings, source, wanted=lists, zone=Zone.of(mission))
        shares, without_pose = _write_coverage(folder / COVERAGE, source, mission)
        write_sightings(folder / SIGHTINGS, sightings)
        write_finds(folder / FINDS, found)
    return Reading(found, sightings, len(source.frames), without_pose, shares, failed)


def wanted_lists(
    source: FramesToRead, mission: Mission | None, wanted: str | Path | None
) -> dict[str | None, tuple[WantedPanel, ...]]:
    """The wanted list of each run, under None for runs without one: the file's, else the frame set's, else the mission's."""
    if wanted is not None:
        return {None: load_wanted(wanted)}
    if source.wanted:
        return dict(source.wanted)
    if mission is not None and mission.wanted is not None:
        return {None: load_wanted(mission.wanted, mission.panels.vocabulary)}
    return {}


def _name(bundle: Bundle) -> str:
    return str(getattr(bundle, "name", "bundle"))


def _working_confidence(bundle: Bundle, min_confidence: float | None) -> dict[str, float]:
    if min_confidence is None:
        return {name: float(bundle.working_confidence[name]) for name in CATEGORIES}
    if not KEPT_MIN_CONFIDENCE <= min_confidence <= 1:
        raise must("min-confidence", f"lie in {KEPT_MIN_CONFIDENCE}..1", min_confidence)
    return dict.fromkeys(CATEGORIES, float(min_confidence))


def narrowed(vocabulary: Vocabulary, mission: Mission | None) -> dict[str, list[tuple[int, str]]]:
    """Per attribute, the bundle's values that the mission allows, each with its column in the bundle's tables.

    InputError where the bundle was never taught anything that the mission may show.
    """
    columns: dict[str, list[tuple[int, str]]] = {}
    for attribute in ATTRIBUTES:
        known = list(enumerate(vocabulary.values(attribute)))
        allowed = None if mission is None else set(mission.panels.vocabulary.values(attribute))
        columns[attribute] = [(i, value) for i, value in known if allowed is None or value in allowed]
        if not columns[attribute]:
            values = ", ".join(value for _, value in known)
            raise must(f"{attribute} of the bundle", "name a value that the mission has", values)
    return columns


def attribute_table(row: np.ndarray, columns: Sequence[tuple[int, str]]) -> dict[str, float]:
    """Value -> probability of one panel from the bundle's row [C], masked to the columns allowed and renormalised."""
    share = np.array([max(float(row[i]), 0.0) for i, _ in columns])
    if not np.isfinite(share).all():
        raise must("attribute tables of the bundle", "be finite numbers", "NaN or infinity")
    total = share.sum()
    share = share / total if total > 0 else np.full(len(columns), 1 / len(columns))
    named = {value: round(float(p), 4) for (_, value), p in zip(columns, share, strict=True) if p >= _LEAST_SHARE}
    return dict(sorted(named.items(), key=lambda item: -item[1]))


def overlap_px(view_gsd_m: float | None) -> int:
    """Overlap of neighbouring tiles: the largest thing at this scale, within what a tile can give."""
    if view_gsd_m is None or not np.isfinite(view_gsd_m) or view_gsd_m <= 0:
        return OVERLAP_PX
    return int(np.clip(np.ceil(_LARGEST_THING_M / view_gsd_m), 64, LARGEST_TILE_PX // 2))


def _decoded(frames: Sequence[FrameToRead]) -> Iterator[tuple[FrameToRead, np.ndarray]]:
    """Frames with their pixels; the next one is decoded while the caller works on this one, and never more than one ahead."""
    with ThreadPoolExecutor(1, thread_name_prefix="decode") as pool:
        ahead: Future[np.ndarray] = pool.submit(load_frame, frames[0])
        for i, frame in enumerate(frames):
            pixels = ahead.result()
            if i + 1 < len(frames):
                ahead = pool.submit(load_frame, frames[i + 1])
            yield frame, pixels


def _read_frames(
    bundle: Bundle,
    source: FramesToRead,
    folder: Path,
    mission: Mission | None,
    vocabulary: dict[str, list[tuple[int, str]]],
    working: Mapping[str, float],
    show_people: bool,
    previews: bool,
    on_progress: Progress | None,
) -> tuple[list[Sighting], int]:
    """Sightings of all frames in the order of the frames, and how many previews could not be drawn."""
    detected: list[Sighting] = []
    drawn: list[Future[bool]] = []
    with ThreadPoolExecutor(1, thread_name_prefix="preview") as pool:
        for done, (frame, pixels) in enumerate(_decoded(source.frames), start=1):
            sightings = _read_frame(bundle, frame, pixels, mission, vocabulary, source.category_ids)
            detected += sightings
            if previews:
                if drawn:
                    drawn[-1].result()  # at most one frame waits for its preview, so memory stays bounded
                path = folder / PREVIEWS / f"{frame.image_id:05d}-{Path(frame.file_name).stem[:80]}.jpg"
                drawn.append(pool.submit(_preview, path, pixels, sightings, source.category_ids, working, show_people))
            if on_progress is not None:
                on_progress(done, len(source.frames))
        return detected, sum(not future.result() for future in drawn)


def _read_frame(
    bundle: Bundle,
    frame: FrameToRead,
    pixels: np.ndarray,
    mission: Mission | None,
    vocabulary: dict[str, list[tuple[int, str]]],
    category_ids: Mapping[str, int],
) -> list[Sighting]:
    import torch

    tensor = torch.from_numpy(np.ascontiguousarray(pixels)).permute(2, 0, 1)
    device = getattr(bundle, "device", "cpu")
    tensor = tensor if str(device) == "cpu" else tensor.to(str(device))
    found = detect_frame(
        bundle.detect,
        tensor,
        overlap_px=overlap_px(_scale_m(frame, mission)),
        largest_tile_px=LARGEST_TILE_PX,
        batch=1 if str(device) == "cpu" else 4,
        at_least=KEPT_MIN_CONFIDENCE,
        at_most=KEPT_MOST_PER_FRAME,
    )
    tables = _attributes(bundle, tensor, found, vocabulary)
    return _sightings(bundle, frame, found, tables, category_ids)


def _scale_m(frame: FrameToRead, mission: Mission | None) -> float | None:
    from mission.camera import ground_sample_distance_m

    if frame.view is not None:
        return ground_sample_distance_m(frame.view)
    return None if mission is None else mission.ground_sample_distance_m


def _attributes(
    bundle: Bundle, frame: torch.Tensor, found: Detections, vocabulary: dict[str, list[tuple[int, str]]]
) -> dict[int, dict[str, dict[str, float]]]:
    """Attribute tables by the number of the detection, for panels sure enough to be worth reading."""
    import torch

    panel = bundle.categories.index("panel")
    worth = np.flatnonzero((found.category == panel) & (found.score >= READ_FROM_CONFIDENCE))
    if not len(worth):
        return {}
    read_off = bundle.read_attributes(frame, torch.from_numpy(found.box_px[worth].astype(np.float32)))
    rows = {name: _numpy(read_off[name]) for name in ATTRIBUTES}
    return {
        int(number): {name: attribute_table(rows[name][i], vocabulary[name]) for name in ATTRIBUTES}
        for i, number in enumerate(worth)
    }


def _numpy(values: Any) -> np.ndarray:
    return np.asarray(values.detach().float().cpu().numpy() if hasattr(values, "detach") else values, dtype=float)


def _sightings(
    bundle: Bundle,
    frame: FrameToRead,
    found: Detections,
    tables: dict[int, dict[str, dict[str, float]]],
    category_ids: Mapping[str, int],
) -> list[Sighting]:
    names = [bundle.categories[c] for c in found.category]
    located = None
    if frame.view is not None and len(found):
        located = locate_boxes(frame.view, found.box_px, np.array([name == "person" for name in names]))
    sightings = []
    for i, name in enumerate(names):
        x0, y0, x1, y1 = (float(v) for v in found.box_px[i])
        point, covariance = None, None
        if located is not None and np.isfinite(located.covariance_m2[i]).all():
            e, n, u = (round(float(v), 3) for v in located.ground_enu_m[i])
            (ee, en), (_, nn) = ((float(f"{v:.6g}") for v in row) for row in located.covariance_m2[i])
            point, covariance = (e, n, u), ((ee, en), (en, nn))
        box = (round(x0, 2), round(y0, 2), round(x1 - x0, 2), round(y1 - y0, 2))
        score = min(round(float(found.score[i]), 5), 1.0)
        sightings.append(Sighting(frame.image_id, category_ids[name], box, score, tables.get(i, {}), point, covariance))
    return sightings


def _write_coverage(
    path: Path, source: FramesToRead, mission: Mission | None
) -> tuple[dict[str | None, float | None], int]:
    """Write coverage.geojson; the share of the search area covered by each run, and the number of frames without a pose."""
    from pipeline.coverage import cover, coverage_to_json, frame_ground

    panel_m = None if mission is None else mission.panels.size_smallest_m
    area_m = Zone.of(mission).area_m
    grounds: dict[str | None, list] = {}
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


def _preview(
    path: Path,
    pixels: np.ndarray,
    sightings: Sequence[Sighting],
    category_ids: Mapping[str, int],
    working: Mapping[str, float],
    show_people: bool,
) -> bool:
    """Draw one preview; False where that failed: a picture for people is no reason to lose a reading."""
    names = {number: name for name, number in category_ids.items()}
    try:
        shown = [s for s in sightings if s.score >= working[names[s.category_id]]]
        drawn = [labelled(s, names[s.category_id]) for s in shown]
        floor = _BLUR_FROM * working["person"]
        people = [corners(s.bbox_px) for s in sightings if names[s.category_id] == "person" and s.score >= floor]
        write_preview(path, pixels, drawn, [] if show_people else people)
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
