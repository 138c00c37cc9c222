"""Chips for training: small pictures with exact truth, drawn on the fly on a CPU or a GPU."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import torch

from mission.camera import Camera
from mission.mission_file import Mission
from mission.recipe import Recipe
from synth.capture import sample_capture
from synth.chance import Chance
from synth.clutter import choose_decoys, lay_decoys, sample_decoys
from synth.compose import Scene
from synth.marks import Typefaces
from synth.mixed_ground import render_mixed, sample_grounds
from synth.other_things import KINDS_SHARE, OTHER, OtherBoxes, false_boxes, nothing
from synth.outlines import outline_atlas
from synth.panels import check_drawable, sample_panels
from synth.people import sample_people
from synth.photo_ground import GroundBank
from synth.projection import Views, rotations
from synth.scene import Array, Index, Layout, join_layouts, take
from synth.truth import target_truth, visible_share

# A thing that shows less of itself than this is not put down as truth in a chip.
_LEAST_VISIBLE = 0.12
_CELL_PX = 78
# No pixel looks further off the vertical than this: beyond, ground runs away to the horizon.
_STEEPEST_DEG = 75.0


@dataclass
class ChipBatch:
    """A batch of chips and what is in them; N objects in B chips.

    ``image`` uint8 [B, 3, S, S] RGB; ``chip`` int64 [N]; ``category`` int64 [N] (0 panel, 1 person; 2 neither, only where a
    source was asked for ``other_share``); ``box_px`` float32 [N, 4] (x0, y0, x1, y1) from the chip's top-left edge, clipped
    to it; ``visible`` float32 [N]; ``attributes`` int64 [N, 4] (shape, panel_colour, mark, mark_colour: indices into the
    vocabulary, -1 but for panels); ``mark_turn_deg`` float32 [N], the mark's upright clockwise from image up (NaN but for
    panels).
    """

    image: torch.Tensor
    chip: torch.Tensor
    category: torch.Tensor
    box_px: torch.Tensor
    visible: torch.Tensor
    attributes: torch.Tensor
    mark_turn_deg: torch.Tensor


@dataclass(frozen=True)
class ChipScene(Scene):
    """A scene of chips; ``others`` are boxes of what a detector may take for a panel."""

    others: OtherBoxes


class ChipSource:
    """An endless source of chips; the n-th batch of a seed is the same on every call and machine of one kind.

    ``focus="panel"`` puts one panel near the middle of every chip (for the readers), and something else or nothing in
    ``other_share`` of them, which then hold no panel.
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
        other_share: float = 0.0,
    ) -> None:
        check_drawable(recipe, mission)
        self.recipe = recipe
        self.mission = mission
        self.seed = seed
        self.device = torch.device(device)
        self.chip_px = chip_px
        self.ground = ground
        self.typefaces: Typefaces = typefaces or recipe.panels.typefaces
        self.focus = focus
        self.other_share = other_share
        self.number = 0
        self._outlines = outline_atlas(mission.panels.vocabulary)

    def batch(self, count: int) -> ChipBatch:
        """The next ``count`` chips."""
        scene = self.scene(count, self.number)
        self.number += 1
        return self.render(scene)

    def scene(self, count: int, number: int) -> ChipScene:
        """Sample, without drawing, the batch of that number."""
        rng = np.random.Generator(np.random.Philox(key=np.array([self.seed, number], dtype=np.uint64)))
        gsd_m, views, headings = self._views(rng, count)
        layout, others = self._layout(rng, views, gsd_m)
        settings, px = self.recipe, self.chip_px
        chance = Chance(rng)
        captures = tuple(sample_capture(chance, settings.capture, self.mission) for _ in range(count))
        grounds = sample_grounds(rng, settings.ground, [float(g) for g in gsd_m], px, self.ground)
        return ChipScene(layout, views, captures, grounds, tuple(headings), self._outlines, others)

    def render(self, scene: ChipScene) -> ChipBatch:
        """Draw a sampled scene."""
        rendered = render_mixed(scene, self.ground, self.device)
        truth = target_truth(scene.layout, scene.views, self._outlines)
        visible = visible_share(rendered.owner, truth, len(scene.layout.targets.picture))
        seen = visible >= _LEAST_VISIBLE
        targets = take(scene.layout.targets, truth.row[seen])
        others = scene.others
        picture = np.concatenate([targets.picture, others.picture])
        order = np.argsort(picture, kind="stable")
        more = len(others.picture)

        def tensor(of_targets: np.ndarray, of_others: np.ndarray, dtype: torch.dtype) -> torch.Tensor:
            values = np.concatenate([of_targets, of_others])[order]
            return torch.from_numpy(np.ascontiguousarray(values)).to(self.device, dtype)

        return ChipBatch(
            rendered.image,
            tensor(targets.picture, others.picture, torch.int64),
            tensor(targets.category, np.full(more, OTHER), torch.int64),
            tensor(truth.box_px[seen], others.box_px, torch.float32),
            tensor(visible[seen], np.ones(more), torch.float32),
            tensor(targets.attributes, np.full((more, 4), -1), torch.int64),
            tensor(truth.mark_turn_deg[seen], np.full(more, np.nan), torch.float32),
        )

    def _views(self, rng: np.random.Generator, count: int) -> tuple[Array, Views, list[float]]:
        """Scale [B], views and headings: each chip looks at the ground through its own part of the mission's frame."""
        mission, composition = self.mission, self.recipe.composition
        camera = mission.camera.as_camera()
        low, high = composition.ground_sample_share
        gsd_m = mission.ground_sample_distance_m * np.exp(rng.uniform(np.log(low), np.log(high), count))
        heading = rng.uniform(0, 360, count)
        tilt = rng.uniform(*composition.tilt_deg, count)
        oblique = rng.random(count) < composition.oblique_share
        tilt = np.where(oblique, rng.uniform(*composition.oblique_deg, count), tilt)
        tilt = np.minimum(tilt, _room_to_tilt_deg(camera, mission.flight.pitch_deg, mission.flight.roll_deg))
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

    def _layout(self, rng: np.random.Generator, views: Views, gsd_m: Array) -> tuple[Layout, OtherBoxes]:
        """What lies in each chip, and the boxes of what is there in the place of a panel."""
        count, composition = len(views), self.recipe.composition
        middle = np.full(count, -1)  # number in KINDS_SHARE of what lies there in the place of a panel
        if self.focus == "panel":
            other = rng.random(count) < self.other_share
            middle[other] = rng.choice(len(KINDS_SHARE), int(other.sum()), p=KINDS_SHARE)
            panels, persons = (~other).astype(np.int64), (middle == 1).astype(np.int64)
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
        parts = [
            sample_panels(rng, places[0][0], ground[0], *args, self.typefaces),
            sample_people(rng, places[1][0], ground[1], self.recipe.persons),
            sample_decoys(rng, places[2][0], ground[2], *args, self.typefaces, targets=targets),
        ]
        if not (middle >= 0).any():
            return join_layouts(parts), nothing()
        decoy = np.flatnonzero(middle == 0)
        at = views.ground(self._near_middle(rng, len(decoy)), decoy)
        chosen = choose_decoys(rng, decoy, at, self.recipe, mistakable=True)
        things = lay_decoys(rng, chosen, *args, self.typefaces)
        kind = np.full(count, -1)
        kind[chosen.picture] = chosen.kind
        # People have boxes of their own in the truth.
        boxed = np.flatnonzero((middle == 0) | (middle == 2))
        panel_px = (self.mission.panels.size_smallest_m / gsd_m, self.mission.panels.size_largest_m / gsd_m)
        return join_layouts([*parts, things]), false_boxes(
            rng, boxed, kind[boxed], things, views, self._outlines, panel_px
        )

    def _near_middle(self, rng: np.random.Generator, count: int) -> Array:
        return self.chip_px * (0.5 + rng.normal(0, 0.04, (count, 2)).clip(-0.12, 0.12))

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
            found[:2] = [(picture, self._near_middle(rng, len(picture))) for picture, _ in found[:2]]
        return found


def _room_to_tilt_deg(camera: Camera, pitch_deg: float, roll_deg: float) -> float:
    """How far a view may be tilted beyond the mission's own attitude before a corner comes near the horizon."""
    half = np.array([camera.image_width_px, camera.image_height_px]) / 2 / np.array(camera.focal_px)
    return max(0.0, _STEEPEST_DEG - float(np.degrees(np.arctan(np.hypot(*half)))) - abs(pitch_deg) - abs(roll_deg))


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
