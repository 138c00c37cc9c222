"""Rendered chips kept to be trained on more than once, each time turned and lit a little differently.

Data echoing (Choi et al., Faster Neural Network Training with Data Echoing, 2019): where drawing a chip costs more than
learning from it, using each a few times buys steps for little. A chip leaves after ``uses_per_chip`` uses.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from typing import Protocol

import torch
from torch import Tensor

from synth.chips import ChipBatch

# How far the object of a window may lie from its middle, as a share of the window's side.
WINDOW_FREEDOM = 0.7


class Source(Protocol):
    """Anything that draws or cuts labelled chips."""

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

    def batch(self, n: int, /) -> ChipBatch:
        """n chips, all of one size; starts on the next n."""
        size, drawn = self.ahead or (n, self.thread.submit(self.source.batch, n))
        chips = drawn.result()
        if size != n:  # the batch was halved for want of memory
            chips = self.thread.submit(self.source.batch, n).result()
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


def turn_chips(chips: ChipBatch, quarters: int, mirrored: bool) -> ChipBatch:
    """Square chips turned counter-clockwise by quarter turns, then mirrored left to right.

    A mirrored mark is no mark any more, so mirroring forgets mark and turn (and is for detectors only).
    """
    image, box, turn = chips.image, chips.box_px, chips.mark_turn_deg
    side = image.shape[-1]
    image = torch.rot90(image, quarters % 4, (-2, -1))
    for _ in range(quarters % 4):
        x0, y0, x1, y1 = box.unbind(1)
        box = torch.stack([y0, side - x1, y1, side - x0], 1)
    turn = (turn - 90.0 * quarters) % 360.0
    attributes = chips.attributes
    if mirrored:
        image = image.flip(-1)
        x0, y0, x1, y1 = box.unbind(1)
        box = torch.stack([side - x1, y0, side - x0, y1], 1)
        turn = torch.full_like(turn, float("nan"))
        attributes = attributes.clone()
        attributes[:, 2] = -1
    return ChipBatch(
        image=image.contiguous(),
        chip=chips.chip,
        category=chips.category,
        box_px=box,
        visible=chips.visible,
        attributes=attributes,
        mark_turn_deg=turn,
    )


def cut_windows(chips: ChipBatch, side_px: int, generator: torch.Generator) -> ChipBatch:
    """A window of ``side_px`` from each square chip: around one of its objects, anywhere where it has none.

    Boxes are clipped to the window, ``visible`` shrinks by the part cut away, objects outside are dropped.
    """
    image, device = chips.image, chips.image.device
    count, side = len(image), image.shape[-1]
    if side_px >= side:
        return chips
    corner = torch.rand((count, 2), generator=generator).to(device) * (side - side_px)
    order = torch.randperm(len(chips.chip), generator=generator).to(device)
    chosen = torch.full((count,), -1, dtype=torch.int64, device=device)
    chosen[chips.chip[order]] = order
    held = torch.nonzero(chosen >= 0)[:, 0]
    box = chips.box_px[chosen[held]]
    free = (torch.rand((len(held), 2), generator=generator).to(device) - 0.5) * (WINDOW_FREEDOM * side_px)
    corner[held] = (box[:, :2] + box[:, 2:]) / 2 + free - side_px / 2
    corner = corner.clamp(0, side - side_px).long()
    step = torch.arange(side_px, device=device)
    rows, columns = corner[:, 1:2] + step, corner[:, 0:1] + step
    number = torch.arange(count, device=device)[:, None, None]
    image = image.permute(0, 2, 3, 1)[number, rows[:, :, None], columns[:, None, :]].permute(0, 3, 1, 2).contiguous()
    moved = chips.box_px - corner[chips.chip].repeat(1, 2)
    inside = moved.clamp(0, side_px)
    share = _area(inside) / _area(moved).clamp(min=1e-6)
    kept = share > 0
    return ChipBatch(
        image=image,
        chip=chips.chip[kept],
        category=chips.category[kept],
        box_px=inside[kept],
        visible=(chips.visible * share)[kept],
        attributes=chips.attributes[kept],
        mark_turn_deg=chips.mark_turn_deg[kept],
    )


def _area(box: Tensor) -> Tensor:
    return (box[:, 2] - box[:, 0]) * (box[:, 3] - box[:, 1])


def change_light(image: Tensor, generator: torch.Generator) -> Tensor:
    """uint8 [B, 3, H, W] -> float32 0..255: each chip's exposure, white balance and contrast a little off, some noise.

    Small against what the renderer or the camera already varied: it only keeps a second look from being the same look.
    """
    batch, device = len(image), image.device

    def spread(*shape: int) -> Tensor:
        return torch.randn(shape, generator=generator).to(device)

    gain = torch.exp(0.10 * spread(batch, 1, 1, 1) + 0.03 * spread(batch, 3, 1, 1))
    contrast = torch.exp(0.10 * spread(batch, 1, 1, 1))
    value = image.float()
    middle = value.mean((1, 2, 3), keepdim=True)
    # gain * (contrast * (value - middle) + middle), in as few passes over the pixels as it can be done.
    return value.mul_(gain * contrast).add_(gain * (1.0 - contrast) * middle).clamp_(0.0, 255.0)


class Reservoir:
    """Draws training batches from a pool of chips that is refreshed from ``source`` as chips are used up."""

    def __init__(
        self,
        source: Source,
        *,
        capacity: int,
        uses_per_chip: int,
        mirrored: bool,
        seed: int,
        window_px: int | None = None,
    ) -> None:
        self.source = source
        self.capacity = capacity
        self.uses_per_chip = uses_per_chip
        self.mirrored = mirrored
        self.window_px = window_px
        self.generator = torch.Generator().manual_seed(seed)
        self.pool: ChipBatch | None = None
        self.uses = torch.zeros(0, dtype=torch.int64)
        self.drawn = 0
        self.given = 0

    def batch(self, n: int) -> ChipBatch:
        """n chips, turned and relit (image float32 0..255), at random from those not yet used up."""
        pool = self._refreshed(n)
        usable = torch.nonzero(self.uses < self.uses_per_chip)[:, 0]
        index = usable[torch.randperm(len(usable), generator=self.generator)[:n]]
        self.uses[index] += 1
        self.given += len(index)
        quarters = int(torch.randint(4, (1,), generator=self.generator))
        mirrored = self.mirrored and bool(torch.randint(2, (1,), generator=self.generator))
        chips = turn_chips(select_chips(pool, index.to(pool.image.device)), quarters, mirrored)
        if self.window_px is not None:
            chips = cut_windows(chips, self.window_px, self.generator)
        chips.image = change_light(chips.image, self.generator)
        return chips

    def _refreshed(self, n: int) -> ChipBatch:
        """The pool with n usable chips or more; draws n fresh ones where there is room for them, or need of them."""
        usable = torch.nonzero(self.uses < self.uses_per_chip)[:, 0]
        # Filling the pool at once would spend the first half of a short training on drawing: it may grow as fast as half
        # of each chip's uses are spent.
        growing = self.drawn * self.uses_per_chip < 2 * (self.given + 2 * n)
        if len(usable) < n or (growing and len(usable) + n <= self.capacity):
            fresh = self.source.batch(n)
            self.drawn += n
            if self.pool is None:
                self.pool = fresh
            else:
                self.pool = join_chips(select_chips(self.pool, usable.to(self.pool.image.device)), fresh)
            self.uses = torch.cat([self.uses[usable], torch.zeros(n, dtype=torch.int64)])
        assert self.pool is not None
        return self.pool
