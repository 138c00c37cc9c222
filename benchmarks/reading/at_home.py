"""What a model reaches at home: trained from nothing on the frozen recipe ``plain``, judged on frames of that recipe.

    python -m benchmarks.reading.at_home train --bundle DIR --minutes 10 [--device cuda] [--out FILE]
    python -m benchmarks.reading.at_home score --bundle DIR --keep DIR [--frames 36] [--out FILE]

``train`` is ``panelscout fit`` in a process of its own and times all of it, start-up, held-out chips and writing included.
``score`` needs pycocotools and may run elsewhere. Frames are rendered with a seed that no training uses. "With pairs granted"
counts a look-alike as right. For comparison stands the shipped bundle, read in the same run, which never learnt on this recipe.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.ledger import note

RECIPE, MISSION, SEED = "plain", "harrow-fen", 20011
READABLE_PX = 24.0


def train(given: argparse.Namespace) -> None:
    """Fit within the wall time: what start-up and writing take is left out of the minutes of training."""
    began = time.monotonic()
    minutes = given.minutes - given.reserve_s / 60.0
    command = [
        sys.executable,
        "-m",
        "pipeline",
        "fit",
        "--train",
        RECIPE,
        "--mission",
        MISSION,
        "--out",
        str(given.bundle),
    ]
    command += [
        "--model",
        given.model,
        "--minutes",
        f"{minutes:.3f}",
        "--device",
        given.device,
        "--seed",
        str(given.seed),
    ]
    command += [] if given.draw_workers is None else ["--draw-workers", str(given.draw_workers)]
    done = subprocess.run(command, check=False)
    seconds = time.monotonic() - began
    print(f"{given.model} from nothing in {seconds:.0f} s of wall time; {60 * given.minutes:.0f} s were allowed")
    line = {"step": "train", "model": given.model, "seconds": round(seconds, 1), "allowed_s": 60 * given.minutes}
    note(given.out, line | {"in_time": seconds <= 60 * given.minutes, "exit": done.returncode})
    raise SystemExit(done.returncode)


def figures(judgement: Any) -> dict[str, float | None]:
    """COCO's figures (mean of both categories), and all four attributes of the panels found at the working confidence."""
    readings, things = judgement.readings, judgement.case.things
    side = np.array([max(things[row].bbox_px[2:]) for row in readings.object_row], dtype=float)
    asked = readings.found & (side >= READABLE_PX)
    result: dict[str, float | None] = {name: judgement.overall(name) for name in ("AP", "AP50")}
    for name, right in (("all four", readings.right), ("all four, pairs granted", readings.nearly)):
        result[name] = float(right.all(axis=1)[asked].mean()) if asked.any() else None
    return result | {
        "panels": len(side), "found": float(readings.found.mean()) if len(side) else None,
        "readable and found": int(asked.sum()),
    }  # fmt: skip


def by_category(judgement: Any) -> dict[str, dict[str, float | int | None]]:
    """What holds a category back: loose boxes (AP and AP75 far below AP50), missed things (recall) or false reports.

    ``recall``: share of the objects met at IoU 0.5 by any report, ``at work`` by one from the working confidence on; ``false``:
    reports from there on that met nothing.
    """
    from eval.judgement import best_scores

    matches, best, result = judgement.matches, best_scores(judgement), {}
    for k, name in enumerate(judgement.case.categories):
        asked = (matches.obj_category == k) & ~matches.obj_ignored[0]
        seen, working = best[asked], judgement.working[name]
        false = matches.false() & (matches.det_category == k) & (matches.det_score >= working)
        row = {figure: _known(judgement.figures[figure][k]) for figure in ("AP", "AP50", "AP75")}
        row |= {"objects": int(asked.sum()), "recall": None, "recall at work": None, "false at work": int(false.sum())}
        if asked.any():
            row |= {
                "recall": float((~np.isnan(seen)).mean()),
                "recall at work": float((np.nan_to_num(seen) >= working).mean()),
            }
        result[name] = row
    return result


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def show(rows: dict[str, dict[str, Any]]) -> None:
    """Print a table with a line for each name."""
    headings = list(next(iter(rows.values())))
    print("| | " + " | ".join(headings) + " |\n" + "|" + " --- |" * (len(headings) + 1))
    for name, row in rows.items():
        cells = ["–" if v is None else f"{v:.3f}" if isinstance(v, float) else str(v) for v in row.values()]
        print(f"| {name} | " + " | ".join(cells) + " |")


def score(given: argparse.Namespace) -> None:
    """Render, read and judge."""
    from eval.case import case_of
    from eval.judgement import judge
    from mission.frame_set import read_frame_set
    from mission.mission_file import load_mission
    from mission.recipe import load_recipe
    from mission.sightings import read_sightings
    from pipeline.bundle import load_bundle
    from pipeline.read import read
    from synth.frames import render_frame_set

    mission, frames = load_mission(MISSION), given.keep / "frames"
    if not (frames / "truth.json").exists():
        render_frame_set(load_recipe(RECIPE), mission, frames, given.frames, SEED, workers=given.workers)
    frame_set = read_frame_set(frames)
    rows, categories = {}, {}
    for name in (given.bundle, *given.beside):
        bundle = load_bundle(name, given.device)
        out = given.keep / f"read-{bundle.name}"
        read(bundle, frames, out, mission=mission, previews=False, replace_out=True)
        sightings = read_sightings(out / "sightings.json", [frame.id for frame in frame_set.frames])
        judgement = judge(case_of(frame_set, sightings, out), sightings.working_confidence, mission.panels.vocabulary)
        rows[bundle.name] = figures(judgement)
        line = {"step": "score", "bundle": str(name), "recipe": RECIPE, "seed": SEED, "frames": len(frame_set.frames)}
        own = by_category(judgement)
        categories |= {f"{bundle.name}, {category}": row for category, row in own.items()}
        note(given.out, line | rows[bundle.name] | {"categories": own})
    show(rows)
    show(categories)


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    steps = parser.add_subparsers(required=True)
    one, two = steps.add_parser("train"), steps.add_parser("score")
    one.set_defaults(work=train)
    one.add_argument("--minutes", type=float, default=10.0, help="of wall time, for everything")
    one.add_argument("--reserve-s", type=float, default=45.0, help="of that, for starting and for writing")
    one.add_argument("--model", default="default")
    one.add_argument("--draw-workers", type=int)
    one.add_argument("--seed", type=int, default=0)
    two.set_defaults(work=score)
    two.add_argument("--beside", nargs="*", default=["default"], help="bundles read in the same run")
    two.add_argument("--keep", type=Path, required=True, help="folder for frames and readings")
    two.add_argument("--frames", type=int, default=36)
    two.add_argument("--workers", type=int, default=2)
    for step in (one, two):
        step.add_argument("--bundle", type=Path, required=True, help="its folder")
        step.add_argument("--device", default="auto")
        step.add_argument("--out", type=Path, help="file that a line of JSON is added to")
    return parser.parse_args()


def main() -> None:
    given = arguments()
    given.work(given)


if __name__ == "__main__":
    main()
