"""Boards that show something, but no letter or digit: stripes, chequers, rings, arrows, chevrons, figures, survey targets."""

from __future__ import annotations

import numpy as np

from mission.vocabulary import COLOURS
from synth.assembly import Assembly
from synth.decoy_places import FLAT_ORDER, Place
from synth.paints import sample_paint_pairs
from synth.panels import sample_finish
from synth.scene import Array, Layout

#: What is on the boards, with its share.
_PICTURES = {
    "stripes": 0.14,
    "diagonals": 0.13,
    "chequer": 0.14,
    "rings": 0.18,
    "arrow": 0.13,
    "sectors": 0.07,
    "figure": 0.09,
    "person": 0.06,
    "warning": 0.06,
}


def pictured_board(place: Place) -> Layout:
    """Boards of a panel's make with a picture on them."""
    made = Assembly(place, FLAT_ORDER + 0.5)
    rng, n = place.rng, made.count
    share = np.array(list(_PICTURES.values()))
    kind = rng.choice(len(_PICTURES), n, p=share / share.sum())
    shown = {name: kind == k for k, name in enumerate(_PICTURES)}
    _, _, paint, ink = sample_paint_pairs(rng, n, COLOURS, 20, 20)
    usual = made.some(0.4)[:, None]
    paint = np.where(usual, made.one_of([[0.75] * 3, [0.8, 0.62, 0.04], [0.78] * 3, [0.8, 0.25, 0.03]]), paint)
    ink = np.where(usual, made.one_of([[0.02] * 3, [0.02] * 3, [0.6, 0.04, 0.04], [0.02, 0.06, 0.3]]), ink)
    width = np.exp(made.between(np.log(0.3), np.log(1.3)))
    oblong = shown["stripes"] | shown["diagonals"]
    depth = width * np.where(oblong & made.some(0.6), made.between(0.3, 0.9), 1.0)
    shape = np.full(n, place.outlines.index("square"))
    rounded = (shown["rings"] & made.some(0.6)) | shown["sectors"]
    shape = np.where(rounded, place.outlines.index("circle"), shape)
    free = (shown["arrow"] | shown["figure"] | shown["person"]) & made.some(0.5)
    shape = np.where(free, place.shape("circle", "octagon", "rhombus", "pentagon", "hexagon"), shape)
    shape = np.where(shown["warning"], place.outlines.index("triangle"), shape)
    worn = sample_finish(rng, n, place.recipe.panels, width)
    made.plate(
        made.point((0, 0, 0.02)),
        made.right * width[:, None],
        made.ahead * depth[:, None],
        paint,
        shape,
        thickness_m=made.between(0, 0.04),
        finish=worn,
    )
    _bands(made, shown, width, depth, ink)
    _chequer(made, shown["chequer"], width, ink)
    _round(made, shown, width, paint, ink)
    _signs(made, shown, width, paint, ink, free)
    return made.layout()


def _bands(made: Assembly, shown: dict[str, Array], width: Array, depth: Array, ink: Array) -> None:
    """Stripes across, slanted ones and chevrons, cut off where the board ends; at least two, for one could be read."""
    number = made.rng.integers(2, 6, made.count)
    margin = np.where(made.some(0.5), 0.0, 0.06) * width
    edge, top = width / 2 - margin, depth / 2 - margin
    slope = np.where(shown["diagonals"], made.between(0.7, 1.2), 1e-6)
    chevron = shown["diagonals"] & made.some(0.45)
    lean = slope * np.where(chevron, 0.5 * top, top)
    pitch = 2 * (edge + lean) / number
    mirror = np.where(made.some(0.5), -1.0, 1.0)
    for k in range(5):
        start = -edge - lean + k * pitch
        stop = start + 0.5 * pitch
        some = (shown["stripes"] | shown["diagonals"]) & (number > k)
        for half in (False, True):
            # A chevron is two bands that meet in the middle.
            low = np.where(chevron, -0.5 * top, -top)
            ring = _cut_band(start, stop, slope, edge, low, -low)
            shift = np.where(chevron, -0.5 * top, 0.0)
            flip = -1.0 if half else 1.0
            made.face(
                [(x * mirror, flip * (y + shift), 0.022) for x, y in ring],
                ink,
                only=some & (chevron if half else True) & (ring[1][0] > -edge) & (ring[4][0] < edge),
                rounding_m=0.002,
                level=True,
            )


def _cut_band(
    start: Array, stop: Array, slope: Array, edge: Array, low: Array, high: Array
) -> list[tuple[Array, Array]]:
    """Corners of the band between the lines x = start + slope y and x = stop + slope y inside |x| < edge, low < y < high."""

    def reaches(line: Array, x: Array) -> Array:
        return np.clip((x - line) / slope, low, high)

    enter, leave = (reaches(stop, x) for x in (-edge, edge))
    end, begin = (reaches(start, x) for x in (edge, -edge))
    return [
        (stop + slope * enter, enter),
        (stop + slope * leave, leave),
        (np.minimum(stop + slope * end, edge), end),
        (start + slope * end, end),
        (start + slope * begin, begin),
        (np.maximum(start + slope * enter, -edge), enter),
    ]


def _chequer(made: Assembly, shown: Array, width: Array, ink: Array) -> None:
    per_side = np.where(made.some(0.55), 2, made.rng.integers(3, 5, made.count))
    cell = width * np.where(made.some(0.6), 1.0, 0.88) / per_side
    for i in range(4):
        for j in range(4):
            x, y = (((v + 0.5) - per_side / 2) * cell for v in (i, j))
            only = shown & (per_side > max(i, j)) & ((i + j) % 2 == 0)
            if only.any():
                made.sheet((x, y, 0.021), (cell, cell), ink, only=only)


def _round(made: Assembly, shown: dict[str, Array], width: Array, paint: Array, ink: Array) -> None:
    """Target rings, and discs divided like those of surveys. One ring alone could be read as an O: there are two, or a dot."""
    discs, share = made.rng.integers(3, 6, made.count), made.between(0.72, 0.95)
    for k in range(5):
        size = width * share
        made.sheet((0, 0, 0.021), (size, size), paint if k % 2 else ink, "circle", only=shown["rings"] & (discs > k))
        share = share * made.between(0.45, 0.8)
    radius = 0.5 * width * made.between(0.8, 1.0)
    # The quadrant's plane has its origin at the centroid: 4 / (3 pi) of the radius from the corner on both axes.
    off = radius * 4 / (3 * np.pi)
    for sign, turn in ((1, 0.0), (-1, np.pi)):
        made.sheet((sign * off, sign * off, 0.021), (radius, radius), ink, "quadrant", turn=turn, only=shown["sectors"])


def _signs(made: Assembly, shown: dict[str, Array], width: Array, paint: Array, ink: Array, free: Array) -> None:
    """Arrows, plain figures, a stick person, a warning triangle."""
    size = width * made.between(0.5, 0.75) * np.where(free, 0.8, 1.0)
    bend = made.rng.integers(0, 3, made.count)  # straight, double, turning
    arrow = shown["arrow"]
    made.sheet((0, -0.15 * size, 0.021), (0.2 * size, 0.7 * size), ink, only=arrow)
    made.sheet((0, 0.28 * size, 0.022), (0.6 * size, 0.6 * size), ink, "triangle", only=arrow & (bend < 2))
    made.sheet(
        (0, -0.35 * size, 0.022), (0.6 * size, 0.6 * size), ink, "triangle", turn=np.pi, only=arrow & (bend == 1)
    )
    made.sheet((0.16 * size, 0.2 * size, 0.022), (0.52 * size, 0.2 * size), ink, only=arrow & (bend == 2))
    made.sheet(
        (0.42 * size, 0.2 * size, 0.023),
        (0.5 * size, 0.5 * size),
        ink,
        "triangle",
        turn=np.pi / 2,
        only=arrow & (bend == 2),
    )
    figure = made.place.shape("circle", "cross", "star", "triangle", "square", "rhombus", "semicircle")
    twin = made.some(0.4)
    for k in range(2):
        x = np.where(twin, (2 * k - 1) * 0.26 * width, 0)
        part = size * np.where(twin, 0.5, 1.0)
        made.sheet((x, 0, 0.021), (part, part), ink, figure, only=shown["figure"] & (twin | (k == 0)))
    person = shown["person"]
    made.sheet((0, 0.36 * size, 0.021), (0.24 * size, 0.24 * size), ink, "circle", only=person)
    strokes = [
        ((0, 0.2), (0, -0.08), 0.1),
        ((-0.24, 0.02), (0, 0.18), 0.045),
        ((0.24, 0.02), (0, 0.18), 0.045),
        ((-0.16, -0.46), (-0.03, -0.1), 0.055),
        ((0.16, -0.46), (0.03, -0.1), 0.055),
    ]
    for (ax, ay), (bx, by), thick in strokes:
        made.rod(
            (ax * size, ay * size, 0.022),
            (bx * size, by * size, 0.022),
            thick * size,
            ink,
            roundness=0.0,
            casts=0.0,
            only=person,
        )
    warning = shown["warning"]
    made.sheet((0, 0, 0.021), (0.86 * width, 0.86 * width), ink, "triangle", only=warning)
    made.sheet((0, 0, 0.022), (0.72 * width, 0.72 * width), paint, "triangle", only=warning)
    made.sheet((0, 0.1 * width, 0.023), (0.07 * width, 0.26 * width), ink, only=warning)
    made.sheet((0, -0.11 * width, 0.023), (0.08 * width, 0.08 * width), ink, "circle", only=warning)
