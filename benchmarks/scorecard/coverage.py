"""How often the stated 95 % interval of AP50 holds the figure of endless data: a table of coverage.

python -m benchmarks.scorecard.coverage --sets 1000 --draws 500      about 25 min on one core; --sets 100 for a look

Truth is the figure on 100,000 frames of the same process (benchmarks/scorecard/simulated.py). Promised: 93 to 97 % where there
are 30 clusters or more and 10 errors or more are to be expected; elsewhere the table only reports.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from benchmarks.scorecard.simulated import Process, with_figure
from eval.detection import figures_of, resampled_figures
from eval.intervals import STEP_VARIANCE, share_interval, spread_of
from eval.resampling import cluster_draws

CLUSTERS = (10, 30, 100)
FIGURES = (0.6, 0.9, 0.99)
ALIKE = (0.0, 0.2)


def coverage(process: Process, truth: float, clusters: int, sets: int, draws: int, seed: int) -> tuple[float, ...]:
    """Share of data sets whose interval holds the truth, the same for the percentile interval, and both mean widths."""
    rng = np.random.default_rng(seed)
    found = np.zeros(4)
    for _ in range(sets):
        matches, cluster = process.matches(rng, clusters)
        drawn = cluster_draws(clusters, draws, seed=int(rng.integers(1 << 30)))
        values = resampled_figures(matches, drawn[:, cluster], ("AP50",), envelope=False)["AP50"][:, 0]
        figure = float(figures_of(matches, ("AP50",))["AP50"][0])
        centre = float(figures_of(matches, ("AP50",), envelope=False)["AP50"][0])
        spread = spread_of(values, drawn)
        assert spread is not None
        complete = len(np.unique(matches.det_object[0, 0])) - (matches.det_object[0, 0] < 0).any() == len(
            matches.obj_frame
        )
        low, high = share_interval(centre, spread, extra_variance=0.0 if complete else STEP_VARIANCE)
        low, high = min(low, figure), max(high, figure)
        whole = resampled_figures(matches, drawn[:, cluster], ("AP50",))["AP50"][:, 0]
        plain = np.quantile(whole, [0.025, 0.975])
        found += [low <= truth <= high, plain[0] <= truth <= plain[1], high - low, plain[1] - plain[0]]
    return tuple(found / sets)


def main() -> None:
    """Print the grid."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=1000)
    parser.add_argument("--draws", type=int, default=500)
    options = parser.parse_args()
    print("AP50   alike  clusters  errors   truth   coverage  percentile   width  percentile  promised")
    for figure in FIGURES:
        base = with_figure(Process(0.3, missed=0.0 if figure > 0.98 else 0.7), "AP50", figure)
        for alike in ALIKE:
            process = replace(base, alike=alike)
            truth = process.true_figure("AP50")
            for clusters in CLUSTERS:
                objects = clusters * process.frames_per_cluster * process.objects_per_frame
                errors = objects * process.wrong
                ours, plain, width, plain_width = coverage(
                    process, truth, clusters, options.sets, options.draws, seed=clusters + int(1000 * figure)
                )
                promised = clusters >= 30 and errors >= 10
                print(
                    f"{figure:>4.2f}   {alike:>5.1f}  {clusters:>8}  {errors:>6.0f}  {truth:.4f}   {ours:>8.3f}"
                    f"  {plain:>10.3f}  {width:>6.4f}  {plain_width:>10.4f}  {'yes' if promised else 'no'}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
