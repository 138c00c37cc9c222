"""The whole job once, on a shipped mission: brief, render, fit, read, score, and sentences made of what was measured.

Each step leaves its output whole under DIR or not at all, so an interrupted demo goes on at the first step whose output
is missing. A finished one is begun anew: no figure is kept and shown again.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from mission.atomic import read_json, write_json
from mission.errors import InputError
from mission.ground_folder import GroundScales
from mission.mission_file import Mission, load_mission
from mission.model_file import check_minutes
from mission.recipe import load_recipe
from pipeline.demo_ground import split_ground

STATE = "demo.json"
FORMAT = "demo/1"
#: Outputs under DIR, in the order in which they come to be.
GROUND, FRAMES, BUNDLE, READING, SCORE = "ground", "held-out-frames", "bundle", "reading", "score"


@dataclass(frozen=True)
class DemoOptions:
    """What one demo is made from; an interrupted demo goes on only with the same."""

    mission: str = "harrow-fen"
    train_recipe: str = "demo-training"
    test_recipe: str = "demo-judging"
    model: str = "small"
    frames: int = 16
    fit_minutes: float = 3.6
    # The bundle whose weights the training goes on from; None: from nothing.
    start: str | None = None
    seed: int = 1
    ground: str | None = None
    ground_gsd_m: GroundScales | None = None
    workers: int = 2

    def __post_init__(self) -> None:
        check_minutes(self.fit_minutes)


@dataclass(frozen=True)
class Listener:
    """Where a demo tells how it is going: a heading per step, a plain line, and progress of the step at hand."""

    step: Callable[[str], None]
    line: Callable[[str], None]
    progress: Callable[[int, int], None]
    fit_progress: Callable[[Any], None]


@dataclass(frozen=True)
class DemoResult:
    """The scorecard, where it lies, and what each step took (0 for what an interrupted demo had already done)."""

    card: dict[str, Any]
    out: Path
    seconds: dict[str, float]


def demo(out: str | Path, options: DemoOptions, listener: Listener) -> DemoResult:
    """Run the demo in ``out``. InputError where ``out`` holds something that no demo made."""
    folder = Path(out)
    mission = load_mission(options.mission)
    resumed = _prepare(folder, options)
    if resumed:
        listener.line(f"An interrupted demo lies in {folder}; going on where it stopped.")
    took: dict[str, float] = {}
    train_ground, test_ground = None, None
    if options.ground is not None:
        train_ground, test_ground, said = split_ground(folder / GROUND, options.ground, options.ground_gsd_m)
        listener.line(said)
    with _timed(took, "render"):
        _render(folder / FRAMES, options, mission, test_ground, listener)
    with _timed(took, "fit"):
        _fit(folder / BUNDLE, options, train_ground, listener)
    with _timed(took, "read"):
        _read(folder, mission, listener)
    with _timed(took, "score"):
        card = _score(folder, mission, listener)
    write_json(folder / STATE, _state(options, finished=True), indent=1)
    return DemoResult(card, folder, took)


@contextmanager
def _timed(took: dict[str, float], step: str) -> Iterator[None]:
    started = time.monotonic()
    yield
    took[step] = time.monotonic() - started


def _state(options: DemoOptions, *, finished: bool) -> dict[str, Any]:
    return {"format": FORMAT, "options": asdict(options), "finished": finished}


def _prepare(folder: Path, options: DemoOptions) -> bool:
    """Make ``folder`` ready; True where an interrupted demo of the same options is gone on with."""
    if folder.exists() and not folder.is_dir():
        raise InputError(f"The output {folder} must be a folder. Got a file of that name instead.")
    state = folder / STATE
    if folder.exists() and any(folder.iterdir()) and not state.exists():
        raise InputError(
            f"The output folder {folder} must be new, empty or an earlier demo's. Got other files in it instead."
        )
    if state.exists() and read_json(state) == _state(options, finished=False):
        return True
    folder.mkdir(parents=True, exist_ok=True)
    for name in (GROUND, FRAMES, BUNDLE, READING, SCORE):
        for left in (folder / name, *folder.glob(f".{name}.*")):
            shutil.rmtree(left, ignore_errors=True)
    write_json(state, _state(options, finished=False), indent=1)
    return False


def _render(out: Path, options: DemoOptions, mission: Mission, ground: Path | None, listener: Listener) -> None:
    apart = "typefaces and main kinds of ground" if ground is None else "typefaces and photographs"
    listener.step(f"Rendering {options.frames} held-out frames: {apart} that training never meets")
    if (out / "truth.json").exists():
        return
    from synth.frames import render_frame_set  # torch is loaded after the brief has been shown
    from synth.photo_ground import GroundBank

    recipe = load_recipe(options.test_recipe)
    bank = None if ground is None else GroundBank.from_folder(ground, mission_gsd_m=mission.ground_sample_distance_m)
    render_frame_set(
        recipe, mission, out, options.frames, options.seed,
        ground=bank, workers=options.workers, on_progress=listener.progress,
    )  # fmt: skip


def _fit(out: Path, options: DemoOptions, ground: Path | None, listener: Listener) -> None:
    if options.start is None:
        listener.step(f"Training a detector and four readers from nothing, {options.fit_minutes:g} minutes")
    else:
        listener.step(f"Tuning the bundle '{options.start}' for this field, {options.fit_minutes:g} minutes")
    if (out / "bundle.yaml").exists():
        return
    from pipeline.fit import fit

    fit(
        options.train_recipe, out, model=options.model, mission=options.mission, ground=ground,
        minutes=options.fit_minutes, seed=options.seed + 1, workers=options.workers, start=options.start,
        on_progress=listener.fit_progress, on_remark=listener.line,
    )  # fmt: skip


def _read(folder: Path, mission: Mission, listener: Listener) -> None:
    listener.step("Reading the held-out frames: sightings, finds, coverage")
    if (folder / READING / "finds.geojson").exists():
        return
    from pipeline.bundle import load_bundle
    from pipeline.read import read

    read(
        load_bundle(str(folder / BUNDLE), "auto"), folder / FRAMES, folder / READING,
        mission=mission, on_progress=listener.progress,
    )  # fmt: skip


def _score(folder: Path, mission: Mission, listener: Listener) -> dict[str, Any]:
    listener.step("Scoring against the truth")
    from eval.score import score

    reading = folder / READING
    return score(
        folder / FRAMES, reading / "sightings.json", folder / SCORE,
        finds=reading / "finds.geojson", rulebook=mission.rulebook, mission=mission,
    )  # fmt: skip
