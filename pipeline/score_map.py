"""From scores to probabilities: how often a report of such a score is right on the mission's field.

A detector's score, and its mean with the second look, put reports in order but are no probabilities. Beta calibration
(M. Kull, T. Silva Filho, P. Flach, AISTATS 2017) maps them by three numbers: log-odds = a log s - b log(1 - s) + c with a and b
above 0, so that the order, and with it the average precision, stays the same. A probability holds at one prior only, and chips
are far more crowded than a field: so each report counts as often as a hectare of the field would hold it (see
``pipeline.working_confidence``). Where the field is more crowded than the mission says, more of them are right. On photographs
expect it to be a guide, not a measurement: targets and most of the ground were drawn.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch.nn.functional import logsigmoid

from eval.calibration import reliability
from mission.sightings import KEPT_MIN_CONFIDENCE
from pipeline.validation import Matches

Floats = NDArray[np.float64]

# Fewer right or wrong reports than this say too little of three numbers.
LEAST_OF_EACH = 20
# How firmly the three numbers are held to "the score is a probability already", in reports.
_HOLD = 0.1
_EDGE = 1e-6
_FLOOR_RISE = 0.1


@dataclass(frozen=True)
class ScoreMap:
    """A rising map of 0..1 into LOWEST..1; what was worth keeping before is so afterwards.

    The floor rises a little with the score: where a field is sparse most reports are next to certainly false, and without that
    their order would be lost in the last digit.
    """

    a: float
    b: float
    c: float
    lowest: float = KEPT_MIN_CONFIDENCE

    def __call__(self, score: Floats) -> Floats:
        """Probabilities [D] of reports with these scores [D]."""
        low, high = _logs(score)
        odds = self.a * low - self.b * high + self.c
        floor = _floor(score, self.lowest)
        return floor + (1.0 - floor) / (1.0 + np.exp(-odds))

    def score_of(self, probability: float) -> float:
        """The score whose probability this is, by halving; the nearest end of 0..1 where there is none."""
        low, high = 0.0, 1.0
        for _ in range(50):
            middle = (low + high) / 2
            if float(self(np.array([middle]))[0]) < probability:
                low = middle
            else:
                high = middle
        return (low + high) / 2


@torch.inference_mode(False)
@torch.enable_grad()
def fit_score_map(
    score: Floats, hit: NDArray[np.bool_], weight: Floats | None = None, lowest: float = KEPT_MIN_CONFIDENCE
) -> ScoreMap | None:
    """The map under which the hits and misses of reports [D] are most likely; None where there are too few of either.

    ``weight`` [D]: how often each report is met where the map is to hold, in any unit (None: as often as here). Right and wrong
    ones are fitted in the numbers given, and the map is moved to the other prior afterwards (prior correction: G. King, L. Zeng,
    Political Analysis 9 (2001), 137-163, sec. 4.1): where right ones are rare, a fit would hardly see them.
    """
    hit = np.asarray(hit, dtype=bool)
    if min(hit.sum(), (~hit).sum()) < LEAST_OF_EACH:
        return None
    low, high = (torch.from_numpy(values) for values in _logs(score))
    right, floor = torch.from_numpy(hit), torch.from_numpy(_floor(score, lowest))
    means = {right: 1.0 if weight is None else float(weight[hit == right].mean()) for right in (True, False)}
    times = (
        torch.ones(len(hit)).double() if weight is None else torch.from_numpy(weight / np.where(hit, *means.values()))
    )
    numbers = torch.zeros(3, dtype=torch.float64, requires_grad=True)  # log a, log b, c
    optimiser = torch.optim.LBFGS([numbers], max_iter=200, tolerance_grad=1e-9, line_search_fn="strong_wolfe")

    def loss() -> torch.Tensor:
        optimiser.zero_grad()
        odds = numbers[0].exp() * low - numbers[1].exp() * high + numbers[2]
        log_right = torch.log(floor + (1.0 - floor) * odds.sigmoid() + 1e-300)
        log_wrong = torch.log(1.0 - floor) + logsigmoid(-odds)
        total = -(times * torch.where(right, log_right, log_wrong)).sum() + _HOLD * numbers.square().sum()
        total = total / len(right)
        total.backward()
        return total

    optimiser.step(loss)  # pyright: ignore[reportArgumentType]
    log_a, log_b, c = numbers.detach().tolist()
    if not all(map(math.isfinite, (log_a, log_b, c))):
        return None
    return ScoreMap(math.exp(log_a), math.exp(log_b), c + math.log(means[True] / means[False]), lowest)


def _floor(score: Floats, lowest: float) -> Floats:
    """What the map makes of reports that are certainly false."""
    return lowest * (1.0 + _FLOOR_RISE * np.asarray(score, dtype=float))


def _logs(score: Floats) -> tuple[Floats, Floats]:
    """log s and log(1 - s), with s a little off both ends."""
    inside = np.clip(np.asarray(score, dtype=float), _EDGE, 1.0 - _EDGE)
    return np.log(inside), np.log1p(-inside)


def calibration_errors(matches: Matches, from_score: float = 0.05) -> tuple[float, float]:
    """Expected calibration error of reports from ``from_score`` up, as they are and mapped, the map always fitted on other chips:
    even ones for odd ones and the other way round, at the prior of the chips. NaN where half of them are too few to fit on."""
    kept = ~matches.left_out
    score, hit, even = matches.score[kept], matches.hit[kept], matches.chip[kept] % 2 == 0
    mapped = np.full(len(score), np.nan)
    for half in (even, ~even):
        fitted = fit_score_map(score[~half], hit[~half])
        if fitted is not None:
            mapped[half] = fitted(score[half])
    judged = score >= from_score
    if not judged.any() or np.isnan(mapped[judged]).any():
        return float("nan"), float("nan")
    return tuple(reliability(p[judged], hit[judged]).expected_error for p in (score, mapped))  # type: ignore[return-value]


def probabilities(score: Floats, category: NDArray[np.int64], maps: Mapping[int, ScoreMap]) -> Floats:
    """Scores [D] of reports of categories [D] as probabilities, where their category has a map."""
    out = np.asarray(score, dtype=float).copy()
    for number, own in maps.items():
        mine = category == number
        out[mine] = own(out[mine])
    return out
