"""Simulated matches: objects and false alarms of clusters that resemble themselves, with known quality.

Each cluster draws its own chance of going wrong from a beta distribution, so that the errors of one cluster have the
intraclass correlation asked for. Scores of hits and false alarms overlap.

COCO's figure is a staircase of 101 steps: a detector that misses under one object in a hundred, and does nothing else wrong,
has AP 0.990 on endless data whatever its misses, and 0.990 or 1.000 on a data set, with nothing between. So the process with
AP 0.99 finds everything and errs by false alarms.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from eval.detection import figures_of
from eval.matching import AREAS, Matches

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Process:
    """How frames come about. Each object goes wrong with chance ``wrong``, and objects of one cluster alike (``alike`` is
    the intraclass correlation of going wrong); a share ``missed`` of what goes wrong is a miss, the rest a false alarm
    beside an object that is found."""

    wrong: float
    missed: float = 0.7
    alike: float = 0.0
    frames_per_cluster: int = 5
    objects_per_frame: int = 5

    def chances(self, rng: np.random.Generator, clusters: int) -> Floats:
        """Chance of going wrong of each cluster [C]."""
        if self.alike <= 0:
            return np.full(clusters, self.wrong)
        spread = 1 / self.alike - 1
        return rng.beta(self.wrong * spread, (1 - self.wrong) * spread, clusters)

    def matches(self, rng: np.random.Generator, clusters: int) -> tuple[Matches, Ints]:
        """One data set at IoU 0.5 only, and the cluster of each frame [F]."""
        frames = clusters * self.frames_per_cluster
        cluster = np.repeat(np.arange(clusters), self.frames_per_cluster)
        chance = np.repeat(self.chances(rng, clusters)[cluster], self.objects_per_frame)
        obj_frame = np.repeat(np.arange(frames), self.objects_per_frame)
        wrong = rng.random(len(obj_frame)) < chance
        miss = wrong & (rng.random(len(obj_frame)) < self.missed)
        false, hit = np.flatnonzero(wrong & ~miss), np.flatnonzero(~miss)
        frame = obj_frame[np.concatenate([hit, false])]
        score = np.concatenate([rng.beta(4, 2, len(hit)), rng.beta(3, 3, len(false))])
        met = np.concatenate([hit, np.full(len(false), -1)])
        order = np.lexsort((-score, frame))
        return one_threshold(frames, frame[order], score[order], met[order], obj_frame), cluster

    def true_figure(self, name: str, seed: int = 9, frames: int = 100_000) -> float:
        """The figure on very many frames of the process."""
        matches, _ = self.matches(np.random.default_rng(seed), frames // self.frames_per_cluster)
        return float(figures_of(matches, (name,))[name][0])


def one_threshold(frames: int, frame: Ints, score: Floats, met: Ints, obj_frame: Ints) -> Matches:
    """Matches of one category at one IoU from detections sorted by frame and falling score."""
    count, shape = len(frame), (len(AREAS), 1, len(frame))
    starts = np.searchsorted(frame, frame)
    return Matches(
        frames=frames,
        categories=1,
        det_row=np.arange(count),
        det_frame=frame,
        det_category=np.zeros(count, dtype=np.int64),
        det_score=score,
        det_rank=np.arange(count) - starts,
        det_object=np.broadcast_to(met.astype(np.int32), shape),
        det_ignored=np.zeros(shape, dtype=bool),
        obj_frame=obj_frame,
        obj_category=np.zeros(len(obj_frame), dtype=np.int64),
        obj_ignored=np.zeros((len(AREAS), len(obj_frame)), dtype=bool),
    )


def bisected(apart: Callable[[float], float], low: float, high: float, steps: int = 16) -> float:
    """Where a monotone function is nearly 0, by halving."""
    rising = apart(low) < 0
    for _ in range(steps):
        middle = (low + high) / 2
        low, high = (middle, high) if (apart(middle) < 0) == rising else (low, middle)
    return (low + high) / 2


def with_figure(process: Process, name: str, value: float) -> Process:
    """The process whose chance of going wrong brings the figure to ``value`` (on 20,000 frames without likeness)."""

    def apart(wrong: float) -> float:
        return replace(process, wrong=wrong, alike=0.0).true_figure(name, frames=20_000) - value

    return replace(process, wrong=bisected(apart, 1e-4, 0.95))
