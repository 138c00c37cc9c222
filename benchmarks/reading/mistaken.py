"""What a bundle takes for a panel or a person: drawn chips of one kind of thing at a time, through detector and second look.

    python -m benchmarks.reading.mistaken [--bundle default] [--chips 48] [--kinds cone sign] [--sheet FILE]

Every chip of a kind holds such a thing in the place of a panel and no panel (what ``ChipSource`` shows the readers for "not a
panel"). Printed, worst first, for each kind: the share of chips with a panel at the bundle's working confidence, the share with
one as sure as nine tenths of the panels found, the tenth surest score of a hundred, and the share with a person at the
working confidence. ``panel`` is the row of chips with panels, ``nothing`` that of bare ground. ``--people`` looks for people on
empty chips of each kind of ground instead. Wilson's 95 % intervals. Figures say what is learnt of our own drawing, so they order
the kinds; how well the bundle does is measured on the judge's frames.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from PIL import Image

from benchmarks.ledger import note
from benchmarks.transfer.ingredients import recipe_of, row_named
from benchmarks.transfer.pool import MISSION
from eval.proportions import wilson_interval
from mission.atomic import replacing
from mission.mission_file import load_mission
from mission.recipe import DECOYS, Recipe
from mission.recipe_light import GROUND_KINDS
from pipeline.bundle import Bundle, load_bundle
from pipeline.second_look import joined
from synth.chips import ChipBatch, ChipSource

CHIP_PX, GROUND_PX = 144, 256
#: Panels of one chip that are looked at a second time: the surest ones.
LOOKS = 4
_A_BATCH = 16


@dataclass(frozen=True)
class Said:
    """The surest panel and the surest person [B] of each chip (probabilities, 0 where there is none), and the pictures."""

    panel: np.ndarray
    person: np.ndarray
    people: np.ndarray
    image: np.ndarray


def changed(settings: dict[str, Any]) -> Recipe:
    """The recipe that the shipped bundle learnt by, with ``section.setting`` replaced."""
    content = recipe_of(row_named("real")).model_dump()
    for place, value in settings.items():
        section, _, key = place.partition(".")
        content[section][key] = value
    return Recipe.model_validate(content)


def said_of(bundle: Bundle, image: torch.Tensor) -> Said:
    """What the chain says of chips uint8 [B, 3, S, S]."""
    panel, person, people = [], [], []
    for one, found in zip(image, bundle.detect(image), strict=True):
        score, category = found.score.double().numpy(), found.category.numpy()
        mine = np.flatnonzero((category == 0) & (score >= 0.05))[:LOOKS]
        look = bundle.read_attributes(one, found.box_px[torch.from_numpy(mine)])["panel"].double().numpy()
        final = joined(score[mine], look, bundle.second_look_weight)
        others = np.sort(score[category == 1])[::-1]
        final, others = (
            bundle.score_maps[name](values) if name in bundle.score_maps and len(values) else values
            for name, values in (("panel", final), ("person", others))
        )
        panel.append(final.max(initial=0.0))
        person.append(others.max(initial=0.0))
        people.append((others >= bundle.working_confidence["person"]).sum())
    return Said(np.array(panel), np.array(person), np.array(people), image.numpy())


def joined_up(parts: Sequence[Said]) -> Said:
    """Several batches as one."""
    return Said(*(np.concatenate([getattr(p, name) for p in parts]) for name in ("panel", "person", "people", "image")))


def with_others(bundle: Bundle, kind: str, chips: int, seed: int) -> Said:
    """Chips with a thing of one kind in the middle; "panel" and "nothing" are kinds here, too."""
    settings = {"decoys.kinds": {kind if kind in DECOYS else "stone": 1.0}}
    source = ChipSource(
        changed(settings), load_mission(MISSION), seed=seed, chip_px=CHIP_PX, focus="panel",
        other_share=0.0 if kind == "panel" else 1.0,
    )  # fmt: skip
    wanted = DECOYS.index(kind) if kind in DECOYS else -1
    parts, count = [], 0
    while count < chips:
        scene = source.scene(_A_BATCH, source.number)
        batch = source.batch(_A_BATCH)
        rows = np.arange(_A_BATCH) if kind == "panel" else scene.others.picture[scene.others.kind == wanted]
        parts.append(said_of(bundle, batch.image[torch.from_numpy(rows)]))
        count += len(rows)
    return joined_up(parts)


def on_ground(bundle: Bundle, kind: str, chips: int, seed: int) -> Said:
    """Empty chips of one kind of ground."""
    settings = {"ground.kinds": {kind: 1.0}, "composition.empty_share": 1.0, "composition.decoys_per_chip": (0, 0)}
    source = ChipSource(changed(settings), load_mission(MISSION), seed=seed, chip_px=GROUND_PX)
    batches: list[ChipBatch] = [source.batch(min(_A_BATCH, chips - k)) for k in range(0, chips, _A_BATCH)]
    return joined_up([said_of(bundle, batch.image) for batch in batches])


def share(hits: np.ndarray) -> str:
    """A share with its interval."""
    low, high = wilson_interval(int(hits.sum()), len(hits))
    return f"{hits.mean():.2f} ({low:.2f} to {high:.2f})"


def sheet(rows: dict[str, Said], path: Path, columns: int = 12) -> None:
    """The surest chips of every row at 100 %, a line each."""
    lines = []
    for said in rows.values():
        order = np.argsort(-np.maximum(said.panel, said.person), kind="stable")[:columns]
        line = np.concatenate([np.pad(said.image[k], ((0, 0), (1, 1), (1, 1))) for k in order], axis=2)
        missing = columns * (said.image.shape[-1] + 2) - line.shape[2]
        lines.append(np.pad(line, ((0, 0), (0, 0), (0, missing))))
    with replacing(path) as temporary:
        Image.fromarray(np.concatenate(lines, axis=1).transpose(1, 2, 0)).save(temporary, "PNG")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--bundle", default="default")
    parser.add_argument("--chips", type=int, default=48)
    parser.add_argument("--kinds", nargs="*", choices=[*DECOYS, *GROUND_KINDS, "nothing"])
    parser.add_argument("--people", action="store_true", help="people seen on bare ground, by its kind")
    parser.add_argument("--seed", type=int, default=31)
    parser.add_argument("--sheet", type=Path, help="write the surest chips of every kind here, a line each")
    parser.add_argument("--ledger", type=Path, help="add every chip's surest panel to this file")
    given = parser.parse_args()
    torch.set_num_threads(1)
    bundle, started = load_bundle(given.bundle, "cpu"), time.process_time()
    least = bundle.working_confidence
    rows: dict[str, Said] = {}
    if given.people:
        for kind in given.kinds or GROUND_KINDS:
            rows[kind] = on_ground(bundle, kind, given.chips, given.seed)
        area = GROUND_PX**2 / 1e6
        print("| ground | people a megapixel | chips with one |\n| --- | --- | --- |")
        for kind, said in sorted(rows.items(), key=lambda row: -row[1].people.mean()):
            print(f"| {kind} | {said.people.mean() / area:.2f} | {share(said.people > 0)} |")
    else:
        panels = with_others(bundle, "panel", 2 * given.chips, given.seed)
        found = panels.panel[panels.panel >= least["panel"]]
        sure = float(np.quantile(found, 0.1))
        for kind in given.kinds or (*DECOYS, "nothing"):
            rows[kind] = with_others(bundle, kind, given.chips, given.seed)
        print(f"A panel at {least['panel']:.2f}; sure: {sure:.2f}; a person at {least['person']:.2f}.\n")
        print(
            "| kind | chips | panels | sure ones | tenth of a hundred | people |\n| --- | --- | --- | --- | --- | --- |"
        )
        order = sorted(rows.items(), key=lambda row: (-(row[1].panel >= sure).mean(), -np.quantile(row[1].panel, 0.9)))
        for kind, said in [("panel", panels), *order]:
            shares = [share(said.panel >= least["panel"]), share(said.panel >= sure)]
            shares += [f"{np.quantile(said.panel, 0.9):.2f}", share(said.person >= least["person"])]
            print(f"| {kind} | {len(said.panel)} | {' | '.join(shares)} |")
    if given.sheet is not None:
        sheet(rows, given.sheet)
    for kind, said in rows.items():
        note(
            given.ledger,
            {"kind": kind, "chips": len(said.panel), "panel": said.panel.tolist(), "people": said.people.tolist()},
        )
    print(f"\n{time.process_time() - started:.0f} s of one core")


if __name__ == "__main__":
    main()
