"""Intervals by resampling whole clusters of frames.

Frames of one ground or one flight resemble each other, so they are not drawn one by one: the cluster (the frame's
``background``, else its ``mission_run``, else the frame itself) is drawn, with all its frames (B. Efron and R. Tibshirani,
An Introduction to the Bootstrap, 1993, chapter 8). What the draws become is said in ``eval.intervals``. Below MIN_CLUSTERS
clusters an interval would promise more than it knows, and none is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MIN_CLUSTERS = 8
DRAWS = 1000
#: Share of the draws in which a figure must be measurable for its interval to be given.
MIN_MEASURED_SHARE = 0.9
#: One fixed seed: the same inputs give the same scorecard on any machine.
SEED = 1


@dataclass(frozen=True)
class Clusters:
    """The cluster of each frame: ``code`` [F] int in 0..count-1, and what the clusters were told apart by."""

    code: NDArray[np.int64]
    count: int
    by: tuple[str, ...]

    @property
    def why_no_interval(self) -> str | None:
        """The reason why intervals are withheld, or None where there are clusters enough."""
        if self.count >= MIN_CLUSTERS:
            return None
        kind = " or ".join(self.by).replace("mission_run", "mission run") or "frame"
        return f"an interval needs at least {MIN_CLUSTERS} clusters; the frames come from {self.count} (by {kind})"

    def frame_weights(self, draws: int = DRAWS, seed: int = SEED) -> Array:
        """How often each frame is drawn: [draws, F]."""
        return cluster_draws(self.count, draws, seed)[:, self.code]


def clusters_of(backgrounds: Sequence[str | None], runs: Sequence[str | None]) -> Clusters:
    """Cluster frames by background, else by mission run, else each frame by itself."""
    names: list[tuple[str, str]] = []
    for number, (background, run) in enumerate(zip(backgrounds, runs, strict=True)):
        if background is not None:
            names.append(("background", background))
        elif run is not None:
            names.append(("mission_run", run))
        else:
            names.append(("frame", str(number)))
    position = {name: code for code, name in enumerate(dict.fromkeys(names))}
    code = np.array([position[name] for name in names], dtype=np.int64)
    return Clusters(code, len(position), tuple(sorted({kind for kind, _ in names})))


def cluster_draws(count: int, draws: int = DRAWS, seed: int = SEED) -> Array:
    """How often each of ``count`` clusters is drawn when ``count`` are drawn with replacement: [draws, count]."""
    if count == 0:
        return np.zeros((draws, 0))
    return np.random.default_rng(seed).multinomial(count, np.full(count, 1 / count), size=draws).astype(float)
