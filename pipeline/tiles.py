"""Cutting a frame into overlapping tiles, and merging what was detected in them.

Image axes: x right, y down, in pixels; the centre of the top-left pixel is (0.5, 0.5), so a box (x0, y0, x1, y1)
covers [x0, x1) x [y0, y1). All boxes in this module are in that form.

Axes in comments: N detections, K kept ones, B tiles in a batch.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from mission.errors import must

if TYPE_CHECKING:
    import torch

# Tile sides are multiples of this, so that any detector with a total stride up to 32 needs no padding of its own.
SIDE_STEP_PX = 32
# A tile on a GPU: at most this side, and so many bytes of feature maps and copies for each of its pixels (a detector that sees
# every pixel in 64 channels at half resolution takes about half of that).
LARGEST_ON_GPU_PX, GPU_BYTES_A_PIXEL = 8192, 256
# A box that ends this close to a tile's inner edge is taken to be cut off by it.
CUT_MARGIN_PX = 2.0
# Two boxes of different tiles are one object from this IoU on ...
SAME_OBJECT_IOU = 0.5
# ... and a cut-off box belongs to another box that covers this share of the smaller of the two.
SAME_OBJECT_COVER = 0.6
# A cut-off box counts this much when it is decided which of two boxes of one object stays: the whole one should.
CUT_RANK = 0.5
# The two parts of an object larger than the overlap are joined when their extents along the seam agree this well.
JOIN_AGREEMENT = 0.6


@dataclass(frozen=True)
class Tile:
    """One tile: the pixels [x0, x0 + width) x [y0, y0 + height) of a frame; may reach past a frame smaller than it."""

    x0_px: int
    y0_px: int
    width_px: int
    height_px: int


@dataclass(frozen=True)
class Detections:
    """Detections of one frame: box_px float64 [N, 4] (x0, y0, x1, y1) [px], score float64 [N], category int64 [N]."""

    box_px: np.ndarray
    score: np.ndarray
    category: np.ndarray

    def __len__(self) -> int:
        return len(self.score)

    def take(self, index: np.ndarray) -> Detections:
        return Detections(self.box_px[index], self.score[index], self.category[index])


def axis_tiles(length_px: int, overlap_px: int, largest_tile_px: int) -> tuple[list[int], int]:
    """Starts and common side of the fewest equal tiles, no larger than largest_tile_px, that cover an axis.

    Neighbours overlap by at least overlap_px. A short axis gets one tile, its side rounded up to SIDE_STEP_PX.
    Equal tiles waste least: a fixed tile of 1024 px would compute a 5520 px frame 1.8 times over.
    """
    if overlap_px >= largest_tile_px:
        raise must("overlap_px", f"be smaller than the tile, {largest_tile_px} px", f"{overlap_px} px")
    count = 1
    while True:
        side = -(-(length_px + (count - 1) * overlap_px) // count)
        side = -(-side // SIDE_STEP_PX) * SIDE_STEP_PX
        if side <= largest_tile_px:
            break
        count += 1
    last = max(length_px - side, 0)
    return [round(i * last / (count - 1)) if count > 1 else 0 for i in range(count)], side


def plan_tiles(width_px: int, height_px: int, overlap_px: int, largest_tile_px: int) -> list[Tile]:
    """Tiles of one size that cover a frame, row by row, neighbours overlapping by overlap_px or more."""
    xs, width = axis_tiles(width_px, overlap_px, largest_tile_px)
    ys, height = axis_tiles(height_px, overlap_px, largest_tile_px)
    return [Tile(x, y, width, height) for y in ys for x in xs]


def cut_tile(frame: torch.Tensor, tile: Tile) -> torch.Tensor:
    """The tile's pixels, uint8 [3, height, width], from a frame uint8 [3, H, W]; a view where the frame covers it.

    Where the frame is smaller than the tile the rest is filled with the frame's mean colour: neither an edge that
    looks like an object nor a mirrored object.
    """
    part = frame[:, tile.y0_px : tile.y0_px + tile.height_px, tile.x0_px : tile.x0_px + tile.width_px]
    if part.shape[1:] == (tile.height_px, tile.width_px):
        return part
    fill = part.float().mean(dim=(1, 2)).round().to(part.dtype)
    whole = fill[:, None, None].expand(3, tile.height_px, tile.width_px).clone()
    whole[:, : part.shape[1], : part.shape[2]] = part
    return whole


def largest_tile_px(device: torch.device, at_least: int) -> int:
    """Side of the largest tile that ``device`` is given at once: a GPU takes whole frames where its free memory allows.

    Many tiles one after another would leave a GPU waiting for the next launch, and their overlaps are computed twice.
    """
    if device.type != "cuda":
        return at_least
    import torch

    free, _ = torch.cuda.mem_get_info(device)
    return max(at_least, min(LARGEST_ON_GPU_PX, int((free / 2 / GPU_BYTES_A_PIXEL) ** 0.5)))


def tile_batches(frame: torch.Tensor, tiles: list[Tile], batch: int) -> Iterator[tuple[list[Tile], torch.Tensor]]:
    """Yield (tiles, uint8 [B, 3, h, w]); only one batch is held at a time, so memory does not grow with the frame."""
    import torch

    for first in range(0, len(tiles), batch):
        some = tiles[first : first + batch]
        yield some, torch.stack([cut_tile(frame, tile) for tile in some])


def box_iou(one: np.ndarray, many: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """IoU, and intersection over the smaller area, of one box [4] with many [N, 4]."""
    sides = np.minimum(one[2:], many[:, 2:]) - np.maximum(one[:2], many[:, :2])
    shared = np.prod(np.clip(sides, 0.0, None), axis=1)
    area_one = np.prod(one[2:] - one[:2])
    area_many = np.prod(many[:, 2:] - many[:, :2], axis=1)
    union = area_one + area_many - shared
    smaller = np.minimum(area_one, area_many)
    return shared / np.maximum(union, 1e-12), shared / np.maximum(smaller, 1e-12)


def cut_sides(box_px: np.ndarray, tile: Tile, width_px: int, height_px: int) -> np.ndarray:
    """Which sides (left, top, right, bottom) of each box end at an edge of the tile inside the frame: bool [N, 4]."""
    right, bottom = tile.x0_px + tile.width_px, tile.y0_px + tile.height_px
    inner = np.array([tile.x0_px > 0, tile.y0_px > 0, right < width_px, bottom < height_px])
    edge = np.array([tile.x0_px, tile.y0_px, -right, -bottom], dtype=np.float64)
    signed = box_px * np.array([1.0, 1.0, -1.0, -1.0])
    return (signed <= edge + CUT_MARGIN_PX) & inner


def merge_tiles(
    found: list[tuple[Tile, Detections]], width_px: int, height_px: int, *, at_most: int | None = None
) -> Detections:
    """One list of detections in frame pixels, by falling score, from the detections of each tile in tile pixels.

    Only boxes of different tiles and the same category are compared: what a tile's own detector kept apart stays
    apart. A box cut off by a tile's edge gives way to the whole one in the neighbouring tile; where the object is
    larger than the overlap, its two parts are joined. Boxes are clipped to the frame; one whose centre lies outside
    it is dropped. The order of `found` does not matter.
    """
    box, score, category, owner, cut = _in_frame(found, width_px, height_px)
    if not len(score):
        return Detections(np.zeros((0, 4)), np.zeros(0), np.zeros(0, dtype=np.int64))
    if at_most is not None:
        # An object lies in four tiles at most, so the strongest 4 x at_most boxes hold at_most different objects.
        strongest = np.lexsort((*box.T[::-1], category, -score))[: 4 * at_most]
        box, score, category, owner, cut = (array[strongest] for array in (box, score, category, owner, cut))
    if (owner == owner[0]).all():  # one tile: nothing to compare
        best = np.lexsort((*box.T[::-1], category, -score))[:at_most]
        return Detections(box[best], score[best], category[best])
    rank = score * np.where(cut.any(axis=1), CUT_RANK, 1.0)
    # Of equal scores the larger box goes first: it may end just at its tile's edge, and so count as cut off, and yet be whole.
    # Box coordinates and category break what ties are left, so that the answer is the same in any order.
    area = (box[:, 2:] - box[:, :2]).prod(axis=1)
    order = np.lexsort((category, *box.T[::-1], -area, -score, -rank))
    box, score, category, owner, cut = (array[order] for array in (box, score, category, owner, cut))
    alive = np.ones(len(score), dtype=bool)
    keep: list[int] = []
    for i in range(len(score)):
        if not alive[i]:
            continue
        keep.append(i)
        later = (
            np.flatnonzero(alive[i + 1 :] & (category[i + 1 :] == category[i]) & (owner[i + 1 :] != owner[i])) + i + 1
        )
        if not len(later):
            continue
        iou, cover = box_iou(box[i], box[later])
        either_cut = cut[i].any() | cut[later].any(axis=1)
        alive[later[(iou >= SAME_OBJECT_IOU) | (either_cut & (cover >= SAME_OBJECT_COVER))]] = False
    kept = np.array(keep)
    box, score, category = _join_parts(box[kept], score[kept], category[kept], cut[kept], owner[kept])
    best = np.lexsort((*box.T[::-1], category, -score))[:at_most]
    return Detections(box[best], score[best], category[best])


def _in_frame(
    found: list[tuple[Tile, Detections]], width_px: int, height_px: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """All detections in frame pixels: box [N, 4], score [N], category [N], tile number [N], cut sides [N, 4]."""
    boxes, scores, categories, owners, cuts = [], [], [], [], []
    limit = np.array([width_px, height_px, width_px, height_px], dtype=np.float64)
    ordered = sorted(found, key=lambda pair: (pair[0].y0_px, pair[0].x0_px))
    for number, (tile, part) in enumerate(ordered):
        box = np.asarray(part.box_px, dtype=np.float64).reshape(-1, 4)
        box = box + np.array([tile.x0_px, tile.y0_px, tile.x0_px, tile.y0_px])
        centre = (box[:, :2] + box[:, 2:]) / 2
        inside = (centre >= 0).all(axis=1) & (centre < limit[:2]).all(axis=1)
        box = np.clip(box, 0.0, limit)
        inside &= (box[:, 2:] > box[:, :2]).all(axis=1)
        boxes.append(box[inside])
        scores.append(np.asarray(part.score, dtype=np.float64)[inside])
        categories.append(np.asarray(part.category, dtype=np.int64)[inside])
        owners.append(np.full(int(inside.sum()), number))
        cuts.append(cut_sides(box[inside], tile, width_px, height_px))
    if not boxes:
        return np.zeros((0, 4)), np.zeros(0), np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, 4), bool)
    return (
        np.concatenate(boxes),
        np.concatenate(scores),
        np.concatenate(categories),
        np.concatenate(owners),
        np.concatenate(cuts),
    )


def _join_parts(
    box: np.ndarray, score: np.ndarray, category: np.ndarray, cut: np.ndarray, owner: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Join parts of objects larger than the overlap: cut at facing sides, overlapping, with like extents along the seam."""
    box, score, cut = box.copy(), score.copy(), cut.copy()
    alive = np.ones(len(score), dtype=bool)
    joined = True
    while joined:
        joined = False
        for axis in (0, 1):
            ends = np.flatnonzero(alive & cut[:, axis + 2])
            for i in ends:
                starts = np.flatnonzero(alive & cut[:, axis] & (category == category[i]) & (owner != owner[i]))
                starts = starts[starts != i]
                match = [j for j in starts if _facing(box[i], box[j], axis)]
                if not match or not alive[i]:
                    continue
                j = match[0]
                box[i] = np.concatenate([np.minimum(box[i, :2], box[j, :2]), np.maximum(box[i, 2:], box[j, 2:])])
                score[i] = max(score[i], score[j])
                cut[i, axis + 2] = cut[j, axis + 2]
                cut[i, 1 - axis] &= cut[j, 1 - axis]
                cut[i, 3 - axis] &= cut[j, 3 - axis]
                alive[j] = False
                joined = True
    return box[alive], score[alive], category[alive]


def _facing(first: np.ndarray, second: np.ndarray, axis: int) -> bool:
    """Whether `first` (cut at its far end along axis) and `second` (cut at its near end) overlap and agree across."""
    if not first[axis] <= second[axis] <= first[axis + 2] <= second[axis + 2]:
        return False
    low, high = 1 - axis, 3 - axis
    shared = min(first[high], second[high]) - max(first[low], second[low])
    whole = max(first[high], second[high]) - min(first[low], second[low])
    return bool(shared >= JOIN_AGREEMENT * whole)


def detect_frame(
    detect: Callable[[torch.Tensor], list],
    frame: torch.Tensor,
    *,
    overlap_px: int,
    largest_tile_px: int,
    batch: int,
    at_least: float,
    at_most: int,
) -> Detections:
    """Detections of a whole frame uint8 [3, H, W] with score >= at_least, at most at_most, by falling score.

    `detect` takes uint8 [B, 3, h, w] and returns, per tile, an object with box_px [K, 4], score [K], category [K].
    """
    height_px, width_px = int(frame.shape[1]), int(frame.shape[2])
    found = []
    for tiles, pixels in tile_batches(frame, plan_tiles(width_px, height_px, overlap_px, largest_tile_px), batch):
        for tile, part in zip(tiles, detect(pixels), strict=True):
            found.append((tile, _strongest(part, at_least)))
    return merge_tiles(found, width_px, height_px, at_most=at_most)


# Boxes up to this longer side are the frame's own to find, boxes from the second value on the shrunk frame's (which both
# see what lies between): outside its range a detection counts half when two scales report one object.
FINE_TO_PX, COARSE_FROM_PX = 160.0, 80.0


def shrunk(frame: torch.Tensor) -> torch.Tensor:
    """A frame uint8 [3, H, W] as means of 2 x 2 pixels [3, H // 2, W // 2]; a last odd row or column is left out."""
    import torch

    height, width = frame.shape[1] // 2 * 2, frame.shape[2] // 2 * 2
    rows = frame[:, 0:height:2].to(torch.int16) + frame[:, 1:height:2]
    return ((rows[:, :, 0:width:2] + rows[:, :, 1:width:2] + 2) >> 2).to(torch.uint8)


def merge_scales(fine: Detections, coarse: Detections, at_most: int) -> Detections:
    """One list from the detections of a frame and of the frame shrunk by 2, both in pixels of the frame, by falling score.

    Of boxes of one category that overlap, or lie in each other, across the scales one stays: the surer one, where a scale
    counts half for sizes that are the other's to find. So a large panel found whole in the shrunk frame takes the place of
    the parts of it that were taken for panels, and nothing is reported twice.
    """
    box, score = np.concatenate([fine.box_px, coarse.box_px]), np.concatenate([fine.score, coarse.score])
    category = np.concatenate([fine.category, coarse.category])
    from_fine = np.arange(len(score)) < len(fine.score)
    side = (box[:, 2:] - box[:, :2]).max(axis=1, initial=0.0)
    rank = np.where(np.where(from_fine, side > FINE_TO_PX, side < COARSE_FROM_PX), 0.5, 1.0) * score
    order = np.lexsort((category, *box.T[::-1], -score, -rank))
    alive = np.ones(len(score), dtype=bool)
    for place, i in enumerate(order):
        later = order[place + 1 :]
        later = later[alive[later] & (category[later] == category[i]) & (from_fine[later] != from_fine[i])]
        if alive[i] and len(later):
            iou, cover = box_iou(box[i], box[later])
            alive[later[(iou >= SAME_OBJECT_IOU) | (cover >= SAME_OBJECT_COVER)]] = False
    kept = np.flatnonzero(alive)
    best = kept[np.lexsort((*box[kept].T[::-1], category[kept], -score[kept]))][:at_most]
    return Detections(box[best], score[best], category[best])


# More than this from one tile never survive the limit of a whole frame; it bounds the cost of merging.
STRONGEST_PER_TILE = 400


def _strongest(part: object, at_least: float) -> Detections:
    box, score, category = (
        np.asarray(_on_cpu(getattr(part, name)), dtype=kind)
        for name, kind in (("box_px", np.float64), ("score", np.float64), ("category", np.int64))
    )
    box = box.reshape(-1, 4)
    if not (np.isfinite(box).all() and np.isfinite(score).all()):
        raise must("detections of the bundle", "be finite numbers", "NaN or infinity")
    index = np.flatnonzero(score >= at_least)
    index = index[np.argsort(-score[index], kind="stable")[:STRONGEST_PER_TILE]]
    return Detections(box[index], score[index], category[index])


def _on_cpu(values):
    return values.detach().cpu().numpy() if hasattr(values, "detach") else values
