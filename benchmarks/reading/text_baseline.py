"""A general text-recognition package as rival of the mark reader, on the same crops of panels found in the judge's frames.

    pip install rapidocr-onnxruntime
    python -m benchmarks.reading.text_baseline --judged DIR [--frames 6] [--bundle default] [--limit-s 300] [--out FILE]

The package (Apache-2.0, its networks in the wheel) reads lines of upright text. It is given every help that a team would think
of: the mark cut out at three sizes, at 24 turns, and only the mission's letters and digits to answer with; the surest answer
counts. Panels are those that the bundle finds at its working confidence; both readers get the boxes that it found. Marks that
are one another turned, and look-alikes, are granted to both in the second figure. Wilson's 95 % intervals.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from PIL import Image

from benchmarks.ledger import note
from benchmarks.transfer.bundle import reading_of
from benchmarks.transfer.judge import FLIGHT_NAMES
from benchmarks.transfer.measure import LARGE_PX, Floats, iou
from benchmarks.transfer.pool import MISSION
from eval.proportions import wilson_interval
from mission.errors import InputError
from mission.frame_set import read_frame_set
from mission.mission_file import load_mission
from mission.photographs import load_photograph
from mission.vocabulary import look_alike
from pipeline.bundle import load_bundle

TURNS = 24
#: Sides of the squares cut out around a box's centre, in sides of the box.
EXTENTS = (0.45, 0.65, 0.9)
#: Height that the package's network reads [px]; a square of it holds the mark (twice the width read no better, half as fast).
HEIGHT_PX = 48


@dataclass(frozen=True)
class Found:
    """A panel that was found: its picture, the box in it [4], its true mark and what our reader said."""

    pixels: np.ndarray
    box_px: Floats
    mark: str
    ours: str

    @property
    def side_px(self) -> float:
        """Longer side [px]."""
        return float((self.box_px[2:] - self.box_px[:2]).max())


def found_panels(judged: Path, bundle_name: str, frames: int) -> Iterator[Found]:
    """Panels that count and that the bundle finds, flight after flight, evenly spread over each flight's frames."""
    bundle = load_bundle(bundle_name, "cpu")
    say_of, working = reading_of(bundle, False), bundle.working_confidence["panel"]
    for flight in FLIGHT_NAMES:
        frame_set = read_frame_set(judged / flight)
        every = max(1, len(frame_set.frames) // frames)
        for frame in frame_set.frames[::every][:frames]:
            pixels = load_photograph(frame_set.path_of(frame))
            said = say_of(pixels)["panel"]
            sure = [k for k in range(len(said.score)) if said.score[k] >= working and said.attributes[k].get("mark")]
            for thing in frame.things:
                mark = thing.attributes.get("mark")
                x, y, w, h = thing.bbox_px
                if thing.category != "panel" or not thing.scored or mark is None or not sure:
                    continue
                overlap = iou(np.array([x, y, x + w, y + h]), said.box_px[sure])
                if overlap.max() >= 0.5:
                    best = sure[int(overlap.argmax())]
                    yield Found(pixels, said.box_px[best], mark, said.attributes[best]["mark"])


def turned_squares(found: Found) -> list[np.ndarray]:
    """The mark's surroundings at every size and turn, RGB uint8 of the height that the network reads."""
    middle, reach = (found.box_px[:2] + found.box_px[2:]) / 2, found.side_px
    x, y = middle - reach
    whole = Image.fromarray(found.pixels).transform(
        (4 * HEIGHT_PX, 4 * HEIGHT_PX),
        Image.Transform.EXTENT,
        (x, y, x + 2 * reach, y + 2 * reach),
        Image.Resampling.BICUBIC,
    )
    squares = []
    for turn in range(TURNS):
        turned = whole.rotate(360.0 * turn / TURNS, Image.Resampling.BICUBIC)
        for extent in EXTENTS:
            half, centre = extent * HEIGHT_PX, 2 * HEIGHT_PX
            box = (centre - half, centre - half, centre + half, centre + half)
            squares.append(np.asarray(turned.resize((HEIGHT_PX, HEIGHT_PX), Image.Resampling.BICUBIC, box)))
    return squares


class TextReader:
    """The package's recognition network, made to answer with one of the given marks."""

    def __init__(self, marks: Sequence[str]) -> None:
        try:
            from rapidocr_onnxruntime import RapidOCR  # pyright: ignore[reportMissingImports]
        except ImportError as error:
            raise InputError(
                f"The package rapidocr-onnxruntime must be installed for this. Got '{error}' instead."
            ) from None
        recognizer = RapidOCR(intra_op_num_threads=1, inter_op_num_threads=1).text_rec
        self.run, known = recognizer.session, list(recognizer.postprocess_op.character)
        # A lower-case answer counts as its capital.
        self.columns = [[known.index(way) for way in {mark, mark.lower()} if way in known] for mark in marks]
        self.marks = list(marks)

    def read(self, squares: Sequence[np.ndarray]) -> str:
        """The mark that was seen most surely at any place of any square."""
        pictures = np.stack(squares)[..., ::-1]  # blue, green, red, as the package's own pictures are
        batch = (pictures.transpose(0, 3, 1, 2) / 127.5 - 1.0).astype(np.float32)
        seen = self.run(batch)[0].max(axis=(0, 1))  # [characters], of squares x places x characters
        return self.marks[int(np.argmax([max(seen[column]) for column in self.columns]))]


def share(hits: Sequence[bool]) -> dict[str, Any]:
    """Share and Wilson's interval; null for nothing."""
    if not hits:
        return {"share": None, "ci95": None, "n": 0}
    return {"share": float(np.mean(hits)), "ci95": list(wilson_interval(sum(hits), len(hits))), "n": len(hits)}


def lines_of(pairs: Sequence[tuple[Found, str]]) -> list[dict[str, Any]]:
    """A line for each reader and range of sizes, strictly and with look-alikes and turned twins granted."""
    lines = []
    for sizes, kept in (("all", pairs), (f">= {LARGE_PX:.0f} px", [p for p in pairs if p[0].side_px >= LARGE_PX])):
        for reader, answers in (("ours", [f.ours for f, _ in kept]), ("text package", [said for _, said in kept])):
            truth = [found.mark for found, _ in kept]
            strict = [said == mark for said, mark in zip(answers, truth, strict=True)]
            granted = [look_alike("mark", mark, said) for said, mark in zip(answers, truth, strict=True)]
            lines.append({"reader": reader, "sizes": sizes, "strict": share(strict), "granted": share(granted)})
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--judged", type=Path, default=Path(".transfer/judged"), help="frame sets of benchmarks.transfer.judge"
    )
    parser.add_argument("--bundle", default="default")
    parser.add_argument("--frames", type=int, default=6, help="of each flight")
    parser.add_argument("--limit-s", type=float, default=300.0, help="no further panel is read after so many seconds")
    parser.add_argument("--out", type=Path, help="add what was measured to this file, a line of JSON each")
    given = parser.parse_args()
    torch.set_num_threads(1)
    began, pairs = time.monotonic(), []
    text = TextReader(load_mission(MISSION).panels.vocabulary.marks)
    for found in found_panels(given.judged, given.bundle, given.frames):
        pairs.append((found, text.read(turned_squares(found))))
        if time.monotonic() - began > given.limit_s:
            print(f"stopped after {given.limit_s:.0f} s")
            break
    lines = lines_of(pairs)
    print("| marks read by | panels | of | right | look-alikes granted |\n" + "|" + " --- |" * 5)
    for line in lines:
        cells = [
            "–"
            if line[key]["share"] is None
            else "{:.2f} ({:.2f} to {:.2f})".format(line[key]["share"], *line[key]["ci95"])
            for key in ("strict", "granted")
        ]
        print(f"| {line['reader']} | {line['sizes']} | {line['strict']['n']} | {cells[0]} | {cells[1]} |")
    note(given.out, *({"bundle": given.bundle, **line} for line in lines))


if __name__ == "__main__":
    main()
