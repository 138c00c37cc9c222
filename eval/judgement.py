"""Everything that is measured once and then told twice, in the scorecard and in the report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eval.attributes import Readings, readings_of
from eval.case import Case
from eval.causes import Losses, losses_of
from eval.detection import figures_of, mean_over_categories, precision_curves, resampled_figures
from eval.false_alarms import FreeResponse, free_response, imaged_hectares
from eval.matching import Matches, match
from eval.points import RunPoints, score_run
from eval.runs import RunCase
from mission.rulebook import Rulebook
from mission.vocabulary import Vocabulary

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Judgement:
    """A matched case. ``weights`` [draws, F] or None where intervals are withheld; ``figures`` name -> [K];
    ``centres`` name -> [K] and ``resampled`` name -> [draws, K] or None, both without the envelope (for the intervals);
    ``precision`` [101, K] at IoU 0.5, as COCO draws it, at all sizes."""

    case: Case
    matches: Matches
    working: Mapping[str, float]
    weights: Floats | None
    figures: dict[str, Floats]
    centres: dict[str, Floats]
    resampled: dict[str, Floats] | None
    mask_figures: dict[str, Floats] | None
    precision: Floats
    curves: tuple[FreeResponse, ...]
    hectares: Floats
    readings: Readings | None

    def overall(self, name: str) -> float:
        """A figure of COCO's summary, the mean over categories."""
        return float(mean_over_categories(self.figures[name]))

    def overall_draws(self, name: str) -> Floats | None:
        """The same for every draw."""
        return None if self.resampled is None else mean_over_categories(self.resampled[name])


def judge(case: Case, working: Mapping[str, float], vocabulary: Vocabulary | None = None) -> Judgement:
    """Match a case and measure what needs no finds."""
    frames, categories = len(case.sizes_px), len(case.categories)
    matches = match(case.objects, case.detections, frames=frames, categories=categories)
    weights = None if case.clusters.why_no_interval else case.clusters.frame_weights()
    masks = None
    if case.masks:
        by_mask = match(
            case.objects, case.detections, frames=frames, categories=categories, sizes_px=case.sizes_px, masks=True
        )
        masks = figures_of(by_mask)
    ours = case.truth is not None
    return Judgement(
        case=case,
        matches=matches,
        working=working,
        weights=weights,
        figures=figures_of(matches),
        centres=figures_of(matches, envelope=False),
        resampled=None if weights is None else resampled_figures(matches, weights, envelope=False),
        mask_figures=masks,
        precision=precision_curves(matches),
        curves=tuple(free_response(matches, k) for k in range(len(case.categories))),
        hectares=imaged_hectares(case.frames) if ours else np.full(len(case.sizes_px), np.nan),
        readings=readings_of(case, matches, working["panel"], vocabulary) if ours else None,
    )


@dataclass(frozen=True)
class RunsJudgement:
    """What the finds were worth: the runs, their points and losses (none without a rulebook), and the place errors.

    ``errors_m`` [n, 2] east, north: find less truth, of the finds seen on a thing with a known place; ``error_cluster``
    [n], ``claimed_m2`` [n, 2, 2] the covariance that the find claimed (NaN: none).
    """

    runs: Sequence[RunCase]
    points: Sequence[RunPoints]
    losses: Sequence[Losses]
    rulebook: Rulebook | None
    errors_m: Floats
    error_cluster: NDArray[np.int64]
    claimed_m2: Floats


def judge_runs(judgement: Judgement, runs: Sequence[RunCase], rulebook: Rulebook | None) -> RunsJudgement:
    """Score every run and collect the place errors."""
    best = best_scores(judgement)
    points = (
        [score_run(run.truth, run.reports, rulebook, run.duration_s) for run in runs] if rulebook is not None else []
    )
    losses = [
        losses_of(run, result, of_things(run, judgement.case, best), judgement.working)
        for run, result in zip(runs, points)
    ]
    placed = [_place_errors_m(run) for run in runs]
    errors = [error for error, _ in placed]
    return RunsJudgement(
        runs=runs,
        points=points,
        losses=losses,
        rulebook=rulebook,
        errors_m=np.concatenate([*errors, np.zeros((0, 2))]),
        error_cluster=np.repeat([run.cluster for run in runs], [len(error) for error in errors]).astype(np.int64),
        claimed_m2=np.concatenate([*(claim for _, claim in placed), np.zeros((0, 2, 2))]),
    )


def _place_errors_m(run: RunCase) -> tuple[Floats, Floats]:
    """Find less truth [n, 2], and the claimed covariance [n, 2, 2], of the finds seen on a thing that counts.

    Less the nearest such thing, however far: what was seen pairs them, not what lies near, for a limit on the distance would
    leave out the worst errors.
    """
    apart = run.reports.ground_m[:, None, :] - run.truth.ground_m[None, :, :]
    alike = run.reports.category[:, None] == run.truth.category[None, :]
    distance = np.where(run.reports.seen_on & alike & run.truth.counted, np.linalg.norm(apart, axis=-1), np.nan)
    known = np.flatnonzero(~np.isnan(distance).all(axis=1)) if distance.size else np.zeros(0, dtype=int)
    if not len(known):
        return np.zeros((0, 2)), np.zeros((0, 2, 2))
    return apart[known, np.nanargmin(distance[known], axis=1)], run.covariance_m2[known]


def best_scores(judgement: Judgement) -> Floats:
    """The strongest sighting [O] on each annotation at IoU 0.5; NaN for none."""
    best = np.full(len(judgement.case.things), np.nan)
    matches = judgement.matches
    met = matches.det_object[0, 0]
    hit = met >= 0
    best[met[hit]] = matches.det_score[hit]
    return best


def of_things(run: RunCase, case: Case, best: Floats) -> Floats:
    """The strongest sighting [T] on each thing of a run, of the frames where it counts; NaN for none."""
    found = []
    for rows in run.rows:
        scores = [best[row] for row in rows if case.things[row].scored and not np.isnan(best[row])]
        found.append(max(scores, default=np.nan))
    return np.array(found, dtype=float)
