"""Words and numbers of two to eight characters set in a typeface, one line or two: what no panel bears."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mission.vocabulary import MARKS
from synth.decoy_places import Place
from synth.marks import mark_atlas
from synth.outlines import place_marks
from synth.scene import Array, Index, Plates, finish, rows

_WORDS = (
    *(
        "SLOW",
        "STOP",
        "EXIT",
        "KEEP",
        "CLEAR",
        "BUS",
        "TAXI",
        "ONLY",
        "GATE",
        "ZONE",
        "NO",
        "IN",
        "OUT",
        "UP",
        "HOT",
        "SALE",
    ),
    *(
        "LEFT",
        "RIGHT",
        "WAY",
        "END",
        "LOW",
        "AREA",
        "FIRE",
        "ROAD",
        "WATER",
        "TEA",
        "FOOD",
        "MEET",
        "HERE",
        "TENT",
        "CAMP",
    ),
    *("NORTH", "EAST", "WEST", "PUMP", "TOW", "BAY", "FEN", "DYKE", "LOCK", "OPEN", "SHUT"),
)


@dataclass(frozen=True)
class Setting:
    """Letters [M] of things [N] in units of a letter's height; ``at`` [M, 2] from the middle of the block (x right, y up).

    ``which`` [M] is the row of the thing, ``glyph`` [M] the letter in the atlas, ``block`` [N, 2] width and height.
    """

    which: Index
    glyph: Index
    at: Array
    block: Array
    size: Array | None = None
    """Heights [M] of the letters, None for all alike."""


#: Shares of two, three and four characters, and of how they are set.
_SHORT_LENGTHS = (0.5, 0.3, 0.2)
_ARRANGED = {"row": 0.44, "stack": 0.2, "two rows": 0.12, "small": 0.16, "slanted": 0.08}
_UNITS = ("M", "KM", "T", "KG", "L", "H", "X", "A", "KN")


def typeset_short(place: Place) -> Setting:
    """Two to four characters of one face for each thing: in a row, one below the other, two rows, one large and one small."""
    rng, atlas = place.rng, mark_atlas()
    faces = atlas.faces(place.typefaces)
    weight = 1 / np.bincount(atlas.family[faces])[atlas.family[faces]]
    face = faces[rng.choice(len(faces), place.count, p=weight / weight.sum())]
    arranged = rng.choice(len(_ARRANGED), place.count, p=list(_ARRANGED.values()))
    which, glyph, at, size, block = [], [], [], [], []
    for k in range(place.count):
        number = np.array([MARKS.index(c) for c in _short_text(rng)])
        rim = atlas.rim[face[k], number]
        height = np.ones(len(number))
        kind = tuple(_ARRANGED)[arranged[k]]
        if kind == "small":
            height[int(rng.integers(1, len(number))) :] = rng.uniform(0.4, 0.7)
        middle = _arranged(rng, kind, np.ptp(rim[..., 0], axis=1) * height, height)
        low, high = (middle - 0.5 * height[:, None]).min(axis=0), (middle + 0.5 * height[:, None]).max(axis=0)
        half = np.ptp(rim[..., 0], axis=1) * height / 2
        low[0], high[0] = (middle[:, 0] - half).min(), (middle[:, 0] + half).max()
        which.append(np.full(len(number), k))
        glyph.append(face[k] * len(MARKS) + number)
        at.append(middle - (low + high) / 2)
        size.append(height)
        block.append(high - low)
    if not place.count:
        none = np.zeros(0, dtype=np.int64)
        return Setting(none, none, np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0))
    return Setting(
        np.concatenate(which), np.concatenate(glyph), np.concatenate(at), np.array(block), np.concatenate(size)
    )


def _short_text(rng: np.random.Generator) -> str:
    kind, length = rng.random(), 2 + int(rng.choice(3, p=_SHORT_LENGTHS))
    if kind < 0.12:
        return str(rng.integers(1, 100)) + str(rng.choice(_UNITS))
    if kind < 0.35:
        return "".join(rng.choice(list("0123456789"), length))
    if kind < 0.5:  # a letter and a number, or one character doubled
        one = str(rng.choice(list(MARKS)))
        return one * 2 if rng.random() < 0.4 else one + "".join(rng.choice(list("0123456789"), length - 1))
    return "".join(rng.choice(list(MARKS), length))


def _arranged(rng: np.random.Generator, kind: str, wide: Array, height: Array) -> Array:
    """Middles [K, 2] of characters of widths and heights [K], the tallest of them 1."""
    gap, leading = rng.uniform(0.05, 0.45), rng.uniform(1.08, 1.5)
    line = np.zeros(len(wide))
    if kind == "stack":
        line = np.arange(len(wide), dtype=float)
    elif kind == "two rows":
        line = (np.arange(len(wide)) >= (len(wide) + 1) // 2).astype(float)
    x = np.zeros(len(wide))
    for row in np.unique(line):
        mine = line == row
        end = np.cumsum(wide[mine] + gap)
        x[mine] = end - gap - wide[mine] / 2 - (end[-1] - gap) / 2
    y = -line * leading
    if kind == "small":  # raised, lowered or on the line
        y = y + rng.choice([-0.5, -0.5, 0.5, 0.0]) * (1 - height)
    elif kind == "slanted":
        y = np.arange(len(wide)) * rng.choice([-1.0, 1.0]) * rng.uniform(0.25, 0.9)
    return np.stack([x, y], axis=1)


def typeset(place: Place, longest: int = 6, lines: int = 2) -> Setting:
    """Random words, numbers and mixtures: one face for each thing."""
    rng, atlas = place.rng, mark_atlas()
    faces = atlas.faces(place.typefaces)
    weight = 1 / np.bincount(atlas.family[faces])[atlas.family[faces]]
    face = faces[rng.choice(len(faces), place.count, p=weight / weight.sum())]
    which, glyph, at, block = [], [], [], []
    for k in range(place.count):
        gap, leading = rng.uniform(0.1, 0.32), rng.uniform(1.25, 1.6)
        texts = [_text(rng, longest) for _ in range(int(rng.integers(1, lines + 1)) if rng.random() < 0.4 else 1)]
        widths = []
        for row, text in enumerate(texts):
            number = np.array([MARKS.index(c) for c in text])
            wide = np.ptp(atlas.rim[face[k], number][..., 0], axis=1)
            end = np.cumsum(wide + gap)
            widths.append(end[-1] - gap)
            x = end - gap - wide / 2 - widths[-1] / 2
            y = np.full(len(x), ((len(texts) - 1) / 2 - row) * leading)
            which.append(np.full(len(x), k))
            glyph.append(face[k] * len(MARKS) + number)
            at.append(np.stack([x, y], axis=1))
        block.append([max(widths), 1 + (len(texts) - 1) * leading])
    if not place.count:
        none = np.zeros(0, dtype=np.int64)
        return Setting(none, none, np.zeros((0, 2)), np.zeros((0, 2)))
    return Setting(np.concatenate(which), np.concatenate(glyph), np.concatenate(at), np.array(block))


def _text(rng: np.random.Generator, longest: int) -> str:
    kind, length = rng.random(), int(rng.integers(2, longest + 1))
    if kind < 0.3:
        return str(rng.choice([word for word in _WORDS if len(word) <= longest]))
    if kind < 0.55:
        return "".join(rng.choice(list("0123456789"), length))
    return "".join(rng.choice(list(MARKS), length))


def fit_in_shapes(place: Place, shape: Index, setting: Setting, turn: Array, wanted: Array) -> tuple[Array, Array]:
    """Where the blocks of letters go in outlines: middles [N, 2] and heights of a letter [N], in units of the outline.

    ``wanted`` [N] is the largest height of the whole block, as a share of the outline.
    """
    x, y = np.meshgrid([-0.5, -0.25, 0.0, 0.25, 0.5], [-0.5, 0.0, 0.5])
    rim = np.stack([x.ravel(), y.ravel()], axis=1)[None] * np.stack(
        [setting.block[:, 0] / setting.block[:, 1], np.ones(place.count)], axis=1
    )[:, None]  # fmt: skip
    # Long words start from a height at which they are no longer than the outline.
    wanted = np.minimum(wanted, setting.block[:, 1] / np.maximum(setting.block[:, 0], 1e-9))
    at, height = place_marks(place.outlines, shape, rim, turn, wanted)
    return at, height / setting.block[:, 1]


def letters(
    place: Place,
    setting: Setting,
    origin: Array,
    right: Array,
    ahead: Array,
    ink: Array,
    order: Array,
    *,
    wear: Array | float = 0.1,
    stretch: Array | float = 1.0,
    **columns: Array | float,
) -> Plates:
    """The letters as rows; ``right`` and ``ahead`` [N, 3] are one letter's height, ``stretch`` lengthens them ahead."""
    which = setting.which
    n = len(which)
    tall = ahead * np.broadcast_to(np.asarray(stretch, dtype=float), (place.count,))[:, None]
    grow = place.rng.uniform(-0.02, 0.04, place.count)
    rubbed = np.broadcast_to(np.asarray(wear, dtype=float), (place.count,))
    tallness = 1.0 if setting.size is None else setting.size[:, None]
    spread = {name: np.broadcast_to(np.asarray(v, dtype=float), (place.count,))[which] for name, v in columns.items()}
    return rows(
        Plates,
        n,
        picture=place.picture[which],
        order=order[which] + 5e-7,
        origin=origin[which] + setting.at[:, :1] * right[which] + setting.at[:, 1:] * tall[which],
        along=right[which] * tallness,
        up=tall[which] * tallness,
        body=0.0,
        albedo=ink[which],
        glyph=setting.glyph,
        mark_grow=grow[which],
        mark_albedo=ink[which],
        finish=finish(
            n, wear=rubbed[which], noise_u=place.rng.random(n), noise_v=place.rng.random(n), **spread
        ),
    )  # fmt: skip
