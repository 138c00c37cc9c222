"""A frame set of our own making with answers of known quality, small enough to check by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from mission.camera import Camera, Origin, PoseSigma, View, pixels_from_ground
from mission.finds import Find, Finds, write_finds
from mission.frame_set import Frame, FrameSet, Run, Thing, write_truth
from mission.sightings import Sighting, Sightings, write_sightings
from mission.vocabulary import ATTRIBUTES
from mission.wanted import WantedPanel

CAMERA = Camera(640, 480, 23.184, 17.388, 35.0)
HEIGHT_M = 40.0
SHAPES, COLOURS, MARKS = ("circle", "square", "star"), ("red", "white", "blue"), ("A", "B", "4")


def view(east_m: float, north_m: float) -> View:
    """Straight down from HEIGHT_M."""
    return View(CAMERA, (east_m, north_m, HEIGHT_M), origin=Origin(52.0, 0.3, 10.0), sigma=PoseSigma(0.5, 0.5, 1.0))


def table(value: str, values: tuple[str, ...], share: float) -> dict[str, float]:
    """A table that gives ``value`` the share and the others the rest, evenly."""
    rest = (1 - share) / (len(values) - 1)
    return {v: share if v == value else rest for v in values}


def panel(number: int, run: str, rng: np.random.Generator, at_m: tuple[float, float], size_px: float = 40.0) -> Thing:
    """A panel whose box is centred where the camera at (0, 0) sees ``at_m``."""
    x, y = pixels_from_ground(view(0, 0), [*at_m, 0.0])
    attributes = {
        "shape": str(rng.choice(SHAPES)),
        "panel_colour": str(rng.choice(COLOURS)),
        "mark": str(rng.choice(MARKS)),
        "mark_colour": str(rng.choice(COLOURS)),
    }
    box = (float(x - size_px / 2), float(y - size_px / 2), size_px, size_px)
    return Thing(number, "panel", box, size_px**2, None, attributes, f"{run}-p{number}", (*at_m, 0.0), 1.0, 0.0)


def made_frame_set(folder: Path, runs: int = 10, panels: int = 3, seed: int = 1, images: bool = False) -> FrameSet:
    """One frame a run, each with ``panels`` panels and one person, on a ground of its own; written to ``folder``."""
    rng = np.random.default_rng(seed)
    frames, flights, number = [], [], 1
    for i in range(runs):
        run = f"run-{i}"
        things = []
        for east, north in rng.permutation([(-8.0, 5.0), (0.0, 5.0), (8.0, 5.0), (-8.0, -5.0), (8.0, -5.0)])[:panels]:
            things.append(panel(number, run, rng, (float(east), float(north))))
            number += 1
        x, y = pixels_from_ground(view(0, 0), [0.0, -5.0, 0.0])
        things.append(
            Thing(
                number,
                "person",
                (float(x - 15), float(y - 20), 30.0, 40.0),
                900.0,
                None,
                {},
                f"{run}-w",
                (0.0, -5.0, 0.0),
                1.0,
            )
        )
        number += 1
        frames.append(Frame(i + 1, f"frames/{i:03d}.png", 640, 480, view(0, 0), run, f"field-{i}", tuple(things)))
        wanted = WantedPanel("first", object=things[0].object, **things[0].attributes) if panels else None
        flights.append(Run(run, (wanted,) if wanted else ()))
    frame_set = FrameSet(folder, "rendered", tuple(frames), tuple(flights))
    folder.mkdir(parents=True, exist_ok=True)
    write_truth(folder, frame_set)
    if images:
        (folder / "frames").mkdir(exist_ok=True)
        for frame in frames:
            _draw(frame, rng).save(folder / frame.file_name)
    return frame_set


def _draw(frame: Frame, rng: np.random.Generator) -> Image.Image:
    noise = rng.normal(110, 12, (frame.height_px, frame.width_px, 1)) + np.array([0, 12, -20])
    image = Image.fromarray(np.clip(noise, 0, 255).astype(np.uint8))
    pen = ImageDraw.Draw(image)
    for thing in frame.things:
        x, y, w, h = thing.bbox_px
        colour = thing.attributes.get("panel_colour") or "tan"
        pen.rectangle((x, y, x + w - 1, y + h - 1), fill=colour)
        if thing.category == "panel":
            pen.text((x + w / 3, y + h / 3), thing.attributes["mark"] or "", fill=thing.attributes["mark_colour"])
    return image


def perfect_sightings(frame_set: FrameSet, score: float = 0.9, sure: float = 0.9) -> Sightings:
    """Every thing seen where it is and read right, in the frame set's order."""
    found = []
    values = {"shape": SHAPES, "panel_colour": COLOURS, "mark": MARKS, "mark_colour": COLOURS}
    for frame in frame_set.frames:
        for thing in frame.things:
            tables = {a: table(str(thing.attributes[a]), values[a], sure) for a in ATTRIBUTES if thing.attributes}
            found.append(
                Sighting(
                    frame.id, frame_set.category_id(thing.category), thing.bbox_px, score, tables, thing.ground_enu_m,
                    ((0.25, 0.0), (0.0, 0.25)),
                )
            )  # fmt: skip
    return Sightings(tuple(found), "made", "made")


def perfect_finds(frame_set: FrameSet, sightings: Sightings) -> Finds:
    """One find a sighting; the first panel of each run is matched to its wanted list."""
    frames = {frame.id: frame for frame in frame_set.frames}
    names = dict(frame_set.categories)
    finds, seen = [], set()
    for number, sighting in enumerate(sightings.sightings):
        run = frames[sighting.image_id].mission_run
        category = names[sighting.category_id]
        first = category == "panel" and run not in seen
        seen.add(run)
        finds.append(
            Find(
                f"find-{number}", category, sighting.score, run, sighting.ground_enu_m, sighting.ground_covariance_m2,
                sighting.attributes, (number,), "first" if first else None,
            )
        )  # fmt: skip
    return Finds(tuple(finds), "made", "made", {f.mission_run: Origin(52.0, 0.3, 10.0) for f in frame_set.frames})


def written(folder: Path, sightings: Sightings, finds: Finds | None = None) -> tuple[Path, Path]:
    """Write sightings.json and finds.geojson; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    write_sightings(folder / "sightings.json", sightings)
    if finds is not None:
        write_finds(folder / "finds.geojson", finds)
    return folder / "sightings.json", folder / "finds.geojson"


def worsened(frame_set: FrameSet, seed: int = 5) -> tuple[Sightings, Finds]:
    """Sightings and finds of middling quality: some missed, misread, misplaced, doubled, held and false ones."""
    rng = np.random.default_rng(seed)
    good = perfect_sightings(frame_set)
    kept = []
    for sighting in good.sightings:
        chance = rng.random()
        if chance < 0.08:
            continue
        score = float(np.clip(rng.normal(0.75, 0.2), 0.02, 0.99))
        box = tuple(float(v + rng.normal(0, 2.0)) for v in sighting.bbox_px)
        place = sighting.ground_enu_m
        assert place is not None
        error = rng.normal(0, 0.8 if chance < 0.9 else 9.0, 2)
        tables = dict(sighting.attributes)
        if tables and rng.random() < 0.25:
            wrong = str(rng.choice([m for m in MARKS if m != max(tables["mark"], key=tables["mark"].__getitem__)]))
            tables["mark"] = table(wrong, MARKS, float(rng.uniform(0.4, 0.8)))
        moved = (place[0] + float(error[0]), place[1] + float(error[1]), 0.0)
        kept.append(
            replace(sighting, score=score, bbox_px=box, attributes=tables, ground_enu_m=moved)  # type: ignore[arg-type]
        )
        if rng.random() < 0.15:
            false = (float(rng.uniform(0, 550)), float(rng.uniform(0, 400)), 45.0, 45.0)
            spot = (float(rng.uniform(-12, 12)), float(rng.uniform(-9, 9)), 0.0)
            kept.append(replace(sighting, bbox_px=false, ground_enu_m=spot, score=float(rng.uniform(0.05, 0.8))))
    sightings = replace(good, sightings=tuple(kept))
    all_finds = perfect_finds(frame_set, sightings)
    finds = [
        replace(f, held="a person is near" if rng.random() < 0.1 else None)
        for f in all_finds.finds
        if f.confidence >= 0.5
    ]
    return sightings, replace(all_finds, finds=tuple(finds))
