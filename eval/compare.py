"""Is one system worse than another? Paired on the same frames, honest about chance.

Frame noise: both systems are measured on the same draws of whole clusters (same ground, else same flight), so that what is
hard for both cancels. Training noise: where a side has several scorecards (seeds), the spread between them is added
(X. Bouthillier et al., "Accounting for variance in machine learning benchmarks", MLSys 2021); with one it is unknown, which
is said. Losses are studentized, with Student's t for the number of clusters.

Many figures: a figure is called worse by a bound that holds for all of them together, the headline with RISK_HEADLINE of the
risk and the others with the rest, by the largest studentized deviation of the same draws (P. Westfall and S. Young,
Resampling-Based Multiple Testing, 1993). "Held" needs every figure to hold, so each is tested by itself (R. Berger,
Technometrics 24 (1982): intersection-union).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm, t

from eval.comparable import HEADLINE, Kind, figure_draws, kind_of
from eval.resampling import DRAWS, MIN_CLUSTERS, MIN_MEASURED_SHARE, SEED, cluster_draws
from eval.system import System
from mission.errors import InputError

Floats = NDArray[np.float64]
Verdict = Literal["worse", "held", "cannot tell"]

#: Chance, all figures together, of calling worse a system that is worse by exactly its margins; one-sided.
RISK = 0.05
RISK_HEADLINE = 0.03


@dataclass(frozen=True)
class Loss:
    """What one figure lost from one side to the other: positive is worse. ``low`` and ``high`` are one-sided bounds, the
    low one for all figures together; ``range95`` the two-sided range of this figure alone; all None where unknown."""

    name: str
    kind: Kind
    before: float | None
    after: float | None
    loss: float | None
    low: float | None
    high: float | None
    range95: tuple[float, float] | None
    margin: float
    verdict: Verdict
    why: str | None = None


@dataclass(frozen=True)
class Comparison:
    """All figures, and what is to be said about the comparison as a whole."""

    losses: tuple[Loss, ...]
    clusters: int
    seeds: tuple[int, int]
    frame_noise: float | None
    training_noise: float | None

    @property
    def verdict(self) -> Verdict:
        """Worse where any figure is, held where all are."""
        verdicts = {loss.verdict for loss in self.losses}
        return "worse" if "worse" in verdicts else "held" if verdicts == {"held"} else "cannot tell"


def compare(
    before: Sequence[System],
    after: Sequence[System],
    *,
    margins: Mapping[str, float] | None = None,
    draws: int = DRAWS,
    seed: int = SEED,
) -> Comparison:
    """Compare two sides, each one or more scorecards on the same frame set. ``margins`` replace those of eval.comparable.

    InputError where the frame sets differ or a margin names no figure.
    """
    check_same_frames([*before, *after])
    clusters = int(before[0].cluster.max()) + 1 if len(before[0].cluster) else 0
    drawn = np.concatenate([np.ones((1, clusters)), cluster_draws(clusters, draws, seed)])
    sides = [[figure_draws(system, drawn) for system in side] for side in (before, after)]
    names = [name for name in sides[0][0] if _measured(sides[0], name)]
    chosen = _margins(names, margins or {}, before)
    rows = [_noise(name, sides, clusters) for name in names]
    losses = _judged(rows, chosen, clusters)
    headline = next((row for row in rows if row.name == HEADLINE and row.lost is not None), None)
    several = max(len(before), len(after)) > 1
    return Comparison(
        losses=losses,
        clusters=clusters,
        seeds=(len(before), len(after)),
        frame_noise=None if headline is None else headline.frame_sd,
        training_noise=headline.training_sd if headline is not None and several else None,
    )


def check_same_frames(systems: Sequence[System]) -> None:
    """InputError unless all systems were scored on the same truth, with the same clusters."""
    first = systems[0]
    for other in systems[1:]:
        if other.card["truth_sha256"] != first.card["truth_sha256"]:
            kinds = {str(system.card.get("truth")) for system in (first, other)}
            got = f"{' and '.join(sorted(kinds))} truth" if len(kinds) > 1 else "another frame set"
            raise InputError(
                f"The scorecards {first.folder} and {other.folder} must be of the same frame set. Got {got} instead."
            )
        if not np.array_equal(other.cluster, first.cluster) or other.categories != first.categories:
            raise InputError(
                f"The scorecards {first.folder} and {other.folder} must group the same frames alike. Got evidence that"
                f" differs instead."
            )


def _measured(side: Sequence[Mapping[str, Floats]], name: str) -> bool:
    return all(name in figures and not math.isnan(figures[name][0]) for figures in side)


def _margins(names: Sequence[str], given: Mapping[str, float], before: Sequence[System]) -> dict[str, float]:
    for name in given:
        if name not in names:
            raise InputError(
                f"The margin '{name}' must be for a figure of the baseline: {', '.join(names)}. Got another."
            )
    margins = {name: kind_of(name).margin for name in names}
    points = before[0].card.get("points")
    if "points.mean" in margins and points:
        margins["points.mean"] = 0.01 * float(points["possible"])
    return margins | dict(given)


@dataclass(frozen=True)
class _Row:
    """One figure: values of both sides, the loss, its standard errors, and the studentized deviations of the draws."""

    name: str
    before: float
    after: float | None
    lost: float | None = None
    frame_sd: float = 0.0
    training_sd: float = 0.0
    degrees: float = math.inf
    deviation: Floats | None = None
    why: str | None = None


def _noise(name: str, sides: Sequence[Sequence[Mapping[str, Floats]]], clusters: int) -> _Row:
    before, after = ([figures[name] for figures in side if name in figures] for side in sides)
    then = float(np.mean([draws[0] for draws in before]))
    if len(after) < len(sides[1]) or not _measured(sides[1], name):
        return _Row(name, then, None, why="it could not be measured on the other side")
    now = float(np.mean([draws[0] for draws in after]))
    sign = 1.0 if kind_of(name).more_is_better else -1.0
    draws = sign * (np.mean(before, axis=0) - np.mean(after, axis=0))
    lost, drawn = float(draws[0]), draws[1:]
    known = drawn[~np.isnan(drawn)]
    if clusters < MIN_CLUSTERS and not (known == 0).all():
        why = f"an interval needs at least {MIN_CLUSTERS} clusters, here are {clusters}"
        return _Row(name, then, now, lost, why=why)
    if len(known) < MIN_MEASURED_SHARE * len(drawn):
        return _Row(name, then, now, lost, why="too few of the resampled frame sets hold what it measures")
    frame_sd = float(known.std()) * math.sqrt(clusters / max(1, clusters - 1))
    parts = [(frame_sd**2, max(1, clusters - 1))]
    for side in (before, after):
        if len(side) > 1:
            spread = float(np.var([values[0] for values in side], ddof=1)) / len(side)
            parts.append((spread, len(side) - 1))
    total = sum(part for part, _ in parts)
    # Welch and Satterthwaite: a spread known from two seeds is hardly known.
    degrees = total**2 / sum(part**2 / df for part, df in parts) if total > 0 else math.inf
    spread_sd = float(known.std())
    deviation = np.where(np.isnan(drawn), 0.0, (drawn - known.mean()) / spread_sd) if spread_sd > 0 else None
    training = math.sqrt(max(0.0, total - frame_sd**2))
    return _Row(name, then, now, lost, frame_sd, training, degrees, deviation)


def _judged(rows: Sequence[_Row], margins: Mapping[str, float], clusters: int) -> tuple[Loss, ...]:
    others = [row.deviation for row in rows if row.name != HEADLINE and row.deviation is not None]
    has_headline = any(row.name == HEADLINE for row in rows)
    risk = RISK - RISK_HEADLINE if has_headline and others else RISK
    together = _one_figure_risk(others, risk)
    losses = []
    for row in rows:
        kind, margin = kind_of(row.name), margins[row.name]
        if row.lost is None or row.why is not None:
            losses.append(
                Loss(row.name, kind, row.before, row.after, row.lost, None, None, None, margin, "cannot tell", row.why)
            )
            continue
        alone = RISK_HEADLINE if row.name == HEADLINE and others else RISK if row.name == HEADLINE else together
        spread = math.hypot(row.frame_sd, row.training_sd)
        low = row.lost - float(t.ppf(1 - alone, row.degrees)) * spread
        high = row.lost + float(t.ppf(1 - RISK, row.degrees)) * spread
        both = float(t.ppf(0.975, row.degrees)) * spread
        verdict: Verdict = "worse" if low > margin else "held" if high < margin else "cannot tell"
        losses.append(
            Loss(
                row.name, kind, row.before, row.after, row.lost, low, high, (row.lost - both, row.lost + both), margin,
                verdict,
            )
        )  # fmt: skip
    return tuple(losses)


def _one_figure_risk(deviations: Sequence[Floats], risk: float) -> float:
    """The risk each figure may take by itself so that all of them together take ``risk``, by their joint draws."""
    if not deviations:
        return risk
    largest = np.max(np.abs(deviations), axis=0)
    # Both tails of the draws stand for one: the deviation of a loss is as likely to either side.
    limit = float(np.quantile(np.max(deviations, axis=0), 1 - risk))
    mirrored = float(np.quantile(np.max(np.negative(deviations), axis=0), 1 - risk))
    return float(norm.sf(min(max(limit, mirrored), float(largest.max()))))
