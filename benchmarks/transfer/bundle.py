"""How a bundle reads the judge's frames, through the whole chain that ``panelscout read`` uses.

    python -m benchmarks.transfer.bundle [BUNDLE] [--flights lake bush] [--look-weight 0] [--unknown-scale]

Prints a Markdown table, a line a flight. The shipped bundle was trained on the *ground* of these flights, though not on the
panels, people and decoys that the judge draws: its figures say what strange things do to it, not what strange ground does.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch

from benchmarks.transfer.judge import FLIGHT_NAMES, flight_named
from benchmarks.transfer.measure import Answer, Matched, false_alarms_per_frame, figures, recall_at
from benchmarks.transfer.pool import MISSION
from benchmarks.transfer.verdict import judge_frames
from mission.frame_set import read_frame_set
from mission.mission_file import load_mission
from mission.sightings import Sighting
from mission.vocabulary import ATTRIBUTES
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


def measured(asked: Asked) -> dict[str, Any]:
    """The figures of one flight."""
    torch.set_num_threads(1)
    bundle = load_bundle(asked.bundle, "cpu")
    if asked.look_weight is not None:
        bundle.second_look_weight = asked.look_weight
    say_of, working = reading_of(bundle, asked.unknown_scale), bundle.working_confidence
    drawn = judge_frames(read_frame_set(asked.judged / asked.flight), say_of, None)
    plain = judge_frames(read_frame_set(asked.judged / f"{asked.flight}-untouched"), say_of, None)
    panels, people = drawn["panel"], drawn["person"]

    def alarms(matched: Matched, category: str) -> float:
        return false_alarms_per_frame(matched, working[category])

    return figures(panels, plain["panel"], people, plain["person"], flight_named(asked.flight).gsd_m) | {
        "panels at work": recall_at(panels, working["panel"]), "alarms at work": alarms(panels, "panel"),
        "alarms untouched": alarms(plain["panel"], "panel"), "people at work": recall_at(people, working["person"]),
        "people untouched": alarms(plain["person"], "person"),
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("bundle", nargs="?", default="default")
    parser.add_argument("--flights", nargs="+", default=list(FLIGHT_NAMES), choices=FLIGHT_NAMES)
    parser.add_argument(
        "--judged", type=Path, default=Path(".transfer/judged"), help="frame sets of benchmarks.transfer.judge"
    )
    parser.add_argument("--look-weight", type=float, help="weight of the second look instead of the bundle's")
    parser.add_argument("--unknown-scale", action="store_true", help="read as photographs of unknown scale are")
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    print("| flight | " + " | ".join(COLUMNS.values()) + " |\n" + "|" + " --- |" * (len(COLUMNS) + 1))
    todo = [Asked(given.bundle, f, given.judged, given.look_weight, given.unknown_scale) for f in given.flights]
    with ProcessPoolExecutor(given.workers) as pool:
        for asked, found in zip(todo, pool.map(measured, todo), strict=True):
            cells = ["–" if found[key] is None else f"{found[key]:.2f}" for key in COLUMNS]
            print(f"| {asked.flight} | " + " | ".join(cells) + " |", flush=True)


if __name__ == "__main__":
    main()
