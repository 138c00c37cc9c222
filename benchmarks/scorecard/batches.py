"""Long tables in small batches: on any number of processes, with progress, going on where they were stopped.

A batch is a few simulated data sets of one row of a table; its seed comes from its place, so the table is the same for any
number of processes and any number of stops. What is done is kept in a file of JSON lines (with what it was asked for), which
the same call reads again; remove the file to begin anew.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Numbers that every data set of a batch gives, summed over it: [figures].
Sums = NDArray[np.float64]


@dataclass(frozen=True)
class Batch:
    """``count`` data sets of a row; ``number`` tells the batches of the row apart and seeds them."""

    row: int
    number: int
    count: int

    @property
    def key(self) -> str:
        """Its name in the file."""
        return f"{self.row}/{self.number}/{self.count}"


def batches_of(rows: int, sets: int, size: int) -> list[Batch]:
    """Batches of at most ``size`` data sets that make ``sets`` of each row, row by row."""
    return [Batch(row, at // size, min(size, sets - at)) for row in range(rows) for at in range(0, sets, size)]


def summed(
    work: Callable[[Batch], Sums],
    batches: Sequence[Batch],
    *,
    workers: int,
    kept: Path,
    asked: Mapping[str, Any],
) -> Iterator[tuple[int, Sums]]:
    """Sums of each row, in order and as soon as its last batch is done; ``work`` must be picklable.

    ``asked`` is what the results depend on; a file that was kept for something else is refused by SystemExit.
    """
    done = _read(kept, asked)
    rows = sorted({batch.row for batch in batches})
    missing = [batch for batch in batches if batch.key not in done]
    start, ready = time.monotonic(), iter(rows)
    waiting = next(ready, None)
    with open(kept, "a") as file:
        for count, (batch, sums) in enumerate(_worked(work, missing, workers), 1):
            done[batch.key] = sums
            file.write(json.dumps({"batch": batch.key, "sums": sums.tolist()}) + "\n")
            file.flush()
            _tell(count, len(missing), time.monotonic() - start)
            while waiting is not None and all(b.key in done for b in batches if b.row == waiting):
                yield waiting, _total(done, batches, waiting)
                waiting = next(ready, None)
    while waiting is not None:
        yield waiting, _total(done, batches, waiting)
        waiting = next(ready, None)


def _total(done: Mapping[str, Sums], batches: Sequence[Batch], row: int) -> Sums:
    return np.sum([done[batch.key] for batch in batches if batch.row == row], axis=0)


def _worked(work: Callable[[Batch], Sums], batches: Sequence[Batch], workers: int) -> Iterator[tuple[Batch, Sums]]:
    if workers <= 1:
        for batch in batches:
            yield batch, work(batch)
        return
    os.environ["OMP_NUM_THREADS"] = "1"  # read by the processes as they start
    with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
        asked = {pool.submit(work, batch): batch for batch in batches}
        for future in as_completed(asked):
            yield asked[future], future.result()


def _read(kept: Path, asked: Mapping[str, Any]) -> dict[str, Sums]:
    """Batches kept in the file, which is begun where it is not there; a line cut short by a stop is passed over."""
    head = json.dumps({"asked": dict(asked)}, sort_keys=True)
    if not kept.exists():
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_text(head + "\n")
        return {}
    text = kept.read_text()
    lines = text.splitlines()
    if not lines or lines[0] != head:
        raise SystemExit(
            f"The file {kept} must hold results of the same call. Got others instead; remove it to begin anew."
        )
    done = {}
    for line in lines[1:]:
        try:
            found = json.loads(line)
        except json.JSONDecodeError:
            continue
        done[found["batch"]] = np.array(found["sums"])
    if not text.endswith("\n"):
        with open(kept, "a") as file:
            file.write("\n")
    return done


def _tell(done: int, of: int, seconds: float) -> None:
    left = seconds / done * (of - done) / 60
    print(
        f"\r{done} of {of} batches, about {left:.0f} min left ",
        end="\n" if done == of else "",
        file=sys.stderr,
        flush=True,
    )
