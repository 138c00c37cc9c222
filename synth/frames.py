"""Frame sets: whole frames with exact truth, written by any number of workers, going on where a killed run stopped."""

from __future__ import annotations

import json
import multiprocessing
import os
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import torch
import yaml

from mission.atomic import read_json, write_bytes, write_json, write_text
from mission.errors import InputError
from mission.frame_set import Frame, FrameSet, OtherThing, Run, Thing, write_truth
from mission.mission_file import Mission
from mission.recipe import Recipe
from mission.vocabulary import ATTRIBUTES, CATEGORIES
from synth.exif import exif_of
from synth.flight import FramePlan, RunPlan, plan_frame, plan_run, run_of_frame
from synth.frame_picture import FramePicture, draw_frame
from synth.jpeg import encode_jpeg
from synth.outlines import outline_atlas
from synth.panels import check_drawable
from synth.photo_ground import GroundBank
from synth.render_ranks import await_end, await_opening, await_others, close_ranks, open_ranks, ranks_of, say_here
from synth.truth import other_boxes

# Targets that show less than this of themselves are not put down.
_LEAST_VISIBLE = 0.02
_PARTS = "parts"
# What a frame's part holds; an unfinished render of another kind must not be gone on with.
_PARTS_VERSION = 2


@dataclass(frozen=True)
class RenderJob:
    """What a worker needs to draw any frame of a set."""

    recipe: Recipe
    mission: Mission
    seed: int
    bank: GroundBank | None
    work: Path


def render_frame_set(
    recipe: Recipe,
    mission: Mission,
    out: str | Path,
    frames: int,
    seed: int,
    *,
    ground: GroundBank | None = None,
    workers: int = 1,
    on_progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Write a frame set of ``frames`` frames to the folder ``out``, which must be new or empty; returns it.

    The files are the same for any number of ``workers``. Work goes on in a hidden folder beside ``out`` and is renamed when
    whole; killed, the same call goes on where it stopped. ``on_progress(done, total)`` is called after each frame. Under
    PyTorch's launcher the processes share the frames (``synth.render_ranks``); ``workers`` are then those of each process.
    """
    check_drawable(recipe, mission)
    final, ranks = Path(out), ranks_of()
    if frames < 1:
        raise InputError(f"The number of frames must be at least 1. Got {frames} instead.")
    if final.exists() and (not final.is_dir() or any(final.iterdir())):
        raise InputError(f"The output folder {final} must be new or empty. Got one with files in it instead.")
    work = final.parent / f".{final.name}.rendering"
    if ranks.rank > 0:
        await_opening(work, work / "work.json")
    _open_work(work, _fingerprint(recipe, mission, seed, ground), final)
    if ranks.rank == 0:
        open_ranks(work, ranks)
    job = RenderJob(recipe, mission, seed, ground, work)

    def done() -> int:
        return _parts_there(work, frames)

    def told(count: int) -> None:
        if on_progress:
            on_progress(count, frames)

    missing = [n for n in ranks.own(frames) if not _part(work, n).exists()]
    drawn = done()
    told(drawn)
    for _ in _drawn(job, missing, workers):
        drawn += 1
        told(drawn if ranks.world == 1 else done())
        if ranks.rank > 0:
            say_here(work, ranks)
    if ranks.rank > 0:
        await_end(work, ranks, done)
        return final
    if ranks.world > 1:
        await_others(work, ranks, done, frames, told)
    close_ranks(work)
    _finish(job, frames, final)
    return final


def _fingerprint(recipe: Recipe, mission: Mission, seed: int, ground: GroundBank | None) -> dict[str, Any]:
    return {
        "recipe": recipe.model_dump(mode="json"),
        "mission": mission.model_dump(mode="json", exclude={"rulebook", "wanted"}),
        "seed": seed,
        "parts": _PARTS_VERSION,
        "ground": None if ground is None else [[p.flight, p.name, p.scale.gsd_m] for p in ground.photographs],
    }


def _open_work(work: Path, fingerprint: dict[str, Any], final: Path) -> None:
    """Start, or go on with, the hidden work folder."""
    record = work / "work.json"
    if record.exists():
        if read_json(record) != json.loads(json.dumps(fingerprint)):
            raise InputError(
                f"The unfinished render {work} must be of the same recipe, mission, seed and ground as the one asked for."
                " Got another instead; remove that folder to start anew."
            )
        return
    shutil.rmtree(work, ignore_errors=True)
    (work / "frames").mkdir(parents=True)
    (work / _PARTS).mkdir()
    final.parent.mkdir(parents=True, exist_ok=True)
    write_json(record, fingerprint)


def frame_name(number: int) -> str:
    """File name of a frame, relative to its frame set."""
    return f"frames/{number + 1:05d}.jpg"


def _part(work: Path, number: int) -> Path:
    return work / _PARTS / f"{number + 1:05d}.json"


def _parts_there(work: Path, frames: int) -> int:
    try:
        there = set(os.listdir(work / _PARTS))
    except OSError:
        return 0  # rank 0 is finishing
    return sum(_part(work, number).name in there for number in range(frames))


def _drawn(job: RenderJob, numbers: list[int], workers: int) -> Iterator[int]:
    """Draw frames, here or in worker processes; yields each number when its files are written."""
    if workers <= 1 or len(numbers) <= 1:
        threads = torch.get_num_threads()
        torch.set_num_threads(1)
        try:
            for number in numbers:
                yield _draw_one(job, number)
        finally:
            torch.set_num_threads(threads)
        return
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(min(workers, len(numbers)), context, initializer=_start_worker, initargs=(job,))
    try:
        # Workers go through the frames in chunks of a run, so that each plans few runs.
        for future in as_completed([pool.submit(_work, number) for number in numbers]):
            yield future.result()
        pool.shutdown()
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        for process in list((getattr(pool, "_processes", None) or {}).values()):
            process.terminate()
        raise


_job: RenderJob | None = None


def _start_worker(job: RenderJob) -> None:
    global _job
    _job = job
    torch.set_num_threads(1)
    os.environ["OMP_NUM_THREADS"] = "1"


def _work(number: int) -> int:
    assert _job is not None
    return _draw_one(_job, number)


def _draw_one(job: RenderJob, number: int) -> int:
    run_number, _ = run_of_frame(job.recipe, number)
    run = _run(job, run_number)
    frame = plan_frame(job.recipe, job.mission, job.seed, number, run)
    picture = draw_frame(run, frame, job.mission, job.bank)
    exif = exif_of(job.mission, frame.true_view)
    write_bytes(job.work / frame_name(number), encode_jpeg(picture.image, frame.capture, exif))
    write_json(_part(job.work, number), _truth_part(job, run, frame, picture))
    return number


@lru_cache(maxsize=2)
def _cached_run(key: tuple[int, int, int]) -> RunPlan:
    recipe, mission, bank = _planning[key[0]]
    return plan_run(recipe, mission, key[1], key[2], bank)


_planning: dict[int, tuple[Recipe, Mission, GroundBank | None]] = {}


def _run(job: RenderJob, number: int) -> RunPlan:
    """The plan of a run, kept while its frames are drawn (plans hold arrays, which cannot be keys themselves)."""
    _planning[id(job)] = (job.recipe, job.mission, job.bank)
    return _cached_run((id(job), job.seed, number))


def _truth_part(job: RenderJob, run: RunPlan, frame: FramePlan, picture: FramePicture) -> dict[str, Any]:
    """One frame's truth as JSON: everything of a Frame but the annotation ids."""
    vocabulary = job.mission.panels.vocabulary
    truth, targets = picture.truth, run.layout.targets
    things = []
    for k, row in enumerate(truth.row):
        if picture.visible[k] < _LEAST_VISIBLE:
            continue
        category = CATEGORIES[targets.category[row]]
        attributes = {}
        if category == "panel":
            values = targets.attributes[row]
            attributes = {key: vocabulary.values(key)[values[i]] for i, key in enumerate(ATTRIBUTES)}
        x0, y0, x1, y1 = (float(v) for v in truth.box_px[k])
        turn = float(truth.mark_turn_deg[k])
        things.append(
            {
                "category": category,
                "bbox_px": [x0, y0, x1 - x0, y1 - y0],
                "area_px2": float(picture.area_px2[k]),
                "segmentation": [[float(v) for point in ring for v in point] for ring in picture.rings[k]],
                "attributes": attributes,
                "object": run.objects[row],
                "ground_enu_m": [float(v) for v in targets.ground[row]],
                "visible": float(picture.visible[k]),
                "mark_turn_deg": turn if turn == turn else None,
            }
        )
    number, boxes = other_boxes(run.decoys, frame.true_view, outline_atlas(vocabulary))
    others = [
        {"kind": run.decoy_kinds[n], "bbox_px": [x0, y0, x1 - x0, y1 - y0]}
        for n, (x0, y0, x1, y1) in zip(number.tolist(), boxes.tolist(), strict=True)
    ]
    return {
        "view": frame.recorded_view.to_json(),
        "run": run.name,
        "background": run.background,
        "things": things,
        "other_things": others,
    }


def _finish(job: RenderJob, frames: int, final: Path) -> None:
    """Gather the parts into truth.json, add the recipe, and give the folder its name."""
    from mission.camera import view_from_json

    camera = job.mission.camera
    found, identity = [], 0
    for number in range(frames):
        part = read_json(_part(job.work, number))
        things = []
        for content in part["things"]:
            identity += 1
            things.append(
                Thing(
                    identity,
                    content["category"],
                    tuple(content["bbox_px"]),
                    content["area_px2"],
                    tuple(tuple(ring) for ring in content["segmentation"]),
                    content["attributes"],
                    content["object"],
                    tuple(content["ground_enu_m"]),
                    content["visible"],
                    content["mark_turn_deg"],
                )
            )
        found.append(
            Frame(
                number + 1,
                frame_name(number),
                camera.image_width_px,
                camera.image_height_px,
                view_from_json(part["view"], str(_part(job.work, number))),
                part["run"],
                part["background"],
                tuple(things),
                tuple(OtherThing(o["kind"], tuple(o["bbox_px"])) for o in part["other_things"]),
            )
        )
    runs = _runs(job, found)
    truth = "rendered" if job.bank is None else "mixed"
    info = {"description": f"{job.recipe.name} over {job.mission.name}", "seed": job.seed}
    write_truth(job.work, FrameSet(job.work, truth, tuple(found), runs), info)
    resolved = job.recipe.model_dump(mode="json") | {"name": job.recipe.name}
    record = {"rendered_with": {"seed": job.seed, "frames": frames, "version": _version(), "mission": job.mission.name}}
    text = "".join(f"# {line}\n" for line in yaml.safe_dump(record).splitlines())
    write_text(job.work / "recipe.yaml", text + yaml.safe_dump(resolved, sort_keys=False))
    for extra in set((job.work / "frames").iterdir()) - {job.work / frame.file_name for frame in found}:
        extra.unlink()
    shutil.rmtree(job.work / _PARTS)
    (job.work / "work.json").unlink()
    if final.exists():
        final.rmdir()
    os.rename(job.work, final)


def _runs(job: RenderJob, frames: list[Frame]) -> tuple[Run, ...]:
    """Runs with what is wanted of them: panels that lie in at least one of the frames rendered."""
    seen: dict[str, set[str]] = {}
    for frame in frames:
        seen.setdefault(str(frame.mission_run), set()).update(str(t.object) for t in frame.things if t.scored)
    runs = []
    for name in seen:
        plan = _run(job, int(name.removeprefix("run-")) - 1)
        runs.append(Run(name, tuple(w for w in plan.wanted if w.object in seen[name])))
    return tuple(runs)


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("panelscout")
    except PackageNotFoundError:
        return "unknown"
