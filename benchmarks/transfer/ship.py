"""Make a bundle of the networks that ``run --ship`` trained on every flight.

    python -m benchmarks.transfer.ship NETWORKS --model default --out configs/bundles/default

Temperatures, the weight of the second look and the working confidences come from chips drawn here, with typefaces that no
network has seen; half of them lie on the photographs that were trained on, so how well the bundle finds is *not* to be
read off them: the transfer table says that, by flights left out. Chips are crowded with people; ``--person-confidence`` sets
another working confidence for them, as frames with few people ask for (``benchmarks.transfer.bundle`` shows what it does).
"""

from __future__ import annotations

import argparse
import os
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
from pipeline.readers import Readers
from pipeline.reservoir import join_chips
from pipeline.second_look import settle
from pipeline.tasks import DetectorTask, ReaderTask
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


def make(
    networks: Path, model: str, out: Path, photographs: Path, seed: int, chips: int, command: str,
    person_confidence: float | None = None,
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
    with torch.inference_mode():
        temperatures = reading.temperatures(readers)
        look = settle(trained["detector"], readers, finding, temperatures["panel"])
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
    confidence = look.working_confidence
    if person_confidence is not None:
        confidence, record["person_confidence"] = confidence | {"person": person_confidence}, "as asked for"
    write_bundle(
        out, settings, mission.panels.vocabulary, trained["detector"], readers,
        working_confidence=confidence, temperatures=temperatures, second_look_weight=look.weight,
        score_maps=look.maps, training=record, validation=rounded, replace=True,
    )  # fmt: skip
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
    parser.add_argument("--person-confidence", type=float, help="report people from this score up")
    given = parser.parse_args()
    figures = make(
        given.networks, given.model, given.out, given.photographs, given.seed, given.chips, given.command,
        given.person_confidence,
    )  # fmt: skip
    for part, one in figures.items():
        print(part, one)


if __name__ == "__main__":
    main()
