"""Chips a second drawn by one process on one device, the first batch, and what the device does meanwhile.

python -m benchmarks.drawing.throughput --device cuda [--batch 256]      some three minutes on one GPU

Everything is on: sampling, ground, things, light, lens, sensor, JPEG, truth. The device is waited for at both ends of the clock.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import torch
from torch._C._autograd import DeviceType
from torch.profiler import ProfilerActivity, profile

from benchmarks.drawing.first_batch import from_start
from synth.chips import ChipSource

_WARM_UP = 3
_LARGEST = 10


def device_name(device: str) -> str:
    """What the device is called in a report."""
    return torch.cuda.get_device_name(device) if device.startswith("cuda") else "CPU, one core a process"


def wait(device: torch.device) -> None:
    """Until the device has done what it was given."""
    if device.type == "cuda":
        torch.cuda.synchronize(device)


def chips_a_second(chips: ChipSource, batch: int, seconds: float) -> tuple[float, float]:
    """Chips a second, sampling included, and the milliseconds of a batch that sampling takes."""
    for _ in range(_WARM_UP):
        chips.batch(batch)
    wait(chips.device)
    start, drawn = time.perf_counter(), 0
    while time.perf_counter() - start < seconds:
        chips.batch(batch)
        wait(chips.device)
        drawn += batch
    rate = drawn / (time.perf_counter() - start)
    start = time.perf_counter()
    for number in range(_WARM_UP):
        chips.scene(batch, number)
    return rate, 1e3 * (time.perf_counter() - start) / _WARM_UP


def profile_batch(chips: ChipSource, batch: int) -> str:
    """One batch in sentences: how long the device was busy, its launches, and what took longest."""
    on_gpu = chips.device.type == "cuda"
    activities = [ProfilerActivity.CPU, *([ProfilerActivity.CUDA] if on_gpu else [])]
    wait(chips.device)
    start = time.perf_counter()
    chips.batch(batch)
    wait(chips.device)
    plain_s = time.perf_counter() - start
    with profile(activities=activities) as seen:
        chips.batch(batch)
        wait(chips.device)
    events = list(seen.events() or [])
    lines = []
    if on_gpu:
        kernels = [(e.time_range.start, e.time_range.end) for e in events if e.device_type == DeviceType.CUDA]
        launches = sum(e.name.startswith(("cudaLaunchKernel", "cuLaunchKernel")) for e in events)
        moves = sum(e.name.startswith("cudaMemcpy") for e in events)
        waits = sum(e.name.startswith(("cudaStreamSynchronize", "cudaDeviceSynchronize")) for e in events)
        busy_s = covered(kernels) / 1e6
        lines.append(
            f"the GPU is busy for {1e3 * busy_s:.1f} ms of the {1e3 * plain_s:.1f} ms that a batch takes without the profiler"
            f" ({busy_s / plain_s:.0%}); {launches / batch:.1f} launches and {moves / batch:.2f} copies a chip, {waits} waits a"
            " batch"
        )
    # Newer versions of torch name the column for the device, older ones for CUDA.
    column = "self_device_time_total" if on_gpu else "self_cpu_time_total"
    averages = sorted(seen.key_averages(), key=lambda a: -getattr(a, column, 0.0))
    total = sum(getattr(a, column, 0.0) for a in averages) or 1.0
    for a in averages[:_LARGEST]:
        took = getattr(a, column, 0.0)
        lines.append(f"    {took / 1e3:8.2f} ms {took / total:5.0%} {a.count:6d} x {a.key[:80]}")
    return "\n".join(lines)


def covered(ranges: list[tuple[float, float]]) -> float:
    """Length of the union of ranges: what overlaps counts once."""
    total, reached = 0.0, float("-inf")
    for start, end in sorted(ranges):
        total += max(0.0, end - max(start, reached))
        reached = max(reached, end)
    return total


def measure(
    open_source: Callable[[int, str | None, str], ChipSource],
    shapes: tuple[tuple[int, str | None], ...],
    device: str,
    batch: int,
    seconds: float,
    *,
    draw_workers: int,
) -> None:
    """Print all of it."""
    print(f"{device_name(device)}, torch {torch.__version__}, batches of {batch}")
    for workers in (0, *([draw_workers] if draw_workers else [])):
        first = from_start(device, batch, shapes[0][0], workers)
        drawn_by = f"{workers} processes on cores" if workers else f"one process on {device}"
        print(
            f"first batch, {drawn_by}: {first['empty']:.1f} s from the start, {first['warm']:.1f} s with a warm store"
        )
    for chip_px, focus in shapes:
        chips = open_source(chip_px, focus, device)
        rate, sampling = chips_a_second(chips, batch, seconds)
        print(
            f"{chip_px} px: {rate:.0f} chips/s eager; sampling takes {sampling:.1f} of {1e3 * batch / rate:.1f} ms a batch"
        )
        print(profile_batch(chips, batch))
