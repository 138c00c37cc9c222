"""A pool of drawn chips on disk, drawn by many processes and learnt from by many trainings at the same time.

Drawing costs more than learning, so every chip serves every row that may see it: a chip lies on one flight's ground (or on
procedural ground), and a training takes only those of the flights that do not judge it. A part of the pool is one recipe
on one ground. Parts grow evenly, so that whoever stops early has some of each; a batch is written under a temporary name
and renamed, so that what can be seen is whole. The same seed gives the same pool on any number of processes.
"""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import torch
import torch.multiprocessing as processes
from numpy.typing import NDArray
from torch import Tensor

from benchmarks.transfer.ingredients import recipe_of, row_named
from mission.mission_file import Mission, load_mission
from pipeline.reservoir import Objects
from pipeline.tensor_files import read_tensors, write_tensors
from synth.chips import ChipBatch, ChipSource
from synth.photo_ground import GroundBank

MISSION = Path(__file__).parent / "mission.yaml"
#: Scale of the photographs for the crop bank [m]; the oblique flight varies by half around its value.
GROUND_GSD_M = {"building-site": 0.017, "park": 0.020, "allotment": 0.0075, "lake": 0.017, "bush": 0.018}
PROCEDURAL = "procedural"
CHIPS_A_FILE = 64
#: Chips drawn at once on a CPU: large ones fill its caches soon, small ones cost more in calls than in pixels. A GPU pays for
#: calls only and draws a file at once.
CHIPS_A_BATCH = {None: 16, "panel": 64}
#: Chips next to be written over in a shelf that is renewed; no training is given them any more.
SPARED = 1024
#: Of the chips that readers see, the share without a panel, for "not a panel".
OTHER_SHARE = 0.36


@dataclass(frozen=True)
class Part:
    """One kind of chip: drawn by a row's recipe on one ground, ``focus`` as in ``ChipSource``; ``chips`` at most."""

    row: str
    ground: str
    focus: Literal["panel"] | None
    chip_px: int
    chips: int

    @property
    def name(self) -> str:
        return f"{self.row}.{self.ground}.{self.focus or 'all'}.{self.chip_px}"


def bank_of(photographs: Path, flights: Sequence[str], mission: Mission) -> GroundBank:
    """The crop bank of several flights."""
    gsd_m = mission.ground_sample_distance_m
    parts = [GroundBank.from_folder(photographs / f, gsd_m=GROUND_GSD_M[f], mission_gsd_m=gsd_m) for f in flights]
    return GroundBank([p for part in parts for p in part.photographs], gsd_m, parts[0].enlarge)


def source_of(part: Part, photographs: Path, seed: int, device: str = "cpu") -> ChipSource:
    """Where a part's chips come from."""
    mission = load_mission(MISSION)
    row = row_named(part.row)
    number = sum(ord(letter) * 31**i for i, letter in enumerate(part.name)) % 2**31
    return ChipSource(
        recipe_of(row), mission, seed=seed * 2**31 + number, device=device, chip_px=part.chip_px, typefaces=row.typefaces,
        focus=part.focus,
        ground=None if part.ground == PROCEDURAL else bank_of(photographs, [part.ground], mission),
        other_share=OTHER_SHARE if part.focus else 0.0,
    )  # fmt: skip


@dataclass(frozen=True)
class Drawing:
    """How a pool is drawn: ``devices`` one for each process; ``until`` as ``time.time()``; ``renewed``: on and on, for shelves
    that write over what they have given longest."""

    folder: Path
    photographs: Path
    seed: int
    devices: Sequence[str]
    until: float
    renewed: bool = False


def draw(parts: Sequence[Part], drawing: Drawing) -> tuple[list[Any], Any]:
    """Start processes that draw every part into ``folder/NAME/NUMBER.safetensors``; returns the processes and their counter,
    which must live until they have begun. What lies there is not drawn again."""
    context = processes.get_context("spawn")
    taken = context.Value("q", 0)
    for part in parts:
        (drawing.folder / part.name).mkdir(parents=True, exist_ok=True)
    started = [
        context.Process(target=_drawn, args=(list(parts), drawing, device, taken), daemon=True)
        for device in drawing.devices
    ]
    for process in started:
        process.start()
    return started, taken


def plan(parts: Sequence[Part]) -> list[tuple[Part, int]]:
    """All batches in the order in which they are drawn: every part as far along as every other."""
    batches = [(part, number, -(-part.chips // CHIPS_A_FILE)) for part in parts for number in range(_files(part))]
    return [(part, number) for part, number, of in sorted(batches, key=lambda b: ((b[1] + 0.5) / b[2], b[0].name))]


def _files(part: Part) -> int:
    return -(-part.chips // CHIPS_A_FILE)


def _drawn(parts: list[Part], drawing: Drawing, device: str, taken: Any) -> None:
    """Body of a drawing process."""
    torch.set_num_threads(1)
    os.nice(5)  # whoever feeds the GPU goes first
    sources: dict[str, ChipSource] = {}
    todo = plan(parts)
    while time.time() < drawing.until:
        with taken.get_lock():
            turn, place = divmod(taken.value, len(todo))
            taken.value += 1
        if turn and not drawing.renewed:
            return
        part, number = todo[place]
        number += turn * _files(part)
        path = drawing.folder / part.name / f"{number:06d}.safetensors"
        if path.exists():
            continue
        if part.name not in sources:
            sources[part.name] = source_of(part, drawing.photographs, drawing.seed, device)
        source = sources[part.name]
        size = CHIPS_A_BATCH[part.focus] if device == "cpu" else CHIPS_A_FILE
        source.number = number * (CHIPS_A_FILE // size)
        write_chips(path, [source.batch(size) for _ in range(CHIPS_A_FILE // size)])


def write_chips(path: Path, batches: Sequence[ChipBatch]) -> None:
    """Batches as one file: image uint8 [n, 3, S, S], chip int64 [N] and facts float32 [N, 11] (see ``Objects``)."""
    objects = [Objects.of(batch) for batch in batches]
    first = np.cumsum([0, *(len(batch.image) for batch in batches)])
    chip = np.concatenate([o.chip + start for o, start in zip(objects, first)])
    facts = np.concatenate([o.facts for o in objects])
    image = torch.cat([batch.image for batch in batches]).cpu()
    write_tensors(path, {"image": image, "chip": torch.from_numpy(chip), "facts": torch.from_numpy(facts)}, {})


class Shelf:
    """A part of the pool, taken in as it is drawn: pictures on a device, what is in them in ordinary memory.

    A ``renewed`` shelf goes on when it is full: new chips take the places of the oldest, and files are removed once they are in.
    """

    def __init__(self, part: Part, folder: Path, device: torch.device, renewed: bool = False) -> None:
        self.part, self.folder, self.device, self.renewed = part, folder / part.name, device, renewed
        self.room = _files(part) * CHIPS_A_FILE
        self.spared = min(SPARED, self.room // 4)
        self.image: Tensor | None = None
        self.facts: list[NDArray[np.float32]] = []
        self.empty = np.zeros(self.room, bool)
        self.taken = 0
        self.seen: set[str] = set()

    @property
    def held(self) -> int:
        """Chips to choose from."""
        return min(self.taken, self.room)

    def places(self, chosen: NDArray[np.int64]) -> NDArray[np.int64]:
        """Where the chips of these numbers (below ``usable``) lie: the oldest of a full renewed shelf have no number."""
        full = self.renewed and self.taken >= self.room
        return (chosen + self.taken + self.spared) % self.room if full else chosen

    @property
    def usable(self) -> int:
        """Chips that have a number: all but those that are about to be written over."""
        return self.held - self.spared if self.renewed and self.taken >= self.room else self.held

    def take_in(self) -> int:
        """Move what was drawn since the last call onto the device; returns the chips held."""
        for path in sorted(self.folder.glob("[0-9]*.safetensors")):
            if path.name in self.seen or (self.taken + CHIPS_A_FILE > self.room and not self.renewed):
                continue
            self.seen.add(path.name)
            fresh = read_tensors(path)[0]
            image, chip, facts = fresh["image"], fresh["chip"].numpy(), fresh["facts"].numpy()
            if self.image is None:
                self.image = torch.zeros((self.room, *image.shape[1:]), dtype=torch.uint8, device=self.device)
            here = slice(first := self.taken % self.room, first + len(image))
            self.image[here] = image.to(self.device)
            if self.device.type == "cuda":  # trainings read it on streams of their own
                torch.cuda.current_stream(self.device).synchronize()
            each = [facts[chip == number] for number in range(len(image))]
            self.facts[here] = each
            self.empty[here] = [len(one) == 0 for one in each]
            self.taken += len(image)
            if self.renewed:
                path.unlink()
        return self.held
