"""Which processor does the work, and in which numbers."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass

import numpy as np
import torch

from mission.errors import must


@dataclass(frozen=True)
class ChosenDevice:
    """A torch device and whether 16-bit brain floats pay on it."""

    name: str
    bfloat16: bool

    @property
    def is_cpu(self) -> bool:
        """True where tensors live in ordinary memory."""
        return self.name == "cpu"

    @property
    def device(self) -> torch.device:
        """The torch device."""
        return torch.device(self.name)

    def autocast(self) -> AbstractContextManager[object]:
        """bfloat16 for the heavy layers where it pays, nothing otherwise."""
        kind = self.device.type
        return torch.autocast(kind, dtype=torch.bfloat16) if self.bfloat16 else nullcontext()


def choose_device(wanted: str = "auto") -> ChosenDevice:
    """ "auto" takes a GPU where there is one; InputError for another word or a GPU that is not there."""
    if wanted not in ("auto", "cpu", "cuda") and not (wanted.startswith("cuda:") and wanted[5:].isdigit()):
        raise must("device", "be auto, cpu, cuda or cuda:NUMBER", wanted)
    if wanted == "auto":
        wanted = "cuda" if torch.cuda.is_available() else "cpu"
    if wanted.startswith("cuda"):
        count = torch.cuda.device_count() if torch.cuda.is_available() else 0
        number = int(wanted[5:]) if ":" in wanted else 0
        if number >= count:
            raise must("device", "be one that this machine has", f"{wanted} with {count} GPUs that PyTorch can use")
        return ChosenDevice(wanted, torch.cuda.is_bf16_supported(including_emulation=False))
    return ChosenDevice("cpu", _bfloat16_pays_on_cpu())


def prepare(device: ChosenDevice) -> None:
    """Settings of this process for training on a GPU: 19-bit products of 32-bit numbers, the fastest kernel for each shape."""
    if not device.is_cpu:
        if device.device.index is not None:
            torch.cuda.set_device(device.device)
        torch.set_float32_matmul_precision("high")
        torch.backends.cudnn.benchmark = True


def for_reading(device: torch.device) -> ChosenDevice:
    """A device as reading uses it: bfloat16 in the heavy layers on a GPU that computes with it, as in training; else none."""
    return ChosenDevice(str(device), device.type == "cuda" and torch.cuda.is_bf16_supported(including_emulation=False))


def page_locked(pixels: np.ndarray, device: torch.device) -> np.ndarray:
    """The same pixels where a GPU can fetch them by itself, several times as fast; for a CPU they stay where they are."""
    if device.type != "cuda":
        return pixels
    return torch.from_numpy(pixels).pin_memory().numpy()


def _bfloat16_pays_on_cpu() -> bool:
    """Whether the processor itself multiplies bfloat16: emulated it is several times slower than 32 bits.

    Asked, not timed: a clock decides one way and then the other while something else runs, and the same seed would then train
    other networks.
    """
    own = torch.cpu
    return own._is_avx512_bf16_supported() or own._is_amx_tile_supported()
