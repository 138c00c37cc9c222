"""Small pictures as inline SVG: axes, lines, dots, bars and heat maps, without a plotting library or a network.

Elements are built as a tree (so that every text is escaped) on a canvas 360 units wide, which a phone shows at its natural
size. Colours are classes of the page's style sheet, so that a picture follows light, dark and print. Each picture carries a
text alternative.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.etree import ElementTree

from markupsafe import Markup

WIDTH, HEIGHT = 360.0, 270.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 46.0, 12.0, 12.0, 44.0
#: Height at which a metre is as long upwards as sideways on axes of equal span.
SQUARE_HEIGHT = WIDTH - _LEFT - _RIGHT + _TOP + _BOTTOM


@dataclass(frozen=True)
class Range:
    """The span of an axis and the numbers written on it; ``logarithmic`` needs a positive ``low``."""

    low: float
    high: float
    ticks: Sequence[float]
    logarithmic: bool = False

    def place(self, value: float) -> float:
        """0..1 along the axis, kept inside."""
        low, high, at = self.low, self.high, min(max(value, self.low), self.high)
        if self.logarithmic:
            low, high, at = math.log(low), math.log(high), math.log(at)
        return (at - low) / (high - low) if high > low else 0.0


SHARE = Range(0.0, 1.0, (0, 0.25, 0.5, 0.75, 1))


def element(
    tag: str, parent: ElementTree.Element | None = None, text: str | None = None, **attributes: object
) -> ElementTree.Element:
    """A new SVG element; underscores in attribute names become hyphens, numbers are written short."""
    plain = {
        name.rstrip("_").replace("_", "-"): f"{value:.2f}".rstrip("0").rstrip(".")
        if isinstance(value, float)
        else str(value)
        for name, value in attributes.items()
    }
    made = ElementTree.Element(tag, plain) if parent is None else ElementTree.SubElement(parent, tag, plain)
    made.text = text
    return made


def canvas(alternative: str, width: float = WIDTH, height: float = HEIGHT) -> ElementTree.Element:
    """An empty picture with its text alternative."""
    root = element(
        "svg",
        viewBox=f"0 0 {width:g} {height:g}",
        role="img",
        aria_label=alternative,
        xmlns="http://www.w3.org/2000/svg",
    )
    element("title", root, alternative)
    return root


def finished(root: ElementTree.Element) -> Markup:
    """The picture as markup for the page."""
    return Markup(ElementTree.tostring(root, encoding="unicode"))


@dataclass
class Plot:
    """A picture with two axes; draw on it, then take ``markup()``."""

    alternative: str
    x: Range
    y: Range
    x_label: str
    y_label: str
    height: float = HEIGHT
    legend: tuple[bool, bool] = (True, True)  # (right, bottom): the corner that the lines leave free
    root: ElementTree.Element = field(init=False)
    _named: int = 0

    def __post_init__(self) -> None:
        self.root = canvas(self.alternative, WIDTH, self.height)
        self._axes()

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Canvas position of a value pair."""
        across = _LEFT + self.x.place(x) * (WIDTH - _LEFT - _RIGHT)
        return across, self.height - _BOTTOM - self.y.place(y) * (self.height - _TOP - _BOTTOM)

    def _axes(self) -> None:
        left, bottom = self.at(self.x.low, self.y.low)
        right, top = self.at(self.x.high, self.y.high)
        for tick in self.x.ticks:
            x, _ = self.at(tick, self.y.low)
            element("line", self.root, x1=x, y1=bottom, x2=x, y2=top, class_="grid")
            element("text", self.root, f"{tick:g}", x=x, y=bottom + 15, text_anchor="middle", class_="tick")
        for tick in self.y.ticks:
            _, y = self.at(self.x.low, tick)
            element("line", self.root, x1=left, y1=y, x2=right, y2=y, class_="grid")
            element("text", self.root, f"{tick:g}", x=left - 6, y=y + 4, text_anchor="end", class_="tick")
        element(
            "text",
            self.root,
            self.x_label,
            x=(left + right) / 2,
            y=self.height - 8,
            text_anchor="middle",
            class_="label",
        )
        middle = (top + bottom) / 2
        element(
            "text", self.root, self.y_label, x=12.0, y=middle, text_anchor="middle", class_="label",
            transform=f"rotate(-90 12 {middle:g})",
        )  # fmt: skip

    def line(
        self, xs: Sequence[float], ys: Sequence[float], series: int, name: str | None = None, *, steps: bool = False
    ) -> None:
        """A line through the points, or steps that hold each value until the next."""
        points: list[tuple[float, float]] = []
        for x, y in zip(xs, ys, strict=True):
            here = self.at(x, y)
            if steps and points:
                points.append((here[0], points[-1][1]))
            points.append(here)
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        element("polyline", self.root, points=path, class_=f"line series-{series}")
        if name:
            self._name(name, series)

    def _name(self, name: str, series: int) -> None:
        right, bottom = self.legend
        row = 16 * self._named
        y = self.height - _BOTTOM - 10 - row if bottom else _TOP + 12 + row
        x = WIDTH - _RIGHT - 32 if right else _LEFT + 8
        text = x - 6 if right else x + 30
        element("line", self.root, x1=x, y1=y, x2=x + 24, y2=y, class_=f"line series-{series}")
        element("text", self.root, name, x=text, y=y + 4, text_anchor="end" if right else "start", class_="label")
        self._named += 1

    def dot(self, x: float, y: float, series: int, radius: float = 3.0, title: str | None = None) -> None:
        """A dot, with words for the pointer."""
        across, down = self.at(x, y)
        made = element("circle", self.root, cx=across, cy=down, r=radius, class_=f"dot series-{series}")
        if title:
            element("title", made, title)

    def markup(self) -> Markup:
        """The finished picture."""
        return finished(self.root)


def heat_map(labels: Sequence[str], counts: Sequence[Sequence[int]], alternative: str) -> Markup:
    """A confusion table: rows are the truth, columns what was read; a fuller colour holds more of its row."""
    longest = max((len(label) for label in labels), default=1)
    edge = 30.0 + min(84.0, 6.6 * longest)
    side = min(34.0, (WIDTH - edge - 8) / max(1, len(labels)))
    left = max(edge, (WIDTH - side * len(labels)) / 2)  # short tables stand in the middle
    root = canvas(alternative, WIDTH, edge + side * len(labels) + 8)
    element("text", root, "true", x=left - 6, y=edge - 8, text_anchor="end", class_="label")
    element("text", root, "read as", x=left + 4, y=12.0, class_="label")
    for i, label in enumerate(labels):
        across, down = left + side * (i + 0.5), edge + side * (i + 0.5)
        element("text", root, label, x=left - 6, y=down + 4, text_anchor="end", class_="tick")
        if longest <= 2:
            element("text", root, label, x=across, y=edge - 5, text_anchor="middle", class_="tick")
        else:
            turn = f"rotate(-90 {across + 4:g} {edge - 5:g})"
            element("text", root, label, x=across + 4, y=edge - 5, transform=turn, class_="tick")
    for i, row in enumerate(counts):
        for j, count in enumerate(row):
            _heat_cell(root, (left + side * j, edge + side * i), side, count, max(1, sum(row)), (labels[i], labels[j]))
    return finished(root)


def _heat_cell(
    root: ElementTree.Element, corner: tuple[float, float], side: float, count: int, total: int, names: tuple[str, str]
) -> None:
    share = count / total
    x, y = corner
    cell = element(
        "rect", root, x=x, y=y, width=side - 1, height=side - 1, class_="right" if names[0] == names[1] else "wrong",
        fill_opacity=0.08 + 0.92 * share if count else 0.04,
    )  # fmt: skip
    element("title", cell, f"{names[0]} read as {names[1]}: {count} of {total}")
    if count and side >= 14:
        style = "on-dark" if share > 0.5 else "tick"
        element(
            "text", root, str(count), x=x + side / 2 - 0.5, y=y + side / 2 + 3.5, text_anchor="middle", class_=style
        )


def frame_map(missed: Sequence[Sequence[int]], views: Sequence[Sequence[int]], alternative: str) -> Markup:
    """The frame as a grid: each cell's share missed, with the numbers; empty cells are left blank."""
    rows, columns = len(views), len(views[0])
    side = (WIDTH - 8) / columns
    root = canvas(alternative, WIDTH, side * rows + 8)
    for i in range(rows):
        for j in range(columns):
            x, y = 4 + side * j, 4 + side * i
            share = missed[i][j] / views[i][j] if views[i][j] else 0.0
            opacity = 0.06 + 0.94 * share if views[i][j] else 0.02
            cell = element(
                "rect", root, x=x, y=y, width=side - 1, height=side - 1, class_="wrong", fill_opacity=opacity
            )
            element("title", cell, f"{missed[i][j]} of {views[i][j]} missed here")
            if views[i][j]:
                style = "on-dark" if share > 0.5 else "tick"
                middle = (x + side / 2 - 0.5, y + side / 2 + 3.5)
                element(
                    "text", root, f"{missed[i][j]}/{views[i][j]}", x=middle[0], y=middle[1], text_anchor="middle",
                    class_=style,
                )  # fmt: skip
    return finished(root)


@dataclass(frozen=True)
class Step:
    """One bar of a waterfall: from ``start`` to ``end``, with its words; ``kind`` is "whole" or "loss"."""

    words: str
    start: float
    end: float
    kind: str


def waterfall(steps: Sequence[Step], top: float, alternative: str) -> Markup:
    """Bars from what was possible down to what was earned, one row each, words above the bar."""
    row = 36.0
    lowest = min([0.0, *(min(step.start, step.end) for step in steps)])
    root = canvas(alternative, WIDTH, row * len(steps) + 8)

    def across(value: float) -> float:
        return 4 + (value - lowest) / max(1e-9, top - lowest) * (WIDTH - 8)

    for i, step in enumerate(steps):
        y = row * i
        element("text", root, step.words, x=4.0, y=y + 14, class_="label")
        low, high = sorted((across(step.start), across(step.end)))
        element("rect", root, x=low, y=y + 19, width=max(1.5, high - low), height=11.0, class_=step.kind)
        if i + 1 < len(steps):
            element("line", root, x1=across(step.end), y1=y + 30, x2=across(step.end), y2=y + row + 19, class_="grid")
    return finished(root)
