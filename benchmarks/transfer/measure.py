"""What a model is worth on the judge's frames, in plain numpy: average precision, false alarms, all four attributes.

The arithmetic is COCO's (greedy by falling score, IoU 0.5, 101 recall steps); objects left out of every figure (longer
side < 16 px, less than half to be seen) absorb a detection without counting. A "frame" of a false-alarm figure is an
area of 2000 x 1500 px, whatever the size of the photographs. Boxes are x0, y0, x1, y1 [px].
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mission.frame_set import Frame
from mission.vocabulary import ATTRIBUTES, look_alike

Floats = NDArray[np.float64]
FRAME_AREA_PX2 = 2000 * 1500
LARGE_PX = 40.0
RATES = (0.2, 1.0, 5.0)
#: Edges of the ranges of a panel's longer side, and of the width of its mark's strokes [px].
SIZES_PX = (16.0, 24.0, 32.0, 40.0, 60.0, np.inf)
STROKES_PX = (0.0, 2.0, 3.0, 4.0, 6.0, 9.0, np.inf)
#: Marks that are one another turned by half (6/9) or by a quarter (M/W is half, N/Z a quarter): no reader can tell them
#: apart where a mark may lie at any turn to its panel and the face has no further cue.
TURN_TWINS = ({"6", "9"}, {"M", "W"}, {"N", "Z"})


@dataclass(frozen=True)
class Answer:
    """What a model says of one frame: box_px [K, 4], score [K], and of each box the most probable attribute values."""

    box_px: Floats
    score: Floats
    attributes: Sequence[Mapping[str, str]] = ()


@dataclass
class Matched:
    """One category over all frames: detections with their score, hit or false, and the objects asked for.

    ``told`` holds the true attributes and those said of each detection that met an object and was read, else None;
    ``stroke_px`` [objects] the width of the strokes of each mark (NaN: unknown).
    """

    score: Floats
    hit: NDArray[np.bool_]
    false: NDArray[np.bool_]
    object_row: NDArray[np.int64]
    objects: int
    size_px: Floats
    rights: Floats
    area_px2: float
    told: Sequence[tuple[Mapping[str, str | None], Mapping[str, str]] | None] = ()
    stroke_px: Floats = field(default_factory=lambda: np.zeros(0))


def iou(one: Floats, many: Floats) -> Floats:
    """IoU of one box [4] with many [n, 4]."""
    low, high = np.maximum(one[:2], many[:, :2]), np.minimum(one[2:], many[:, 2:])
    shared = np.prod(np.clip(high - low, 0, None), axis=1)
    return shared / (np.prod(one[2:] - one[:2]) + np.prod(many[:, 2:] - many[:, :2], axis=1) - shared)


def match(
    frames: Sequence[Frame],
    answers: Sequence[Answer],
    category: str,
    strokes: Mapping[str, Sequence[float | None]] = {},
) -> Matched:
    """Match every frame's answers to its things of one category; ``rights`` [D, 6] holds the four attributes' hits, all four
    with turn twins granted, and all four with look-alike pairs granted (0 where the detection met nothing). ``strokes``: run
    -> widths of the marks of the frame's things, in their order."""
    score, hit, false, row_of, sizes, rights, told, widths = [], [], [], [], [], [], [], []
    count = 0
    for frame, answer in zip(frames, answers, strict=True):
        things = [t for t in frame.things if t.category == category]
        corner = np.array([t.bbox_px for t in things], dtype=float).reshape(-1, 4)
        boxes = np.concatenate([corner[:, :2], corner[:, :2] + corner[:, 2:]], axis=1)
        scored = np.array([t.scored for t in things], dtype=bool)
        rows = np.where(scored, count + np.cumsum(scored) - 1, -1) if things else np.zeros(0, int)
        sizes += [max(t.bbox_px[2:]) for t in things if t.scored]
        count += int(scored.sum())
        wide = dict(zip((t.id for t in frame.things), strokes.get(str(frame.mission_run), ())))
        widths += [np.nan if (stroke := wide.get(t.id)) is None else stroke for t in things if t.scored]
        free = np.ones(len(things), dtype=bool)
        for k in np.argsort(-answer.score, kind="stable"):
            best = _best(answer.box_px[k], boxes, free, scored)
            score.append(answer.score[k])
            hit.append(best >= 0 and scored[best])
            false.append(best < 0)
            row_of.append(rows[best] if best >= 0 else -1)
            right, pair = np.zeros(6), None
            if best >= 0:
                free[best] = False
                if category == "panel" and answer.attributes:
                    pair = things[best].attributes, answer.attributes[k]
                    right = attribute_hits(*pair)
            rights.append(right)
            told.append(pair)
    area = float(sum(f.width_px * f.height_px for f in frames))
    return Matched(
        np.array(score, float), np.array(hit, bool), np.array(false, bool), np.array(row_of, int), count,
        np.array(sizes, float), np.array(rights, float).reshape(-1, 6), area, told, np.array(widths, float),
    )  # fmt: skip


def _best(box: Floats, boxes: Floats, free: NDArray[np.bool_], scored: NDArray[np.bool_]) -> int:
    """The object that a detection meets: of those asked for the one it covers best, else one left out, else -1."""
    if not len(boxes):
        return -1
    overlap = np.where(free, iou(box, boxes), 0.0)
    for wanted in (scored, ~scored):
        candidates = np.where(wanted, overlap, 0.0)
        if candidates.max() >= 0.5:
            return int(candidates.argmax())
    return -1


def attribute_hits(truth: Mapping[str, str | None], said: Mapping[str, str]) -> Floats:
    """1 or 0 for each of ATTRIBUTES, for all four where a turn twin of the mark is granted, and for all four where every
    look-alike is."""
    hits = [float(truth.get(a) == said.get(a)) for a in ATTRIBUTES]
    mark = ATTRIBUTES.index("mark")
    twins = hits[mark] or any({truth.get("mark"), said.get("mark")} == pair for pair in TURN_TWINS)
    pairs = [(a, truth.get(a), said.get(a)) for a in ATTRIBUTES]
    alike = all(t is not None and s is not None and look_alike(a, t, s) for a, t, s in pairs)
    return np.array([*hits, float(twins and all(h for i, h in enumerate(hits) if i != mark)), float(alike)])


def average_precision(matched: Matched) -> float | None:
    """COCO's 101-step average precision at IoU 0.5; None without an object."""
    if not matched.objects:
        return None
    counted = matched.hit | matched.false
    order = np.argsort(-matched.score[counted], kind="stable")
    hits = np.cumsum(matched.hit[counted][order])
    false = np.cumsum(matched.false[counted][order])
    recall, precision = hits / matched.objects, hits / np.maximum(hits + false, 1)
    precision = np.maximum.accumulate(precision[::-1])[::-1] if len(precision) else precision
    at = np.searchsorted(recall, np.linspace(0, 1, 101), side="left")
    return float(np.append(precision, 0.0)[np.minimum(at, len(precision))].mean())


def threshold_for_rate(matched: Matched, per_frame: float) -> float:
    """Lowest score kept so that at most ``per_frame`` false alarms are raised on an area of a frame."""
    allowed = per_frame * matched.area_px2 / FRAME_AREA_PX2
    false = np.sort(matched.score[matched.false])[::-1]
    return 0.0 if len(false) <= allowed else float(np.nextafter(false[int(np.floor(allowed))], 2.0))


def recall_at(matched: Matched, threshold: float, large: bool = False) -> float | None:
    """Share of the objects (those of 40 px and more where ``large``) that are found at or above a score."""
    asked = matched.size_px >= LARGE_PX if large else np.ones(matched.objects, dtype=bool)
    if not asked.any():
        return None
    found = matched.object_row[matched.hit & (matched.score >= threshold)]
    return float(np.isin(np.flatnonzero(asked), found).mean())


def false_alarms_per_frame(matched: Matched, threshold: float) -> float:
    """False alarms at or above a score, per area of a frame."""
    return float((matched.false & (matched.score >= threshold)).sum() * FRAME_AREA_PX2 / matched.area_px2)


def threshold_for_recall(matched: Matched, recall: float) -> float | None:
    """Highest score that still finds this share of the objects; None where the model never does."""
    hits = np.sort(matched.score[matched.hit])[::-1]
    needed = int(np.ceil(recall * matched.objects))
    return float(hits[needed - 1]) if 0 < needed <= len(hits) else None


def figures(
    panels: Matched, panels_untouched: Matched, persons: Matched, persons_untouched: Matched, gsd_m: float
) -> dict[str, Any]:
    """The figures of one flight. False alarms are counted on the judge's frames (decoys and all) and, with the suffix
    ``_untouched``, on photographs in which nothing was drawn."""
    hectares = FRAME_AREA_PX2 * gsd_m**2 / 10_000
    result: dict[str, Any] = {"panels": panels.objects, "persons": persons.objects, "ap50": average_precision(panels)}
    for rate in RATES:
        result[f"recall_at_{rate:g}"] = recall_at(panels, threshold_for_rate(panels, rate))
        result[f"recall_at_{rate:g}_untouched"] = recall_at(panels, threshold_for_rate(panels_untouched, rate))
    at_one = threshold_for_rate(panels, 1.0)
    result["recall_at_1_large"] = recall_at(panels, at_one, large=True)
    ninety = threshold_for_recall(panels, 0.9)
    for name, source in (("", panels), ("_untouched", panels_untouched)):
        alarms = None if ninety is None else false_alarms_per_frame(source, ninety)
        result[f"alarms_at_90{name}"] = alarms
        result[f"alarms_at_90_per_hectare{name}"] = None if alarms is None else alarms / hectares
    result.update(_attribute_figures(panels, at_one))
    result["by_size"] = parts_of(panels, at_one, panels.size_px, SIZES_PX)
    result["by_stroke"] = parts_of(panels, at_one, panels.stroke_px, STROKES_PX)
    result["person_ap50"] = average_precision(persons)
    for rate in (0.2, 1.0):
        result[f"person_recall_at_{rate:g}"] = recall_at(persons, threshold_for_rate(persons, rate))
    result["person_recall_at_1_untouched"] = recall_at(persons, threshold_for_rate(persons_untouched, 1.0))
    return result


def _attribute_figures(panels: Matched, threshold: float) -> dict[str, float | None]:
    """Attributes of the panels found at a score, of all sizes and of 40 px and more; all four also of all panels."""
    kept = panels.hit & (panels.score >= threshold)
    rights, rows = panels.rights[kept], panels.object_row[kept]
    large = panels.size_px[rows] >= LARGE_PX if len(rows) else np.zeros(0, bool)
    whole: NDArray[np.bool_] = rights[:, :4].min(axis=1, initial=1.0) > 0
    result: dict[str, float | None] = {}
    for suffix, chosen, asked in (
        ("", np.ones(len(rows), bool), panels.objects),
        ("_large", large, int((panels.size_px >= LARGE_PX).sum())),
    ):
        measured = chosen.any()
        for i, name in enumerate(ATTRIBUTES):
            result[f"{name}{suffix}"] = float(rights[chosen, i].mean()) if measured else None
        result[f"all_four{suffix}"] = float(whole[chosen].mean()) if measured else None
        result[f"all_four_twins{suffix}"] = float(rights[chosen, 4].mean()) if measured else None
        result[f"all_four_alike{suffix}"] = float(rights[chosen, 5].mean()) if measured else None
        result[f"all_four_of_all{suffix}"] = float(whole[chosen].sum() / asked) if asked else None
    return result


def parts_of(panels: Matched, threshold: float, values: Floats, edges: Sequence[float]) -> list[dict[str, Any]]:
    """For each range of a value of the panels [objects]: how many there are, are found at a score, and have all four
    attributes right, strictly and with look-alikes granted. Counts, so that flights can be put together."""
    kept = panels.hit & (panels.score >= threshold)
    row, rights = panels.object_row[kept], panels.rights[kept]
    whole, alike = rights[:, :4].min(axis=1, initial=1.0) > 0, rights[:, 5] > 0
    parts = []
    for low, high in zip(edges, edges[1:]):
        asked = (values >= low) & (values < high)
        mine = asked[row] if len(asked) else np.zeros(len(row), bool)
        words = f"{low:g} and more" if np.isinf(high) else f"{low:g} to {high:g}"
        parts.append({"part": words, "panels": int(asked.sum()), "found": int(mine.sum()),
                      "all_four": int(whole[mine].sum()), "alike": int(alike[mine].sum())})  # fmt: skip
    return parts


def confusions(panels: Matched, threshold: float) -> Counter[tuple[str, str, str]]:
    """How often which value was taken for which, as (attribute, true, said), among the panels found at a score."""
    found: Counter[tuple[str, str, str]] = Counter()
    for pair, hit, score in zip(panels.told, panels.hit, panels.score):
        if pair is None or not hit or score < threshold:
            continue
        for name in ATTRIBUTES:
            true, said = pair[0].get(name), pair[1].get(name)
            if true is not None and said is not None and true != said:
                found[(name, true, said)] += 1
    return found
