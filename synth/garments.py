"""What people wear: colours of their clothes, hair, headgear, and the garments that change their outline.

Coordinates are in units of the body's height, in the body's axes (x to its right, y where it looks, z up).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mission.recipe import PersonLookSettings
from mission.vocabulary import COLOURS
from synth.paints import sample_paints
from synth.scene import Array

#: Rows of ``Clothes.colours``.
SHIRT, SLEEVE, TROUSER, SHIN, SHOE, FACE, HEAD, HANDS, UPPER_ARM = range(9)

# Linear reflectance of skin from very dark to very fair, and of hair (by eye, no source).
_SKIN = np.array(
    [[0.045, 0.025, 0.018], [0.13, 0.07, 0.045], [0.28, 0.16, 0.11], [0.46, 0.29, 0.22], [0.58, 0.40, 0.32]]
)
_HAIR = np.array(
    [
        [0.012, 0.010, 0.009],
        [0.035, 0.022, 0.014],
        [0.09, 0.055, 0.03],
        [0.33, 0.22, 0.10],
        [0.30, 0.29, 0.28],
        [0.14, 0.045, 0.02],
    ]
)
_TROUSERS = np.array(
    [[0.02, 0.025, 0.05], [0.06, 0.085, 0.16], [0.015, 0.015, 0.016], [0.10, 0.10, 0.10], [0.22, 0.17, 0.10], [0.09, 0.07, 0.04],
     [0.06, 0.075, 0.04], [0.5, 0.48, 0.44]]
)  # fmt: skip
# High-visibility yellow, orange and red under daylight (fluorescent: brighter than a reflectance could be).
_WARNING = np.array([[0.75, 0.95, 0.06], [1.0, 0.30, 0.03], [0.9, 0.08, 0.05]])


@dataclass(frozen=True)
class Clothes:
    """``colours`` [N, 9, 3] reflectances, ``warning`` [N] who wears high visibility, ``patterned`` [N] whose shirt is striped."""

    colours: Array
    warning: Array
    patterned: Array


class Worn:
    """Further parts of N bodies, gathered one by one."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._parts: list[tuple[Array, Array, Array, Array, float]] = []

    def add(
        self,
        start: Array,
        end: Array,
        radii: tuple[Array | float, Array | float],
        colour: Array,
        present: Array,
        roundness: float = 1.0,
    ) -> None:
        """A capsule between points [N, 3] for those who are ``present`` [N]."""
        both = np.stack([np.broadcast_to(r, (self.count,)) for r in radii], axis=1)
        self._parts.append((np.stack([start, end], axis=1), both, colour, present, roundness))

    def arrays(self) -> tuple[Array, Array, Array, Array, Array]:
        """Ends [N, K, 2, 3], radii [N, K, 2], colours [N, K, 3], present [N, K], roundness [K]."""
        ends, radii, colours, present = (np.stack([part[i] for part in self._parts], axis=1) for i in range(4))
        return ends, radii, np.clip(colours, 0.008, 1.0), present, np.array([part[4] for part in self._parts])


def sample_clothes(rng: np.random.Generator, count: int) -> Clothes:
    """Clothes, skin and hair of ``count`` people."""
    shade = rng.uniform(0, len(_SKIN) - 1, count)
    low = np.minimum(shade.astype(int), len(_SKIN) - 2)
    skin = _SKIN[low] + (shade - low)[:, None] * (_SKIN[low + 1] - _SKIN[low])
    shirt = sample_paints(rng, rng.integers(0, len(COLOURS), count))
    # A third in plain strong colours, the others greyed.
    dull = np.where(rng.random((count, 1)) < 0.35, 0.0, rng.uniform(0.0, 0.8, (count, 1)))
    shirt = shirt * (1 - dull) + dull * shirt.mean(axis=1, keepdims=True) * rng.uniform(0.6, 1.1, (count, 1))
    # Dark and grey cloth is commoner than the paints of panels.
    plain = np.exp(rng.normal(np.log(0.06), 0.9, (count, 1))).clip(0.012, 0.7) * rng.uniform(0.85, 1.15, (count, 3))
    shirt = np.where((rng.random(count) < 0.35)[:, None], plain, shirt)
    warning = rng.random(count) < 0.2
    shirt = np.where(warning[:, None], _WARNING[rng.integers(0, len(_WARNING), count)], shirt)
    trousers = _TROUSERS[rng.integers(0, len(_TROUSERS), count)] * np.exp(rng.normal(0, 0.3, (count, 1)))
    coloured = (rng.random(count) < 0.22)[:, None]
    trousers = np.where(coloured, sample_paints(rng, rng.integers(0, len(COLOURS), count)) * 0.8, trousers)
    # Overalls and dresses are of one colour.
    trousers = np.where((rng.random(count) < 0.08)[:, None], shirt, trousers)
    shoes = np.where((rng.random(count) < 0.25)[:, None], 0.5, 0.03) * rng.uniform(0.6, 1.3, (count, 3))
    bare_arms, bare_legs = (rng.random((2, count)) < np.array([[0.4], [0.3]]))[..., None]
    hair = _HAIR[rng.integers(0, len(_HAIR), count)] * np.exp(rng.normal(0, 0.2, (count, 1)))
    gloves = (rng.random(count) < 0.1)[:, None]
    # Under a waistcoat sleeves have another colour; under a sleeveless shirt the arm is bare.
    vest, sleeveless = rng.random((2, count, 1)) < np.array([0.25, 0.1])[:, None, None]
    other = sample_paints(rng, rng.integers(0, len(COLOURS), count)) * 0.7
    other = np.where(rng.random((count, 1)) < 0.6, plain, other)
    upper = np.where(sleeveless, skin, np.where(vest, other, shirt))
    lower = np.where(bare_arms | sleeveless, skin, upper)
    colours = np.stack(
        [
            shirt,
            lower,
            trousers,
            np.where(bare_legs, skin, trousers),
            shoes,
            skin,
            hair,
            np.where(gloves, trousers, skin),
            upper,
        ],
        axis=1,
    )
    return Clothes(np.clip(colours, 0.008, 1.0), warning, ~warning & (rng.random(count) < 0.2))


def body_axes(joints: dict[str, Array], lying: Array) -> tuple[Array, Array, Array]:
    """Unit vectors [N, 3] of each trunk: to its right, where its breast faces, from hips to shoulders."""
    spine = joints["shoulders"] - joints["pelvis"]
    spine = spine / np.linalg.norm(spine, axis=1, keepdims=True)
    right = joints["right_shoulder"] - joints["left_shoulder"]
    right = right / np.linalg.norm(right, axis=1, keepdims=True)
    facing = np.cross(spine, right)
    up = np.stack([0 * lying, 0 * lying, lying], axis=1)
    return right, np.where((lying != 0)[:, None], up, facing), spine


def wear_garments(
    rng: np.random.Generator, worn: Worn, joints: dict[str, Array], lying: Array, clothes: Clothes, girth: Array
) -> None:
    """Coats, skirts, bands of high visibility, stripes, scarves."""
    count, shirt = worn.count, clothes.colours[:, SHIRT]
    right, facing, spine = body_axes(joints, lying)
    pelvis, shoulders = joints["pelvis"], joints["shoulders"]
    knees = 0.5 * (joints["left_knee"] + joints["right_knee"])
    draw = rng.random(count)
    coat, skirt = draw < 0.13, (draw > 0.13) & (draw < 0.25)
    hem = rng.uniform(0.3, 0.95, (count, 1))
    paint = np.where(rng.random((count, 1)) < 0.5, shirt, sample_paints(rng, rng.integers(0, len(COLOURS), count)))
    flare = rng.uniform(0.07, 0.098, count) * np.sqrt(girth)
    lower = pelvis + hem * (knees - pelvis)
    worn.add(pelvis, lower, (0.07 * girth, flare), np.where(coat[:, None], shirt, paint), coat | skirt, 0.85)
    pale = np.full((count, 3), 0.75) * rng.uniform(0.6, 1.1, (count, 1))
    second = np.where(rng.random((count, 1)) < 0.4, pale, sample_paints(rng, rng.integers(0, len(COLOURS), count)))
    band = np.where(clothes.warning[:, None], pale, second)
    for x, who in (
        (-0.062, clothes.warning | clothes.patterned),
        (0.062, clothes.warning | clothes.patterned),
        (0.0, clothes.patterned),
    ):
        over = shoulders + (x * girth)[:, None] * right + 0.042 * spine
        depth = (0.05 * girth)[:, None] * facing
        worn.add(over + depth, over - depth, (0.015, 0.015), band, who & (lying == 0), 0.5)
    belt = pelvis + 0.4 * (shoulders - pelvis)
    for side in (-1, 1):
        middle = belt + side * (0.052 * girth)[:, None] * facing
        across = (0.085 * girth)[:, None] * right
        worn.add(middle - across, middle + across, (0.02, 0.02), band, clothes.warning | clothes.patterned, 0.5)
    neck = shoulders + 0.03 * spine
    worn.add(neck, neck, (0.05, 0.05), second, rng.random(count) < 0.12)


def wear_headgear(
    rng: np.random.Generator,
    worn: Worn,
    joints: dict[str, Array],
    lying: Array,
    look: PersonLookSettings,
    clothes: Clothes,
    scale: Array,
) -> None:
    """Hair of every length, caps, brimmed hats, helmets and hoods; ``scale`` [N] is the size of the head."""
    count, head = worn.count, joints["head"]
    crown = (head - joints["shoulders"]) / np.linalg.norm(head - joints["shoulders"], axis=1, keepdims=True)
    flat = (lying != 0)[:, None]
    face = np.where(flat, np.stack([0 * lying, 0 * lying, lying], axis=1), [0.0, 1.0, 0.0])
    kind = np.where(rng.random(count) < look.headgear_share, rng.integers(1, 5, count), 0)  # cap, hat, helmet, woollen
    hooded = (kind == 0) & (rng.random(count) < 0.12)
    paint = sample_paints(rng, rng.integers(0, len(COLOURS), count))
    straw = np.array([[0.62, 0.5, 0.3], [0.7, 0.68, 0.6], [0.1, 0.1, 0.1]])[rng.integers(0, 3, count)]
    paint = np.where(((kind == 2) & (rng.random(count) < 0.5))[:, None], straw, paint)
    hair, bare = clothes.colours[:, HEAD], kind == 0
    bald, style = rng.random(count) < 0.1, rng.random(count)
    longest = rng.uniform(0.07, 0.2, (count, 1))
    s = scale[:, None]
    top = head + (0.014 * crown - 0.010 * face) * s
    worn.add(top, top, (0.057 * scale, 0.057 * scale), hair, ~bald | ~bare)
    loose, tail, bun = style < 0.28, (style > 0.28) & (style < 0.42), (style > 0.42) & (style < 0.48)
    nape = head - (0.9 * longest * crown) * s - 0.045 * face * s
    worn.add(head - 0.03 * face * s, nape, (0.05 * scale, 0.04 * scale), hair, loose & ~bald)
    worn.add(head - 0.06 * face * s, nape - 0.03 * face * s, (0.022 * scale, 0.014 * scale), hair, tail & ~bald)
    knot = head + (0.045 * crown - 0.035 * face) * s
    worn.add(knot, knot, (0.026 * scale, 0.026 * scale), hair, bun & ~bald & bare)
    brim = head + 0.012 * crown * s
    wide = 0.098 * scale * rng.uniform(0.8, 1.4, count)
    worn.add(brim, brim, (wide, wide), paint * 0.92, kind == 2, 0.3)
    visor = [head + (up * crown + out * face) * s for up, out in ((0.02, 0.055), (0.016, 0.085))]
    worn.add(visor[0], visor[1], (0.030 * scale, 0.026 * scale), paint * 0.85, kind == 1, 0.6)
    shell = head + np.where(kind == 3, 0.022, 0.02)[:, None] * crown * s
    size = np.where(kind == 3, 0.070, 0.062) * scale
    worn.add(shell, shell, (size, size), paint, kind > 0)
    knob = head + 0.085 * crown * s
    worn.add(knob, knob, (0.02, 0.02), paint * 0.8, (kind == 4) & (rng.random(count) < 0.5))
    cowl = head + (0.012 * crown - 0.018 * face) * s
    worn.add(
        cowl, head - (0.05 * crown + 0.03 * face) * s, (0.068 * scale, 0.06 * scale), clothes.colours[:, SHIRT], hooded
    )
