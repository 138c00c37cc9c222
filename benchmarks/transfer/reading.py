"""How networks read the judge's panels where they are known to lie: readers alone, whatever a detector would have found.

    python -m benchmarks.transfer.reading NETWORKS [--judged DIR] [--least-px 40]

Prints a line a row: shares of right answers on panels of so many pixels and more of the flights that a network never saw,
mean and standard deviation over seeds. Boxes are the truth's, without the slips of a detector: compare rows with one another,
not with the transfer table.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import torch

from benchmarks.transfer.judge import FLIGHT_NAMES
from benchmarks.transfer.measure import LARGE_PX, TURN_TWINS, Floats, attribute_hits
from benchmarks.transfer.pool import MISSION
from benchmarks.transfer.run import MODEL
from benchmarks.transfer.verdict import facts_of, load
from mission.frame_set import Thing, read_frame_set
from mission.mission_file import load_mission
from mission.photographs import load_photograph
from mission.vocabulary import ATTRIBUTES, Vocabulary
from pipeline.crops import crops_of_frame
from pipeline.readers import Readers

COLUMNS = (*(name.replace("_", " ") for name in ATTRIBUTES), "all four", "turn twins granted", "look-alikes granted")


class Crops:
    """Every panel of a flight's frames that is large enough: what it is, and its crops for one sort of readers."""

    def __init__(self, judged: Path, least_px: float) -> None:
        self.judged, self.least_px = judged, least_px
        self.kept: dict[tuple[str, str], tuple[list[Thing], torch.Tensor, torch.Tensor]] = {}

    def of(self, flight: str, readers: Readers) -> tuple[list[Thing], torch.Tensor, torch.Tensor]:
        key = (flight, str(readers.settings))
        if key not in self.kept:
            self.kept[key] = self._cut(flight, readers)
        return self.kept[key]

    def _cut(self, flight: str, readers: Readers) -> tuple[list[Thing], torch.Tensor, torch.Tensor]:
        frames = read_frame_set(self.judged / flight)
        panels: list[Thing] = []
        cut = []
        for frame in frames.frames:
            mine = [
                t for t in frame.things if t.category == "panel" and t.scored and max(t.bbox_px[2:]) >= self.least_px
            ]
            if not mine:
                continue
            pixels = torch.from_numpy(load_photograph(frames.path_of(frame)).transpose(2, 0, 1).copy())
            box = torch.tensor([[x, y, x + w, y + h] for x, y, w, h in (t.bbox_px for t in mine)], dtype=torch.float32)
            panels += mine
            cut.append(crops_of_frame(pixels, box, readers.settings))
        return panels, torch.cat([tight for tight, _ in cut]), torch.cat([wide for _, wide in cut])


def hits(
    readers: Readers, panels: Sequence[Thing], tight: torch.Tensor, wide: torch.Tensor, names: Vocabulary
) -> Floats:
    """1 or 0 of each panel [N, 7]: the four attributes, all four, and all four with turn twins and with look-alikes granted."""
    best = {name: table.argmax(1).tolist() for name, table in readers.read(tight, wide).items()}
    said = [{name: names.values(name)[best[name][k]] for name in ATTRIBUTES} for k in range(len(panels))]
    rights = np.array([attribute_hits(panel.attributes, one) for panel, one in zip(panels, said, strict=True)])
    return np.insert(rights, 4, rights[:, :4].min(axis=1), axis=1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("networks", type=Path)
    parser.add_argument("--judged", type=Path, default=Path(".transfer/judged"))
    parser.add_argument("--least-px", type=float, default=LARGE_PX)
    parser.add_argument("--flights", nargs="+", default=list(FLIGHT_NAMES), choices=FLIGHT_NAMES)
    given = parser.parse_args()
    names, crops = load_mission(MISSION).panels.vocabulary, Crops(given.judged, given.least_px)
    found: dict[str, dict[int, list[Floats]]] = defaultdict(lambda: defaultdict(list))
    taken: dict[str, tuple[int, int]] = {}
    for path in sorted(given.networks.glob("*.readers.*.safetensors")):
        facts = facts_of(path)
        readers = load(path, str(MODEL))
        assert isinstance(readers, Readers)
        taken[facts["row"]] = (facts["steps"], facts["chips"])
        for flight in set(facts["left_out"]) & set(given.flights):
            found[facts["row"]][facts["seed"]].append(hits(readers, *crops.of(flight, readers), names))
    twins = ", ".join("/".join(sorted(pair)) for pair in TURN_TWINS)
    print(f"Panels of {given.least_px:g} px and more in their true boxes; turn twins: {twins}\n")
    print(
        "| row | seeds | steps | chips | panels | " + " | ".join(COLUMNS) + " |\n" + "|" + " --- |" * (5 + len(COLUMNS))
    )
    for row, by_seed in found.items():
        shares = np.array([np.concatenate(some).mean(axis=0) for some in by_seed.values()])
        spread = shares.std(axis=0, ddof=1) if len(shares) > 1 else [float("nan")] * len(COLUMNS)
        cells = [
            f"{m:.3f}" + ("" if s != s else f" ±{s:.3f}") for m, s in zip(shares.mean(axis=0), spread, strict=True)
        ]
        panels = sum(len(one) for one in next(iter(by_seed.values())))
        print(f"| {row} | {len(by_seed)} | {taken[row][0]} | {taken[row][1]} | {panels} | " + " | ".join(cells) + " |")


if __name__ == "__main__":
    main()
