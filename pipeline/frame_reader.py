"""From one frame to its sightings: tiles, detections, attribute tables and places on the ground."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import torch

from mission.camera import ground_sample_distance_m
from mission.errors import must
from mission.mission_file import Mission
from mission.sightings import KEPT_MIN_CONFIDENCE, KEPT_MOST_PER_FRAME, Sighting
from mission.vocabulary import ATTRIBUTES, Vocabulary
from pipeline.frames_to_read import FrameToRead
from pipeline.locate import Located, locate_boxes
from pipeline.score_map import probabilities
from pipeline.second_look import joined, look_from, looks_at_most, worth_a_look
from pipeline.tiles import Detections, detect_frame, largest_tile_px, merge_scales, shrunk

if TYPE_CHECKING:
    from pipeline.bundle import Bundle

# Tiles of about this side keep a detector's feature maps within a few hundred megabytes; smaller ones read more of the
# frame twice (1280 px: a tenth slower).
LARGEST_TILE_PX = 1920
# Neighbouring tiles share this much where the scale is not known: a person lying at 1 cm a pixel.
OVERLAP_PX = 224
# The largest thing to be found, a person with outstretched arms [m]; two tiles share as much ground.
_LARGEST_THING_M = 2.0
# Panels are learnt up to about this size [px]: where they may be larger, the frame is looked at shrunk by 2 as well,
# unless it has fewer pixels than this on a side.
LARGEST_LEARNT_PX, LEAST_SHRUNK_PX = 120.0, 128
# Side of the largest panel where no mission says it [m]: what an exercise lays out (common practice, no source).
_LARGEST_PANEL_M = 1.0
# Reports from this score or probability on have their sides placed anew, and all that reach the working confidence: on a sparse
# field that may be a lower probability.
PLACED_FROM = 0.05
# Probabilities below this are left out of the tables on disk.
_LEAST_SHARE = 0.0005

Columns = Mapping[str, Sequence[tuple[int, str]]]
Tables = dict[str, dict[str, float]]


@dataclass(frozen=True)
class FrameReader:
    """A bundle set up for one reading.

    ``category_ids`` maps panel and person to the ids that sightings carry; ``working`` to their working confidences.
    """

    bundle: Bundle
    mission: Mission | None
    category_ids: Mapping[str, int]
    working: Mapping[str, float]

    def sightings(self, frame: FrameToRead, pixels: np.ndarray) -> list[Sighting]:
        """Sightings in a frame uint8 [H, W, 3], by falling score: all from KEPT_MIN_CONFIDENCE, at most
        KEPT_MOST_PER_FRAME; places are None where the pose is not known or the box is not on the ground."""
        tensor = torch.from_numpy(np.ascontiguousarray(pixels)).permute(2, 0, 1)
        tensor = tensor.to(self.bundle.device, non_blocking=True)
        scale_m = self._scale_m(frame)
        found = self._detect(tensor, scale_m)
        if self._too_fine(scale_m) and min(tensor.shape[1:]) >= LEAST_SHRUNK_PX:
            small = self._detect(shrunk(tensor), None if scale_m is None else 2 * scale_m)
            coarse = Detections(small.box_px * 2, small.score, small.category)
            found = merge_scales(found, coarse, KEPT_MOST_PER_FRAME)
        found, tables = self._read(tensor, found)
        found = self._placed(tensor, found)
        names = [self.bundle.categories[c] for c in found.category]
        located = None
        if frame.view is not None:
            located = locate_boxes(frame.view, found.box_px, np.array([name == "person" for name in names], dtype=bool))
        return [
            _sighting(frame.image_id, self.category_ids[name], i, found, tables.get(i, {}), located)
            for i, name in enumerate(names)
        ]

    def _detect(self, frame: torch.Tensor, scale_m: float | None) -> Detections:
        return detect_frame(
            self.bundle.detect,
            frame,
            overlap_px=overlap_px(scale_m),
            largest_tile_px=largest_tile_px(torch.device(self.bundle.device), LARGEST_TILE_PX),
            batch=1,
            at_least=KEPT_MIN_CONFIDENCE,
            at_most=KEPT_MOST_PER_FRAME,
        )

    def _too_fine(self, scale_m: float | None) -> bool:
        """Whether panels may be larger in the frame than the detector has learnt: so fine a scale, or an unknown one."""
        if scale_m is None or not np.isfinite(scale_m) or scale_m <= 0:
            return True
        largest_m = _LARGEST_PANEL_M if self.mission is None else self.mission.panels.size_largest_m
        return largest_m / scale_m > LARGEST_LEARNT_PX

    def _scale_m(self, frame: FrameToRead) -> float | None:
        if frame.view is not None:
            return ground_sample_distance_m(frame.view)
        return None if self.mission is None else self.mission.ground_sample_distance_m

    def _read(self, frame: torch.Tensor, found: Detections) -> tuple[Detections, dict[int, Tables]]:
        """Detections with the second look in their scores, as probabilities where the bundle has a map, best first; and attribute
        tables by their numbers.

        Panels hardly seen by the detector are neither looked at again nor read.
        """
        panel = self.bundle.categories.index("panel")
        worth = worth_a_look(found.score, found.category == panel, frame.shape[1] * frame.shape[2], self._look_from())
        score, tables = found.score.astype(float), {}
        if len(worth):
            look, tables = self._look_again(frame, found, worth)
            if look is not None:
                score[worth] = joined(score[worth], look, self.bundle.second_look_weight)
        kept = np.flatnonzero(score >= KEPT_MIN_CONFIDENCE)
        maps = {self.bundle.categories.index(name): own for name, own in self.bundle.score_maps.items()}
        score[kept] = probabilities(score[kept], found.category[kept], maps)
        order = kept[np.argsort(-score[kept], kind="stable")]
        again = Detections(found.box_px[order], score[order], found.category[order])
        return again, {new: tables[int(old)] for new, old in enumerate(order) if int(old) in tables}

    def _placed(self, frame: torch.Tensor, found: Detections) -> Detections:
        """Detections, best first, with the sides of those that somebody may act on as full resolution shows them."""
        least = np.array([min(PLACED_FROM, self.working[name]) for name in self.bundle.categories])
        chosen = np.flatnonzero(found.score >= least[found.category])[: looks_at_most(frame.shape[1] * frame.shape[2])]
        # A bundle that never learnt it, or any other answerer, leaves boxes as they are.
        if not len(chosen) or not getattr(self.bundle, "places_boxes", False):
            return found
        given = found.box_px[chosen]
        anew = _on_cpu(self.bundle.placed_anew(frame, torch.from_numpy(given.astype(np.float32))))
        height, width = frame.shape[1:]
        anew = np.clip(anew, 0.0, [width, height, width, height])
        box_px = found.box_px.copy()
        # A box of which hardly anything is left was placed wrongly.
        whole = np.min(anew[:, 2:] - anew[:, :2], axis=1, keepdims=True) > 1.0
        box_px[chosen] = np.where(whole, anew, given)
        return Detections(box_px, found.score, found.category)

    def _look_from(self) -> float:
        """The detector's score from which a panel is worth a second look."""
        working, own = self.working["panel"], self.bundle.score_maps.get("panel")
        return look_from(working if own is None else own.score_of(working), self.bundle.second_look_weight)

    def _look_again(
        self, frame: torch.Tensor, found: Detections, worth: np.ndarray
    ) -> tuple[np.ndarray | None, dict[int, Tables]]:
        """What the second look says [K] of the detections ``worth`` it (None where the bundle has none), and their tables."""
        upright = self.mission is not None and self.mission.panels.mark_turn == "upright-on-panel"
        box_px = torch.from_numpy(found.box_px[worth].astype(np.float32))
        read_off = self.bundle.read_attributes(frame, box_px, **({"marks_upright": True} if upright else {}))
        columns = narrowed(self.bundle.vocabulary, self.mission)
        rows = {name: _on_cpu(read_off[name]) for name in ATTRIBUTES}
        tables = {
            int(number): {name: attribute_table(rows[name][k], columns[name]) for name in ATTRIBUTES}
            for k, number in enumerate(worth)
        }
        return (_on_cpu(read_off["panel"]) if "panel" in read_off else None), tables


def narrowed(vocabulary: Vocabulary, mission: Mission | None) -> Columns:
    """Per attribute, the bundle's values that the mission allows, each with its column in the bundle's tables."""
    allowed = vocabulary if mission is None else mission.panels.vocabulary
    return {
        attribute: [(i, v) for i, v in enumerate(vocabulary.values(attribute)) if v in allowed.values(attribute)]
        for attribute in ATTRIBUTES
    }


def attribute_table(row: np.ndarray, columns: Sequence[tuple[int, str]]) -> dict[str, float]:
    """Value -> probability of one panel from the bundle's row [C], masked to the columns allowed and renormalised."""
    share = np.array([max(float(row[i]), 0.0) for i, _ in columns])
    if not np.isfinite(row).all():
        raise must("attribute tables of the bundle", "be finite numbers", "NaN or infinity")
    total = share.sum()
    share = share / total if total > 0 else np.full(len(columns), 1 / len(columns))
    named = {value: round(float(p), 4) for (_, value), p in zip(columns, share, strict=True) if p >= _LEAST_SHARE}
    return dict(sorted(named.items(), key=lambda item: -item[1]))


def overlap_px(gsd_m: float | None) -> int:
    """Overlap of neighbouring tiles [px]: the largest thing at this scale, within what a tile can give."""
    if gsd_m is None or not np.isfinite(gsd_m) or gsd_m <= 0:
        return OVERLAP_PX
    return int(np.clip(np.ceil(_LARGEST_THING_M / gsd_m), 64, LARGEST_TILE_PX // 2))


def _on_cpu(values: Any) -> np.ndarray:
    return np.asarray(values.detach().float().cpu().numpy() if hasattr(values, "detach") else values, dtype=float)


def _sighting(
    image_id: int, category_id: int, i: int, found: Detections, tables: Tables, located: Located | None
) -> Sighting:
    x0, y0, x1, y1 = (float(v) for v in found.box_px[i])
    point, covariance = None, None
    if located is not None and np.isfinite(located.covariance_m2[i]).all():
        e, n, u = (round(float(v), 3) for v in located.ground_enu_m[i])
        (ee, en), (_, nn) = ((float(f"{v:.6g}") for v in row) for row in located.covariance_m2[i])
        point, covariance = (e, n, u), ((ee, en), (en, nn))
    box = (round(x0, 2), round(y0, 2), round(x1 - x0, 2), round(y1 - y0, 2))
    score = min(round(float(found.score[i]), 9), 1.0)
    return Sighting(image_id, category_id, box, score, tables, point, covariance)
