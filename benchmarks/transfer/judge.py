"""The judge: real photographs with panels and people drawn into them by tools that the renderer does not share.

    python -m benchmarks.transfer.judge --out DIR [--photographs ../shared/data/aerial] [--seed 1] [--share 1.0]

writes one frame set per flight, ``DIR/FLIGHT`` (truth "mixed") and beside it ``DIR/FLIGHT-untouched``: the same windows
of the photographs with nothing drawn, where every alarm is false. Windows are 2000 x 1500 px where the photograph is
large enough. The same seed gives the same pixels on any number of workers.
"""

from __future__ import annotations

import argparse
import io
import os
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from PIL import Image

from benchmarks.transfer.decoys import KINDS, draw_decoy
from benchmarks.transfer.paints import draw_pair
from benchmarks.transfer.panels import PanelPlan, Sprite, draw_panel, mark_height
from benchmarks.transfer.people import Slant, draw_person
from benchmarks.transfer.photograph_look import Look, local_light, look_of, roughness
from benchmarks.transfer.pixels import Bytes, blurred, to_linear, to_srgb
from benchmarks.transfer.typefaces import FAMILIES, mark_mask, stroke_share
from mission.atomic import new_folder, write_bytes, write_json
from mission.frame_set import Frame, FrameSet, Run, Thing, write_truth
from mission.photographs import load_photograph
from mission.vocabulary import MARKS, SHAPES
from mission.wanted import WantedPanel

WINDOW_PX = (2000, 1500)
PANELS_A_FRAME = 5.0
PANEL_SIZE_PX = (24.0, 90.0)
JPEG_QUALITY = 95
#: Beside the truth: run -> width of the strokes of each thing's mark [px], in the order of the frame's things; null: no mark.
STROKES = "strokes.json"


@dataclass(frozen=True)
class Flight:
    """How a flight's photographs are to be drawn into. ``gsd_m`` after the photographs' own description (park: by the size
    of the one person in it); ``hardness`` 0 overcast .. 1 clear; ``shadow_px`` direction of shadows in the image, by eye, per
    photograph or "" for all; ``slant_deg`` of the camera off straight down; ``draws`` layouts per window."""

    name: str
    gsd_m: float
    hardness: float
    draws: int
    slant_deg: float = 0.0
    shadow_px: tuple[tuple[str, tuple[float, float]], ...] = (("", (0.6, 0.8)),)

    def shadow_of(self, photograph: str) -> tuple[float, float]:
        known = dict(self.shadow_px)
        return known.get(photograph, known.get("", (0.6, 0.8)))


FLIGHTS = (
    Flight("building-site", 0.017, 0.15, 1),
    Flight("park", 0.022, 0.9, 2, 45.0, (
        ("img_4074", (0.85, -0.5)), ("img_4122", (0.6, 0.8)), ("img_4152", (0.93, 0.36)), ("img_4188", (1.0, 0.1)),
        ("img_4204", (-0.4, 0.9)), ("img_4250", (0.8, -0.6)))),
    Flight("allotment", 0.0075, 0.25, 5),
    Flight("lake", 0.017, 0.95, 24, 0.0, (("", (0.15, 1.0)),)),
    Flight("bush", 0.018, 0.9, 24, 0.0, (("", (-0.7, 0.7)),)),
)  # fmt: skip
#: The one real person in the photographs, box x, y, w, h [px] of body and clothes (found by eye).
REAL_PERSONS = {"img_4074": (1343.0, 1580.0, 37.0, 44.0)}
FLIGHT_NAMES = tuple(flight.name for flight in FLIGHTS)


def flight_named(name: str) -> Flight:
    """The flight of that name; KeyError for any other."""
    return {flight.name: flight for flight in FLIGHTS}[name]


@dataclass(frozen=True)
class Window:
    """A part of a photograph (x, y, width, height) [px] and how often it is drawn into."""

    photograph: Path
    box_px: tuple[int, int, int, int]


def windows_of(photograph: Path) -> Iterator[Window]:
    """Cut a photograph into windows of about WINDOW_PX, all of it, none overlapping."""
    with Image.open(photograph) as image:
        width, height = image.size
    columns, rows = max(1, round(width / WINDOW_PX[0])), max(1, round(height / WINDOW_PX[1]))
    step_x, step_y = width // columns, height // rows
    for row in range(rows):
        for column in range(columns):
            yield Window(photograph, (column * step_x, row * step_y, step_x, step_y))


class Composer:
    """One frame being drawn: pixels, the photograph's look, and where things lie already."""

    def __init__(self, pixels: Bytes, look: Look, flight: Flight, photograph: str, rng: np.random.Generator) -> None:
        self.pixels, self.look, self.flight, self.rng = pixels.copy(), look, flight, rng
        self.sun_px = flight.shadow_of(photograph)
        self.squash = float(np.cos(np.radians(flight.slant_deg)))
        # Cameras miss the white of the light by a little; all things in a frame share the miss.
        self.tint = np.exp(rng.normal(0.0, 0.03, 3)).astype(np.float32)
        self.taken: list[tuple[float, float, float]] = []
        self.strokes: dict[int, float] = {}

    def place(self, radius_px: float) -> tuple[float, float] | None:
        """A free spot: mostly the plainest of a few, for people lay panels on open ground, sometimes any; None: no room."""
        height, width = self.pixels.shape[:2]
        margin = radius_px + 18
        open_ground = self.rng.random() < 0.75
        best, best_roughness = None, np.inf
        for tries in range(400):
            if best is not None and tries >= 8:
                break
            x, y = self.rng.uniform(margin, width - margin), self.rng.uniform(margin, height - margin)
            if any(np.hypot(x - a, y - b) < radius_px + r for a, b, r in self.taken):
                continue
            patch = self.pixels[int(y - radius_px) : int(y + radius_px), int(x - radius_px) : int(x + radius_px)]
            if (patch.max(axis=2) == 0).mean() > 0.05:  # the empty rim of an orthophoto
                continue
            rough = roughness(patch)
            if rough < best_roughness:
                best, best_roughness = (x, y), rough
            if not open_ground:
                break
        if best is not None:
            self.taken.append((*best, radius_px + 6))
        return best

    def lay(self, sprite: Sprite) -> None:
        """Put a drawn thing into the photograph: light, lens, noise, then back to 8 bits."""
        height, width = self.pixels.shape[:2]
        h, w = sprite.cover.shape
        y0, x0 = max(0, sprite.y0), max(0, sprite.x0)
        y1, x1 = min(height, sprite.y0 + h), min(width, sprite.x0 + w)
        part = np.s_[y0 - sprite.y0 : y1 - sprite.y0, x0 - sprite.x0 : x1 - sprite.x0]
        before = self.pixels[y0:y1, x0:x1]
        ground = to_linear(before)
        light = self.look.exposure * local_light(ground, self.look) * self.tint
        cover = self._under_blades(sprite.cover, before, part)
        share = cover / np.maximum(sprite.cover, 1e-6)
        # The lens blurs what is drawn; the ground has been through a lens already.
        colour = blurred(sprite.colour * share[..., None], self.look.blur_px)[part] * light
        soft_cover = blurred(cover, self.look.blur_px)[part][..., None]
        shadow = blurred(sprite.shadow, self.look.blur_px)[part][..., None]
        seen = ground * (1 - shadow) * (1 - soft_cover) + colour
        encoded = to_srgb(seen)
        changed = soft_cover[..., 0] > 0.01
        grain = blurred(self.rng.normal(0, 1, (*encoded.shape[:2], 1)), 0.45) * 1.6
        grain = grain + 0.4 * self.rng.normal(0, 1, encoded.shape)
        encoded += (self.look.noise * soft_cover * grain).astype(np.float32)
        touched = changed | (shadow[..., 0] > 0.01)
        before[touched] = np.clip(np.round(encoded), 0, 255).astype(np.uint8)[touched]

    def _under_blades(self, cover: np.ndarray, before: Bytes, part: tuple[slice, slice]) -> np.ndarray:
        """Let bright bits of the ground (blades, stalks) stand over the rim of some things."""
        if self.rng.random() < 0.5:
            return cover
        grey = before.astype(np.float32).mean(axis=2)
        detail = grey - blurred(grey, 2.0)
        rim = np.clip(1.0 - blurred(cover, 2.0), 0, 1)[part] * self.rng.uniform(1.0, 2.5)
        blades = np.clip(detail / max(2.0, float(detail.std())) - 0.6, 0, 1) * rim
        thinned = cover.copy()
        thinned[part] *= 1 - np.clip(blades, 0, 0.9)
        return thinned


def draw_frame(
    window: Window,
    flight: Flight,
    look: Look,
    pixels: Bytes,
    key: tuple[int, ...],
    strokes: dict[int, float] | None = None,
) -> tuple[Bytes, list[Thing]]:
    """Draw one layout into a window's pixels; the things' ids count from 1. ``strokes`` is filled with the width [px] of the
    strokes of each panel's mark, by id."""
    rng = np.random.Generator(np.random.Philox(np.random.SeedSequence(key)))
    composer = Composer(pixels, look, flight, window.photograph.stem, rng)
    composer.strokes = {} if strokes is None else strokes
    things = _real_person(window)
    composer.taken += [(t.bbox_px[0] + t.bbox_px[2] / 2, t.bbox_px[1] + t.bbox_px[3] / 2, 60.0) for t in things]
    area = pixels.shape[0] * pixels.shape[1] / (WINDOW_PX[0] * WINDOW_PX[1])
    # Decoys last, so that they go where no panel lies.
    for _ in range(max(2, round(PANELS_A_FRAME * area))):
        things += _add_panel(composer, rng, len(things) + 1)
    for _ in range(max(1, round(rng.uniform(1, 3) * area))):
        things += _add_person(composer, rng, len(things) + 1)
    for _ in range(round(rng.uniform(3, 7) * max(area, 0.4))):
        kind = str(rng.choice(KINDS, p=[0.3, 0.2, 0.2, 0.2, 0.1]))
        spot = composer.place(70.0)
        if spot is not None:
            composer.lay(draw_decoy(kind, rng, spot, composer.sun_px, flight.hardness, composer.squash))
    return composer.pixels, things


def _add_panel(composer: Composer, rng: np.random.Generator, number: int) -> list[Thing]:
    shape, mark = str(rng.choice(SHAPES)), str(rng.choice(list(MARKS)))
    family, style = str(rng.choice(FAMILIES)), int(rng.integers(6))
    size = float(np.exp(rng.uniform(*np.log(PANEL_SIZE_PX))))
    turn = rng.uniform(0, 360)
    mark_turn = 0.0 if rng.random() < 0.5 else rng.uniform(0, 360)
    mask = mark_mask(family, style, mark)
    height = mark_height(shape, mask, mark_turn, rng.uniform(0.5, 0.68))
    panel_name, mark_name, paint, ink = draw_pair(rng)
    spot = composer.place(size * 0.75)
    if spot is None:
        return []
    plan = PanelPlan(shape, spot, size, turn, paint, mark, family, style, mark_turn, height, ink, composer.squash)
    composer.lay(draw_panel(plan, rng, composer.sun_px, composer.flight.hardness))
    composer.strokes[number] = stroke_share(mask) * height * size
    corners = plan.corners_px()
    x, y = corners[:, 0], corners[:, 1]
    area = abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))) / 2
    names = {"shape": shape, "panel_colour": panel_name, "mark": mark, "mark_colour": mark_name}
    ring = tuple(float(v) for v in corners.ravel())
    clockwise_turn = float(-(turn + mark_turn) % 360)
    return [Thing(number, "panel", plan.box_px(), area, (ring,), names, None, None, 1.0, clockwise_turn)]


def _add_person(composer: Composer, rng: np.random.Generator, number: int) -> list[Thing]:
    flight = composer.flight
    metre_px = 1 / flight.gsd_m
    spot = composer.place(min(1.1 * metre_px, 90.0))
    if spot is None:
        return []
    slant = np.radians(flight.slant_deg)
    if flight.slant_deg:
        view = Slant(0.0, float(np.sin(slant)), float(np.cos(slant)))
    else:  # things lean away from the middle of the frame, up to the edge of a lens of some 60 degrees
        height, width = composer.pixels.shape[:2]
        view = Slant((spot[0] - width / 2) / width * 0.9, -(spot[1] - height / 2) / height * 0.7, 1.0)
    sprite, box, _ = draw_person(rng, spot, metre_px, view, composer.sun_px, flight.hardness)
    composer.lay(sprite)
    return [Thing(number, "person", box, float(sprite.cover.sum()), visible=1.0)]


def _real_person(window: Window) -> list[Thing]:
    """The person who is in the photograph anyway, where the window holds them whole."""
    x, y, w, h = REAL_PERSONS.get(window.photograph.stem, (-1.0, -1.0, 0.0, 0.0))
    x0, y0, width, height = window.box_px
    if not (x0 <= x and y0 <= y and x + w <= x0 + width and y + h <= y0 + height):
        return []
    return [Thing(0, "person", (x - x0, y - y0, w, h), w * h, visible=1.0)]


def _encoded(pixels: Bytes) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=JPEG_QUALITY, subsampling="4:2:0")
    return buffer.getvalue()


Drawn = tuple[list[Frame], list[Frame], dict[str, list[float | None]]]


def _draw_photograph(task: tuple[Path, Path, Path, str, int, int, float]) -> Drawn:
    """All windows and draws of one photograph, written under both folders: frames drawn into, and untouched (ids are 0); and
    of each frame drawn into, by its run, the strokes of its things [px] (None: no mark)."""
    photograph, out, plain, name, number, seed, share = task
    flight = flight_named(name)
    whole = load_photograph(photograph)
    look = look_of(whole)
    frames: list[Frame] = []
    empty: list[Frame] = []
    strokes: dict[str, list[float | None]] = {}
    for place, window in enumerate(windows_of(photograph)):
        x, y, w, h = window.box_px
        pixels = whole[y : y + h, x : x + w]
        stem = f"{photograph.stem}-{place}"
        write_bytes(plain / "frames" / f"{stem}.jpg", _encoded(pixels))
        present = tuple(_real_person(window))
        empty.append(Frame(0, f"frames/{stem}.jpg", w, h, None, stem, name, present))
        for draw in range(max(1, round(flight.draws * share))):
            of_marks: dict[int, float] = {}
            drawn, things = draw_frame(window, flight, look, pixels, (seed, number, place, draw), of_marks)
            write_bytes(out / "frames" / f"{stem}-{draw}.jpg", _encoded(drawn))
            run = f"{stem}-{draw}"
            strokes[run] = [round(of_marks[t.id], 2) if t.id in of_marks else None for t in things]
            frames.append(Frame(0, f"frames/{run}.jpg", w, h, None, run, name, tuple(things)))
    return frames, empty, strokes


def _numbered(frames: list[Frame]) -> tuple[tuple[Frame, ...], tuple[Run, ...]]:
    """Frames with ids from 1, things with ids and objects of their own, and the runs that ask for every panel."""
    done, runs = [], []
    thing_id = 0
    for number, frame in enumerate(frames, 1):
        things = []
        for thing in frame.things:
            thing_id += 1
            things.append(replace(thing, id=thing_id, object=f"{thing.category}-{thing_id}"))
        panels = [t for t in things if t.category == "panel"]
        asked = tuple(WantedPanel(id=str(t.object), object=t.object, **t.attributes) for t in panels)
        runs.append(Run(str(frame.mission_run), asked))
        done.append(replace(frame, id=number, things=tuple(things)))
    return tuple(done), tuple(runs)


def judge_flight(
    photographs: Path, out: Path, name: str, *, seed: int = 1, share: float = 1.0, workers: int = 1
) -> None:
    """Write ``out/name`` and ``out/name-untouched`` from the photographs in ``photographs/name``.

    ``share`` scales how many layouts are drawn per window (at least one). Folders that exist are refused.
    """
    files = sorted(p for p in (photographs / name).iterdir() if p.suffix.lower() in (".jpg", ".jpeg", ".png"))
    with new_folder(out / name) as drawn, new_folder(out / f"{name}-untouched") as plain:
        tasks = [
            (file, drawn, plain, name, FLIGHT_NAMES.index(name) * 1000 + i, seed, share) for i, file in enumerate(files)
        ]
        if workers > 1:
            with ProcessPoolExecutor(min(workers, len(tasks))) as pool:
                parts = list(pool.map(_draw_photograph, tasks))
        else:
            parts = [_draw_photograph(task) for task in tasks]
        frames, runs = _numbered([frame for part in parts for frame in part[0]])
        write_truth(drawn, FrameSet(drawn, "mixed", frames, runs))
        empty, _ = _numbered([frame for part in parts for frame in part[1]])
        write_truth(plain, FrameSet(plain, "photographed", empty))
        write_json(drawn / STROKES, {run: row for part in parts for run, row in part[2].items()})


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--photographs", type=Path, default=Path(os.environ.get("PANELSCOUT_SHARED", "../shared")) / "data/aerial"
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--flights", nargs="*", default=list(FLIGHT_NAMES), choices=FLIGHT_NAMES)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--share", type=float, default=1.0)
    parser.add_argument("--workers", type=int, default=1)
    given = parser.parse_args()
    for name in given.flights:
        judge_flight(given.photographs, given.out, name, seed=given.seed, share=given.share, workers=given.workers)
        print(f"{name}: drawn")


if __name__ == "__main__":
    main()
