"""Time to score 10,000 simulated runs: arrays of finds and truth under a shipped rulebook.

python -m benchmarks.scorecard.runs [--runs 10000]      a few seconds
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from eval.points import RunReports, RunTruth, score_run
from mission.rulebook import load_rulebook


def simulated_run(rng: np.random.Generator, things: int = 8, reports: int = 10) -> tuple[RunTruth, RunReports]:
    """A run of a dozen things at most: most reports near one of them, some read wrong, some false."""
    category = (np.arange(things) >= things - 1).astype(np.int64)
    truth = RunTruth(
        category,
        rng.integers(0, 6, (things, 4)),
        rng.uniform(-60, 60, (things, 2)),
        np.ones(things, bool),
        np.arange(things) < 3,
    )
    of = rng.integers(0, things, reports)
    wrong = rng.random((reports, 4)) < 0.1
    place = truth.ground_m[of] + rng.normal(0, 1.5, (reports, 2))
    place[rng.random(reports) < 0.15] += 40.0
    fits = np.zeros((reports, things), bool)
    told = RunReports(
        category[of],
        np.where(wrong, 9, truth.attributes[of]),
        place,
        rng.random(reports),
        rng.random(reports) < 0.3,
        fits,
        fits.copy(),
    )
    return truth, told


def seconds(runs: int, rulebook: str = "harrow-fen-careful") -> float:
    """CPU seconds for that many runs."""
    book, rng = load_rulebook(rulebook), np.random.default_rng(1)
    made = [simulated_run(rng) for _ in range(runs)]
    start = time.process_time()
    for truth, told in made:
        score_run(truth, told, book)
    return time.process_time() - start


def main() -> None:
    """Print the time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=10_000)
    options = parser.parse_args()
    print(f"{options.runs} runs scored in {seconds(options.runs):.2f} s of CPU time")


if __name__ == "__main__":
    main()
