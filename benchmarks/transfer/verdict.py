"""Let trained networks answer the judge's frames of the flights that they never saw: one line of figures a row and flight.

    python -m benchmarks.transfer.verdict NETWORKS --out results.jsonl [--judged DIR] [--workers 2]

NETWORKS is what ``benchmarks.transfer.run`` wrote. A row without readers or without a detector of its own takes those of the
first row of its block. What is in the output file already is not judged again.
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn

from benchmarks.ledger import note
from benchmarks.transfer.alarms import AlarmSheet
from benchmarks.transfer.ingredients import ROWS, row_named
from benchmarks.transfer.judge import FLIGHT_NAMES, STROKES, flight_named, judge_flight
from benchmarks.transfer.learn import Run, learnt, network_of
from benchmarks.transfer.measure import Answer, Matched, figures, match
from benchmarks.transfer.pool import MISSION
from benchmarks.transfer.run import MODEL
from mission.frame_set import FrameSet, read_frame_set
from mission.mission_file import load_mission
from mission.model_file import load_model_file
from mission.photographs import load_photograph
from mission.vocabulary import ATTRIBUTES, CATEGORIES, Vocabulary
from pipeline.adapting import windows_of, with_statistics_of
from pipeline.crops import crops_of_frame
from pipeline.frames_to_read import frames_to_read
from pipeline.readers import Readers
from pipeline.second_look import looks_at, rescored
from pipeline.tensor_files import fill_network, read_tensors

READ_AT_MOST, READ_FROM = 60, 0.03
LOOK_WEIGHT = 0.5
#: Unlabelled frames of the flight judged that statistics are re-estimated on.
ADAPT_TO = 20


@dataclass(frozen=True)
class Case:
    """One row on one flight: files of the detector and the readers, and where the judge's frames lie."""

    row: str
    seed: int
    flight: str
    detector: Path
    readers: Path | None
    judged: Path
    model: str
    sheets: Path | None = None
    device: str = "cpu"


def facts_of(path: Path) -> dict[str, Any]:
    """What a network's file says of its training."""
    return json.loads(read_tensors(path)[1]["facts"])


def cases(networks: Path, judged: Path, model: str, sheets: Path | None, device: str = "cpu") -> Iterator[Case]:
    """Everything that can be judged of a folder of networks."""
    found: dict[tuple[str, str, int, str], Path] = {}
    for path in sorted(networks.glob("*.safetensors")):
        facts = facts_of(path)
        for flight in facts["left_out"]:
            found[(facts["row"], facts["part"], facts["seed"], flight)] = path
    keys = {(r, s, f) for r, _, s, f in found}
    keys |= {(name, s, f) for name, row in ROWS.items() if row.reading != "plain" for r, s, f in keys if r == "real"}
    for row, seed, flight in sorted(keys):
        like = like_of(row)
        detector = found.get((row, "detector", seed, flight)) or found.get((like, "detector", seed, flight))
        readers = found.get((row, "readers", seed, flight)) or found.get((like, "readers", seed, flight))
        if detector is not None:
            yield Case(row, seed, flight, detector, readers, judged, model, sheets, device)


def like_of(row: str) -> str:
    """The row whose networks stand in for those that a row does not train."""
    asked = row_named(row)
    if asked.real_share == 0:
        return "procedural-few"
    return "real" if asked.leaves_out == "one" else "two-flights"


def load(path: Path, model: str) -> nn.Module:
    """A trained network, ready to answer; ``model`` is the model file of those that name none."""
    facts = facts_of(path)
    model = facts.get("model") or model
    run = Run(facts["row"], facts["part"], facts["seed"], tuple(facts["left_out"]), tuple(facts["grounds"]))
    network = network_of(run, load_model_file(model), load_mission(MISSION))
    published = {name: value for name, value in network.state_dict().items() if name not in learnt(network)}
    fill_network(network, {**published, **read_tensors(path)[0]}, path)
    return network.eval()


@torch.inference_mode()
def answer(
    pixels: np.ndarray, detector: nn.Module, readers: Readers | None, vocabulary: Vocabulary, look_weight: float = 0.0
) -> dict[str, Answer]:
    """What the networks say of one frame uint8 [H, W, 3], by category."""
    device = next(detector.parameters()).device
    frame = torch.from_numpy(np.ascontiguousarray(pixels.transpose(2, 0, 1))).to(device)
    found = detector.detect(frame[None])[0]  # type: ignore[operator]
    if look_weight and readers is not None:
        found = rescored(found, looks_at(readers, frame[None], [found], 1.0)[0], look_weight)
    said = {}
    for number, name in enumerate(CATEGORIES):
        mine = found.category == number
        box, score = found.box_px[mine].float(), found.score[mine].float()
        attributes: list[dict[str, str]] = []
        if name == "panel" and readers is not None:
            read = int(min(READ_AT_MOST, int((score >= READ_FROM).sum())))
            log_p = readers.read(*crops_of_frame(frame, box[:read].to(device), readers.settings)) if read else {}
            best = {a: log_p[a].argmax(1).tolist() for a in log_p}
            attributes = [{a: vocabulary.values(a)[best[a][k]] for a in ATTRIBUTES} for k in range(read)]
            attributes += [{} for _ in range(len(score) - read)]
        said[name] = Answer(box.cpu().numpy().astype(float), score.cpu().numpy().astype(float), attributes)
    return said


def judge_frames(
    frame_set: FrameSet, say_of: Callable[[np.ndarray], dict[str, Answer]], *sheets: AlarmSheet
) -> dict[str, Matched]:
    """Let the networks answer every frame and match the answers, by category; ``sheets`` look on."""
    answers: dict[str, list[Answer]] = {name: [] for name in CATEGORIES}
    for frame in frame_set.frames:
        pixels = load_photograph(frame_set.path_of(frame))
        said = say_of(pixels)
        for name in CATEGORIES:
            answers[name].append(said[name])
        for sheet in sheets:
            sheet.look(frame, pixels, said[sheet.category])
    beside = frame_set.folder / STROKES
    strokes = json.loads(beside.read_text()) if beside.is_file() else {}
    return {name: match(list(frame_set.frames), answers[name], name, strokes) for name in CATEGORIES}


def verdict(case: Case) -> dict[str, Any]:
    """The figures of one case."""
    torch.set_num_threads(1)
    detector = load(case.detector, case.model)
    readers = load(case.readers, case.model) if case.readers else None
    assert readers is None or isinstance(readers, Readers)
    detector, readers = detector.to(case.device), None if readers is None else readers.to(case.device)
    vocabulary = load_mission(MISSION).panels.vocabulary
    sheets = [AlarmSheet()] if case.sheets else []
    reading = row_named(case.row).reading
    weight = LOOK_WEIGHT if reading == "second-look" else 0.0
    if reading == "adapted":
        frames = frames_to_read(case.judged / case.flight).frames
        detector = with_statistics_of(
            detector, windows_of(frames, min(ADAPT_TO, len(frames))), min(ADAPT_TO, len(frames))
        )

    def say_of(pixels: np.ndarray) -> dict[str, Answer]:
        return answer(pixels, detector, readers, vocabulary, weight)

    drawn = judge_frames(read_frame_set(case.judged / case.flight), say_of, *sheets)
    plain = judge_frames(read_frame_set(case.judged / f"{case.flight}-untouched"), say_of, *sheets)
    for sheet in sheets:
        assert case.sheets is not None
        sheet.save(case.sheets / f"{case.row}-{case.seed}-{case.flight}.jpg")
    facts = facts_of(case.detector)
    measured = figures(
        drawn["panel"], plain["panel"], drawn["person"], plain["person"], flight_named(case.flight).gsd_m
    )
    kept = {name: facts[name] for name in ("left_out", "grounds", "steps", "chips", "seen", "seconds", "device")}
    return {"row": case.row, "seed": case.seed, "flight": case.flight, **kept, **measured}


def already_judged(out: Path) -> set[tuple[Any, ...]]:
    """(row, seed, flight) of the lines of a file."""
    lines = [json.loads(line) for line in out.read_text().splitlines() if line.strip()] if out.exists() else []
    return {(line["row"], line["seed"], line["flight"]) for line in lines}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    shared = Path(os.environ.get("PANELSCOUT_SHARED", "../shared")) / "data/aerial"
    parser.add_argument("networks", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--judged", type=Path, default=Path(".transfer/judged"), help="frame sets; drawn where absent")
    parser.add_argument("--judge-seed", type=int, default=1)
    parser.add_argument("--judge-share", type=float, default=1.0)
    parser.add_argument("--photographs", type=Path, default=shared)
    parser.add_argument("--model", default=str(MODEL))
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--device", default="cpu", help="cpu, cuda (cases in turns on every GPU) or cuda:NUMBER")
    parser.add_argument("--rows", nargs="*", help="only these")
    parser.add_argument("--sheets", type=Path, help="folder for pictures of false alarms and misses")
    given = parser.parse_args()
    for flight in FLIGHT_NAMES:
        if not (given.judged / flight / "truth.json").exists():
            judge_flight(given.photographs, given.judged, flight, seed=given.judge_seed, share=given.judge_share,
                         workers=given.workers)  # fmt: skip
    if given.sheets:
        given.sheets.mkdir(parents=True, exist_ok=True)
    done = already_judged(given.out)
    todo = [c for c in cases(given.networks, given.judged, given.model, given.sheets, given.device)
            if (c.row, c.seed, c.flight) not in done and (not given.rows or c.row in given.rows)]  # fmt: skip
    if given.device == "cuda":
        count = max(1, torch.cuda.device_count())
        todo = [replace(case, device=f"cuda:{number % count}") for number, case in enumerate(todo)]
    given.out.parent.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(given.workers, mp_context=get_context("spawn")) as pool:
        for result in pool.map(verdict, todo):
            note(given.out, result)
            print(
                f"{result['row']} {result['flight']}: AP50 {result['ap50']:.2f}, all four {result['all_four']}",
                flush=True,
            )


if __name__ == "__main__":
    main()
