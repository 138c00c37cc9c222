"""One render shared among the processes that PyTorch's launcher starts, on one host or several that see one file system.

Each process draws every n-th frame into the same hidden work folder; rank 0 opens it and, when all frames are there, writes
the truth and gives the folder its name. The ranks meet through files alone: no process group, no ports. A rank says that it
is there by a file in ``ranks``; rank 0 finishes only when all have, so that none comes to a folder that is finished already.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from mission.errors import InputError, must

_POLL_S = 0.1
#: Without a new frame or rank for this long another process is taken to have died (a large frame takes seconds).
STALLED_S = 600.0


@dataclass(frozen=True)
class Ranks:
    """This process's number and how many there are."""

    rank: int = 0
    world: int = 1

    def own(self, frames: int) -> range:
        """The frames that this process draws."""
        return range(self.rank, frames, self.world)


def ranks_of(environment: Mapping[str, str] = os.environ) -> Ranks:
    """RANK and WORLD_SIZE as the launcher sets them; one process where they are not set."""
    if "RANK" not in environment or "WORLD_SIZE" not in environment:
        return Ranks()
    try:
        ranks = Ranks(int(environment["RANK"]), int(environment["WORLD_SIZE"]))
    except ValueError:
        ranks = Ranks(-1)
    if not 0 <= ranks.rank < ranks.world:
        got = f"RANK={environment['RANK']} WORLD_SIZE={environment['WORLD_SIZE']}"
        raise must("RANK", "be a whole number from 0 to WORLD_SIZE - 1", got, where="the environment")
    return ranks


def _file(work: Path, rank: int) -> Path:
    return work / "ranks" / str(rank)


def open_ranks(work: Path, ranks: Ranks) -> None:
    """Rank 0, once the work folder is there: forget who was there at an earlier attempt."""
    if ranks.world > 1:
        (work / "ranks").mkdir(exist_ok=True)
        for stale in (work / "ranks").iterdir():
            stale.unlink(missing_ok=True)


def await_opening(work: Path, record: Path) -> None:
    """Other ranks: wait until rank 0 has opened the work folder. InputError where it never does."""
    _until(record.exists, lambda: 0, f"The process of rank 0 must open {work}")


def say_here(work: Path, ranks: Ranks) -> None:
    """Other ranks: leave the sign that this process takes part; rank 0 may clear it once, so it is left again and again."""
    with suppress(OSError):  # rank 0 has closed the folder
        _file(work, ranks.rank).touch()


def await_others(work: Path, ranks: Ranks, done: Callable[[], int], total: int, told: Callable[[int], None]) -> None:
    """Rank 0, its own frames drawn: wait until all ranks have been there and ``done()`` counts ``total`` frames."""

    def here() -> int:
        return sum(_file(work, rank).exists() for rank in range(1, ranks.world))

    def whole() -> bool:
        told(done())
        return here() == ranks.world - 1 and done() == total

    _until(whole, lambda: here() + done(), f"All {ranks.world} processes must go on drawing frames into {work}")


def await_end(work: Path, ranks: Ranks, done: Callable[[], int]) -> None:
    """Other ranks, their own frames drawn: wait until rank 0 has given the folder its name."""

    def ended() -> bool:
        say_here(work, ranks)
        return not work.exists()

    _until(ended, done, f"The process of rank 0 must finish {work}")


def close_ranks(work: Path) -> None:
    """Rank 0: take the signs away, in one step, so that no rank leaves another one meanwhile."""
    if (work / "ranks").exists():
        gone = work / "parts" / "ranks"  # goes away with the parts
        shutil.rmtree(gone, ignore_errors=True)
        (work / "ranks").rename(gone)


def _until(whole: Callable[[], bool], moves: Callable[[], int], what: str) -> None:
    """Wait for ``whole()``; InputError when ``moves()`` has not changed for STALLED_S."""
    last, since = moves(), time.monotonic()
    while not whole():
        now = moves()
        if now != last:
            last, since = now, time.monotonic()
        if time.monotonic() - since > STALLED_S:
            raise InputError(
                f"{what}. Got no sign of that for {STALLED_S:.0f} s instead; start the same command again."
            )
        time.sleep(_POLL_S)
