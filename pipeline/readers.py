"""The readers: shape, panel colour, mark and mark colour of a panel, and whether it is one, at full resolution.

Panels lie at any turn and marks at any turn upon them. The pixels around a box's centre are therefore sampled on rings,
where a turn is a shift, and the network is made of convolutions that close around the ring: what it learns of a letter
at one turn it knows at all of them. Each mark is looked for at every turn; where the truth says which turn it has,
mark and turn are learnt together. Colours are averages over the places that the network takes for paint and for mark,
judged beside the colours of the ground around (the light of the scene).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

import torch
import torch.nn.functional as F
from torch import Tensor, nn

from mission.model_file import ReaderSettings
from mission.vocabulary import ATTRIBUTES, Vocabulary
from pipeline.box_edges import BoxEdges, with_edges
from pipeline.crops import (
    Palette,
    cut_crops,
    guess_palette,
    jittered,
    middle_of_panel,
    polar_grid,
    polar_pixels,
    reading_planes,
)
from pipeline.detector import PIXEL_MEAN, PIXEL_SPREAD
from pipeline.panel_turn import panel_turns, weighed_by_panel
from pipeline.polar_layers import Trunk, TurnedClasses, exact_colours
from pipeline.reservoir import to_device
from synth.chips import ChipBatch

# Weight of learning the turn together with the mark, beside the mark alone.
TURN_SHARE = 0.5
# Numbers that colours are judged by: of the panel with its ground, and of the ring around it beside what a network sees there.
COLOUR_FACTS, SURROUNDING_FACTS = 45, 15
SHARED = "shared"
HEADS = (*ATTRIBUTES, "panel")
COLOUR_HEADS = ("panel_colour", "mark_colour", "panel")
# How far boxes are off in training, as normal shares of their sides: place and size, on panels and on anything else.
PANEL_JITTER = (0.04, 0.06)
OTHER_JITTER = (0.15, 0.25)
# A detector's box around a look-alike is as near as around a panel: were other boxes always loose, a near one would mean "panel".
LOOSE_SHARE = 0.25
Value = TypeVar("Value")


class ColourFacts(nn.Module):
    """Colours [N, 45] to judge by: paint and mark where the network sees them, and the ground around."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.where = nn.Conv2d(width, 2, 1)

    def forward(self, view: PolarView, half: Tensor) -> Tensor:
        where = self.where(half).float()
        with exact_colours(where):
            return self._facts(view, where)

    @staticmethod
    def _facts(view: PolarView, where: Tensor) -> Tensor:
        palette = view.palette
        contrast = F.avg_pool2d(view.planes[:, 3:4], 2)
        look = where + torch.cat([-contrast, contrast], 1)
        # A sample of a far ring stands for more ground than one of a near ring.
        rings = look.shape[2]
        area = (torch.arange(rings, device=look.device) + 0.5).log()[None, None, :, None]
        share = (look + area).flatten(2).softmax(-1)
        seen = torch.einsum("ncp,nkp->nkc", F.avg_pool2d(view.pixels, 2).flatten(2), share)  # [N, 2, 3]
        ground = view.wide.flatten(2)
        low, high = ground.amin(-1), ground.amax(-1)
        mean, spread = ground.mean(-1), ground.std(-1, correction=0)
        plain = torch.cat([seen.flatten(1), palette.rim, mean, spread, low, high], 1) / 128.0 - 1.0  # 21
        # Ratios to the light around do not change with exposure.
        light = (mean + 8.0).log()
        relative = torch.cat([(seen + 8.0).log().flatten(1) - light.repeat(1, 2), (high + 8.0).log() - light], 1)  # 9
        between = (seen[:, 1] - seen[:, 0]) / 64.0
        # The first guesses need no learning: in the first minute they are better than what the network sees.
        other = (palette.middle + palette.axis * palette.spread[:, None]).clamp(min=0.0)
        guesses = torch.cat([palette.paint, other], 1)  # [N, 6]
        guessed = torch.cat([guesses / 128.0 - 1.0, (guesses + 8.0).log() - light.repeat(1, 2)], 1)  # 12
        return torch.cat([plain, relative, between, guessed], 1)


class Surroundings(nn.Module):
    """What lies around a panel, for its colours [N, 2 width + 15]: kinds of ground as a small network sees them, and how bright
    the ground is in itself and beside the panel, whatever the panel's own brightness (quantiles of the ring around it).

    White, grey and black paint differ by the light alone: asphalt, sand and grass say how bright it is.
    """

    def __init__(self, width: int, wide_extent: float) -> None:
        super().__init__()
        self.see = wide_layers(width // 2, width)
        # Half side of what is left out, in sides of the crop: the panel and its shadow.
        self.inside = min(0.6 / wide_extent, 0.3)

    def forward(self, wide: Tensor, facts: Tensor) -> Tensor:
        ground = self.see((wide - PIXEL_MEAN) / PIXEL_SPREAD).float()
        with exact_colours(ground):
            ring = self._ring(ground)
            seen = ground.flatten(2)[..., ring]
            pixels = wide.flatten(2)[..., self._ring(wide)].sort(-1).values
            steps = torch.tensor([0.1, 0.5, 0.9], device=pixels.device) * (pixels.shape[-1] - 1)
            light = (pixels[..., steps.round().long()] + 8.0).log()  # [N, 3 channels, 3 quantiles]
            paints = ((facts[:, :6].clamp(min=-1.0) + 1.0) * 128.0 + 8.0).log()
            beside = paints - light[..., 1].repeat(1, 2)
            return torch.cat([seen.mean(-1), seen.amax(-1), light.flatten(1) - 4.5, beside], 1)

    def _ring(self, picture: Tensor) -> Tensor:
        """Which pixels [P] of a picture [N, C, S, S] lie outside the panel."""
        side = picture.shape[-1]
        off = ((torch.arange(side, device=picture.device) + 0.5) / side - 0.5).abs() > self.inside
        return (off[:, None] | off[None, :]).flatten()


def wide_layers(first: int, second: int) -> nn.Sequential:
    """Two convolutions over a wide crop [N, 3, W, W] -> [N, second, W/2, W/2]."""
    return nn.Sequential(
        nn.Conv2d(3, first, 3, padding=1, bias=False), nn.BatchNorm2d(first), nn.ReLU(inplace=True),
        nn.Conv2d(first, second, 3, 2, padding=1, bias=False), nn.BatchNorm2d(second), nn.ReLU(inplace=True),
    )  # fmt: skip


class CloseView(nn.Module):
    """A second look at the mark, on rings around the panel's own middle; logits [N, marks, A] to add to the first's.

    A letter seen from beside its middle is another picture at every turn. Readers that had never been taught there read the marks
    of triangles, trapezia and quadrants with a fifth to a third less log loss from there (squares and circles with a tenth more).
    """

    grid: Tensor

    def __init__(self, settings: ReaderSettings, marks: int) -> None:
        super().__init__()
        rings, directions = settings.mark_rings, settings.directions
        self.register_buffer("grid", polar_grid(rings, directions, settings.mark_reach), persistent=False)
        third = settings.widths[2]
        self.trunk = Trunk(settings.widths, blocks=settings.blocks)
        self.mark = TurnedClasses(rings // 4, third, settings.template_width, marks, directions // 2)

    def forward(self, tight: Tensor, palette: Palette) -> Tensor:
        with exact_colours(tight):
            grid = self.grid + middle_of_panel(tight, palette)[:, None, None]
            pixels = F.grid_sample(tight, grid, padding_mode="border", align_corners=False)
            planes = reading_planes(pixels, palette)
        return self.mark(self.trunk(planes)[1]).float()


class PanelOrNot(nn.Module):
    """The second look: log-odds [N] that a box holds a panel, from the rings, the colours and what lies around."""

    def __init__(self, deep: int, rows: int, width: int) -> None:
        super().__init__()
        self.around = wide_layers(width // 4, width // 2)
        facts = 2 * deep * rows + 2 * (width // 2) + COLOUR_FACTS
        self.judge = nn.Sequential(nn.Linear(facts, width), nn.ReLU(), nn.Linear(width, 1))

    def forward(self, deep: Tensor, facts: Tensor, wide: Tensor) -> Tensor:
        ground = self.around((wide - PIXEL_MEAN) / PIXEL_SPREAD).flatten(2)
        parts = [deep.mean(-1).flatten(1), deep.amax(-1).flatten(1), ground.mean(-1), ground.amax(-1), facts]
        return self.judge(torch.cat([part.float() for part in parts], 1)).float()[:, 0]


@dataclass(frozen=True)
class PolarView:
    """Crops as the readers look at them: first guesses, polar pixels and planes, and the wide crop."""

    palette: Palette
    pixels: Tensor
    planes: Tensor
    wide: Tensor


@dataclass(frozen=True)
class Readings:
    """Log-probabilities of each attribute [N, values], in the vocabulary's order; turned_mark [N, marks, turns] and
    turned_shape [N, shapes, turns] jointly with the turn; panel [N]: log-odds that there is a panel at all.

    Turns go clockwise from image up, in equal steps. What a shape's turn is counted from nobody taught the network: see
    ``pipeline.panel_turn``."""

    attributes: dict[str, Tensor]
    turned_mark: Tensor
    turned_shape: Tensor
    panel: Tensor


class Readers(nn.Module):
    """Five heads on polar maps: the four attributes, and panel or not. They share one trunk, or each has its own."""

    grid: Tensor

    def __init__(self, settings: ReaderSettings, vocabulary: Vocabulary) -> None:
        super().__init__()
        self.settings, self.vocabulary = settings, vocabulary
        _, second, third = settings.widths
        rings, directions = settings.rings, settings.directions
        self.register_buffer("grid", polar_grid(rings, directions, settings.reach), persistent=False)
        apart = settings.trunk == "separate"
        heads = HEADS if apart else [SHARED]
        self.trunks = nn.ModuleDict(
            {name: Trunk(settings.widths, "colour" not in name, settings.blocks) for name in heads}
        )
        rows, turns = rings // 4, directions // 2
        self.mark = TurnedClasses(rows, third, settings.template_width, len(vocabulary.marks), turns)
        self.shape = TurnedClasses(rows, third, settings.template_width // 2, len(vocabulary.shapes), turns)
        self.close = nn.ModuleList([CloseView(settings, len(vocabulary.marks))] if settings.mark_rings else [])
        width, seen = settings.colour_width, settings.surroundings_width
        self.facts = nn.ModuleDict({name: ColourFacts(second) for name in (COLOUR_HEADS if apart else [SHARED])})
        of_colours = COLOUR_HEADS[:2] if apart else [SHARED]
        self.surroundings = nn.ModuleDict(
            {name: Surroundings(seen, settings.wide_extent) for name in of_colours if seen}
        )
        given = COLOUR_FACTS + (2 * seen + SURROUNDING_FACTS if seen else 0)
        self.colours = nn.ModuleDict(
            {
                name: nn.Sequential(nn.Linear(given, width), nn.ReLU(), nn.Linear(width, width), nn.ReLU())
                for name in of_colours
            }
        )
        self.panel_colour = nn.Linear(width, len(vocabulary.colours))
        self.mark_colour = nn.Linear(width, len(vocabulary.colours))
        self.panel = PanelOrNot(third, rows, width)
        # Not a head of the crops that attributes are read from: it sees more around the box, and people too.
        self.edges = nn.ModuleList([BoxEdges(settings.edges_width)] if settings.edges_width else [])

    def forward(self, tight: Tensor, wide: Tensor) -> Readings:
        """Tight [N, 3, T, T] and wide [N, 3, W, W] crops, float 0..255 -> log-probabilities."""
        with exact_colours(tight):
            palette = guess_palette(tight)
            pixels = polar_pixels(tight, self.grid)
            view = PolarView(palette, pixels, reading_planes(pixels, palette), wide)
        maps = {name: trunk(view.planes) for name, trunk in self.trunks.items()}
        facts = {name: facts(view, _of(maps, name)[0]) for name, facts in self.facts.items()}
        looks = {name: colours(self._colour_facts(name, facts[name], wide)) for name, colours in self.colours.items()}
        mark = self.mark(_of(maps, "mark")[1]).float()
        for close in self.close:
            mark = mark + close(tight, palette)
        turned, shape = _joint(mark), _joint(self.shape(_of(maps, "shape")[1]).float())
        return Readings(
            {
                "shape": shape.logsumexp(2),
                "panel_colour": self.panel_colour(_of(looks, "panel_colour")).float().log_softmax(1),
                "mark": turned.logsumexp(2),
                "mark_colour": self.mark_colour(_of(looks, "mark_colour")).float().log_softmax(1),
            },
            turned,
            shape,
            self.panel(_of(maps, "panel")[1], _of(facts, "panel"), wide),
        )

    def _colour_facts(self, name: str, facts: Tensor, wide: Tensor) -> Tensor:
        """The facts [N, F] that the head of a colour (or of both) judges by."""
        if name not in self.surroundings:
            return facts
        return torch.cat([facts, self.surroundings[name](wide, facts)], 1)

    @torch.inference_mode()
    def look(self, tight: Tensor, wide: Tensor, upright: Tensor | None = None) -> tuple[dict[str, Tensor], Tensor]:
        """Log-probabilities of each attribute [N, values] and log-odds of a panel [N] for any number of crops, some at a time.

        ``upright``: where marks stand upright on their panels, what ``panel_turn.upright_tables`` says of these readers; marks
        are then read with regard to the turn of their panel.
        """
        if len(tight) == 0:
            none = {name: tight.new_zeros(0, len(self.vocabulary.values(name))) for name in ATTRIBUTES}
            return none, tight.new_zeros(0)
        parts = [self(t, w) for t, w in zip(tight.split(256), wide.split(256), strict=True)]
        attributes = {name: torch.cat([part.attributes[name] for part in parts]) for name in ATTRIBUTES}
        if upright is not None:
            turns = [panel_turns(part.turned_shape, upright) for part in parts]
            marks = [weighed_by_panel(part.turned_mark, turn) for part, turn in zip(parts, turns, strict=True)]
            attributes["mark"] = torch.cat(marks)
        return attributes, torch.cat([part.panel for part in parts])

    def read(self, tight: Tensor, wide: Tensor) -> dict[str, Tensor]:
        """Log-probabilities of each attribute [N, values] for crops of any number."""
        return self.look(tight, wide)[0]

    def losses(self, chips: ChipBatch, generator: torch.Generator) -> dict[str, Tensor]:
        """Mean losses of a batch, boxes jittered: of the attributes over its panels (unknown ones, -1, teach nothing), of
        panel or not over everything in it, of the places of sides over panels and people."""
        if len(chips.chip) == 0:  # batch normalisation has no mean of nothing
            return {"shape": self.shape.templates.weight.sum() * 0.0}
        return self.losses_from(*self.inputs(chips, generator))

    def inputs(self, chips: ChipBatch, generator: torch.Generator, rows: int | None = None) -> tuple[Tensor, ...]:
        """What the losses need: tight and wide crops, truth [N, 4], turns [N], whether it is a panel [N], and for the sides of
        boxes their crops, given boxes, true boxes and whether they count. ``rows``: exactly so many things of the batch."""
        if rows is not None:
            chips = some_things(chips, rows, generator)
        is_panel = chips.category == 0
        truth = torch.where(is_panel[:, None], chips.attributes, -1)
        crops = cut_crops(chips.image, chips.chip, loosened(chips, generator), self.settings)
        found = (*crops, truth, chips.mark_turn_deg, is_panel.float())
        for edges in self.edges:
            assert isinstance(edges, BoxEdges)
            loose = edges.loose_crops(chips.image, chips.chip, chips.box_px, generator)
            found += (*loose, chips.box_px, with_edges(chips))
        return found

    def losses_from(
        self, tight: Tensor, wide: Tensor, truth: Tensor, turn_deg: Tensor, is_panel: Tensor, *of_edges: Tensor
    ) -> dict[str, Tensor]:
        """Scalar losses to be summed, from ``inputs``."""
        readings = self(tight, wide)
        losses = {}
        for column, attribute in enumerate(ATTRIBUTES):
            losses[attribute] = known_mean(readings.attributes[attribute], truth[:, column])
        losses["turn"] = TURN_SHARE * turn_loss(readings.turned_mark, truth[:, 2], turn_deg)
        losses["panel"] = F.binary_cross_entropy_with_logits(readings.panel, is_panel)
        for edges in self.edges:
            assert isinstance(edges, BoxEdges)
            losses["edges"] = edges.loss(*of_edges)
        return losses

    def placed_anew(self, frame: Tensor, box_px: Tensor) -> Tensor:
        """Boxes [K, 4] of panels and people in one uint8 frame [3, H, W] with their sides as full resolution shows them, in
        ordinary memory; as they were given where these readers never learnt that."""
        for edges in self.edges:
            assert isinstance(edges, BoxEdges)
            box_px = edges.placed_in(frame, box_px)
        return box_px.cpu()


def some_things(chips: ChipBatch, count: int, generator: torch.Generator) -> ChipBatch:
    """Exactly ``count`` of the things in a batch that holds one at least, by chance; none comes twice more often than another."""
    here = len(chips.chip)
    order = torch.cat([torch.randperm(here, generator=generator) for _ in range(-(-count // here))])[:count]
    chosen = to_device(order, chips.chip.device)
    return ChipBatch(chips.image, **{name: value[chosen] for name, value in vars(chips).items() if name != "image"})


def loosened(chips: ChipBatch, generator: torch.Generator) -> Tensor:
    """The boxes [N, 4] of a batch as a detector might give them: near the truth on panels, near or loose on anything else."""
    drawn = to_device(torch.rand(len(chips.category), generator=generator), chips.category.device) < LOOSE_SHARE
    loose = ((chips.category != 0) & drawn)[:, None].float()
    shift = PANEL_JITTER[0] + (OTHER_JITTER[0] - PANEL_JITTER[0]) * loose
    stretch = PANEL_JITTER[1] + (OTHER_JITTER[1] - PANEL_JITTER[1]) * loose
    return jittered(chips.box_px, generator, shift, stretch)


def _joint(logits: Tensor) -> Tensor:
    """Logits [N, values, turns] as log-probabilities of value and turn together."""
    return logits.flatten(1).log_softmax(1).view_as(logits)


def _of(found: Mapping[str, Value], head: str) -> Value:
    return found[head] if head in found else found[SHARED]


def known_mean(log_p: Tensor, truth: Tensor) -> Tensor:
    """Mean negative log-probability over the rows whose truth is known (>= 0); 0 where there is none."""
    known = truth >= 0
    picked = -log_p.gather(1, truth.clamp(min=0)[:, None])[:, 0]
    return torch.where(known, picked, 0.0).sum() / known.sum().clamp(min=1)


def turn_loss(log_p: Tensor, mark: Tensor, turn_deg: Tensor) -> Tensor:
    """Mean negative log-probability of mark and turn, shared out between the two nearest turns; NaN turns are unknown."""
    turns = log_p.shape[2]
    known = (mark >= 0) & torch.isfinite(turn_deg)
    if log_p.shape[0] == 0:
        return log_p.sum() * 0.0
    place = torch.nan_to_num(turn_deg) / 360.0 * turns
    lower = place.floor()
    share = place - lower
    of_mark = log_p.gather(1, mark.clamp(min=0)[:, None, None].expand(-1, 1, turns))[:, 0]
    first = of_mark.gather(1, (lower.long() % turns)[:, None])[:, 0]
    second = of_mark.gather(1, ((lower.long() + 1) % turns)[:, None])[:, 0]
    loss = -((1 - share) * first + share * second)
    return torch.where(known, loss, 0.0).sum() / known.sum().clamp(min=1)
