"""How often the stated 95 % interval of AP50 holds the figure of endless data: a table of coverage.

python -m benchmarks.scorecard.coverage --workers 2         1,000 data sets a cell, 500 draws each; --sets 100 for a look

Truth is the figure on 100,000 frames of the same process (benchmarks/scorecard/simulated.py). Promised: 93 to 97 % where there
are 30 clusters or more and 10 errors or more are to be expected; elsewhere the table only reports.
Missed is what lies outside by more than two standard errors of the table.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path

import numpy as np

from benchmarks.scorecard.batches import Batch, Sums, batches_of, summed
from benchmarks.scorecard.simulated import Process, with_figure
from eval.detection import figures_of, resampled_figures
from eval.intervals import spread_of
from eval.resampling import cluster_draws
from eval.scorecard import stepped

CLUSTERS = (10, 30, 100)
FIGURES = (0.6, 0.9, 0.99)
ALIKE = (0.0, 0.2)
PROMISED = (0.93, 0.97)
_BATCH = 25


@dataclass(frozen=True)
class Cell:
    """One cell of the grid."""

    figure: float
    alike: float
    clusters: int


GRID = tuple(Cell(figure, alike, clusters) for figure in FIGURES for alike in ALIKE for clusters in CLUSTERS)


@cache
def process_of(figure: float, alike: float) -> tuple[Process, float]:
    """The process whose AP50 without likeness is ``figure``, and its true figure with that likeness."""
    process = replace(_unlike(figure), alike=alike)
    return process, process.true_figure("AP50")


@cache
def _unlike(figure: float) -> Process:
    return with_figure(Process(0.3, missed=0.0 if figure > 0.98 else 0.7), "AP50", figure)


def held(process: Process, truth: float, clusters: int, draws: int, rng: np.random.Generator) -> Sums:
    """Of one data set: whether its interval holds the truth, whether the percentile interval does, and both widths [4]."""
    matches, cluster = process.matches(rng, clusters)
    drawn = cluster_draws(clusters, draws, seed=int(rng.integers(1 << 30)))
    weights = drawn[:, cluster]
    figure, centre = (float(figures_of(matches, ("AP50",), envelope=e)["AP50"][0]) for e in (True, False))
    spread = spread_of(resampled_figures(matches, weights, ("AP50",), envelope=False)["AP50"][:, 0], drawn)
    assert spread is not None
    met = matches.det_object[0, 0]
    complete = len(np.unique(met[met >= 0])) == len(matches.obj_frame)
    low, high = stepped("AP50", figure, complete)(centre, spread)
    whole = resampled_figures(matches, weights, ("AP50",))["AP50"][:, 0]
    plain = np.quantile(whole, [0.025, 0.975])
    return np.array([low <= truth <= high, plain[0] <= truth <= plain[1], high - low, plain[1] - plain[0]], dtype=float)


def coverage(batch: Batch, draws: int) -> Sums:
    """The four numbers summed over a batch."""
    cell = GRID[batch.row]
    process, truth = process_of(cell.figure, cell.alike)
    rng = np.random.default_rng([batch.row, batch.number])
    return np.sum([held(process, truth, cell.clusters, draws, rng) for _ in range(batch.count)], axis=0)


def lines(sets: int, draws: int, workers: int, kept: Path) -> Iterator[str]:
    """The table, row by row."""
    yield "AP50   alike  clusters  errors   truth   coverage  percentile   width  percentile  promised"
    batches = batches_of(len(GRID), sets, _BATCH)
    work = partial(coverage, draws=draws)
    for row, sums in summed(work, batches, workers=workers, kept=kept, asked={"sets": sets, "draws": draws}):
        cell = GRID[row]
        process, truth = process_of(cell.figure, cell.alike)
        errors = cell.clusters * process.frames_per_cluster * process.objects_per_frame * process.wrong
        ours, plain, width, plain_width = sums / sets
        promised = cell.clusters >= 30 and errors >= 10
        chance = 2 * (0.95 * 0.05 / sets) ** 0.5  # two standard errors of the table itself
        kept_it = PROMISED[0] - chance <= ours <= PROMISED[1] + chance
        said = ("yes" if kept_it else "yes, missed") if promised else "no"
        yield (
            f"{cell.figure:>4.2f}   {cell.alike:>5.1f}  {cell.clusters:>8}  {errors:>6.0f}  {truth:.4f}   {ours:>8.3f}"
            f"  {plain:>10.3f}  {width:>6.4f}  {plain_width:>10.4f}  {said}"
        )


def main() -> None:
    """Print the grid."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=1000)
    parser.add_argument("--draws", type=int, default=500)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument(
        "--kept", type=Path, default=Path("build/benchmarks/coverage.jsonl"), help="what is done already"
    )
    options = parser.parse_args()
    for line in lines(options.sets, options.draws, options.workers, options.kept):
        print(line, flush=True)


if __name__ == "__main__":
    main()
