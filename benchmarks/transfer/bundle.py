"""How a bundle reads the judge's frames, through the whole chain that ``panelscout read`` uses.

    python -m benchmarks.transfer.bundle [BUNDLE] [--flights lake bush] [--look-weight 0] [--unknown-scale] [--sheets DIR]

Prints Markdown tables: the figures, a line a flight; people missed at the working confidence, beside false reports of people; all
four attributes by the panel's size and by the width of the mark's strokes; what was taken for what. ``--sheets`` draws the surest
false alarms and the misses. The shipped bundle was trained on the *ground* of these flights, though not on the
panels, people and decoys that the judge draws: its figures say what strange things do to it, not what strange ground does.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import torch

from benchmarks.ledger import note
from benchmarks.transfer.alarms import AlarmSheet
from benchmarks.transfer.judge import FLIGHT_NAMES, flight_named
from benchmarks.transfer.measure import (
    FRAME_AREA_PX2,
    SIZES_PX,
    STROKES_PX,
    Answer,
    Matched,
    confusions,
    false_alarms_per_frame,
    figures,
    parts_of,
    recall_at,
)
from benchmarks.transfer.pool import MISSION
from benchmarks.transfer.table import markdown
from benchmarks.transfer.verdict import judge_frames
from eval.proportions import exact_upper_bound
from mission.frame_set import FrameSet, read_frame_set
from mission.mission_file import load_mission
from mission.sightings import Sighting
from mission.vocabulary import ATTRIBUTES, look_alike
from pipeline.bundle import Bundle, load_bundle
from pipeline.frame_reader import FrameReader
from pipeline.frames_to_read import FrameToRead

_IDS = {"panel": 1, "person": 2}
COLUMNS = {
    "ap50": "panel AP50", "recall_at_0.2": "recall at 0.2", "recall_at_1": "at 1", "recall_at_1_untouched": "at 1, untouched",
    "all_four_large": "all four, >= 40 px", "all_four_of_all_large": "of all", "person_ap50": "person AP50",
    "panels at work": "panels found at work", "alarms at work": "false alarms at work", "alarms untouched": "untouched",
    "people at work": "people found at work", "people untouched": "false people, untouched",
}  # fmt: skip


@dataclass(frozen=True)
class Asked:
    """One flight to be read by a bundle; ``look_weight`` None: the bundle's own."""

    bundle: str
    flight: str
    judged: Path
    look_weight: float | None
    unknown_scale: bool
    share: float = 1.0


@dataclass(frozen=True)
class Measured:
    """What was measured on one flight; ``people`` are the figures of persons at the working confidence."""

    flight: str
    figures: dict[str, Any]
    people: dict[str, int | float]
    confused: Counter[tuple[str, str, str]]
    sheets: tuple[AlarmSheet, AlarmSheet]


def answer_of(seen: list[Sighting], category: str) -> Answer:
    """The sightings of one category as an answer, each attribute by its most probable value."""
    mine = [one for one in seen if one.category_id == _IDS[category]]
    box = np.array([one.bbox_px for one in mine], float).reshape(-1, 4)
    box[:, 2:] += box[:, :2]
    said: list[dict[str, str]] = []
    for one in mine if category == "panel" else []:
        tables = {name: one.attributes.get(name, {}) for name in ATTRIBUTES}
        said.append({name: max(table, key=lambda value: table[value]) for name, table in tables.items() if table})
    return Answer(box, np.array([one.score for one in mine], float), said)


def reading_of(bundle: Bundle, unknown_scale: bool) -> Callable[[np.ndarray], dict[str, Answer]]:
    """A function from the pixels of a frame to what the bundle says of it."""
    mission = None if unknown_scale else load_mission(MISSION)
    reader = FrameReader(bundle, mission, _IDS, bundle.working_confidence)

    def say_of(pixels: np.ndarray) -> dict[str, Answer]:
        height, width = pixels.shape[:2]
        frame = FrameToRead(1, Path("frame"), "frame", width, height, None, None)
        seen = reader.sightings(frame, pixels.copy())
        return {category: answer_of(seen, category) for category in _IDS}

    return say_of


def measured(asked: Asked) -> Measured:
    """The figures of one flight."""
    torch.set_num_threads(1)
    bundle = load_bundle(asked.bundle, "cpu")
    if asked.look_weight is not None:
        bundle.second_look_weight = asked.look_weight
    say_of, working = reading_of(bundle, asked.unknown_scale), bundle.working_confidence
    sheets = AlarmSheet(working["panel"]), AlarmSheet(working["person"], "person")
    sets = [read_frame_set(asked.judged / f"{asked.flight}{which}") for which in ("", "-untouched")]
    drawn, plain = (judge_frames(some(frames, asked.share), say_of, *sheets) for frames in sets)
    panels, people = drawn["panel"], drawn["person"]
    at_work = panels, working["panel"]

    def alarms(matched: Matched, category: str) -> float:
        return false_alarms_per_frame(matched, working[category])

    found = figures(panels, plain["panel"], people, plain["person"], flight_named(asked.flight).gsd_m) | {
        "panels at work": recall_at(*at_work), "alarms at work": alarms(panels, "panel"),
        "alarms untouched": alarms(plain["panel"], "panel"), "people at work": recall_at(people, working["person"]),
        "people untouched": alarms(plain["person"], "person"),
        "by_size": parts_of(*at_work, panels.size_px, SIZES_PX), "by_stroke": parts_of(*at_work, panels.stroke_px, STROKES_PX),
    }  # fmt: skip
    return Measured(
        asked.flight, found, people_at_work(people, plain["person"], working["person"]), confusions(*at_work), sheets
    )


def some(frames: FrameSet, share: float) -> FrameSet:
    """Every so many frames, for a quick look; all of them for a share of 1."""
    return replace(frames, frames=frames.frames[:: max(1, round(1 / share))])


def people_at_work(people: Matched, plain: Matched, confidence: float) -> dict[str, int | float]:
    """People asked for and missed, and false reports of people, at a confidence; areas in frames of 2000 x 1500 px."""
    found = recall_at(people, confidence)
    false = [int((m.false & (m.score >= confidence)).sum()) for m in (people, plain)]
    return {
        "people": people.objects, "missed": 0 if found is None else people.objects - round(found * people.objects),
        "false": false[0], "false untouched": false[1],
        "frames": people.area_px2 / FRAME_AREA_PX2, "frames untouched": plain.area_px2 / FRAME_AREA_PX2,
    }  # fmt: skip


def people_table(results: Sequence[Measured]) -> str:
    """People missed with the 95 % upper bound of Clopper and Pearson, beside false reports of people."""
    lines = [["flight", "people", "missed", "share missed, at most (95 %)", "false people a frame", "untouched"]]
    rows = [(one.flight, one.people) for one in results]
    rows.append(("all", {key: sum(row[key] for _, row in rows) for key in rows[0][1]}))
    for name, row in rows:
        asked, missed = int(row["people"]), int(row["missed"])
        bound = f"{missed / asked:.2f}, {exact_upper_bound(missed, asked):.2f}" if asked else "–"
        rates = [f"{row[f'false{which}'] / max(row[f'frames{which}'], 1e-9):.2f}" for which in ("", " untouched")]
        lines.append([name, str(asked), str(missed), bound, *rates])
    return markdown(lines)


def parts_table(results: Sequence[Measured], key: str, heading: str) -> str:
    """All four attributes of the panels found at the working confidence, by a range, all flights together."""
    lines = [[heading, "panels", "found", "all four of found", "look-alikes granted"]]
    for parts in zip(*(one.figures[key] for one in results), strict=True):
        total = {name: sum(part[name] for part in parts) for name in ("panels", "found", "all_four", "alike")}
        shares = [f"{total[name] / total['found']:.2f}" if total["found"] else "–" for name in ("all_four", "alike")]
        lines.append([parts[0]["part"], str(total["panels"]), str(total["found"]), *shares])
    return markdown(lines)


def confusion_table(results: Sequence[Measured], most: int = 6) -> str:
    """The commonest confusions of each attribute; a star marks a look-alike pair of the vocabulary."""
    total = sum((one.confused for one in results), Counter[tuple[str, str, str]]())
    lines = [["attribute", "true, taken for (times)"]]
    for attribute in ATTRIBUTES:
        mine = Counter({(true, said): n for (name, true, said), n in total.items() if name == attribute}).most_common(
            most
        )
        told = (f"{t}, {s}{'*' if look_alike(attribute, t, s) else ''} ({n})" for (t, s), n in mine)
        lines.append([attribute, "; ".join(told) or "none"])
    return markdown(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("bundle", nargs="?", default="default")
    parser.add_argument("--flights", nargs="+", default=list(FLIGHT_NAMES), choices=FLIGHT_NAMES)
    parser.add_argument(
        "--judged", type=Path, default=Path(".transfer/judged"), help="frame sets of benchmarks.transfer.judge"
    )
    parser.add_argument("--look-weight", type=float, help="weight of the second look instead of the bundle's")
    parser.add_argument("--unknown-scale", action="store_true", help="read as photographs of unknown scale are")
    parser.add_argument("--share", type=float, default=1.0, help="of the frames, for a quick look")
    parser.add_argument("--sheets", type=Path, help="folder for pictures of the surest false alarms and of misses")
    parser.add_argument("--out", type=Path, help="add what was measured to this file, a line of JSON a flight")
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    reading = given.look_weight, given.unknown_scale, given.share
    print("| flight | " + " | ".join(COLUMNS.values()) + " |\n" + "|" + " --- |" * (len(COLUMNS) + 1))
    todo, results = [Asked(given.bundle, flight, given.judged, *reading) for flight in given.flights], []
    with ProcessPoolExecutor(given.workers) as pool:
        for found in pool.map(measured, todo):
            results.append(found)
            cells = ["–" if found.figures[key] is None else f"{found.figures[key]:.2f}" for key in COLUMNS]
            print(f"| {found.flight} | " + " | ".join(cells) + " |", flush=True)
            if given.out:
                line = {
                    "bundle": given.bundle,
                    "flight": found.flight,
                    **found.figures,
                    "persons at work": found.people,
                }
                note(given.out, line)
    print("", people_table(results), sep="\n")
    print("", parts_table(results, "by_size", "longer side, px"), sep="\n")
    if any(part["panels"] for one in results for part in one.figures["by_stroke"]):
        print("", parts_table(results, "by_stroke", "stroke of the mark, px"), sep="\n")
    print("", confusion_table(results), sep="\n")
    if given.sheets:
        given.sheets.mkdir(parents=True, exist_ok=True)
        for number, category in enumerate(_IDS):
            sheet = AlarmSheet(category=category)
            sheet.take_in(one.sheets[number] for one in results)
            sheet.save(given.sheets / f"{category}.jpg")


if __name__ == "__main__":
    main()
