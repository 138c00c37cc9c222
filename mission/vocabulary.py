"""The words for what can be read off a panel: shapes, colours, marks, the pairs that look alike, and the outlines.

Outlines live in the panel's own plane: x right, y up, unit = the larger side of the bounding box, origin at the area
centroid. Shapes are those of plane geometry; the eleven colours are the basic terms of Berlin & Kay, *Basic Color
Terms* (1969); marks are the capital letters and the digits.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SHAPES = (
    "triangle", "square", "rectangle", "rhombus", "trapezium", "pentagon", "hexagon", "octagon",
    "circle", "semicircle", "quadrant", "ellipse", "star", "cross",
)  # fmt: skip
COLOURS = ("white", "black", "grey", "red", "orange", "yellow", "green", "blue", "purple", "pink", "brown")
MARKS = tuple("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789")

#: The attributes of a panel, in the order used for tables and tensors everywhere.
ATTRIBUTES = ("shape", "panel_colour", "mark", "mark_colour")
#: The two kinds of object, in the order used for tensors.
CATEGORIES = ("panel", "person")


def _pairs(text: str) -> frozenset[frozenset[str]]:
    return frozenset(frozenset(pair.split("/")) for pair in text.split())


#: Pairs that a careful human takes for one another from the air; granted beside the strict figure, never merged.
LOOK_ALIKES: Mapping[str, frozenset[frozenset[str]]] = {
    "mark": _pairs("6/9 M/W N/Z 0/O Q/O D/O 1/I 7/L 2/Z 5/S 8/B 3/E C/U C/G H/I A/V"),
    "shape": _pairs(
        "circle/octagon hexagon/octagon pentagon/hexagon square/rectangle square/rhombus"
        " semicircle/quadrant trapezium/rectangle circle/ellipse"
    ),
    "colour": _pairs(
        "orange/red orange/brown red/brown black/brown blue/purple purple/brown white/grey white/yellow"
        " pink/white grey/black"
    ),
}


def look_alike(attribute: str, one: str, other: str) -> bool:
    """True where two values of an attribute are equal or a look-alike pair ("panel_colour" and "mark_colour" share one list)."""
    kind = "colour" if attribute.endswith("colour") else attribute
    return one == other or frozenset((one, other)) in LOOK_ALIKES.get(kind, frozenset())


#: Vertices that stand for a full turn of a curved outline; at 70 px across the sagitta is 0.01 px.
_TURN_VERTICES = 96
#: Inner radius of the star as a share of the outer one (at most 0.45 by our vocabulary; a regular pentagram has 0.382).
STAR_INNER_RATIO = 0.42
#: Top side of the trapezium as a share of its base (at most 0.6) and its height as a share of the base.
TRAPEZIUM_TOP, TRAPEZIUM_HEIGHT = 0.55, 0.70
#: Minor axis of the ellipse as a share of the major one.
ELLIPSE_RATIO = 0.60
#: Width of a cross's arm as a share of its span.
CROSS_ARM = 0.36


def _regular(corners: int, first_deg: float = 90.0) -> Array:
    angle = np.deg2rad(first_deg + 360.0 * np.arange(corners) / corners)
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _arc(from_deg: float, to_deg: float) -> Array:
    count = max(2, round(_TURN_VERTICES * (to_deg - from_deg) / 360.0) + 1)
    angle = np.deg2rad(np.linspace(from_deg, to_deg, count))
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _raw_outline(shape: str) -> Array:
    if shape in ("triangle", "pentagon"):
        return _regular({"triangle": 3, "pentagon": 5}[shape])
    if shape in ("square", "octagon", "hexagon"):
        return _regular(
            {"square": 4, "octagon": 8, "hexagon": 6}[shape],
            {"square": 45, "octagon": 22.5, "hexagon": 0}[shape],
        )
    if shape == "circle":
        return _regular(_TURN_VERTICES)
    if shape == "ellipse":
        return _regular(_TURN_VERTICES) * [1.0, ELLIPSE_RATIO]
    if shape == "semicircle":
        return _arc(0, 180)
    if shape == "quadrant":
        return np.concatenate([_arc(0, 90), [[0.0, 0.0]]])
    if shape == "star":
        ring = _regular(10)
        ring[1::2] *= STAR_INNER_RATIO
        return ring
    if shape == "cross":
        a = CROSS_ARM
        return np.array(
            [
                [a, 1],
                [-a, 1],
                [-a, a],
                [-1, a],
                [-1, -a],
                [-a, -a],
                [-a, -1],
                [a, -1],
                [a, -a],
                [1, -a],
                [1, a],
                [a, a],
            ]
        )
    corners = {
        "rectangle": [[1, 0.5], [-1, 0.5], [-1, -0.5], [1, -0.5]],
        "rhombus": [[math.sqrt(3), 0], [0, 1], [-math.sqrt(3), 0], [0, -1]],
        "trapezium": [
            [TRAPEZIUM_TOP, 2 * TRAPEZIUM_HEIGHT],
            [-TRAPEZIUM_TOP, 2 * TRAPEZIUM_HEIGHT],
            [-1, 0],
            [1, 0],
        ],
    }
    return np.array(corners[shape], dtype=float)


def polygon_area(points: Array) -> float:
    """Signed area of a simple polygon [n, 2] (positive where the vertices run counter-clockwise), shoelace formula."""
    x, y = points[:, 0], points[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def polygon_centroid(points: Array) -> Array:
    """Area centroid [2] of a simple polygon [n, 2]."""
    x, y = points[:, 0], points[:, 1]
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    weight = np.stack([(x + np.roll(x, -1)) * cross, (y + np.roll(y, -1)) * cross]).sum(axis=1)
    return weight / (6.0 * polygon_area(points))


def normalised_outline(points: Array) -> Array:
    """A simple polygon moved to its centroid, turned counter-clockwise and scaled to a larger bounding side of 1."""
    points = np.asarray(points, dtype=float)
    if polygon_area(points) < 0:
        points = points[::-1]
    points = points - polygon_centroid(points)
    return points / (points.max(axis=0) - points.min(axis=0)).max()


@cache
def _outline(shape: str) -> Array:
    points = normalised_outline(_raw_outline(shape))
    points.setflags(write=False)
    return points


def outline(shape: str) -> Array:
    """Outline [n, 2] of a shape of the vocabulary, counter-clockwise, read-only; KeyError for an unknown name."""
    if shape not in SHAPES:
        raise KeyError(shape)
    return _outline(shape)


@dataclass(frozen=True)
class Vocabulary:
    """The values a mission can meet, in a fixed order (tables and tensors are indexed by it).

    ``extra_outlines`` adds shapes of the mission's own: name -> outline [n, 2], normalised.
    """

    shapes: tuple[str, ...] = SHAPES
    colours: tuple[str, ...] = COLOURS
    marks: tuple[str, ...] = MARKS
    extra_outlines: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)

    def values(self, attribute: str) -> tuple[str, ...]:
        """The values of one of ATTRIBUTES, in table order."""
        if attribute.endswith("colour"):
            return self.colours
        return {"shape": self.shapes, "mark": self.marks}[attribute]

    def outline(self, shape: str) -> Array:
        """Outline [n, 2] of a shape, the mission's own included."""
        if shape in self.extra_outlines:
            return np.asarray(self.extra_outlines[shape], dtype=float)
        return outline(shape)

    def to_json(self) -> dict[str, Any]:
        """Plain data for bundle.yaml and recipe.yaml."""
        content: dict[str, Any] = {
            "shapes": list(self.shapes),
            "colours": list(self.colours),
            "marks": list(self.marks),
        }
        if self.extra_outlines:
            content["extra_outlines"] = {k: [list(p) for p in v] for k, v in self.extra_outlines.items()}
        return content
