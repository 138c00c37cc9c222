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
    spread = {name: np.broadcast_to(np.asarray(v, dtype=float), (place.count,))[which] for name, v in columns.items()}
    return rows(
        Plates,
        n,
        picture=place.picture[which],
        order=order[which] + 5e-7,
        origin=origin[which] + setting.at[:, :1] * right[which] + setting.at[:, 1:] * tall[which],
        along=right[which],
        up=tall[which],
        body=0.0,
        albedo=ink[which],
        glyph=setting.glyph,
        mark_grow=grow[which],
        mark_albedo=ink[which],
        finish=finish(
            n, wear=rubbed[which], noise_u=place.rng.random(n), noise_v=place.rng.random(n), **spread
        ),
    )  # fmt: skip
