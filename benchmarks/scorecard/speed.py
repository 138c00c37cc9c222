"""Time and memory of the twelve figures: our matching and 1,000 resamples against one evaluation by pycocotools.

python -m benchmarks.scorecard.speed [--frames 1000] [--draws 1000]      about a minute on one core for the whole table

"resamples": all twelve figures for every draw, as pycocotools would give them; "for ranges": without the envelope of precision,
which is what the stated ranges are built on.
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np

from eval.detection import figures_of, mean_over_categories, resampled_figures
from eval.matching import Detections, Objects, match
from eval.resampling import cluster_draws


def busy_case(frames: int, objects: int, answers: int, categories: int, seed: int = 1) -> tuple[Objects, Detections]:
    """Random objects, most of them met by a detection more or less well, and false alarms up to ``answers`` a category."""
    rng = np.random.default_rng(seed)
    shape = (frames, categories, objects)
    boxes = np.stack(
        [rng.uniform(0, 3800, shape), rng.uniform(0, 2800, shape), *rng.uniform(12, 150, (2, *shape))], axis=-1
    )
    frame = np.broadcast_to(np.arange(frames)[:, None, None], shape)
    category = np.broadcast_to(np.arange(categories)[None, :, None], shape)
    count = frames * categories * objects
    truth = Objects(
        frame.reshape(-1).copy(),
        category.reshape(-1).copy(),
        boxes.reshape(-1, 4),
        boxes[..., 2:].prod(axis=-1).reshape(-1),
        np.zeros(count, bool),
        np.zeros(count, bool),
    )
    met = rng.random(shape) < 0.9
    near = boxes + rng.normal(0, 0.06, boxes.shape) * boxes[..., [2, 3, 2, 3]]
    false_shape = (frames, categories, max(0, answers - objects))
    false = np.stack(
        [
            rng.uniform(0, 3800, false_shape),
            rng.uniform(0, 2800, false_shape),
            *rng.uniform(12, 150, (2, *false_shape)),
        ],
        axis=-1,
    )
    near = np.where(met[..., None], near, rng.uniform(0, 3000, near.shape) * [1, 1, 0.01, 0.01] + [0, 0, 12, 12])
    both = np.concatenate([near, false], axis=2)
    score = np.concatenate([rng.beta(5, 2, shape), rng.beta(1.2, 6, false_shape)], axis=2)
    whole = score.shape
    sides = np.maximum(both.reshape(-1, 4), [-1e9, -1e9, 1.0, 1.0])
    return truth, Detections(
        np.broadcast_to(np.arange(frames)[:, None, None], whole).reshape(-1).copy(),
        np.broadcast_to(np.arange(categories)[None, :, None], whole).reshape(-1).copy(),
        sides,
        sides[:, 2] * sides[:, 3],
        score.reshape(-1),
    )


def measured(frames: int, objects: int, answers: int, draws: int, oracle: bool) -> str:
    """One row of the table."""
    truth, found = busy_case(frames, objects, answers, 2)
    start = time.process_time()
    matches = match(truth, found, frames=frames, categories=2)
    matched_s = time.process_time() - start
    start = time.process_time()
    ours = figures_of(matches)
    once_s = time.process_time() - start
    drawn_s = []
    for envelope in (True, False):
        start = time.process_time()
        if draws:
            resampled_figures(matches, cluster_draws(frames, draws), envelope=envelope)
        drawn_s.append(time.process_time() - start)
    row = f"{frames:>7} {len(truth.frame):>9} {len(found.frame):>11} {matched_s:>9.2f} {once_s:>9.2f}"
    row += f" {drawn_s[0]:>12.2f} {drawn_s[1]:>12.2f}"
    row += f" {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20:>13.2f}"
    if oracle:
        from tests.reference.coco_oracle import accumulated_figures, coco_evaluation

        start = time.process_time()
        evaluation = coco_evaluation(truth, found, sizes_px=[(4000, 3000)] * frames, categories=2)
        theirs_s = time.process_time() - start
        start = time.process_time()
        theirs = accumulated_figures(evaluation)
        summed_s = time.process_time() - start
        apart = max(abs(float(mean_over_categories(ours[k]) - mean_over_categories(theirs[k]))) for k in ours)
        row += f" {theirs_s:>14.2f} {summed_s:>10.2f} {apart:>10.1e}"
    return row


def main() -> None:
    """Print the table: CPU seconds, peak memory of the process so far, and the largest difference to pycocotools."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=1000)
    parser.add_argument("--draws", type=int, default=1000)
    options = parser.parse_args()
    print(
        "frames   objects  detections  match s   figures s  resamples s  for ranges s  peak GiB  theirs: match s   sum s"
        "  difference"
    )
    print(measured(options.frames, 20, 100, options.draws, oracle=True), flush=True)
    for frames in (625, 1250, 2500, 5000):
        print(measured(frames, 20, 100, 0, oracle=False), flush=True)


if __name__ == "__main__":
    main()
