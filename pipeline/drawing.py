"""Chips drawn by many processes and handed over in order, so that any number of them gives the same training.

Every process opens the same seeded source and draws the batches that it is asked for by their number. The pictures travel
through slots of a memory-mapped file that has no name (nothing is left on disk, whatever kills us, and no large /dev/shm is
needed); the few numbers beside them travel through a pipe. A process draws at most ``SLOTS`` batches ahead.
"""

from __future__ import annotations

import contextlib
import mmap
import multiprocessing as mp
import os
import signal
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import fields
from multiprocessing import connection, reduction
from typing import Any

import numpy as np
import torch

from mission.errors import InputError, must, shown
from pipeline.reservoir import Source, join_chips
from synth.chips import ChipBatch

# Batches that each process may draw ahead: one waits to be fetched while the next is drawn.
SLOTS = 2
# A process that is asked to end is given this long before it is killed.
GRACE_S = 3.0


class FirstThen:
    """A source whose first ``count`` batches are those of one source and the rest those of another, from ``start`` on."""

    def __init__(self, first: Source, count: int, then: Source, start: int = 0) -> None:
        self.first, self.count, self.then, self.start = first, count, then, start
        self.number = 0

    def batch(self, n: int, /) -> ChipBatch:
        """The next n chips."""
        early = self.number < self.count
        source = self.first if early else self.then
        source.number = self.number if early else self.number - self.count + self.start  # type: ignore[attr-defined]
        self.number += 1
        return source.batch(n)


def draw_many(source: Source, batches: int, n: int) -> ChipBatch:
    """The next ``batches`` batches of n chips as one, in ordinary memory."""
    drawn = [source.batch(n) for _ in range(batches)]
    while len(drawn) > 1:
        drawn = [join_chips(*drawn[i : i + 2]) if i + 1 < len(drawn) else drawn[i] for i in range(0, len(drawn), 2)]
    return drawn[0]


class _Worker:
    """One drawing process, seen from the training: its pipe, its slots, and the numbers that it was asked for."""

    def __init__(self, opener: Callable[[], Source], slot_shape: tuple[int, ...]) -> None:
        size = SLOTS * int(np.prod(slot_shape))
        with tempfile.TemporaryFile(prefix="panelscout-chips-") as file:
            try:
                file.truncate(size)
                if hasattr(os, "posix_fallocate"):  # a disk that fills up later would kill without a word
                    os.posix_fallocate(file.fileno(), 0, size)
            except OSError as error:
                raise InputError(
                    f"The folder {tempfile.gettempdir()} must have room for {size / 1e6:.0f} MB of chips. Got"
                    f" '{error.strerror}' instead."
                ) from None
            self.memory = mmap.mmap(file.fileno(), size)
            self.slots = np.frombuffer(self.memory, np.uint8).reshape(SLOTS, *slot_shape)
            context = mp.get_context("spawn")  # a forked process would inherit PyTorch's threads in an unknown state
            self.pipe, theirs = context.Pipe()
            self.process = context.Process(target=_draw, args=(opener, slot_shape, theirs), daemon=True)
            with one_thread_each():
                self.process.start()
            theirs.close()
            assert self.process.pid is not None
            reduction.send_handle(self.pipe, file.fileno(), self.process.pid)
        self.asked: list[tuple[int, int]] = []  # (number, slot), in the order in which they will come

    def ask(self, number: int, slot: int) -> None:
        """Have a batch drawn into a free slot."""
        self.asked.append((number, slot))
        with contextlib.suppress(OSError):  # that the process is gone is said where its answer is missed
            self.pipe.send((number, slot))

    def answer(self) -> tuple[int, int, Any]:
        """Number, slot and objects of the next batch drawn; InputError where the process failed."""
        try:
            if not self.pipe.poll(0):
                connection.wait([self.pipe, self.process.sentinel])
            if not self.pipe.poll(0):
                raise EOFError
            kind, content = self.pipe.recv()
        except (EOFError, ConnectionResetError):
            self.process.join(GRACE_S)
            raise InputError(
                f"The processes that draw chips must run until the training ends. Got the exit code"
                f" {self.process.exitcode} of one of them instead."
            ) from None
        if kind == "refused":
            raise InputError(content)
        return *self.asked.pop(0), content

    def end(self) -> None:
        """Stop the process, whatever it is doing."""
        self.pipe.close()
        if self.process.is_alive():
            self.process.terminate()
        self.process.join(GRACE_S)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()


class DrawnByWorkers:
    """A source whose batches of ``batch_chips`` chips are drawn by ``workers`` processes, one thread each.

    ``opener`` makes the source in each process (it is sent there, so it must be plain data or a function of a module); that
    source draws the batch named by its ``number``. Boxes and labels come in ordinary memory, and so do pictures, in
    page-locked memory where ``pinned`` is set, from which a GPU can fetch them by itself. InputError from ``batch`` where a
    process refuses or dies.
    """

    def __init__(
        self, opener: Callable[[], Source], workers: int, batch_chips: int, chip_px: int, *, pinned: bool = False
    ) -> None:
        if workers < 1:
            raise must("draw_workers", "be 1 or more", workers)
        self.batch_chips, self.pinned = batch_chips, pinned
        self._next = 0
        self._workers: list[_Worker] = []
        shape = (batch_chips, 3, chip_px, chip_px)
        try:
            for _ in range(workers):
                self._workers.append(_Worker(opener, shape))
            self._ask_from(0)
        except BaseException:
            self.close()
            raise

    @property
    def number(self) -> int:
        """Number of the batch that comes next; setting it goes there, and drops what was drawn ahead."""
        return self._next

    @number.setter
    def number(self, number: int) -> None:
        if number == self._next:
            return
        for worker in self._workers:
            while worker.asked:
                worker.answer()
        self._ask_from(number)

    def _ask_from(self, number: int) -> None:
        self._next = number
        for ahead in range(SLOTS * len(self._workers)):
            self._worker_of(number + ahead).ask(number + ahead, ahead // len(self._workers))

    def _worker_of(self, number: int) -> _Worker:
        return self._workers[number % len(self._workers)]

    def ready(self) -> bool:
        """Whether the next batch can be had without waiting."""
        return self._worker_of(self._next).pipe.poll(0)

    def batch(self, n: int, /) -> ChipBatch:
        """The next batch; n must be the size that is drawn."""
        if n != self.batch_chips:
            raise ValueError(f"batches of {self.batch_chips} chips are drawn, {n} were asked for")
        worker = self._worker_of(self._next)
        number, slot, objects = worker.answer()
        assert number == self._next
        image = torch.empty(worker.slots.shape[1:], dtype=torch.uint8, pin_memory=self.pinned)
        image.numpy()[...] = worker.slots[slot]
        self._next += 1
        worker.ask(number + SLOTS * len(self._workers), slot)
        return ChipBatch(image=image, **{name: torch.from_numpy(values) for name, values in objects.items()})

    def close(self) -> None:
        """End all processes; nothing stays behind."""
        for worker in self._workers:
            worker.process.terminate()  # all at once, then wait for each
        while self._workers:
            self._workers.pop().end()

    def __enter__(self) -> DrawnByWorkers:
        return self

    def __exit__(self, *details: object) -> None:
        self.close()


@contextlib.contextmanager
def one_thread_each() -> Iterator[None]:
    """Environment for processes started inside: libraries read there, once, how many threads they may use."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _draw(opener: Callable[[], Source], slot_shape: tuple[int, ...], pipe: connection.Connection) -> None:
    """Body of a drawing process: draw what is asked for until the other end of the pipe is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group; the training ends this process
    torch.set_num_threads(1)
    try:
        handle = reduction.recv_handle(pipe)
        slots = np.frombuffer(mmap.mmap(handle, 0), np.uint8).reshape(SLOTS, *slot_shape)
        os.close(handle)
        source = opener()
        while True:
            number, slot = pipe.recv()
            source.number = number  # type: ignore[attr-defined]
            chips = source.batch(slot_shape[0])
            slots[slot] = chips.image.numpy()
            objects = {f.name: getattr(chips, f.name) for f in fields(chips) if f.name != "image"}
            pipe.send(("drawn", {name: values.numpy() for name, values in objects.items()}))
    except (EOFError, BrokenPipeError, ConnectionResetError):
        return
    except InputError as error:
        refusal = str(error)
    except MemoryError:
        refusal = "The memory must hold the chips that are drawn ahead. Got too little: use fewer drawing processes."
    except Exception as error:
        refusal = (
            f"The processes that draw chips must run until the training ends. Got '{type(error).__name__}:"
            f" {shown(str(error), 200)}' in one of them instead."
        )
    with contextlib.suppress(OSError):
        pipe.send(("refused", refusal))
