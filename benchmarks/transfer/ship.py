"""Make a bundle of the networks that ``run --ship`` trained on every flight.

    python -m benchmarks.transfer.ship NETWORKS --model default --out configs/bundles/default

Temperatures, the weight of the second look and the working confidences come from chips drawn here, with typefaces that no
network has seen; half of them lie on the photographs that were trained on, so how well the bundle finds is *not* to be
read off them: the transfer table says that, by flights left out. For the working confidences false reports are counted on
empty ground, at the field's density of other things: a share of it photographs (``--photographed``), the rest drawn. The
photographs were trained on, so they hold fewer false reports than others would; drawn ground holds more than real ground.
"""

from __future__ import annotations

import argparse
import os
from functools import partial
from pathlib import Path
from typing import Any

import torch
from torch import nn

from benchmarks.transfer.ingredients import recipe_of, row_named
from benchmarks.transfer.judge import FLIGHT_NAMES
from benchmarks.transfer.pool import MISSION, OTHER_SHARE, bank_of
from benchmarks.transfer.run import shipped
from benchmarks.transfer.verdict import facts_of, load
from mission.mission_file import Mission, load_mission
from mission.model_file import load_model_file
from pipeline.bundle import write_bundle
from pipeline.drawing import DrawnByWorkers
from pipeline.empty_ground import BATCH_CHIPS, DECOYS_PART, EmptyGround, EmptyPart, batches_of, decoys_on_chips
from pipeline.field import field_of
from pipeline.fit import cores
from pipeline.readers import Readers
from pipeline.reservoir import join_chips
from pipeline.second_look import settle
from pipeline.tasks import DetectorTask, ReaderTask
from pipeline.working_confidence import sentences
from synth.chips import ChipBatch, ChipSource
from synth.photo_ground import GroundBank

_A_BATCH = 16


def held_out(mission: Mission, bank: GroundBank, seed: int, count: int, chip_px: int, readers: bool) -> ChipBatch:
    """Chips with held-out typefaces, half on the photographs and half on procedural ground."""
    halves = []
    for salt, ground in enumerate((bank, None)):
        source = ChipSource(
            recipe_of(row_named("real")), mission, seed=seed + salt, chip_px=chip_px, ground=ground, typefaces="held-out",
            focus="panel" if readers else None, other_share=OTHER_SHARE if readers else 0.0,
        )  # fmt: skip
        halves += [source.batch(_A_BATCH) for _ in range(-(-count // (2 * _A_BATCH)))]
    chips = halves[0]
    for more in halves[1:]:
        chips = join_chips(chips, more)
    return chips


def empty_ground(
    mission: Mission, photographs: Path | None, photographed: float, seed: int, count: int, chip_px: int
) -> EmptyGround:
    """About ``count`` chips without a target: a share of photographs and the rest procedural, bare and with other things.

    ``photographs``: None draws all ground, whatever the share.
    """
    recipe = recipe_of(row_named("real"))
    each, share = decoys_on_chips(field_of(mission, recipe), chip_px)
    of_photographs = None if photographs is None else bank_of(photographs, FLIGHT_NAMES, mission)
    shares = ((photographed, of_photographs), (1.0 - photographed, None))
    grounds = [(share, ground) for share, ground in shares if share > 0.0]
    parts = []
    for salt, (ground_share, ground) in enumerate(grounds):
        for field_share, part, decoys in ((1.0 - share, 1.0 - DECOYS_PART, 0), (share, DECOYS_PART, each)):
            empty = {"empty_share": 1.0, "decoys_per_chip": (decoys, decoys)}
            composition = recipe.composition.model_copy(update=empty)
            source = ChipSource(
                recipe.model_copy(update={"composition": composition}), mission, seed=seed + salt, chip_px=chip_px,
                ground=ground, typefaces="held-out",
            )  # fmt: skip
            # As many chips of either ground, whatever its share: rare false reports want counting on both.
            parts.append(EmptyPart(ground_share * field_share, source, batches_of(count // len(grounds), part)))
    return EmptyGround(parts)


def make(
    networks: Path, model: str, out: Path, photographs: Path, seed: int, chips: int, command: str,
    empty: int, photographed: float, workers: int,
) -> dict[str, Any]:  # fmt: skip
    """Write the bundle; returns what was measured on the held-out chips."""
    settings, mission = load_model_file(model), load_mission(MISSION)
    bank = bank_of(photographs, FLIGHT_NAMES, mission)
    trained: dict[str, nn.Module] = {}
    facts: dict[str, dict[str, Any]] = {}
    for run in shipped(1):
        path = networks / f"{run.name}.safetensors"
        trained[run.part], facts[run.part] = load(path, model), facts_of(path)
    readers = trained["readers"]
    assert isinstance(readers, Readers)
    finding = held_out(mission, bank, seed, chips, settings.detector_training.chip_px, False)
    reading = ReaderTask(held_out(mission, bank, seed + 10, chips, settings.reader_training.chip_px, True), seed)
    field = field_of(mission, recipe_of(row_named("real")))
    opener = partial(
        empty_ground, mission, photographs, photographed, seed + 20, empty, settings.detector_training.chip_px
    )
    with torch.inference_mode(), DrawnByWorkers(opener, workers, BATCH_CHIPS, opener.args[-1]) as drawn:
        bare = opener().drawn_by(drawn)
        temperatures = reading.temperatures(readers)
        look = settle(trained["detector"], readers, finding, temperatures["panel"], field, bare)
        figures: dict[str, Any] = {
            "detector": DetectorTask(finding).validate(trained["detector"]), "readers": reading.validate(readers),
            "second look": look.record(),
        }  # fmt: skip
    rounded = {
        part: {name: None if value is None or value != value else round(value, 4) for name, value in one.items()}
        for part, one in figures.items()
    }
    record = {
        "command": command,
        "data": "recipe",
        "ground": "photographs and procedural",
        "empty_ground_photographed": photographed,
        "flights": list(FLIGHT_NAMES),
        "recipe": recipe_of(row_named("real")).model_dump(mode="json"),
        "seed": facts["detector"]["seed"],
        **{
            name: {part: one[name] for part, one in facts.items()}
            for name in ("steps", "chips", "seen", "batch", "seconds")
        },
        "device": facts["detector"]["device"],
        "torch": str(torch.__version__),
    }
    write_bundle(
        out, settings, mission.panels.vocabulary, trained["detector"], readers,
        working_confidence=look.working_confidence, at_work=look.at_work, temperatures=temperatures,
        second_look_weight=look.weight, score_maps=look.maps, training=record, validation=rounded, replace=True,
    )  # fmt: skip
    for said in sentences(look.at_work):
        print(said)
    return rounded


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    shared = Path(os.environ.get("PANELSCOUT_SHARED", "../shared")) / "data/aerial"
    parser.add_argument("networks", type=Path)
    parser.add_argument("--model", default="default")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--photographs", type=Path, default=shared)
    parser.add_argument("--seed", type=int, default=900)
    parser.add_argument("--chips", type=int, default=512, help="held-out chips to draw for either part")
    parser.add_argument("--command", required=True, help="how the networks were trained, for the bundle's record")
    parser.add_argument("--empty", type=int, default=6144, help="chips of empty ground to count false reports on")
    parser.add_argument("--photographed", type=float, default=0.5, help="share of photographs among the field's ground")
    parser.add_argument("--workers", type=int, default=cores(), help="processes that draw empty ground")
    given = parser.parse_args()
    figures = make(
        given.networks, given.model, given.out, given.photographs, given.seed, given.chips, given.command,
        given.empty, given.photographed, given.workers,
    )  # fmt: skip
    for part, one in figures.items():
        print(part, one)


if __name__ == "__main__":
    main()
