"""Plain documents beside the report: a data sheet for a frame set, a model card for a bundle, and their common page.

What a data sheet should answer follows T. Gebru et al., "Datasheets for datasets", Communications of the ACM 64 (2021); a model
card M. Mitchell et al., "Model cards for model reporting", FAT* 2019. Every answer is counted from files, none is made up.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from eval.summary import FIRST_LINE, sentences
from mission.atomic import write_text
from mission.cautions import CAUTIONS
from mission.frame_set import SCORED_MIN_SIDE_PX, SCORED_MIN_VISIBLE, FrameSet
from mission.vocabulary import ATTRIBUTES


@dataclass(frozen=True)
class Table:
    """A caption, headings, and rows of text."""

    caption: str
    headings: Sequence[str]
    rows: Sequence[Sequence[str]]


@dataclass(frozen=True)
class Section:
    """A heading with sentences, tables and pictures (caption, markup) under it."""

    heading: str
    sentences: Sequence[str] = ()
    tables: Sequence[Table] = ()
    pictures: Sequence[tuple[str, Markup]] = field(default_factory=tuple)


def write_document(path: Path, title: str, first_line: str, sections: Sequence[Section]) -> None:
    """Write one self-contained page; everything that comes from files is escaped."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"), autoescape=True, undefined=StrictUndefined
    )
    page = environment.get_template("document.html").render(title=title, first_line=first_line, sections=sections)
    write_text(path, page)


_ORIGIN = {
    "rendered": "Every frame and everything in it is rendered; no photograph was taken for it.",
    "mixed": "The ground is photographed; the panels and people are drawn into it.",
    "photographed": "The frames are photographs, and so is everything in them.",
}


def data_sheet(path: Path, frame_set: FrameSet) -> None:
    """What a frame set is made of, what it is good for, and what it must not be used for."""
    frames = frame_set.frames
    things = [thing for frame in frames for thing in frame.things]
    grounds = {frame.background for frame in frames if frame.background is not None}
    posed = sum(frame.view is not None for frame in frames)
    sizes = Counter((frame.width_px, frame.height_px) for frame in frames)
    made = [
        _ORIGIN[frame_set.truth],
        f"{len(frames)} frames of {', '.join(f'{w} x {h} px ({n})' for (w, h), n in sizes.most_common(5))}.",
        f"{len(frame_set.runs)} runs with a wanted list; {len(grounds)} grounds are told apart; {posed} frames have a pose.",
        f"{sum(not frame.things for frame in frames)} frames show nothing that is annotated.",
        "Its recipe lies beside it." if (frame_set.folder / "recipe.yaml").exists() else "No recipe lies beside it.",
    ]
    counted = [thing for thing in things if thing.scored]
    holds = [
        f"{len(things)} annotations, of which {len(counted)} count: the longer side is {SCORED_MIN_SIDE_PX:g} px or more and"
        f" {SCORED_MIN_VISIBLE:.0%} or more can be seen.",
    ]
    others = [frame.other_things for frame in frames if frame.other_things is not None]
    if others:
        kinds = Counter(other.kind.replace("_", " ") for group in others for other in group)
        named = ", ".join(f"{kind} {count}" for kind, count in kinds.most_common()) or "none"
        holds.append(f"Other things noted in {len(others)} of {len(frames)} frames, by views: {named}.")
    sections = [
        Section("How it came about", made),
        Section("What it holds", holds, [_sizes(counted), *_values(counted)]),
        Section("What it is not", _limits(frame_set, grounds, counted)),
        Section("Cautions", [f"{caution.heading}. {caution.text}" for caution in CAUTIONS]),
    ]
    title = f"Data sheet of the frame set {frame_set.folder.resolve().name}"
    write_document(path, title, FIRST_LINE[frame_set.truth], sections)


def _sizes(things: Sequence[Any]) -> Table:
    rows = []
    for category in sorted({thing.category for thing in things}):
        across = [max(thing.bbox_px[2:]) for thing in things if thing.category == category]
        low, middle, high = np.quantile(across, [0.1, 0.5, 0.9])
        objects = {thing.object for thing in things if thing.category == category and thing.object is not None}
        rows.append([category, str(len(across)), str(len(objects)), f"{low:.0f}", f"{middle:.0f}", f"{high:.0f}"])
    return Table(
        "Objects, and their longer side in pixels",
        ("kind", "views", "objects", "tenth", "half", "nine tenths"),
        rows,
    )


def _values(things: Sequence[Any]) -> list[Table]:
    tables = []
    for attribute in ATTRIBUTES:
        counts = Counter(thing.attributes.get(attribute) for thing in things if thing.category == "panel")
        if counts:
            words = attribute.replace("_", " ")
            rows = [[value or "unknown", str(count)] for value, count in counts.most_common()]
            tables.append(Table(f"Views of panels by {words}", (words, "views"), rows))
    return tables


def _limits(frame_set: FrameSet, grounds: set[str], counted: Sequence[Any]) -> list[str]:
    said = ["It is made for marker panels and people seen from above; it says nothing about other views or objects."]
    if frame_set.truth != "photographed":
        said.append("Figures measured on it promise nothing for photographs until some have been scored too.")
    if len(grounds) < 8:
        said.append("It holds too few different grounds for an interval on any figure.")
    if not any(thing.category == "person" for thing in counted):
        said.append("It holds no person that counts: nothing can be said from it about finding people.")
    return said


def model_card(path: Path, record: Mapping[str, Any], card: Mapping[str, Any]) -> None:
    """What a bundle is, how it was trained, how good it was on one frame set, and what it must not be used for.

    ``record`` is the content of bundle.yaml, ``card`` a scorecard.
    """
    rows = [[name, text] for name, text in _flat(record)]
    sections = [
        Section("How good it was", sentences(card)),
        Section("What it is", [], [Table("From bundle.yaml", ("key", "value"), rows)]),
        Section(
            "What it is for, and what not",
            [
                "It finds marker panels and people in frames from above and reads the panels; a human confirms every find.",
                "It must not decide anything by itself, nor be taken as proof that nobody is there.",
                f"The figures hold for frames like those of '{card['frame_set']}'; other light, ground, height or camera may"
                " do worse, and the slices in the report show where.",
            ],
        ),
        Section("Cautions", [f"{caution.heading}. {caution.text}" for caution in CAUTIONS]),
    ]
    write_document(path, f"Model card of {card['bundle'] or 'a bundle'}", FIRST_LINE[card["truth"]], sections)


def _flat(content: Any, name: str = "") -> list[tuple[str, str]]:
    """Dotted keys and short values of nested plain data; long lists are counted, not printed."""
    if isinstance(content, Mapping):
        return [row for key, value in content.items() for row in _flat(value, f"{name}.{key}" if name else str(key))]
    if isinstance(content, list | tuple):
        plain = all(isinstance(item, str | int | float) for item in content) and len(content) <= 40
        return [(name, ", ".join(map(str, content)) if plain else f"{len(content)} entries")]
    return [(name, str(content)[:200])]
