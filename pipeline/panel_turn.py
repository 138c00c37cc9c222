"""Which way up a panel lies, and what that says of its mark where the mission lays marks upright on their panels.

The shape's table over turns counts them from wherever training left it. So each shape is shown to the readers once as an
ideal drawing that stands upright; where its table then peaks is what "upright" looks like to them. A shape that a part of a
turn brings back onto itself is as likely to stand at any of those turns: a square at four, a triangle at three, a circle at
all; such shapes narrow the turn down as far as their outline can.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from mission.vocabulary import Array, Vocabulary
from synth.outlines import polygon_distance

if TYPE_CHECKING:
    from pipeline.readers import Readers

# Paint of panel and mark in the ideal drawings [8-bit RGB] and the ground that they lie on: plain examples of our own.
_DRAWN = (
    ((235, 235, 230), (30, 30, 35)),
    ((35, 35, 40), (230, 230, 230)),
    ((40, 70, 170), (240, 210, 40)),
    ((190, 40, 40), (240, 240, 235)),
)  # fmt: skip
_GROUND = (104, 112, 84)
# A disc stands for the mark: it has no turn of its own. Radius as a share of the panel's larger side.
_DISC = 0.14
# Hands paint a few degrees off upright, boxes are off centre, panels seen at an angle: each turn shares with its neighbours.
_SPREAD = (0.2, 0.6, 0.2)
# Folds of symmetry that are looked for (a circle has them all), on so many samples a side; outlines that agree with their turned
# selves on this share of both together have them.
_FOLDS, _SAMPLES, _AGREE = range(8, 1, -1), 96, 0.96
# Share of doubt: the shape may be misread, the panel bent or the mark painted askew (our own choice).
DOUBT = 0.1


def ideal_crops(vocabulary: Vocabulary, tight_px: int, tight_extent: float) -> Tensor:
    """Tight crops [shapes, drawings, 3, T, T] of every shape, upright (its outline's y axis towards image up)."""
    side = (np.arange(tight_px) + 0.5) / tight_px * tight_extent - tight_extent / 2
    x, y = np.meshgrid(side, -side)
    unit_px, crops = tight_px / tight_extent, []
    for shape in vocabulary.shapes:
        outline = vocabulary.outline(shape)
        middle = (outline.min(axis=0) + outline.max(axis=0)) / 2
        points = np.stack([x + middle[0], y + middle[1]], axis=-1).reshape(-1, 2)
        panel = np.clip(0.5 - polygon_distance(outline, points) * unit_px, 0, 1).reshape(x.shape)
        disc = np.clip(0.5 - (np.hypot(points[:, 0], points[:, 1]) - _DISC) * unit_px, 0, 1).reshape(x.shape)
        for paint, mark in _DRAWN:
            colours = [np.array(c, dtype=float)[:, None, None] for c in (_GROUND, paint, mark)]
            picture = colours[0] + panel * (colours[1] - colours[0])
            crops.append(picture + disc * (colours[2] - picture))
    drawn = torch.from_numpy(np.stack(crops)).float()
    return drawn.view(len(vocabulary.shapes), len(_DRAWN), *drawn.shape[1:])


@torch.inference_mode()
def upright_tables(readers: Readers) -> Tensor:
    """What the readers say of upright panels: probability of each turn [shapes, turns], given the shape."""
    settings = readers.settings
    device = next(readers.parameters()).device
    crops = ideal_crops(readers.vocabulary, settings.tight_px, settings.tight_extent).to(device)
    shapes, drawings = crops.shape[:2]
    ground = torch.tensor(_GROUND, device=device).float()[:, None, None]
    wide = ground.expand(shapes * drawings, 3, settings.wide_px, settings.wide_px)
    table = readers(crops.flatten(0, 1), wide).turned_shape.view(shapes, drawings, shapes, -1)
    own = table[torch.arange(shapes), :, torch.arange(shapes)].softmax(2).mean(1)  # [shapes, turns]
    folds = [fold_of(readers.vocabulary.outline(shape)) for shape in readers.vocabulary.shapes]
    return torch.stack([_folded(table, fold) for table, fold in zip(own, folds, strict=True)])


def fold_of(outline: Array) -> int:
    """Into how many equal turns the full one falls that bring an outline [n, 2] back onto itself; 1 for none."""
    place = (np.arange(_SAMPLES) + 0.5) / _SAMPLES * 1.5 - 0.75
    points = np.stack(np.meshgrid(place, place), axis=-1).reshape(-1, 2)
    own = polygon_distance(outline, points) < 0
    for fold in _FOLDS:
        c, s = np.cos(2 * np.pi / fold), np.sin(2 * np.pi / fold)
        turned = polygon_distance(outline @ np.array([[c, s], [-s, c]]), points) < 0
        if (own & turned).sum() >= _AGREE * (own | turned).sum():
            return fold
    return 1


def _folded(table: Tensor, fold: int) -> Tensor:
    """A table over turns [turns], averaged over the turns that a symmetric outline cannot tell apart."""
    turns = len(table)
    out = torch.zeros_like(table)
    for part in range(fold):
        whole, share = divmod(part * turns / fold, 1.0)
        out += (1 - share) * table.roll(int(whole)) + share * table.roll(int(whole) + 1)
    return out / fold


def panel_turns(turned_shape: Tensor, upright: Tensor) -> Tensor:
    """Probability [N, turns] of each turn of the panel's own up, clockwise from image up.

    ``turned_shape``: log-probabilities [N, shapes, turns] of shape and turn as the readers count it; ``upright``
    [shapes, turns]: the same turns' probabilities where the panel stands upright. If the readers say turn k of a panel, and
    say k0 of an upright one, it lies at k - k0.
    """
    turns = turned_shape.shape[2]
    step = torch.arange(turns, device=turned_shape.device)
    shifted = upright.to(turned_shape.device)[:, (step[:, None] - step[None, :]) % turns]  # [shapes, said, true]
    return torch.einsum("nsk,skt->nt", turned_shape.exp(), shifted)


def weighed_by_panel(turned_mark: Tensor, turns_of_panel: Tensor) -> Tensor:
    """Log-probabilities [N, marks] of marks that stand upright on panels whose turns [N, turns] are known so far.

    ``turned_mark``: log-probabilities [N, marks, turns] of mark and turn together.
    """
    ring = torch.cat([turns_of_panel[:, -1:], turns_of_panel, turns_of_panel[:, :1]], 1)[:, None]
    spread = F.conv1d(ring, turns_of_panel.new_tensor(_SPREAD)[None, None])[:, 0]
    weight = (1.0 - DOUBT) * spread / spread.sum(1, keepdim=True) + DOUBT / spread.shape[1]
    return (turned_mark + weight.log()[:, None]).logsumexp(2).log_softmax(1)
