"""A fit that keeps its state after every step, run in a process of its own to be killed."""

from __future__ import annotations

import sys
from functools import partial

import pipeline.tasks
from pipeline.fit import fit
from pipeline.training import Schedule
from tests.pipeline.test_fit import MODEL

if __name__ == "__main__":
    pipeline.tasks.Schedule = partial(Schedule, keep_s=0.0)  # type: ignore[misc]
    fit(sys.argv[1], sys.argv[2], model=MODEL, steps=int(sys.argv[3]), workers=1, draw_workers=1, device="cpu")
