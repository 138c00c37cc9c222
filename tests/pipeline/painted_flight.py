"""A drawn flight for the tests of reading: flat colours on grey ground, exact poses, and a stand-in for a bundle that sees them.

Each object's red value is its number, and the stand-in looks numbers up: what is tested is the chain, not a model.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType, SimpleNamespace

import numpy as np
import torch
from PIL import Image

from mission.camera import Camera, Origin, PoseSigma, View, ground_from_pixels, pixels_from_ground
from mission.frame_set import Frame, FrameSet, Run, Thing, write_truth
from mission.vocabulary import ATTRIBUTES, Vocabulary
from mission.wanted import WantedPanel

CAMERA = Camera(900, 600, 18.0, 12.0, 20.0)
ORIGIN = Origin(52.5, 0.25, 45.0)
SIGMA = PoseSigma(0.5, 0.3, 1.0)
GROUND = 120
VOCABULARY = Vocabulary(
    ("triangle", "square", "circle", "star"), ("white", "red", "yellow", "blue"), ("A", "B", "F", "T")
)


@dataclass(frozen=True)
class Target:
    """One thing on the ground: a square of side_m about (east, north), numbered from 1."""

    number: int
    east_m: float
    north_m: float
    category: str = "panel"
    attributes: dict[str, str] = field(default_factory=dict)
    side_m: float = 1.0


TARGETS = (
    Target(1, -4.0, 3.0, attributes=dict(zip(ATTRIBUTES, ("circle", "yellow", "A", "blue")))),
    Target(2, 6.0, -2.0, attributes=dict(zip(ATTRIBUTES, ("square", "red", "B", "white")))),
    Target(3, 12.0, 4.0, attributes=dict(zip(ATTRIBUTES, ("star", "blue", "T", "white")))),
    Target(4, 13.0, 6.0, category="person"),
)
WANTED = (WantedPanel("blankets", "circle", "yellow", "A", "blue"), WantedPanel("filter", None, "red", None, None))


def view_at(east_m: float, north_m: float, heading_deg: float = 0.0) -> View:
    """A view straight down from 30 m: 3 cm to the pixel, so a panel of 1 m is 33 px across."""
    return View(CAMERA, (east_m, north_m, 30.0), heading_deg, 0.0, 0.0, ORIGIN, None, SIGMA)


def paint(view: View, targets: tuple[Target, ...] = TARGETS) -> np.ndarray:
    """The frame uint8 [600, 900, 3] of a view."""
    frame = np.full((view.camera.image_height_px, view.camera.image_width_px, 3), GROUND, np.uint8)
    y, x = np.mgrid[: frame.shape[0], : frame.shape[1]]
    ground = ground_from_pixels(view, np.stack([x + 0.5, y + 0.5], axis=-1))
    for target in targets:
        half = target.side_m / 2
        inside = (np.abs(ground[..., 0] - target.east_m) <= half) & (np.abs(ground[..., 1] - target.north_m) <= half)
        frame[inside] = (target.number, 255, 10 if target.category == "person" else 0)
    return frame


def thing_of(target: Target, view: View, number: int) -> Thing | None:
    """The truth of a target in a view, or None where it is outside."""
    half = target.side_m / 2
    corners = [(target.east_m + sx * half, target.north_m + sy * half, 0.0) for sx in (-1, 1) for sy in (-1, 1)]
    points = pixels_from_ground(view, corners)
    low = np.clip(points.min(axis=0), 0, (view.camera.image_width_px, view.camera.image_height_px))
    high = np.clip(points.max(axis=0), 0, (view.camera.image_width_px, view.camera.image_height_px))
    w, h = high - low
    if w <= 0 or h <= 0:
        return None
    box = (float(low[0]), float(low[1]), float(w), float(h))
    place = (target.east_m, target.north_m, 0.0)
    return Thing(
        number, target.category, box, float(w * h), None, target.attributes, f"thing-{target.number}", place, 1.0
    )


def write_flight(
    folder: Path,
    views: list[View | None],
    *,
    runs: list[str | None] | None = None,
    targets: tuple[Target, ...] = TARGETS,
) -> Path:
    """Write a frame set of these views (None: a frame seen from the origin whose pose is not told)."""
    (folder / "frames").mkdir(parents=True)
    frames = []
    number = 1
    for i, view in enumerate(views, start=1):
        name = f"frames/{i:04d}.png"
        Image.fromarray(paint(view or view_at(0, 0), targets)).save(folder / name)
        things = []
        for target in targets:
            thing = thing_of(target, view or view_at(0, 0), number)
            if thing is not None:
                things.append(thing)
                number += 1
        run = "run-1" if runs is None else runs[i - 1]
        frames.append(Frame(i, name, CAMERA.image_width_px, CAMERA.image_height_px, view, run, None, tuple(things)))
    names = sorted({frame.mission_run for frame in frames if frame.mission_run})
    write_truth(folder, FrameSet(folder, "rendered", tuple(frames), tuple(Run(name, WANTED) for name in names)))
    return folder


class SeeingBundle:
    """Stands in for a trained bundle: it recognises the painted targets by their number."""

    name = "painted"
    categories = ("panel", "person")
    vocabulary = VOCABULARY
    working_confidence = MappingProxyType({"panel": 0.4, "person": 0.3})
    second_look_weight = 0.0
    score_maps = MappingProxyType({})
    device = "cpu"

    def __init__(self, targets: tuple[Target, ...] = TARGETS) -> None:
        self.targets = {target.number: target for target in targets}
        self.calls = 0

    def detect(self, tiles: torch.Tensor) -> list[SimpleNamespace]:
        assert tiles.dtype == torch.uint8 and tiles.ndim == 4 and tiles.shape[1] == 3
        self.calls += 1
        return [self._detect(tile.numpy()) for tile in tiles]

    def _detect(self, tile: np.ndarray) -> SimpleNamespace:
        boxes, scores, categories = [], [], []
        for number, target in self.targets.items():
            y, x = np.nonzero((tile[0] == number) & (tile[1] == 255))
            if len(x):
                boxes.append([x.min(), y.min(), x.max() + 1, y.max() + 1])
                scores.append(0.9 - 0.05 * number)
                categories.append(self.categories.index(target.category))
        boxes.append([5, 5, 25, 25])
        scores.append(0.02)
        categories.append(0)
        return SimpleNamespace(
            box_px=torch.tensor(boxes, dtype=torch.float32),
            score=torch.tensor(scores, dtype=torch.float32),
            category=torch.tensor(categories, dtype=torch.int64),
        )

    def read_attributes(self, frame: torch.Tensor, box_px: torch.Tensor) -> dict[str, torch.Tensor]:
        tables = {name: torch.full((len(box_px), len(self.vocabulary.values(name))), 0.05) for name in ATTRIBUTES}
        for k, (x0, y0, x1, y1) in enumerate(box_px.tolist()):
            number = int(frame[0, int((y0 + y1) / 2), int((x0 + x1) / 2)])
            target = self.targets.get(number)
            for name, value in (target.attributes if target else {}).items():
                tables[name][k, self.vocabulary.values(name).index(value)] = 0.85
        return tables
