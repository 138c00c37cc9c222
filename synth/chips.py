"""Chips for training: small pictures with exact truth, drawn on the fly on a CPU or a GPU."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import torch

from mission.mission_file import Mission
from mission.recipe import Recipe, check_recipe
from synth.capture import sample_capture
from synth.clutter import sample_decoys
from synth.compose import Scene, render_chips
from synth.ground import sample_ground
from synth.marks import Typefaces
from synth.outlines import outline_atlas
from synth.panels import sample_panels
from synth.people import sample_people
from synth.photo_ground import GroundBank
from synth.projection import Views, rotations
from synth.scene import Array, Index, Layout, join_layouts, take
from synth.truth import target_truth, visible_share

# A thing that shows less of itself than this is not put down as truth in a chip.
_LEAST_VISIBLE = 0.12
_CELL_PX = 78


@dataclass
class ChipBatch:
    """A batch of chips and what is in them; N objects in B chips.

    ``image`` uint8 [B, 3, S, S] RGB; ``chip`` int64 [N]; ``category`` int64 [N] (0 panel, 1 person); ``box_px`` float32
    [N, 4] (x0, y0, x1, y1) from the chip's top-left edge, clipped to it; ``visible`` float32 [N]; ``attributes`` int64
    [N, 4] (shape, panel_colour, mark, mark_colour: indices into the vocabulary, -1 for persons); ``mark_turn_deg``
    float32 [N], the mark's upright clockwise from image up (NaN for persons).
    """

    image: torch.Tensor
    chip: torch.Tensor
    category: torch.Tensor
    box_px: torch.Tensor
    visible: torch.Tensor
    attributes: torch.Tensor
    mark_turn_deg: torch.Tensor


class ChipSource:
    """An endless source of chips; the n-th batch of a seed is the same on every call and machine of one kind.

    ``focus="panel"`` puts one panel near the middle of every chip (for the readers).
    """

    def __init__(
        self,
        recipe: Recipe,
        mission: Mission,
        *,
        seed: int,
        device: torch.device | str = "cpu",
        chip_px: int = 320,
        ground: GroundBank | None = None,
        typefaces: Typefaces | None = None,
        focus: Literal["panel"] | None = None,
    ) -> None:
        check_recipe(recipe, mission)
        self.recipe = recipe
        self.mission = mission
        self.seed = seed
        self.device = torch.device(device)
        self.chip_px = chip_px
        self.ground = ground
        self.typefaces: Typefaces = typefaces or recipe.panels.typefaces
        self.focus = focus
        self.number = 0
        self._outlines = outline_atlas(mission.panels.vocabulary)

    def batch(self, count: int) -> ChipBatch:
        """The next ``count`` chips."""
        scene = self.scene(count, self.number)
        self.number += 1
        return self.render(scene)

    def scene(self, count: int, number: int) -> Scene:
        """Sample, without drawing, the batch of that number."""
        rng = np.random.Generator(np.random.Philox(key=np.array([self.seed, number], dtype=np.uint64)))
        gsd_m, views, headings = self._views(rng, count)
        layout = self._layout(rng, views)
        settings, px = self.recipe, self.chip_px
        captures = tuple(sample_capture(rng, settings.capture, self.mission) for _ in range(count))
        if self.ground is not None:
            grounds = tuple(self.ground.sample(rng, px, px, float(g)) for g in gsd_m)
        else:
            grounds = tuple(sample_ground(rng, settings.ground, float(g), (px, px)) for g in gsd_m)
        return Scene(layout, views, captures, grounds, tuple(headings), self._outlines)

    def render(self, scene: Scene) -> ChipBatch:
        """Draw a sampled scene."""
        rendered = render_chips(scene, self.ground, self.device)
        truth = target_truth(scene.layout, scene.views, self._outlines)
        visible = visible_share(rendered.owner, truth, len(scene.layout.targets.picture))
        seen = visible >= _LEAST_VISIBLE
        row = truth.row[seen]
        order = np.argsort(truth.picture[seen], kind="stable")
        row, box, turn, visible = (
            v[order] for v in (row, truth.box_px[seen], truth.mark_turn_deg[seen], visible[seen])
        )
        targets = take(scene.layout.targets, row)

        def tensor(values: np.ndarray, dtype: torch.dtype) -> torch.Tensor:
            return torch.from_numpy(np.ascontiguousarray(values)).to(self.device, dtype)

        return ChipBatch(
            rendered.image,
            tensor(targets.picture, torch.int64),
            tensor(targets.category, torch.int64),
            tensor(box, torch.float32),
            tensor(visible, torch.float32),
            tensor(targets.attributes, torch.int64),
            tensor(turn, torch.float32),
        )

    def _views(self, rng: np.random.Generator, count: int) -> tuple[Array, Views, list[float]]:
        """Scale [B], views and headings: each chip looks at the ground through its own part of the mission's frame."""
        mission, composition = self.mission, self.recipe.composition
        camera = mission.camera.as_camera()
        low, high = composition.ground_sample_share
        gsd_m = mission.ground_sample_distance_m * np.exp(rng.uniform(np.log(low), np.log(high), count))
        heading = rng.uniform(0, 360, count)
        tilt = rng.uniform(*composition.tilt_deg, count)
        towards = rng.uniform(0, 2 * np.pi, count)
        pitch = mission.flight.pitch_deg + tilt * np.cos(towards)
        roll = mission.flight.roll_deg + tilt * np.sin(towards)
        rotation = rotations(heading, pitch, roll)
        half = self.chip_px / 2
        reach = np.maximum(np.array([camera.image_width_px, camera.image_height_px]) - self.chip_px, 0)
        corner = np.floor(rng.random((count, 2)) * reach)
        views = Views(camera, rotation, np.tile([0.0, 0.0, 1.0], (count, 1)), corner, (self.chip_px, self.chip_px))
        middle = views.ground(np.full((count, 2), half), np.arange(count))
        # Everything scales with height: one metre up tells how high the chip's scale asks the camera to be.
        height = views.px_per_m(middle, np.arange(count)) * gsd_m
        position = np.stack([np.zeros(count), np.zeros(count), height], axis=1)
        return gsd_m, Views(camera, rotation, position, corner, views.size_px), [float(h) for h in heading]

    def _layout(self, rng: np.random.Generator, views: Views) -> Layout:
        count, composition = len(views), self.recipe.composition
        if self.focus == "panel":
            panels, persons = np.ones(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
            decoys = rng.integers(0, 2, count)
        else:
            full = rng.random(count) >= composition.empty_share
            panels = full * _between(rng, composition.panels_per_chip, count)
            persons = full * (rng.random(count) < composition.person_share)
            persons = persons * np.maximum(_between(rng, composition.persons_per_chip, count), 1)
            # A chip that is not to be empty holds one thing at least.
            panels = np.where(full & (panels + persons == 0), 1, panels)
            decoys = _between(rng, composition.decoys_per_chip, count)
        places = self._places(rng, count, panels, persons, decoys)
        ground = [views.ground(px, picture) for picture, px in places]
        ground[1] = _beside_panels(rng, places, ground, composition.beside_person_share)
        args = (self.mission, self.recipe)
        targets = (np.concatenate([places[0][0], places[1][0]]), np.concatenate(ground[:2]))
        return join_layouts(
            [
                sample_panels(rng, places[0][0], ground[0], *args, self.typefaces),
                sample_people(rng, places[1][0], ground[1], self.recipe.persons),
                sample_decoys(rng, places[2][0], ground[2], *args, self.typefaces, targets=targets),
            ]
        )

    def _places(
        self, rng: np.random.Generator, count: int, panels: Index, persons: Index, decoys: Index
    ) -> list[tuple[Index, Array]]:
        """Pictures and pixels of panels, persons and decoys: jittered cells of a grid, each used once."""
        per_side = max(2, round(self.chip_px / _CELL_PX))
        cell = self.chip_px / per_side
        cells = rng.random((count, per_side * per_side)).argsort(axis=1)
        used = np.zeros(count, dtype=np.int64)
        found = []
        for number, wander in ((panels, 0.32), (persons, 0.45), (decoys, 0.6)):
            number = np.minimum(number, per_side * per_side - used)
            picture = np.repeat(np.arange(count), number)
            place = np.concatenate([np.arange(n) for n in number]).astype(np.int64) if len(picture) else picture
            which = cells[picture, used[picture] + place]
            corner = np.stack([which % per_side, which // per_side], axis=1) * cell
            found.append((picture, corner + cell * (0.5 + rng.uniform(-wander, wander, (len(picture), 2)))))
            used = used + number
        if self.focus == "panel":
            jitter = rng.normal(0, 0.04, (count, 2)).clip(-0.12, 0.12)
            found[0] = (np.arange(count), self.chip_px * (0.5 + jitter))
        return found


def _between(rng: np.random.Generator, bounds: tuple[int, int], count: int) -> Index:
    return rng.integers(bounds[0], bounds[1] + 1, count)


def _beside_panels(
    rng: np.random.Generator, places: list[tuple[Index, Array]], ground: list[Array], share: float
) -> Array:
    """Move some people close to a panel of their picture."""
    people = ground[1].copy()
    first = {int(p): i for i, p in reversed(list(enumerate(places[0][0])))}
    for k, picture in enumerate(places[1][0]):
        if int(picture) in first and rng.random() < share:
            angle, away = rng.uniform(0, 2 * np.pi), rng.uniform(0.5, 1.1)
            people[k, :2] = ground[0][first[int(picture)], :2] + away * np.array([np.cos(angle), np.sin(angle)])
    return people
