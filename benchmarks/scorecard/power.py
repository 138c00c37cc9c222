"""How often the guard calls a true loss worse, and how often it cries wolf over two equal systems: a table.

python -m benchmarks.scorecard.power --workers 2         1,000 pairs a row, 500 draws each; --pairs 100 for a look

200 frames in 40 clusters. Each object has a quality of fit for each of two different systems, correlated between them; the fit
decides how many of COCO's ten overlaps a detection reaches. The margin is 1 point of AP; all figures are judged together.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.scorecard.batches import Batch, Sums, batches_of, summed
from benchmarks.scorecard.simulated import bisected
from eval.compare import compare
from eval.detection import figures_of
from eval.matching import AREAS, IOU_THRESHOLDS, Matches
from eval.system import System

Floats = NDArray[np.float64]
_FALSE_PER_FRAME = 0.1
_CLUSTER_SHARE = 0.1
_SPREAD = 1.1
_BASE = 0.93
_BATCH = 25
#: Objects a frame, correlation of the fits, true loss of AP.
ROWS = tuple((n, alike, loss) for n, alike in ((5, 0.7), (10, 0.7), (10, 0.85), (20, 0.7)) for loss in (0.03, 0.0))


@dataclass(frozen=True)
class Setting:
    """One row of the table."""

    objects: int
    alike: float
    frames: int = 200
    clusters: int = 40


def reached(fit: Floats, level: float) -> NDArray[np.int64]:
    """How many of the ten overlaps [n] a detection of that standard-normal fit reaches (0: missed)."""
    overlap = 1 - np.exp(level - _SPREAD * fit)
    return np.searchsorted(IOU_THRESHOLDS, overlap, side="right")


@cache
def level_of(average: float, objects: int) -> float:
    """The level that gives AP ``average`` on 4,000 frames."""
    setting = Setting(objects, 0.0, frames=4000, clusters=40)
    fit = np.random.default_rng(8).normal(size=setting.frames * objects)

    def apart(level: float) -> float:
        made = system(np.random.default_rng(9), setting, fit, level)
        return float(figures_of(made.matches, ("AP",))["AP"][0]) - average

    return bisected(apart, -7.0, -2.0)


def system(rng: np.random.Generator, setting: Setting, fit: Floats, level: float) -> System:
    """A scored system in memory: objects reached as their fit allows, and false alarms of its own."""
    count = setting.frames * setting.objects
    frame = np.repeat(np.arange(setting.frames), setting.objects)
    overlaps = reached(fit, level)
    hit = np.flatnonzero(overlaps > 0)
    false = np.repeat(np.arange(setting.frames), rng.poisson(_FALSE_PER_FRAME, setting.frames))
    det_frame = np.concatenate([frame[hit], false])
    score = np.concatenate([rng.beta(6, 2, len(hit)), rng.beta(2, 4, len(false))])
    steps = np.concatenate([overlaps[hit], np.zeros(len(false), dtype=np.int64)])
    order = np.lexsort((-score, det_frame))
    det_frame, score, steps = det_frame[order], score[order], steps[order]
    shape = (len(AREAS), len(IOU_THRESHOLDS), len(score))
    met = np.where(steps > np.arange(len(IOU_THRESHOLDS))[:, None], 0, -1).astype(np.int32)
    matches = Matches(
        frames=setting.frames,
        categories=1,
        det_row=np.arange(len(score)),
        det_frame=det_frame,
        det_category=np.zeros(len(score), dtype=np.int64),
        det_score=score,
        det_rank=np.arange(len(score)) - np.searchsorted(det_frame, det_frame),
        det_object=np.broadcast_to(met, shape),
        det_ignored=np.zeros(shape, dtype=bool),
        obj_frame=frame,
        obj_category=np.zeros(count, dtype=np.int64),
        obj_ignored=np.zeros((len(AREAS), count), dtype=bool),
    )
    arrays = {
        "frame_cluster": np.repeat(np.arange(setting.clusters), setting.frames // setting.clusters),
        "categories": np.array(["panel"]),
        "working_confidence": np.array([0.5]),
    }
    return System(Path("simulated"), {"truth": "rendered", "truth_sha256": "0", "detection": {}}, arrays, matches)


def pair(rng: np.random.Generator, setting: Setting, levels: tuple[float, float]) -> tuple[System, System, float]:
    """Two systems on the same frames, and the correlation of the shares of overlaps that their objects reach."""
    count = setting.frames * setting.objects
    group = np.repeat(np.arange(setting.clusters), count // setting.clusters)
    ground = np.sqrt(_CLUSTER_SHARE) * rng.normal(size=setting.clusters)[group]
    shared = np.sqrt(max(0.0, setting.alike - _CLUSTER_SHARE)) * rng.normal(size=count)
    own = np.sqrt(1 - max(setting.alike, _CLUSTER_SHARE)) * rng.normal(size=(2, count))
    fits = ground + shared + own
    alike = np.corrcoef(reached(fits[0], levels[0]), reached(fits[1], levels[1]))[0, 1]
    return system(rng, setting, fits[0], levels[0]), system(rng, setting, fits[1], levels[1]), float(alike)


def judged(batch: Batch, base: float, draws: int) -> Sums:
    """Summed over the pairs of a batch [7]: called worse, held, neither; AP before, loss seen, correlation; AP alone worse."""
    objects, fit_alike, loss = ROWS[batch.row]
    setting = Setting(objects, fit_alike)
    levels = (level_of(base, objects), level_of(base - loss, objects))
    rng = np.random.default_rng([batch.row, batch.number])
    found = np.zeros(7)
    for number in range(batch.count):
        before, after, alike = pair(rng, setting, levels)
        outcome = compare([before], [after], draws=draws, seed=number)
        ap = next(row for row in outcome.losses if row.name == "detection.AP")
        verdict = outcome.verdict
        found += [
            verdict == "worse", verdict == "held", verdict == "cannot tell", ap.before or 0, ap.loss or 0, alike,
            ap.verdict == "worse",
        ]  # fmt: skip
    return found


def lines(pairs: int, draws: int, workers: int, kept: Path) -> Iterator[str]:
    """The table, row by row."""
    yield "objects a frame  correlation  AP before  true loss  seen loss   worse    held  cannot tell  AP alone worse"
    work = partial(judged, base=_BASE, draws=draws)
    batches = batches_of(len(ROWS), pairs, _BATCH)
    for row, sums in summed(work, batches, workers=workers, kept=kept, asked={"pairs": pairs, "draws": draws}):
        objects, _, loss = ROWS[row]
        worse, held, neither, before, seen, alike, alone = sums / pairs
        yield (
            f"{objects:>15}  {alike:>11.2f}  {before:>9.3f}  {loss:>9.3f}  {seen:>9.4f}  {worse:>6.3f}  {held:>6.3f}"
            f"  {neither:>11.3f}  {alone:>14.3f}"
        )


def main() -> None:
    """Print the table: each setting with a loss of 3 points and with none."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=1000)
    parser.add_argument("--draws", type=int, default=500)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--kept", type=Path, default=Path("build/benchmarks/power.jsonl"), help="what is done already")
    options = parser.parse_args()
    for line in lines(options.pairs, options.draws, options.workers, options.kept):
        print(line, flush=True)


if __name__ == "__main__":
    main()
