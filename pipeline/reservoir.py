"""Rendered chips kept to be trained on more than once, each time framed, turned and lit a little differently.

Data echoing (Choi et al., Faster Neural Network Training with Data Echoing, 2019): where drawing a chip costs more than
learning from it, using each a few times buys steps for little.

Pictures lie on the training's device; what is in them lies in ordinary memory, where the choice of chips, windows and turns
is made. Only finished numbers go to a GPU, from page-locked memory, so that it never has to be asked or waited for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from synth.chips import ChipBatch

# How far the object of a window may lie from its middle, as a share of the window's side.
WINDOW_FREEDOM = 0.7
# Column of the mark among the attributes.
MARK = 2


Change = Callable[[ChipBatch, int], ChipBatch]


class Source(Protocol):
    """Anything that draws or cuts labelled chips.

    One that is to be drawn by several processes, or gone on with after a kill, also has ``number``: that of the next batch,
    which may be set.
    """

    def batch(self, n: int, /) -> ChipBatch:
        """n chips, all of one size."""
        ...


class DrawnAhead:
    """A source whose next batch is drawn in a thread while the last one is learnt from.

    Batches come in the same order whatever the timing; the thread's own share of the work runs on one core.
    """

    def __init__(self, source: Source) -> None:
        self.source = source
        self.thread = ThreadPoolExecutor(1, "chips", initializer=torch.set_num_threads, initargs=(1,))
        self.ahead: tuple[int, Future[ChipBatch]] | None = None
        self._next = 0

    @property
    def number(self) -> int:
        """Number of the batch that comes next; setting it goes there, and drops what was drawn ahead."""
        return self._next

    @number.setter
    def number(self, number: int) -> None:
        if number != self._next:
            if self.ahead is not None:
                self.ahead[1].result()
            self.ahead, self._next = None, number
            self.source.number = number  # type: ignore[attr-defined]

    def batch(self, n: int, /) -> ChipBatch:
        """n chips, all of one size; starts on the next n."""
        size, drawn = self.ahead or (n, self.thread.submit(self.source.batch, n))
        chips = drawn.result()
        if size != n:
            chips = self.thread.submit(self.source.batch, n).result()
        self._next += 1
        self.ahead = n, self.thread.submit(self.source.batch, n)
        return chips

    def close(self) -> None:
        """Let the thread end; what it had begun is dropped."""
        self.thread.shutdown(wait=True, cancel_futures=True)


def select_chips(chips: ChipBatch, index: Tensor) -> ChipBatch:
    """The chips at ``index`` (int64 [n], no repeats) with their objects, renumbered 0..n-1."""
    place = torch.full((len(chips.image),), -1, dtype=torch.int64, device=index.device)
    place[index] = torch.arange(len(index), device=index.device)
    number = place[chips.chip]
    kept = number >= 0
    return ChipBatch(
        image=chips.image[index],
        chip=number[kept],
        category=chips.category[kept],
        box_px=chips.box_px[kept],
        visible=chips.visible[kept],
        attributes=chips.attributes[kept],
        mark_turn_deg=chips.mark_turn_deg[kept],
    )


def join_chips(first: ChipBatch, second: ChipBatch) -> ChipBatch:
    """Both batches as one; the second one's chips follow the first one's."""
    return ChipBatch(
        image=torch.cat([first.image, second.image]),
        chip=torch.cat([first.chip, second.chip + len(first.image)]),
        category=torch.cat([first.category, second.category]),
        box_px=torch.cat([first.box_px, second.box_px]),
        visible=torch.cat([first.visible, second.visible]),
        attributes=torch.cat([first.attributes, second.attributes]),
        mark_turn_deg=torch.cat([first.mark_turn_deg, second.mark_turn_deg]),
    )


@dataclass(frozen=True)
class Objects:
    """What is in a batch of chips, in ordinary memory: chip int64 [N]; facts float32 [N, 11]: category, box (4), visible,
    attributes (4), turn of the mark in degrees."""

    chip: NDArray[np.int64]
    facts: NDArray[np.float32]

    @property
    def box_px(self) -> NDArray[np.float32]:
        """[N, 4]"""
        return self.facts[:, 1:5]

    @classmethod
    def of(cls, chips: ChipBatch) -> Objects:
        """The objects of a batch."""
        columns = (chips.category[:, None], chips.box_px, chips.visible[:, None], chips.attributes,
                   chips.mark_turn_deg[:, None])  # fmt: skip
        return cls(chips.chip.cpu().numpy(), torch.cat([c.float() for c in columns], 1).cpu().numpy())

    def on(self, device: torch.device, image: Tensor) -> ChipBatch:
        """As a batch with its pictures, on their device."""
        facts = to_device(torch.from_numpy(self.facts), device)
        return ChipBatch(
            image=image,
            chip=to_device(torch.from_numpy(self.chip), device),
            category=facts[:, 0].long(),
            box_px=facts[:, 1:5].contiguous(),
            visible=facts[:, 5].contiguous(),
            attributes=facts[:, 6:10].long(),
            mark_turn_deg=facts[:, 10].contiguous(),
        )


def to_device(values: Tensor, device: torch.device) -> Tensor:
    """A tensor on a device; a GPU fetches it by itself, in the order of its work."""
    if device.type != "cuda":
        return values.to(device)
    return (values if values.is_pinned() else values.pin_memory()).to(device, non_blocking=True)


@dataclass(frozen=True)
class Looks:
    """How each of n square chips is looked at: a window of ``side_px`` with its top-left ``corner`` int64 [n, 2] (x, y),
    turned counter-clockwise by ``quarters`` int64 [n] quarter turns, then ``mirrored`` bool [n] left to right."""

    side_px: int
    corner: NDArray[np.int64]
    quarters: NDArray[np.int64]
    mirrored: NDArray[np.bool_]


def choose_looks(
    objects: Objects, count: int, chip_px: int, side_px: int, mirrored: bool, rng: np.random.Generator
) -> Looks:
    """A window around one of each chip's objects (anywhere where it has none), any quarter turn, half of them mirrored."""
    corner = rng.random((count, 2)) * (chip_px - side_px)
    if side_px < chip_px:
        chosen = np.full(count, -1)
        order = rng.permutation(len(objects.chip))
        chosen[objects.chip[order]] = order
        held = np.flatnonzero(chosen >= 0)
        box = objects.box_px[chosen[held]]
        free = (rng.random((len(held), 2)) - 0.5) * (WINDOW_FREEDOM * side_px)
        corner[held] = (box[:, :2] + box[:, 2:]) / 2 + free - side_px / 2
    corner = corner.clip(0, chip_px - side_px).astype(np.int64)
    return Looks(side_px, corner, rng.integers(4, size=count), mirrored & (rng.random(count) < 0.5))


def objects_seen(objects: Objects, looks: Looks) -> Objects:
    """Boxes as they lie in the windows, clipped to them; ``visible`` shrinks by the part cut away, what is outside is left out.

    A mirrored mark is no mark any more: mirroring forgets mark and turn (and is for detectors only).
    """
    side, chip = looks.side_px, objects.chip
    facts = objects.facts.copy()
    whole = facts[:, 1:5] - np.tile(looks.corner[chip].astype(np.float32), 2)
    inside = whole.clip(0, side)
    facts[:, 5] *= _area(inside) / _area(whole).clip(1e-6)
    quarters, mirrored = looks.quarters[chip], looks.mirrored[chip]
    for turn in (1, 2, 3):
        turned = quarters >= turn
        x0, y0, x1, y1 = inside[turned].T
        inside[turned] = np.stack([y0, side - x1, y1, side - x0], 1)
    x0, y0, x1, y1 = inside[mirrored].T
    inside[mirrored] = np.stack([side - x1, y0, side - x0, y1], 1)
    facts[:, 1:5] = inside
    facts[:, 10] = (facts[:, 10] - 90.0 * quarters) % 360.0
    facts[mirrored, 10] = np.nan
    facts[mirrored, 6 + MARK] = -1
    kept = facts[:, 5] > 0
    return Objects(chip[kept], facts[kept])


def _area(box: NDArray[Any]) -> NDArray[Any]:
    return (box[:, 2] - box[:, 0]) * (box[:, 3] - box[:, 1])


def pixels_one_by_one(image: Tensor, index: NDArray[np.int64], looks: Looks) -> Tensor:
    """Pixels [n, 3, side, side] of the chips ``index`` of image [C, 3, S, S] in ordinary memory, one copy each."""
    source, side = image.numpy(), looks.side_px
    out = torch.empty((len(index), 3, side, side), dtype=image.dtype)
    for place, (chip, (x, y), quarters) in enumerate(zip(index, looks.corner, looks.quarters, strict=True)):
        seen = np.rot90(source[chip, :, y : y + side, x : x + side], quarters, (1, 2))
        out[place].numpy()[...] = seen[:, :, ::-1] if looks.mirrored[place] else seen
    return out


def pixels_at_once(image: Tensor, index: NDArray[np.int64], looks: Looks) -> Tensor:
    """The same for a GPU: one gathering for all chips."""
    side, device = looks.side_px, image.device
    host = np.column_stack([index, looks.corner, looks.quarters, looks.mirrored])
    chip, x, y, quarters, mirrored = (v[:, None, None] for v in to_device(torch.from_numpy(host), device).unbind(1))
    row = torch.arange(side, device=device)[None, :, None]
    column = torch.arange(side, device=device)[None, None, :]
    column = torch.where(mirrored == 1, side - 1 - column, column)  # [n, 1, side]
    # A quarter turn counter-clockwise: what is shown at (row, column) lies at (column, side - 1 - row).
    odd = quarters % 2 == 1
    along_y, along_x = torch.where(odd, column, row), torch.where(odd, row, column)
    along_y = torch.where(quarters >= 2, side - 1 - along_y, along_y)
    along_x = torch.where((quarters == 1) | (quarters == 2), side - 1 - along_x, along_x)
    cell = ((along_y + y) * image.shape[-1] + along_x + x).flatten(1)[:, None]  # [n, 1, side * side]
    channel = torch.arange(image.shape[1], device=device)[None, :, None]
    return image.flatten(2)[chip, channel, cell].unflatten(2, (side, side))


def change_light(image: Tensor, generator: torch.Generator) -> Tensor:
    """uint8 [B, 3, H, W] -> float32 0..255: each chip's exposure, white balance and contrast a little off.

    Small against what the renderer or the camera already varied: it only keeps a second look from being the same look.
    """
    chance = to_device(torch.randn((5, len(image)), generator=generator), image.device)[:, :, None, None, None]
    gain = torch.exp(0.10 * chance[0] + 0.03 * torch.cat([chance[1], chance[2], chance[3]], 1))
    contrast = torch.exp(0.10 * chance[4])
    value = image.float()
    middle = value.mean((1, 2, 3), keepdim=True)
    # gain * (contrast * (value - middle) + middle), in as few passes over the pixels as it can be done.
    return value.mul_(gain * contrast).add_(gain * (1.0 - contrast) * middle).clamp_(0.0, 255.0)


class Reservoir:
    """Gives training batches from a pool of chips that is refreshed from ``source`` as chips are used up.

    A chip is used up after ``uses_per_chip`` uses. As a rule fresh ones are then waited for, and what is given depends on the
    seed alone. With ``as_they_come`` (for a GPU, which must not stand still) those that are ready are taken, and where they
    are too few the old ones are used beyond that number: ``given / drawn`` tells how often. ``changes`` are made to fresh
    chips in turn, each told the number of their batch.
    """

    def __init__(
        self,
        source: Source,
        *,
        capacity: int,
        uses_per_chip: int,
        mirrored: bool,
        seed: int,
        window_px: int | None = None,
        device: torch.device | str | None = None,
        draw_chips: int | None = None,
        as_they_come: bool = False,
        changes: Sequence[Change] = (),
    ) -> None:
        self.source, self.capacity, self.uses_per_chip = source, capacity, uses_per_chip
        self.mirrored, self.window_px, self.as_they_come = mirrored, window_px, as_they_come
        self.device, self.draw_chips, self.changes = device, draw_chips, changes
        self.rng = np.random.default_rng(seed)
        self.generator = torch.Generator().manual_seed(seed)
        self.image: Tensor | None = None
        self.facts: list[NDArray[np.float32]] = []
        self.uses = np.zeros(0, np.int64)  # -1: no chip yet
        self.age = np.zeros(0, np.int64)
        self.drawn = self.given = self.batches = 0

    def place(self) -> dict[str, int]:
        """How far the source was gone through, for a killed training to go on with fresh chips."""
        return {"drawn": self.drawn, "given": self.given, "batches": self.batches}

    def go_to(self, place: Mapping[str, int]) -> None:
        """Start where another training's ``place`` was."""
        self.drawn, self.given, self.batches = place["drawn"], place["given"], place["batches"]
        self.source.number = getattr(self.source, "number", 0) + self.batches  # type: ignore[attr-defined]

    def batch(self, n: int) -> ChipBatch:
        """n chips, framed, turned and relit (image float32 0..255), at random from those not yet used up."""
        self._refresh(n)
        assert self.image is not None
        index = self._choose(n)
        self.uses[index] += 1
        self.given += n
        held = [self.facts[i] for i in index]
        objects = Objects(np.repeat(np.arange(n), [len(facts) for facts in held]), np.concatenate(held))
        side = self.image.shape[-1]
        looks = choose_looks(objects, n, side, min(side, self.window_px or side), self.mirrored, self.rng)
        on_cpu = self.image.device.type == "cpu"
        pixels = (pixels_one_by_one if on_cpu else pixels_at_once)(self.image, index, looks)
        return objects_seen(objects, looks).on(self.image.device, change_light(pixels, self.generator))

    def _choose(self, n: int) -> NDArray[np.int64]:
        usable = np.flatnonzero((self.uses >= 0) & (self.uses < self.uses_per_chip))
        if len(usable) < n:  # only as they come: any chip again, the fresh ones among them
            usable = np.flatnonzero(self.uses >= 0)
        return self.rng.permutation(usable)[:n] if len(usable) >= n else self.rng.choice(usable, n)

    def _refresh(self, n: int) -> None:
        """Draw until n chips are usable, and further where there is room and it is time."""
        size = self.draw_chips or n
        if self.image is None:
            self._take(self.source.batch(size), n)
        if self.as_they_come:
            # A first eighth of the pool is waited for, or the first second would be spent on the same few chips.
            while (self.uses >= 0).sum() < max(n, self.capacity // 8) or (self._has_room(size) and self.source.ready()):  # type: ignore[attr-defined]
                self._take(self.source.batch(size), n)
            return
        # Filling the pool at once would spend the first half of a short training on drawing: it may grow as fast as half
        # of each chip's uses are spent.
        while self._usable() < n or (
            self._usable() + size <= self.capacity and self.drawn * self.uses_per_chip < 2 * (self.given + 2 * n)
        ):
            self._take(self.source.batch(size), n)

    def _usable(self) -> int:
        return int(((self.uses >= 0) & (self.uses < self.uses_per_chip)).sum())

    def _has_room(self, size: int) -> bool:
        return len(self.uses) - self._usable() >= size

    def _take(self, fresh: ChipBatch, n: int) -> None:
        """Put fresh chips into empty places, else into those of the chips that were used up longest ago."""
        for change in self.changes:
            fresh = change(fresh, self.batches)
        size = len(fresh.image)
        device = torch.device(self.device) if self.device is not None else fresh.image.device
        if self.image is None:
            places = max(self.capacity, n + size)
            self.image = torch.empty((places, *fresh.image.shape[1:]), dtype=torch.uint8, device=device)
            self.facts = [np.zeros((0, 11), np.float32)] * places
            self.uses, self.age = np.full(places, -1), np.zeros(places, np.int64)
        free = np.flatnonzero((self.uses < 0) | (self.uses >= self.uses_per_chip))
        place = free[np.argsort(self.age[free], kind="stable")[:size]]
        self.image.index_copy_(0, to_device(torch.from_numpy(place), device), to_device(fresh.image, device))
        objects = Objects.of(fresh)
        for chip, where in enumerate(place):
            self.facts[where] = objects.facts[objects.chip == chip]
        self.drawn += size
        self.batches += 1
        self.uses[place], self.age[place] = 0, self.drawn
