"""Sources for the tests of drawing: they open in other processes, so they live in a module of their own."""

from __future__ import annotations

import time
from pathlib import Path

import torch

from mission.errors import InputError
from synth.chips import ChipBatch


class CountedChips:
    """The pictures of batch n are filled with n; each chip holds one box, as wide as n + 1."""

    def __init__(self, chip_px: int = 64, *, refuses_at: int = -1, slow_s: float = 0.0) -> None:
        self.chip_px, self.refuses_at, self.slow_s = chip_px, refuses_at, slow_s
        self.number = 0

    def batch(self, n: int) -> ChipBatch:
        number, self.number = self.number, self.number + 1
        time.sleep(self.slow_s)
        if number == self.refuses_at:
            raise InputError("The photographs must stay where they are. Got none instead.")
        box = torch.tensor([0.0, 0.0, 1.0, 10.0]).repeat(n, 1)
        box[:, 2] += number
        return ChipBatch(
            image=torch.full((n, 3, self.chip_px, self.chip_px), number % 256, dtype=torch.uint8),
            chip=torch.arange(n),
            category=torch.zeros(n, dtype=torch.int64),
            box_px=box,
            visible=torch.ones(n),
            attributes=torch.full((n, 4), -1, dtype=torch.int64),
            mark_turn_deg=torch.full((n,), float("nan")),
        )


def broken_source() -> CountedChips:
    raise RuntimeError("no such typeface")


def is_alive(pid: int) -> bool:
    """Whether a process runs (one that has ended and was not waited for does not)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False
