"""Animals on the ground: birds sitting, walking and with spread wings, alone and in flocks; dogs, sheep and cows.

Lengths of bodies are rough ones of everyday animals (common practice, no source).
"""

from __future__ import annotations

import numpy as np

from synth.assembly import Assembly
from synth.decoy_places import LOW_ORDER, Place
from synth.scene import Array, Layout

# A gull, a pigeon, a duck, a swan or goose, a crow: length from breast to tail [m], of the neck as a share of it, reflectances.
_LENGTH_M = np.array([[0.33, 0.5], [0.24, 0.31], [0.34, 0.46], [0.65, 0.92], [0.34, 0.43]])
_NECK = np.array([0.07, 0.06, 0.16, 0.5, 0.07])
_BODY = np.array([[0.75, 0.75, 0.75], [0.22, 0.23, 0.26], [0.2, 0.16, 0.11], [0.78, 0.78, 0.76], [0.02, 0.02, 0.022]])
_WING = np.array([[0.42, 0.44, 0.47], [0.3, 0.31, 0.34], [0.13, 0.1, 0.07], [0.76, 0.76, 0.74], [0.02, 0.02, 0.025]])
_TIP = np.array(
    [[0.03, 0.03, 0.03], [0.05, 0.05, 0.06], [0.06, 0.045, 0.035], [0.72, 0.72, 0.7], [0.015, 0.015, 0.015]]
)
_HEAD = np.array([[0.78, 0.78, 0.78], [0.1, 0.13, 0.14], [0.03, 0.11, 0.06], [0.76, 0.74, 0.68], [0.02, 0.02, 0.02]])
_BILL = np.array([[0.7, 0.5, 0.06], [0.1, 0.1, 0.1], [0.5, 0.4, 0.05], [0.65, 0.25, 0.03], [0.02, 0.02, 0.02]])


def bird(place: Place) -> Layout:
    """Gulls, pigeons, ducks, swans and crows; a flock is of one kind, and most of it looks one way."""
    rng = place.rng
    flock = np.where(rng.random(place.count) < 0.55, 1, rng.integers(2, 8, place.count))
    index = np.repeat(np.arange(place.count), flock)
    kind = rng.choice(5, place.count, p=[0.35, 0.17, 0.16, 0.2, 0.12])[index]
    looks = rng.uniform(0, 2 * np.pi, place.count)[index] + rng.normal(0, 0.8, len(index))
    made = Assembly(place.repeated(flock, 0.9), LOW_ORDER, looks)
    size = made.between(*_LENGTH_M[kind].T)
    # All-white gulls and white ducks occur, and young birds are dull.
    white, dull = made.some(0.25)[:, None], made.some(0.15)[:, None]
    body, wing, tip, head = (table[kind] * made.between(0.85, 1.12)[:, None] for table in (_BODY, _WING, _TIP, _HEAD))
    body, wing, head = (np.where(white & (kind == 0)[:, None], 0.76, c) for c in (body, wing, head))
    body, wing, head = (
        np.where(dull & (kind == 3)[:, None], np.array([0.25, 0.21, 0.17]), c) for c in (body, wing, head)
    )
    rise = size * np.where(made.some(0.5), 0.3, 0.17)
    made.rod((0, -0.5 * size, rise), (0, -0.2 * size, rise), 0.045 * size, wing, end_radius=0.11 * size, grain=0.1)
    made.rod((0, -0.2 * size, rise), (0, 0.13 * size, rise), 0.12 * size, body, end_radius=0.14 * size, grain=0.1)
    _wings(made, size, rise, wing, tip, made.some(np.where(kind == 0, 0.28, 0.16)))
    _head(made, size, rise, _NECK[kind] * size, body, head, _BILL[kind])
    return made.layout()


def _wings(made: Assembly, size: Array, rise: Array, wing: Array, tip: Array, spread: Array) -> None:
    back, swept = made.between(-0.1, 0.12) * size, made.between(-0.3, 0.05) * size
    lifted = rise + made.between(0.0, 0.3) * size
    for side in (-1, 1):
        # Folded: along the back, the tips crossing over the tail.
        root, end = (
            (side * 0.055 * size, 0.08 * size, rise + 0.07 * size),
            (side * 0.02 * size, -0.45 * size, rise + 0.03 * size),
        )
        made.rod(root, end, 0.1 * size, wing, end_radius=0.04 * size, grain=0.12, roundness=0.6, only=~spread)
        made.rod(
            (side * 0.04 * size, -0.42 * size, rise + 0.04 * size),
            (side * 0.02 * size, -0.56 * size, rise + 0.03 * size),
            0.026 * size,
            tip,
            end_radius=0.012 * size,
            only=~spread,
        )
        # Spread: the arm rises and comes forward, the hand is swept back.
        wrist = (side * 0.5 * size, 0.12 * size + back, lifted)
        made.rod(
            (side * 0.08 * size, 0.04 * size, rise + 0.06 * size),
            wrist,
            0.13 * size,
            wing,
            end_radius=0.085 * size,
            roundness=0.35,
            grain=0.1,
            only=spread,
        )
        made.rod(
            wrist,
            (side * 1.02 * size, swept, lifted),
            0.085 * size,
            wing,
            end_radius=0.03 * size,
            roundness=0.35,
            only=spread,
        )
        made.rod(
            (side * 0.88 * size, 0.8 * swept, lifted),
            (side * 1.08 * size, 1.1 * swept, lifted),
            0.045 * size,
            tip,
            end_radius=0.015 * size,
            roundness=0.35,
            only=spread,
        )


def _head(made: Assembly, size: Array, rise: Array, neck: Array, body: Array, head: Array, bill: Array) -> None:
    """A neck that reaches up, forward or is turned aside, a head and a bill."""
    down, aside = made.between(-0.3, 1.0), made.rng.normal(0, 0.4, made.count)
    out = 0.13 * size + neck * (0.3 + 0.6 * np.abs(down))
    x, z = out * np.sin(aside) * 0.6, rise + 0.05 * size + neck * down
    z = np.maximum(z, 0.06 * size)
    made.rod((0, 0.14 * size, rise + 0.03 * size), (x, out, z), 0.085 * size, body, end_radius=0.045 * size, grain=0.08)
    skull = np.where(neck > 0.2 * size, 0.042, 0.075) * size
    made.ball((x, out + 0.6 * skull, z), skull, head)
    tip = (x + 1.4 * skull * np.sin(aside), out + 2.4 * skull, z - 0.3 * skull)
    made.rod((x, out + 1.2 * skull, z), tip, 0.4 * skull, bill, end_radius=0.15 * skull)


# A dog, a sheep, a cow: length of the trunk [m], its half width and the height of its back as shares of that.
_TRUNK_M = np.array([[0.35, 0.8], [0.8, 1.1], [1.4, 1.9]])
_HALF_WIDTH = np.array([0.13, 0.25, 0.19])
_BACK = np.array([0.75, 0.66, 0.75])
_COATS = (
    np.array([[0.02, 0.02, 0.02], [0.2, 0.12, 0.05], [0.42, 0.3, 0.15], [0.65, 0.62, 0.56], [0.16, 0.15, 0.14]]),
    np.array([[0.55, 0.52, 0.45], [0.62, 0.6, 0.55], [0.42, 0.38, 0.31], [0.06, 0.05, 0.045]]),
    np.array([[0.02, 0.02, 0.02], [0.65, 0.63, 0.6], [0.2, 0.08, 0.035], [0.4, 0.28, 0.15], [0.3, 0.3, 0.3]]),
)


def animal(place: Place) -> Layout:
    """Dogs, sheep and cows, standing or lying."""
    rng = place.rng
    kind = rng.choice(3, place.count, p=[0.45, 0.33, 0.22])
    group = np.where(kind == 0, 1, rng.integers(1, 4, place.count))
    index = np.repeat(np.arange(place.count), group)
    kind = kind[index]
    made = Assembly(place.repeated(group, np.where(group > 1, 1.6, 0.05)[index]), LOW_ORDER + 1.0)
    trunk = made.between(*_TRUNK_M[kind].T)
    half, back = _HALF_WIDTH[kind] * trunk * made.between(0.85, 1.15), _BACK[kind] * trunk
    coat, second = (np.choose(kind[:, None], [made.one_of(c) for c in _COATS]) for _ in range(2))
    lying = made.some(0.3)
    z = np.where(lying, half, back - half)
    woolly = np.where(kind == 1, 0.35, 0.12)
    dark = np.where(((kind == 1) & made.some(0.5))[:, None], 0.03, coat)
    for x in (-0.6, 0.6):
        for y in (-0.42, 0.42):
            step = made.rng.normal(0, 0.07, made.count)
            made.rod(
                (x * half, y * trunk, z),
                (x * half, (y + step) * trunk, 0.02),
                0.04 * trunk,
                dark,
                end_radius=0.025 * trunk,
                only=~lying,
            )
    bend = made.rng.normal(0, 0.12, made.count) * trunk
    made.rod(
        (bend, -0.5 * trunk, z),
        (bend * 1.3, (-0.5 - 0.45 * (kind == 2) - 0.35 * (kind == 0)) * trunk, z * 0.9),
        0.03 * trunk,
        coat,
    )
    hips, shoulders = (0.3 * bend, -0.36 * trunk, z), (0, 0.34 * trunk, z)
    narrow = np.where(kind == 0, 1.0, 0.82) * half
    made.rod(hips, shoulders, half, coat, end_radius=narrow, grain=woolly, roundness=0.8)
    patched = made.some(np.choose(kind, [0.35, 0.0, 0.6]))
    blotch = {"ragged": 0.045, "dome": 0.8, "speckle": 0.15}
    for share, y, x in ((1.5, -0.28, 0.1), (1.2, 0.05, -0.2), (1.4, 0.32, 0.1)):
        at = (x * half * made.between(0.2, 1), y * trunk, z + 0.92 * half)
        made.sheet(
            at, (share * half, share * half * made.between(0.8, 1.5)), second, "ellipse", columns=blotch, only=patched
        )
    turn, low = made.rng.normal(0, 0.35, made.count), made.between(-0.8, 0.5)
    x, y, top = 0.3 * trunk * np.sin(turn), 0.36 * trunk + 0.26 * trunk * np.cos(turn), z + 0.25 * trunk * low
    top = np.maximum(top, 0.1 * trunk)
    made.rod((0, 0.38 * trunk, z + 0.1 * half), (x, y, top), 0.5 * half, coat, end_radius=0.09 * trunk, grain=woolly)
    muzzle = (x * 1.5, y + 0.17 * trunk, top - 0.06 * trunk)
    made.rod((x, y, top), muzzle, 0.095 * trunk, np.where(kind[:, None] == 1, dark, coat), end_radius=0.055 * trunk)
    for side in (-1, 1):
        ear = (x + side * np.where(kind == 0, 0.08, 0.15) * trunk, y - 0.02 * trunk, top + 0.02 * trunk)
        made.rod((x, y, top + 0.05 * trunk), ear, 0.045 * trunk, dark * 0.8, end_radius=0.025 * trunk)
    return made.layout()
