"""Paints: what a careful human would call white, black, grey, red, … and wide samples of each.

``colour_name`` divides CIELAB (D65) among the eleven basic terms. The borders are ours, set by eye and judgement; they
are checked against anchors that are not ours (tests/reference): Berlin & Kay's focal chips, two open lists of named
colours, and the ISCC-NBS centroids. A paint is a reflectance in linear sRGB, drawn from the inside of its name's region.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from mission.errors import InputError
from mission.vocabulary import COLOURS
from synth.colour import ciede2000, lab_from_lch, lab_from_linear, lch_from_lab, linear_from_lab, linear_from_srgb

Array = NDArray[Any]
_INDEX = {name: i for i, name in enumerate(COLOURS)}

#: Boxes in lightness, chroma and hue angle [deg, may run over 360] from which paints are proposed; those that
#: ``colour_name`` calls otherwise, or that lie too near a border, are thrown away again.
_BOXES: dict[str, tuple[tuple[float, float], tuple[float, float], tuple[float, float]]] = {
    "white": ((86, 98), (0, 7), (0, 360)),
    "black": ((5, 25), (0, 8), (0, 360)),
    "grey": ((34, 77), (0, 7), (0, 360)),
    "red": ((26, 58), (38, 104), (8, 44)),
    "orange": ((50, 80), (45, 108), (45, 76)),
    "yellow": ((68, 97), (42, 100), (77, 106)),
    "green": ((22, 88), (22, 118), (118, 185)),
    "blue": ((16, 72), (22, 132), (222, 304)),
    "purple": ((14, 60), (24, 95), (305, 338)),
    "pink": ((58, 88), (16, 75), (338, 388)),
    "brown": ((16, 46), (13, 58), (30, 78)),
}
_BANK = 1500
#: What a name means at its best, sRGB 0..255: the focal chips of Berlin & Kay (1969) by way of the renotation data (one of
#: them where there are two); but orange, whose chip is a dull one, as on the ColorChecker (McCamy et al. 1976, patch 7), and
#: white, grey and black at the lightness of common paints (no source).
_ANCHORS: dict[str, tuple[int, int, int]] = {
    "white": (241, 241, 239),
    "black": (44, 44, 45),
    "grey": (128, 128, 128),
    "red": (186, 33, 33),
    "orange": (224, 124, 48),
    "yellow": (252, 191, 0),
    "green": (0, 145, 69),
    "blue": (0, 101, 162),
    "purple": (102, 48, 122),
    "pink": (241, 144, 180),
    "brown": (76, 38, 29),
}
#: A paint may move this far in any direction of CIELAB and still keep its name.
_MARGIN = 3.0
#: Reflectance that neither paint nor print leaves (common practice, no source).
_DARKEST, _LIGHTEST = 0.004, 0.97


def colour_name(lab: ArrayLike) -> NDArray[np.int64]:
    """Index into COLOURS of the basic term for each CIELAB colour [..., 3]; every colour gets one."""
    lch = lch_from_lab(lab)
    light, chroma, hue = lch[..., 0], lch[..., 1], lch[..., 2]
    name = np.full(light.shape, -1)

    def call(term: str, where: NDArray[np.bool_]) -> None:
        name[where & (name < 0)] = _INDEX[term]

    # Dark and light colours lose their hue sooner than middling ones; yellowish ones look grey for longer than reddish.
    grey_below = np.interp(light, [0, 15, 22, 30, 50, 80, 88, 93], [4.5, 5.5, 6.5, 7, 8.5, 8, 6, 10])
    grey_below = grey_below + np.interp(hue, [30, 90, 110, 140], [0, 3.5, 3.5, 0])
    achromatic = chroma < grey_below
    call("black", achromatic & (light < 27))
    call("white", achromatic & (light >= 83))
    call("grey", achromatic)
    # The hue angle of a very saturated blue bends towards purple.
    blue_to = np.interp(chroma, [8, 25, 50, 80, 130], [292, 298, 304, 305, 311])
    call("green", (hue >= 112) & (hue < 205))
    call("green", (hue >= 105) & (hue < 112) & (light < 62))
    call("blue", (hue >= 205) & (hue < blue_to))
    # Between blue and red: light ones are pink, the others purple until red takes over.
    pink_above = np.interp(np.where(hue < 180, hue + 360, hue), [290, 325, 338, 352, 378], [90, 80, 62, 57, 60])
    call("pink", (hue >= blue_to) & (light >= pink_above))
    call("pink", (hue >= 338) & (light >= 50) & (chroma >= 62))
    call("purple", (hue >= blue_to) & (hue < 343))
    call("red", (hue >= 343) & (light < 57))
    call("pink", hue >= 343)
    # Pale warm tones are pink up to where orange is saturated enough to be called so.
    pale = (hue < 54) & (light >= 58) & (chroma < np.interp(hue, [0, 30, 42, 54], [90, 62, 50, 14]))
    call("pink", pale | ((hue < 68) & (light >= 68) & (chroma < 16)))
    call("red", hue < 28)
    call("red", (hue < 44.2) & (chroma >= 59) & (light < 62))
    call("red", (hue < 36) & (light >= 39) & (chroma >= 42))
    brown_below = np.interp(hue, [28, 42, 50, 62, 75, 88, 97], [50, 48, 49, 51, 58, 50, 44])
    brown_below = brown_below + np.interp(chroma, [10, 30, 47], [12, 11, 0])
    call("brown", (hue < 97) & (light < brown_below))
    call("orange", hue < 74.6)
    call("yellow", hue < 112)
    return name


def _near_border(lab: Array, own: int) -> NDArray[np.bool_]:
    steps = _MARGIN * np.array([[a, b, c] for a in (-1, 0, 1) for b in (-1, 0, 1) for c in (-1, 0, 1)], dtype=float)
    return (colour_name(lab[:, None] + steps) != own).any(axis=1)


@cache
def paint_bank(name: str) -> Array:
    """Paints [n, 3] of one name as linear reflectances, spread evenly over its region (the same on every machine)."""
    index = _INDEX[name]
    rng = np.random.Generator(np.random.Philox(key=(20, index)))
    low, high = np.array(_BOXES[name]).T
    found: list[Array] = []
    count = 0
    while count < _BANK:
        # Saturated paints are bought more often than dull ones: the root leans the chroma towards the top.
        lch = low + (high - low) * rng.random((4096, 3)) ** np.array([1.0, 0.75, 1.0])
        lab = lab_from_lch(lch)
        linear = linear_from_lab(lab)
        good = (linear.min(axis=1) > _DARKEST) & (linear.max(axis=1) < _LIGHTEST) & (colour_name(lab) == index)
        lab, linear = lab[good], linear[good]
        kept = linear[~_near_border(lab, index)]
        found.append(kept)
        count += len(kept)
    bank = np.concatenate(found)[:_BANK]
    bank.setflags(write=False)
    return bank


@cache
def anchor(name: str) -> Array:
    """The best example of a name as linear reflectance [3]."""
    linear = linear_from_srgb(np.array(_ANCHORS[name]) / 255).clip(_DARKEST, _LIGHTEST)
    linear.setflags(write=False)
    return linear


@cache
def paints_within(name: str, spread: float) -> Array:
    """Paints [n, 3] of one name, drawn towards its anchor in CIELAB: all of ``paint_bank`` at 1, the anchor alone at 0."""
    if spread == 1:
        return paint_bank(name)
    middle = lab_from_linear(anchor(name))
    lab = middle + spread * (lab_from_linear(paint_bank(name)) - middle)
    # A region of colour space need not be convex: what leaves it on the way is the anchor itself.
    lab[colour_name(lab) != _INDEX[name]] = middle
    linear = linear_from_lab(lab).clip(_DARKEST, _LIGHTEST)
    linear.setflags(write=False)
    return linear


@cache
def _labs_within(name: str, spread: float) -> Array:
    return lab_from_linear(paints_within(name, spread))


@cache
def _banks(colours: tuple[str, ...], spread: float) -> tuple[Array, Array]:
    """Paints [C, n, 3] of several names, and the same in CIELAB."""
    paints, labs = (np.stack([of(name, spread) for name in colours]) for of in (paints_within, _labs_within))
    paints.setflags(write=False)
    labs.setflags(write=False)
    return paints, labs


def sample_paints(rng: np.random.Generator, names: NDArray[np.int64], colours: tuple[str, ...] = COLOURS) -> Array:
    """One paint [n, 3] (linear reflectance) for each index into ``colours``."""
    banks, _ = _banks(colours, 1.0)
    return banks[names, rng.integers(0, _BANK, len(names))]


# Pairs of paints of which one is nearly always far enough apart.
_LIKELY = 4


@cache
def pairs_that_differ(
    colours: tuple[str, ...], lightness_min: float, difference_min: float, spread: float = 1.0
) -> NDArray[np.bool_]:
    """Which (panel, mark) names [C, C] can be told apart as asked by at least one in ten pairs of their paints."""
    rng = np.random.Generator(np.random.Philox(key=(21, 0)))
    chosen = rng.integers(0, _BANK, (2, 400))
    labs = np.stack([_labs_within(name, spread) for name in colours])
    one, other = labs[:, None, chosen[0]], labs[None, :, chosen[1]]
    good = (np.abs(one[..., 0] - other[..., 0]) >= lightness_min) & (ciede2000(one, other) >= difference_min)
    allowed = good.mean(axis=-1) >= 0.1
    return allowed & ~np.eye(len(colours), dtype=bool)


def refuse_like_colours(
    colours: tuple[str, ...], lightness_min: float, difference_min: float, spread: float = 1.0
) -> None:
    """InputError where no two of the names can be told apart as asked."""
    if not pairs_that_differ(colours, lightness_min, difference_min, spread).any():
        raise InputError(
            f"The 'panels.colours' of the mission must hold two that differ by {lightness_min:g} in lightness and"
            f" {difference_min:g} in CIEDE2000 (paints of spread {spread:g}). Got {', '.join(colours)} instead."
        )


def sample_paint_pairs(
    rng: np.random.Generator,
    count: int,
    colours: tuple[str, ...],
    lightness_min: float,
    difference_min: float,
    spread: float = 1.0,
) -> tuple[NDArray[np.int64], NDArray[np.int64], Array, Array]:
    """Panel and mark colours that can be told apart: names [n], names [n], paints [n, 3], paints [n, 3].

    Panel names are drawn evenly, mark names evenly among those that differ enough in lightness (|dL*|) and CIEDE2000.
    ``spread``: see ``paints_within``. InputError where no two names can be told apart.
    """
    refuse_like_colours(colours, lightness_min, difference_min, spread)
    allowed = pairs_that_differ(colours, lightness_min, difference_min, spread)
    usable = np.flatnonzero(allowed.any(axis=1))
    panel = usable[rng.integers(0, len(usable), count)]
    weight = allowed[panel] / allowed[panel].sum(axis=1, keepdims=True)
    mark = (rng.random((count, 1)) > np.cumsum(weight, axis=1)).sum(axis=1).clip(0, len(colours) - 1)
    mark = np.where(allowed[panel, mark], mark, np.argmax(allowed[panel], axis=1))
    banks, labs = _banks(colours, spread)
    tries = rng.integers(0, _BANK, (2, count, 64))
    one, other = labs[panel[:, None], tries[0]], labs[mark[:, None], tries[1]]
    light = np.abs(one[..., 0] - other[..., 0])
    good = light >= lightness_min
    # Mostly one of the first few will do.
    good[:, :_LIKELY] &= ciede2000(one[:, :_LIKELY], other[:, :_LIKELY]) >= difference_min
    left = ~good[:, :_LIKELY].any(axis=1)
    good[left, _LIKELY:] &= ciede2000(one[left, _LIKELY:], other[left, _LIKELY:]) >= difference_min
    # The first pair that is good enough; where none of 64 is (rare), the one furthest apart in lightness.
    first = np.where(good.any(axis=1), good.argmax(axis=1), light.argmax(axis=1))
    row = np.arange(count)
    return (
        panel,
        mark,
        banks[panel, tries[0][row, first]],
        banks[mark, tries[1][row, first]],
    )
