"""What a recipe draws, for the eye and in figures: sheets of chips at 100 % and histograms beside those of photographs."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image

from mission.atomic import replacing, write_text
from mission.mission_file import Mission
from mission.recipe import Recipe
from pipeline.histograms import draw_histograms
from pipeline.picture_measures import OF_PANELS, OF_PICTURES, contrast_with_surroundings, differences, measure_pictures
from synth.chips import ChipScene, ChipSource
from synth.colour import ciede2000, lab_from_linear
from synth.marks import mark_atlas
from synth.mixed_ground import render_mixed
from synth.photo_ground import GroundBank
from synth.truth import target_truth

CHIP_PX, COLUMNS, ROWS = 256, 6, 4
_BATCH = 24
_MARKS = 36
Picture = NDArray[np.uint8]


@dataclass
class RecipeSheets:
    """What was drawn and measured. ``real`` is empty without photographs; values are lists of floats by measure."""

    chips: list[Picture] = field(default_factory=list)
    ground: list[Picture] = field(default_factory=list)
    beside: list[Picture] = field(default_factory=list)
    drawn: dict[str, list[float]] = field(default_factory=dict)
    real: dict[str, list[float]] = field(default_factory=dict)

    def remarks(self) -> list[str]:
        """Where photographs differ from what was drawn, in sentences."""
        return differences(self.drawn, self.real)


def draw_recipe(
    recipe: Recipe,
    mission: Mission,
    count: int,
    seed: int,
    *,
    ground: GroundBank | None = None,
    beside: GroundBank | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> RecipeSheets:
    """Draw ``count`` chips of a recipe and measure them; ``beside`` are photographs to compare with, at the mission's scale.

    The pictures that are measured against photographs are of bare ground: what lies about on photographs is rare.
    """
    found = RecipeSheets(drawn={measure.key: [] for measure in OF_PANELS})
    bare = recipe.composition.model_copy(update={"empty_share": 1.0, "decoys_per_chip": (0, 0)})
    kinds = {"chips": recipe, "ground": recipe.model_copy(update={"composition": bare})}
    for place, (name, given) in enumerate(kinds.items()):
        source = ChipSource(given, mission, seed=2 * seed + place, chip_px=CHIP_PX, ground=ground)
        pictures = getattr(found, name)
        for number in range(-(-count // _BATCH)):
            # The last batch is the smaller one.
            scene = source.scene(min(_BATCH, count - len(pictures)), number)
            rendered = render_mixed(scene, ground, torch.device("cpu"))
            batch = rendered.image.permute(0, 2, 3, 1).numpy()
            pictures += list(batch)
            if name == "chips":
                _measure_panels(found.drawn, source, scene, batch, rendered.owner.numpy())
            if on_progress:
                on_progress(place * count + len(pictures), 2 * count)
    found.drawn |= measure_pictures(found.ground)
    if beside is not None:
        found.beside = real_crops(beside, count, seed)
        found.real = measure_pictures(found.beside)
    return found


def real_crops(bank: GroundBank, count: int, seed: int) -> list[Picture]:
    """Squares of photographs as they are, drawn by the square root of area a flight; turned by quarters, nothing else."""
    rng = np.random.default_rng(seed)
    odds = {flight: np.sqrt(sum(p.area_px for p in bank.photographs if p.flight == flight)) for flight in bank.flights}
    weights = np.array(list(odds.values())) / sum(odds.values())
    crops = []
    for _ in range(count):
        flight = bank.flights[int(rng.choice(len(weights), p=weights))]
        own = [p for p in bank.photographs if p.flight == flight]
        pixels = own[int(rng.integers(len(own)))].pixels
        y, x = (int(rng.integers(0, side - CHIP_PX + 1)) for side in pixels.shape[:2])
        crops.append(np.ascontiguousarray(np.rot90(pixels[y : y + CHIP_PX, x : x + CHIP_PX], int(rng.integers(4)))))
    return crops


def _measure_panels(
    found: dict[str, list[float]], source: ChipSource, scene: ChipScene, pictures: Picture, owner: NDArray[np.int32]
) -> None:
    layout, plates = scene.layout, scene.layout.plates
    truth = target_truth(layout, scene.views, source._outlines)
    for row, picture, box in zip(truth.row, truth.picture, truth.box_px, strict=True):
        if layout.targets.category[row] == 0:
            found["across"].append(float(max(box[2] - box[0], box[3] - box[1])))
            seen = owner[picture]
            value = contrast_with_surroundings(pictures[picture], seen == row, seen < 0)
            found["panel_ground"] += [] if value is None else [value]
    marked = np.flatnonzero((plates.glyph >= 0) & (plates.owner >= 0))
    unit_px = np.linalg.norm(plates.along[marked], axis=1) * scene.views.px_per_m(
        plates.origin[marked], plates.picture[marked]
    )
    thin = (
        mark_atlas().stroke[plates.glyph[marked] // _MARKS, plates.glyph[marked] % _MARKS]
        + 2 * plates.mark_grow[marked]
    )
    found["stroke"] += [float(v) for v in thin * plates.mark_height[marked] * unit_px]
    labs = [lab_from_linear(colours[marked]) for colours in (plates.albedo, plates.mark_albedo)]
    found["mark_panel"] += [float(v) for v in np.atleast_1d(ciede2000(labs[0], labs[1]))]


def write_sheets(found: RecipeSheets, out: Path, seed: int) -> list[Path]:
    """Write the sheets (PNG, 100 %), the histograms and the figures behind them; returns what was written, in that order.

    With photographs one sheet shuffles drawn and real pictures; which is which stands in a file of its own, so that one can
    guess first.
    """
    written = []

    def sheet(name: str, pictures: list[Picture]) -> None:
        with replacing(out / name) as temporary:
            _tiled(pictures).save(temporary)
        written.append(out / name)

    sheet("drawn.png", found.chips[: COLUMNS * ROWS])
    sheet("drawn-ground.png", found.ground[: COLUMNS * ROWS])
    if found.beside:
        sheet("photographs.png", found.beside[: COLUMNS * ROWS])
        # Whoever knew how many there are of either could count.
        drawn, real = found.ground[-COLUMNS * ROWS :], found.beside[-COLUMNS * ROWS :]
        coins = np.random.default_rng(seed).random(min(len(drawn), len(real))) < 0.5
        sheet("which-are-photographs.png", [real[i] if coin else drawn[i] for i, coin in enumerate(coins)])
        rows = [coins[first : first + COLUMNS] for first in range(0, len(coins), COLUMNS)]
        lines = [" ".join("photograph" if coin else "drawn     " for coin in row).rstrip() for row in rows]
        write_text(out / "which-are-photographs.txt", "\n".join(lines) + "\n")
        written.append(out / "which-are-photographs.txt")
    draw_histograms(out / "histograms.png", found.drawn, found.real)
    write_text(out / "figures.json", json.dumps(figures(found), indent=1) + "\n")
    return [*written, out / "histograms.png", out / "figures.json"]


def _tiled(pictures: list[Picture]) -> Image.Image:
    rows = -(-len(pictures) // COLUMNS)
    sheet = np.full((rows * CHIP_PX, min(COLUMNS, len(pictures)) * CHIP_PX, 3), 24, dtype=np.uint8)
    for i, picture in enumerate(pictures):
        y, x = i // COLUMNS * CHIP_PX, i % COLUMNS * CHIP_PX
        sheet[y : y + CHIP_PX, x : x + CHIP_PX] = picture
    return Image.fromarray(sheet)


def figures(found: RecipeSheets) -> dict[str, dict[str, list[float] | None]]:
    """5th, 50th and 95th percentile of every measure, drawn and photographed (None where there is nothing to measure)."""
    sides = {"drawn": found.drawn, "photographs": found.real}
    return {
        measure.key: {
            side: [round(float(q), 4) for q in np.quantile(values[measure.key], [0.05, 0.5, 0.95])]
            if values.get(measure.key)
            else None
            for side, values in sides.items()
        }
        for measure in (*OF_PANELS, *OF_PICTURES)
    }
