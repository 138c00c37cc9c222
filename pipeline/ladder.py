"""The ladder of corruptions: one frame set read again under growing blur, smear, noise, fog, shade, JPEG and colour error.

It shows which of them a bundle bears and where its reading breaks, on frames whose truth is known. Blur, smear, noise and JPEG
are albumentations'; fog, shade and white balance are done in linear light, as they happen before the sensor. Rungs are in
units that a photograph can be measured in, so that "breaks at 2 px of smear" can be looked up in a mission's brief.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from eval.attributes import attribute_figures, readings_of
from eval.case import case_of
from eval.detection import figures_of
from eval.documents import Section, Table, write_document
from eval.drawing import SHARE, Plot, Range
from eval.matching import match
from eval.summary import FIRST_LINE
from mission.atomic import write_json
from mission.frame_set import FrameSet, read_frame_set
from mission.mission_file import Mission
from mission.sightings import Sightings
from pipeline.bundle import Bundle
from pipeline.frame_reader import FrameReader
from pipeline.frames_to_read import frames_to_read, load_frame

Picture = NDArray[np.uint8]
Progress = Callable[[int, int], None]

#: Kind -> (what a rung means, the rungs from mild to harsh).
RUNGS: dict[str, tuple[str, tuple[float, ...]]] = {
    "blur": ("standard deviation of the blur [px]", (0.7, 1.5, 2.5, 4.0)),
    "smear": ("length of the smear [px]", (3, 5, 9, 15)),
    "noise": ("standard deviation of the noise [grey levels]", (5, 12, 25, 45)),
    "fog": ("share of the light that is veil", (0.2, 0.4, 0.6, 0.8)),
    "shade": ("share of the light that is left", (0.5, 0.25, 0.12, 0.06)),
    "jpeg": ("JPEG quality", (60, 30, 15, 7)),
    "white_balance": ("red over blue, too much by a factor", (1.2, 1.5, 2.0, 3.0)),
}
#: A figure that fell below this share of what it was on the clean frames is called broken.
BROKEN_SHARE = 0.5
#: Colour of veil (nearly white) and of open shade (sky light), linear RGB; common practice, no source.
_VEIL = np.array([0.62, 0.65, 0.68])
_SKY_TINT = np.array([0.85, 0.97, 1.2])
_FIGURES = ("panel_AP50", "person_AP50", "all_four")


def corrupted(picture: Picture, kind: str, rung: float, seed: int) -> Picture:
    """The picture uint8 [H, W, 3] under one rung of one kind; the seed sets the direction of smear and the noise."""
    if kind == "fog":
        return _developed(_linear(picture) * (1 - rung) + rung * _VEIL)
    if kind == "shade":
        return _developed(_linear(picture) * rung * _SKY_TINT)
    if kind == "white_balance":
        return _developed(_linear(picture) * np.array([np.sqrt(rung), 1.0, 1 / np.sqrt(rung)]))
    import albumentations as A

    if kind == "blur":
        change: Any = A.GaussianBlur(blur_limit=0, sigma_limit=(rung, rung), p=1)
    elif kind == "smear":
        angle = float(np.random.default_rng(seed).uniform(0, 180))
        change = A.MotionBlur(
            blur_limit=(int(rung), int(rung)),
            allow_shifted=False,
            angle_range=(angle, angle),
            direction_range=(0.0, 0.0),
            p=1,
        )
    elif kind == "noise":
        change = A.GaussNoise(std_range=(rung / 255, rung / 255), p=1)
    else:
        change = A.ImageCompression(quality_range=(int(rung), int(rung)), p=1)
    return A.Compose([change], seed=seed)(image=picture)["image"]


def _linear(picture: Picture) -> NDArray[np.float32]:
    """Linear light of 8-bit sRGB (IEC 61966-2-1)."""
    value = np.arange(256, dtype=np.float64) / 255
    table = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return table.astype(np.float32)[picture]


def _developed(light: NDArray[Any]) -> Picture:
    light = np.clip(light, 0, 1)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(light, 1 / 2.4) - 0.055)
    return np.rint(value * 255).astype(np.uint8)


@dataclass(frozen=True)
class Rung:
    """One reading of the whole frame set: figures by name (None: not measurable)."""

    kind: str
    rung: float | None
    figures: Mapping[str, float | None]


def climb(
    bundle: Bundle,
    frames: str | Path,
    *,
    mission: Mission | None = None,
    seed: int = 1,
    on_progress: Progress | None = None,
) -> list[Rung]:
    """Read the frame set clean and under every rung. InputError where it is not a frame set with something to find."""
    truth = read_frame_set(frames)
    source = frames_to_read(frames, mission)
    working = {name: float(value) for name, value in dict(bundle.working_confidence).items()}
    reader = FrameReader(bundle, mission, source.category_ids, working)
    steps: list[tuple[str, float | None]] = [("clean", None)]
    steps += [(kind, rung) for kind, (_, rungs) in RUNGS.items() for rung in rungs]
    seen: list[list[Any]] = [[] for _ in steps]
    for number, frame in enumerate(source.frames):
        picture = load_frame(frame)  # each frame is decoded once for all rungs
        for step, (kind, rung) in enumerate(steps):
            shown = picture if rung is None else corrupted(picture, kind, rung, seed * 1_000_003 + number)
            seen[step] += reader.sightings(frame, shown)
        if on_progress is not None:
            on_progress(number + 1, len(source.frames))
    vocabulary = None if mission is None else mission.panels.vocabulary
    rungs = []
    for (kind, rung), sightings in zip(steps, seen, strict=True):
        answers = Sightings(tuple(sightings), bundle.name, source.name, working)
        rungs.append(Rung(kind, rung, _measured(truth, answers, vocabulary)))
    return rungs


def _measured(truth: FrameSet, answers: Sightings, vocabulary: Any) -> dict[str, float | None]:
    case = case_of(truth, answers, "the sightings")
    matches = match(case.objects, case.detections, frames=len(case.sizes_px), categories=len(case.categories))
    average = figures_of(matches, ("AP50",))["AP50"]
    figures: dict[str, float | None] = dict.fromkeys(_FIGURES)
    for k, name in enumerate(case.categories):
        figures[f"{name}_AP50"] = None if np.isnan(average[k]) else float(average[k])
    readings = readings_of(case, matches, answers.working_confidence["panel"], vocabulary)
    figures["all_four"] = attribute_figures(readings)["all_four_of_all"]["accuracy"]
    return figures


def breaks_at(rungs: list[Rung], kind: str, figure: str) -> float | None:
    """The first rung at which a figure fell below BROKEN_SHARE of its clean value; None where it never did."""
    clean = next(rung for rung in rungs if rung.rung is None).figures[figure]
    if not clean:
        return None
    for rung in rungs:
        value = rung.figures[figure]
        if rung.kind == kind and value is not None and value < BROKEN_SHARE * clean:
            return rung.rung
    return None


def write_ladder(folder: Path, rungs: list[Rung], truth: str | None, name: str) -> dict[str, Any]:
    """Write ladder.json and ladder.html into ``folder``; returns what ladder.json holds."""
    clean = next(rung for rung in rungs if rung.rung is None)
    content: dict[str, Any] = {"format": "ladder/1", "bundle": name, "truth": truth, "clean": dict(clean.figures)}
    content["rungs"] = {
        kind: [{"rung": rung.rung, **rung.figures} for rung in rungs if rung.kind == kind] for kind in RUNGS
    }
    content["breaks_at"] = {kind: {figure: breaks_at(rungs, kind, figure) for figure in _FIGURES} for kind in RUNGS}
    write_json(folder / "ladder.json", content, indent=1)
    sections = [_section(rungs, kind) for kind in RUNGS]
    first_line = FIRST_LINE.get(truth, FIRST_LINE[None])
    write_document(folder / "ladder.html", f"Where the reading of {name} breaks", first_line, sections)
    return content


def _section(rungs: list[Rung], kind: str) -> Section:
    words = RUNGS[kind][0]
    mine = [rung for rung in rungs if rung.rung is None or rung.kind == kind]
    labels = ["clean", *(f"{rung.rung:g}" for rung in mine[1:])]
    axis = Range(0, len(mine) - 1, tuple(range(len(mine))))
    plot = Plot(
        f"Figures on rung 0 (clean) to {len(mine) - 1} of {kind.replace('_', ' ')}; the table says the same",
        axis, SHARE, "rung, as numbered in the table (0: clean)", "figure", legend=(False, True),
    )  # fmt: skip
    for series, figure in enumerate(_FIGURES):
        known = [(i, rung.figures[figure]) for i, rung in enumerate(mine) if rung.figures[figure] is not None]
        if known:
            plot.line([i for i, _ in known], [float(v or 0) for _, v in known], series, figure.replace("_", " "))
    rows = [
        [f"{i}: {label}", *("–" if rung.figures[f] is None else f"{rung.figures[f]:.2f}" for f in _FIGURES)]
        for i, (label, rung) in enumerate(zip(labels, mine, strict=True))
    ]
    broken = [(f, breaks_at(rungs, kind, f)) for f in _FIGURES]
    said = [f"{f.replace('_', ' ')} falls below half at {at:g}." for f, at in broken if at is not None]
    headings = (words, *(f.replace("_", " ") for f in _FIGURES))
    return Section(
        kind.replace("_", " "),
        said or ["Nothing falls below half of what it was."],
        [Table("Figures by rung", headings, rows)],
        [(f"{kind.replace('_', ' ')}, rung by rung", plot.markup())],
    )
