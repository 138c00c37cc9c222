"""Crops of panels for the readers, and the planes in which a panel stands out from the ground and a mark from its panel.

A tight crop is a square a little larger than the box (shape, mark, paints); a wide one holds about a panel's width of
ground on each side (the light of the scene, for the colours). Crops are cut from full-resolution pixels with aligned
sampling: the centre of an image's first pixel is (0.5, 0.5). A tight crop beyond the image's edge sees the edge's pixels
repeated; a wide one is squeezed to what there is.

Polar maps are [N, channels, R, A]: R rings from the centre outwards, A directions, the first one along image x, then
clockwise as seen (towards image y). A turn of the panel is then a shift along A.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import torch
import torch.nn.functional as F
from torch import Tensor
from torchvision.ops import roi_align

from mission.model_file import ReaderSettings
from pipeline.reservoir import to_device

# Radii in shares of a tight crop's side: where a mark lies, and the panel around it. Marks are at least half the panel.
MARK_RADIUS = 0.17
PANEL_RADIUS = 0.36
RIM = 0.06
POWER_STEPS = 4
# Places count less for the middle of a panel the further off they are, by a normal weight of this spread [half sides].
CENTRING_SPREAD = 0.6


def square_around(box_px: Tensor, extent: float) -> Tensor:
    """Boxes [N, 4] -> squares [N, 4] on the same centres, their side ``extent`` times the longer side of the box."""
    centre = (box_px[:, :2] + box_px[:, 2:]) / 2
    half = (box_px[:, 2:] - box_px[:, :2]).amax(1, keepdim=True) * (extent / 2)
    return torch.cat([centre - half, centre + half], 1)


def jittered(
    box_px: Tensor, generator: torch.Generator, shift: float | Tensor = 0.04, stretch: float | Tensor = 0.06
) -> Tensor:
    """Boxes as a detector might give them: sides and centre off by normal shares of the box's sides (of all, or [N, 1])."""
    noise = to_device(torch.randn(box_px.shape, generator=generator), box_px.device)
    side = box_px[:, 2:] - box_px[:, :2]
    centre = (box_px[:, :2] + box_px[:, 2:]) / 2 + noise[:, :2] * shift * side
    side = side * torch.exp(noise[:, 2:] * stretch)
    return torch.cat([centre - side / 2, centre + side / 2], 1)


def cut_crops(images: Tensor, image_of: Tensor, box_px: Tensor, settings: ReaderSettings) -> tuple[Tensor, Tensor]:
    """Tight [N, 3, T, T] and wide [N, 3, W, W] crops, float32 0..255, of boxes [N, 4] in images [B, 3, H, W]."""
    source = images.float()
    height, width = source.shape[-2:]
    tight_square = square_around(box_px, settings.tight_extent)
    wide_square = square_around(box_px, settings.wide_extent)
    wide_square = torch.cat([wide_square[:, i : i + 1].clamp(0, (width, height)[i % 2]) for i in range(4)], 1)
    tight = cut_squares(source, image_of, tight_square, settings.tight_px)
    wide_rows = torch.cat([image_of.to(source.dtype)[:, None], wide_square], 1)
    wide = roi_align(source, wide_rows, settings.wide_px, 1.0, sampling_ratio=3, aligned=True)
    return tight, wide


def cut_squares(source: Tensor, image_of: Tensor, square_px: Tensor, cells: int) -> Tensor:
    """Squares [N, 4] of float images [B, 3, H, W] as [N, 3, cells, cells]; beyond the edge, the edge's pixels repeated."""
    height, width = source.shape[-2:]
    margin = _overhang(square_px, width, height)
    if margin:
        source = F.pad(source, (margin, margin, margin, margin), mode="replicate")
    rows = torch.cat([image_of.to(source.dtype)[:, None], square_px + margin], 1)
    return roi_align(source, rows, cells, 1.0, sampling_ratio=2, aligned=True)


def _overhang(squares: Tensor, width: int, height: int) -> int:
    """Whole pixels by which any square leaves the image (at most 256). A GPU is not asked, for it would be waited for: a square
    twice as large as the image around any place in it leaves it by half of the image's longer side."""
    if len(squares) == 0:
        return 0
    if squares.device.type != "cpu":
        return min(256, max(width, height) // 2)
    limit = torch.tensor([width, height], dtype=squares.dtype)
    over = torch.maximum(-squares[:, :2], squares[:, 2:] - limit).max()
    return int(over.clamp(0, 256).ceil())


def crops_of_frame(frame: Tensor, box_px: Tensor, settings: ReaderSettings) -> tuple[Tensor, Tensor]:
    """The same for the boxes [K, 4] of one large uint8 frame [3, H, W], without a copy of the frame as floats."""
    height, width = frame.shape[-2:]
    tights, wides = [], []
    for box in box_px:
        reach = float((box[2:] - box[:2]).max()) * settings.wide_extent / 2 + 2.0
        x, y = float(box[0] + box[2]) / 2, float(box[1] + box[3]) / 2
        x0, y0 = min(max(0, int(x - reach)), width - 1), min(max(0, int(y - reach)), height - 1)
        x1, y1 = max(x0 + 1, min(width, int(x + reach) + 1)), max(y0 + 1, min(height, int(y + reach) + 1))
        corner = torch.tensor([x0, y0, x0, y0], dtype=box.dtype, device=box.device)
        patch, own = frame[None, :, y0:y1, x0:x1], (box - corner)[None]
        # Boxes far larger than a crop would be sampled with gaps: their pixels are averaged first.
        shrink = min(
            int(float((box[2:] - box[:2]).max()) * settings.tight_extent / (2 * settings.tight_px)), *patch.shape[2:]
        )
        if shrink > 1:
            patch, own = F.avg_pool2d(patch.float(), shrink), own / shrink
        tight, wide = cut_crops(patch, torch.zeros(1, device=box.device), own, settings)
        tights.append(tight)
        wides.append(wide)
    if not tights:
        t, w = settings.tight_px, settings.wide_px
        return torch.zeros(0, 3, t, t, device=frame.device), torch.zeros(0, 3, w, w, device=frame.device)
    return torch.cat(tights), torch.cat(wides)


@dataclass(frozen=True)
class Palette:
    """First guesses at the colours of a tight crop, each [N, 3], 0..255: paint of the panel, rim (mostly ground);
    ``middle`` and the unit vector ``axis`` of the line along which the colours around the centre differ most (mark
    against panel, the mark's side positive); ``spread`` [N] along it; ``scale`` [N]: spread of the whole crop."""

    paint: Tensor
    rim: Tensor
    middle: Tensor
    axis: Tensor
    spread: Tensor
    scale: Tensor


@lru_cache(maxsize=32)
@torch.inference_mode(False)
def _regions(side: int, device: torch.device, dtype: torch.dtype) -> tuple[Tensor, Tensor, Tensor]:
    """Of the pixels [P] of a crop of side x side: numbers [Q] of those within a panel; which of these [Q] lie within a mark, and
    which of all [P] belong to the rim, as 0 or 1. Kept, for to list them anew would be to wait for a GPU."""
    place = (torch.arange(side) + 0.5) / side - 0.5
    radius = (place[:, None] ** 2 + place[None, :] ** 2).sqrt().flatten()
    # The outermost pixels belong to the rim however few there are.
    at_edge = (place.abs() > 0.5 - max(RIM, 0.75 / side)).to(dtype)
    edge = torch.maximum(at_edge[:, None], at_edge[None, :]).flatten()
    inside = torch.nonzero(radius < PANEL_RADIUS)[:, 0]
    of_mark = (radius[inside] < MARK_RADIUS).to(dtype)
    return inside.to(device), of_mark.to(device), edge.to(device)


def guess_palette(tight: Tensor) -> Palette:
    """Palette of tight crops [N, 3, S, S]: main axis of the inside's colours by power iteration, soft split along it."""
    small = F.avg_pool2d(tight, 2)
    n, _, side, _ = small.shape
    inside, of_mark, edge = _regions(side, tight.device, small.dtype)
    pixels = small.flatten(2)  # [N, 3, P]
    rim = (pixels * edge).sum(-1) / edge.sum()
    scale = pixels.std(-1, correction=0).pow(2).mean(1).sqrt().clamp(min=4.0)
    inner = pixels[:, :, inside]
    middle = inner.mean(-1)
    offset = inner - middle[:, :, None]
    covariance = offset @ offset.transpose(1, 2) / len(inside)
    axis = torch.full((n, 3, 1), 3**-0.5, device=tight.device, dtype=tight.dtype)
    for _ in range(POWER_STEPS):
        axis = F.normalize(covariance @ axis + 1e-3 * axis, dim=1)
    along = (axis * offset).sum(1)  # [N, P]
    # The sign of an axis means nothing; let the middle, where more of the mark lies, be positive.
    lean = (along * of_mark).sum(-1) / of_mark.sum() - (along * (1 - of_mark)).sum(-1) / (1 - of_mark).sum()
    sign = torch.where(lean < 0, -1.0, 1.0)
    spread = (along**2).mean(-1).sqrt() + 4.0
    side_of_paint = torch.sigmoid(-3.0 * along * (sign / spread)[:, None])
    paint = (inner * side_of_paint[:, None]).sum(-1) / side_of_paint.sum(-1, keepdim=True).clamp(min=1e-3)
    return Palette(paint, rim, middle, axis[:, :, 0] * sign[:, None], spread, scale)


def middle_of_panel(tight: Tensor, palette: Palette) -> Tensor:
    """Where the middle of the panel lies in tight crops [N, 3, S, S]: [N, 2] (x, y) from the crop's middle, in half sides.

    Boxes are centred on what bounds a panel, marks lie where there is room: in a triangle or a semicircle the two are far
    apart. The weighted mean of all places whose colour is more like paint or mark than like the rim.
    """
    small = F.avg_pool2d(tight, 2)
    side = small.shape[-1]

    def far_from(colour: Tensor) -> Tensor:
        return (small - colour[:, :, None, None]).square().sum(1).sqrt()

    other = palette.middle + 1.5 * palette.spread[:, None] * palette.axis
    nearest = torch.minimum(far_from(palette.paint), far_from(other))
    look = F.logsigmoid(8.0 * (far_from(palette.rim) - nearest) / palette.scale[:, None, None] - 2.0).flatten(1)
    place = (torch.arange(side, device=tight.device) + 0.5) / side * 2 - 1
    places = torch.stack([place.expand(side, side), place[:, None].expand(side, side)]).flatten(1)  # [2, P]
    middle = look.softmax(1) @ places.T
    # Once more without what is far from there: it belongs to something else.
    apart = (places[:, None, :] - middle.T[:, :, None]).square().sum(0)
    return (look - apart / (2 * CENTRING_SPREAD**2)).softmax(1) @ places.T


def _length(colours: Tensor) -> Tensor:
    """Euclidean length over the channels [N, 3, R, A] -> [N, 1, R, A] (``norm`` is ten times slower along this axis)."""
    return (colours * colours).sum(1, keepdim=True).sqrt()


def polar_grid(rings: int, directions: int, reach: float) -> Tensor:
    """Sampling grid [1, R, A, 2] in the units of ``grid_sample`` (the crop's half side is 1); ``reach``: last ring."""
    radius = (torch.arange(rings) + 0.5) / rings * reach
    angle = torch.arange(directions) / directions * (2 * math.pi)
    return torch.stack([radius[:, None] * angle.cos(), radius[:, None] * angle.sin()], -1)[None]


def polar_pixels(tight: Tensor, grid: Tensor) -> Tensor:
    """Tight crops [N, 3, S, S] sampled on a polar grid [1, R, A, 2] -> [N, 3, R, A]."""
    return F.grid_sample(tight, grid.expand(len(tight), -1, -1, -1), padding_mode="border", align_corners=False)


PLANES = 6


def reading_planes(pixels: Tensor, palette: Palette) -> Tensor:
    """Pixels [N, 3, R, A] in 0..255 -> [N, 6, R, A], each about zero mean and unit spread, within -4..4:

    three colour planes relative to the paint; the contrast plane (mark against panel); the distance from the paint's
    colour (panel against ground); the distance from the rim's colour (ground against panel).
    """

    def wide(value: Tensor) -> Tensor:
        return value[:, :, None, None] if value.ndim == 2 else value[:, None, None, None]

    scale = wide(palette.scale)
    from_paint = pixels - wide(palette.paint)
    contrast = ((pixels - wide(palette.middle)) * wide(palette.axis)).sum(1, keepdim=True) / wide(palette.spread)
    far_from_paint = _length(from_paint) / scale - 1.0
    far_from_rim = _length(pixels - wide(palette.rim)) / scale - 1.0
    return torch.cat([from_paint / scale, contrast, far_from_paint, far_from_rim], 1).clamp(-4.0, 4.0)
