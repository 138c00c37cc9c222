"""Scoring: one frame set (or plain COCO file) with the answers given on it -> scorecard.json, evidence.npz, report.html."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from eval.case import Case, case_of
from eval.contrast import contrasts_of
from eval.documents import data_sheet
from eval.evidence import file_sha256, matching_evidence, write_evidence
from eval.fates import fates_block
from eval.judgement import Judgement, RunsJudgement, judge, judge_runs
from eval.location_split import location_split
from eval.persons import person_block
from eval.plain_coco import is_plain_coco, read_plain_coco
from eval.report import write_report
from eval.runs import run_cases
from eval.scorecard import (
    attribute_block,
    calibration_block,
    detection_block,
    false_alarm_block,
    put,
    recall_block,
)
from eval.scorecard_runs import location_block, points_block
from eval.search import search_block
from eval.slices import slice_block
from mission.atomic import write_json
from mission.errors import InputError
from mission.finds import Finds, read_finds
from mission.frame_set import FrameSet, read_frame_set, truth_path
from mission.mission_file import Mission
from mission.rulebook import Rulebook, load_rulebook
from mission.sightings import DEFAULT_WORKING_CONFIDENCE, Sightings, read_sightings

FORMAT = "scorecard/1"

_OURS_ONLY = (
    "persons", "false_alarms", "recall_at_false_alarms", "attributes", "calibration", "location", "search", "causes", "slices",
    "points",
)  # fmt: skip
_PLAIN = "a plain COCO pair says nothing about it"
_NO_FINDS = "no finds were given"
_NO_RULEBOOK = "no rulebook was given"
_NO_READINGS = "the sightings carry no attributes"


@dataclass(frozen=True)
class Scored:
    """What a report needs beside the scorecard: the judgement and, where there are finds, that of the runs."""

    card: dict[str, Any]
    judgement: Judgement
    runs: RunsJudgement | None
    frame_set: FrameSet | None


def score(
    frame_set: str | Path,
    sightings: str | Path,
    out: str | Path,
    *,
    finds: str | Path | Finds | None = None,
    rulebook: str | Path | None = None,
    mission: Mission | None = None,
) -> dict[str, Any]:
    """Score and write ``out``/scorecard.json, evidence.npz, report.html and datasheet.html; returns the scorecard.

    frame_set: a frame set's folder (or its truth.json), or a plain COCO file. sightings: sightings.json or a COCO results
    list. finds: finds.geojson, or Finds that the caller has fused itself (the scorecard tells them apart). rulebook:
    path or shipped name; the mission's where there is none. mission narrows what attributes can be. InputError, one
    sentence, where anything is not sound; then nothing is written.
    """
    path, folder = truth_path(frame_set), Path(out)
    if folder.exists() and not folder.is_dir():
        raise InputError(f"The output {folder} must be a folder. Got a file of that name instead.")
    if is_plain_coco(path):
        if finds is not None or rulebook is not None:
            raise InputError(f"The truth {path} must be a frame set to score finds. Got a plain COCO file instead.")
        scored, evidence = _plain(path, sightings)
    else:
        scored, evidence = _ours(path, sightings, finds, rulebook, mission)
    folder.mkdir(parents=True, exist_ok=True)
    scored.card["evidence_sha256"] = write_evidence(folder / "evidence.npz", evidence)
    scored.card["truth_sha256"] = file_sha256(path)
    write_report(folder / "report.html", scored.card, scored.judgement, scored.runs, scored.frame_set)
    if scored.frame_set is not None:
        data_sheet(folder / "datasheet.html", scored.frame_set)
    write_json(folder / "scorecard.json", scored.card, indent=1)
    return scored.card


def _plain(path: Path, results: str | Path) -> tuple[Scored, dict[str, Any]]:
    case = read_plain_coco(path, results)
    judgement = judge(case, dict.fromkeys((*case.categories, "panel"), DEFAULT_WORKING_CONFIDENCE["panel"]))
    card: dict[str, Any] = {"format": FORMAT, "frame_set": path.stem}
    for key in ("bundle", "truth", "finds"):
        put(card, key, None, _PLAIN)
    card["detection"] = detection_block(judgement)
    for key in _OURS_ONLY:
        put(card, key, None, _PLAIN)
    card["clusters"] = _clusters(case)
    return Scored(card, judgement, None, None), matching_evidence(
        judgement.matches, case.clusters, case.categories, judgement.working
    )


def _ours(
    path: Path,
    sightings_path: str | Path,
    finds: str | Path | Finds | None,
    rulebook_path: str | Path | None,
    mission: Mission | None,
) -> tuple[Scored, dict[str, Any]]:
    frame_set = read_frame_set(path)
    sightings = read_sightings(sightings_path, [frame.id for frame in frame_set.frames])
    given = finds if isinstance(finds, Finds) or finds is None else read_finds(finds)
    rulebook = _rulebook(rulebook_path, mission)
    vocabulary = None if mission is None else mission.panels.vocabulary
    case = case_of(frame_set, sightings, sightings_path)
    judgement = judge(case, sightings.working_confidence, vocabulary)
    runs = None
    if given is not None:
        where = "the finds" if isinstance(finds, Finds) or finds is None else finds
        cases = run_cases(case, judgement.matches, given.finds, frame_set.runs, where=where, vocabulary=vocabulary)
        runs = judge_runs(judgement, cases, rulebook)
    card = _card(frame_set, sightings, judgement, runs)
    put(card, "finds", None if given is None else "fused here" if isinstance(finds, Finds) else "given", _NO_FINDS)
    return Scored(card, judgement, runs, frame_set), _evidence(judgement, runs)


def _rulebook(path: str | Path | None, mission: Mission | None) -> Rulebook | None:
    chosen = path if path is not None else None if mission is None else mission.rulebook
    return None if chosen is None else load_rulebook(chosen)


def _card(
    frame_set: FrameSet, sightings: Sightings, judgement: Judgement, runs: RunsJudgement | None
) -> dict[str, Any]:
    clusters = judgement.case.clusters
    card: dict[str, Any] = {"format": FORMAT, "frame_set": frame_set.folder.resolve().name}
    put(card, "bundle", sightings.bundle, "the sightings name no bundle")
    card |= {
        "truth": frame_set.truth,
        "finds": None,
        "persons": person_block(judgement),
        "detection": detection_block(judgement),
        "false_alarms": false_alarm_block(judgement),
        "recall_at_false_alarms": recall_block(judgement),
    }
    put(card, "attributes", attribute_block(judgement), _NO_READINGS)
    card["calibration"] = calibration_block(judgement)
    put(card, "location", None if runs is None else location_block(runs, clusters), _NO_FINDS)
    if card["location"] is not None:
        put(
            card["location"],
            "split",
            location_split(judgement),
            "no sighting on a thing has both a pose and a known place",
        )
    put(card, "search", None if runs is None else search_block(judgement.case, runs.runs), _NO_FINDS)
    put(card, "causes", None if runs is None else fates_block(judgement, runs.runs), _NO_FINDS)
    card["slices"] = slice_block(judgement, contrasts_of(judgement.case, frame_set))
    if runs is None or runs.rulebook is None:
        put(card, "points", None, _NO_FINDS if runs is None else _NO_RULEBOOK)
    else:
        card["points"] = points_block(runs, clusters)
    card["clusters"] = _clusters(judgement.case)
    return card


def _clusters(case: Case) -> dict[str, Any]:
    return {"count": case.clusters.count, "by": list(case.clusters.by), "frames": len(case.sizes_px)}


def _evidence(judgement: Judgement, runs: RunsJudgement | None) -> dict[str, Any]:
    case, readings = judgement.case, judgement.readings
    assert readings is not None
    arrays = matching_evidence(judgement.matches, case.clusters, case.categories, judgement.working) | {
        "frame_id": np.array([frame.id for frame in case.frames], dtype=np.int64),
        "frame_hectares": judgement.hectares,
        "panel_object": readings.object_row,
        "panel_found": readings.found,
        "attribute_hit": np.where(readings.known, readings.right.astype(np.int8), np.int8(-1)),
    }
    if runs is not None:
        arrays |= {"location_error_m": runs.errors_m, "location_cluster": runs.error_cluster}
    if runs is not None and runs.rulebook is not None:
        arrays |= {
            "run_name": np.array([run.name for run in runs.runs], dtype=str),
            "run_cluster": np.array([run.cluster for run in runs.runs], dtype=np.int64),
            "run_earned": np.array([result.earned for result in runs.points]),
            "run_possible": np.array([result.possible for result in runs.points]),
        }
    return arrays
