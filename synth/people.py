"""People as a camera above sees them: a body of tapered capsules in three dimensions, clothed, in six postures.

Proportions are shares of the body's height after Drillis & Contini's segment lengths (1966, as in Winter, Biomechanics and
Motor Control of Human Movement; from memory): thigh 0.245, shank 0.246, upper arm 0.186, forearm 0.146, shoulder height 0.818.
Local axes of a body: x to its right, y where it looks, z up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mission.recipe import POSTURES, PersonLookSettings
from mission.vocabulary import COLOURS
from synth.paints import sample_paints
from synth.scene import Array, Index, Layout, Limbs, Plates, Targets, empty_layout, join, rows

PERSON_ORDER = 10.0
_THIGH, _SHANK, _UPPER_ARM, _FOREARM = 0.245, 0.246, 0.186, 0.146
_TORSO, _HEAD_ABOVE = 0.30, 0.112
_SHOULDER, _HIP = 0.115, 0.055
_SEAT = 0.07

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
class _Pose:
    """Angles [rad] and heights of N bodies; pairs are (left, right)."""

    pelvis: Array
    lean: Array
    thigh: Array
    knee: Array
    splay: Array
    arm: Array
    arm_out: Array
    elbow: Array
    lying: Array


def sample_people(rng: np.random.Generator, picture: Index, ground: Array, look: PersonLookSettings) -> Layout:
    """People standing (sitting, lying …) at ``ground`` [N, 3] of pictures [N]; one target each."""
    count = len(picture)
    if not count:
        return empty_layout()
    weight = np.array([look.postures.get(name, 0.0) for name in POSTURES])
    posture = rng.choice(len(POSTURES), count, p=weight / weight.sum())
    height_m = rng.uniform(*look.height_m, count)
    pose = _sample_pose(rng, posture)
    joints = _joints(pose)
    ends, radii, part = _body(joints, rng.uniform(*look.girth, count))
    colours = _clothes(rng, count)
    extra_ends, extra_radii, extra_colour, extra_mask = _headgear(rng, joints, pose, look, colours)
    ends = np.concatenate([ends, extra_ends], axis=1)
    radii = np.concatenate([radii, extra_radii], axis=1)
    albedo = np.concatenate([colours[:, part], extra_colour], axis=1)
    present = np.concatenate([np.ones((count, len(part)), dtype=bool), extra_mask], axis=1)
    torso = np.isin([a + b for a, b, *_ in _PARTS], _TORSO_PARTS)
    roundness = np.concatenate([np.where(torso, 0.55, 1.0), _HEADGEAR_ROUNDNESS])
    heading = rng.uniform(0, 2 * np.pi, count)
    world = _placed(ends, height_m, heading, ground)
    # Nothing reaches below the ground.
    lift = np.minimum((world[..., 2] - radii * height_m[:, None, None]).min(axis=(1, 2)), 0)
    world[..., 2] -= lift[:, None, None]
    base = np.arange(count)[:, None]
    order = PERSON_ORDER + base + 0.2 * world[..., 2].max(axis=2)
    owner = np.broadcast_to(base, present.shape)
    limbs = rows(
        Limbs,
        int(present.sum()),
        picture=np.broadcast_to(picture[:, None], present.shape)[present],
        owner=owner[present],
        order=order[present],
        ends=world[present],
        radii_m=(radii * height_m[:, None, None])[present],
        albedo=albedo[present],
        grain=0.13,
        roundness=np.broadcast_to(roundness, present.shape)[present],
    )
    carried = _carried(rng, picture, ground, joints, height_m, heading, look)
    targets = rows(Targets, count, picture=picture, category=1, ground=ground, attributes=-1)
    base_layout = empty_layout()
    return Layout(rows(Plates, 0), join(Limbs, [limbs, carried]), base_layout.facets, base_layout.blocks, targets)


def _sample_pose(rng: np.random.Generator, posture: Index) -> _Pose:
    count = len(posture)

    def even(low: float, high: float, *shape: int) -> Array:
        return np.radians(rng.uniform(low, high, (count, *shape)))

    def where(name: str, value: Array, other: Array) -> Array:
        mask = posture == POSTURES.index(name)
        return np.where(mask.reshape(-1, *([1] * (value.ndim - 1))), value, other)

    swing = even(8, 32)
    stride = np.stack([swing, -swing], axis=1) * rng.choice([-1, 1], (count, 1))
    thigh, knee, splay = even(-4, 6, 2), even(0, 8, 2), even(1, 9, 2)
    arm, out, elbow = even(-12, 14, 2), even(6, 22, 2), even(5, 25, 2)
    # Hands on hips, or something held before the body.
    akimbo, holding = rng.random((count, 1)) < 0.15, rng.random((count, 1)) < 0.25
    out, elbow = np.where(akimbo, even(38, 52, 2), out), np.where(akimbo, even(75, 105, 2), elbow)
    elbow = np.where(holding & ~akimbo, even(70, 110, 2), elbow)
    lean = even(-3, 10)
    thigh, knee = where("walking", stride, thigh), where("walking", even(5, 30, 2), knee)
    arm = where("walking", -0.8 * stride + even(-6, 6, 2), arm)
    both = rng.random((count, 1)) < 0.5
    one = rng.random((count, 1)) < 0.5
    raised = both | (np.array([[True, False]]) == one)
    arm = where("waving", np.where(raised, even(140, 185, 2), arm), arm)
    out = where("waving", np.where(raised, even(5, 50, 2), out), out)
    elbow = where("waving", np.where(raised, even(0, 40, 2), elbow), elbow)
    raised_knee = even(90, 132, 2)
    # Whoever sits on the ground has his heels on it: the shank leads from the knee down to 0.03 of the height.
    knee_height = _SEAT - _THIGH * np.cos(raised_knee)
    shank = np.arccos(np.clip((knee_height - 0.03) / _SHANK, -1, 1))
    thigh, knee = where("sitting", raised_knee, thigh), where("sitting", raised_knee - shank, knee)
    splay = where("sitting", even(4, 25, 2), splay)
    lean = where("sitting", even(-25, 15), lean)
    arm = where("sitting", even(-35, 45, 2), arm)
    thigh, knee = where("crouching", even(95, 125, 2), thigh), where("crouching", even(115, 140, 2), knee)
    lean = where("crouching", even(15, 55), lean)
    arm = where("crouching", even(20, 80, 2), arm)
    lying = posture == POSTURES.index("lying")
    thigh = where("lying", even(-5, 45, 2), thigh)
    knee = where("lying", even(0, 70, 2), knee)
    splay, out = where("lying", even(3, 22, 2), splay), where("lying", even(8, 95, 2), out)
    pelvis = (_THIGH * np.cos(thigh) + _SHANK * np.cos(thigh - knee)).max(axis=1) + 0.04
    pelvis = where("sitting", np.full(count, _SEAT), pelvis)
    facing = np.where(lying, rng.choice([-1.0, 1.0], count), 0.0)
    return _Pose(pelvis, lean, thigh, knee, splay, arm, out, elbow, facing)


def _direction(forward: Array, outward: Array, side: float) -> Array:
    """Unit vectors of hanging segments: 0 down, pi/2 forward, pi up; ``outward`` swings them away from the body."""
    return np.stack(
        [side * np.sin(outward), np.cos(outward) * np.sin(forward), -np.cos(outward) * np.cos(forward)], axis=-1
    )


def _joints(pose: _Pose) -> dict[str, Array]:
    """Joint positions [N, 3] in units of the body's height."""
    count = len(pose.pelvis)
    zero = np.zeros(count)
    spine = np.stack([zero, np.sin(pose.lean), np.cos(pose.lean)], axis=1)
    joints = {"pelvis": np.stack([zero, zero, pose.pelvis], axis=1)}
    joints["shoulders"] = joints["pelvis"] + _TORSO * spine
    upright = np.stack([zero, np.sin(0.5 * pose.lean), np.cos(0.5 * pose.lean)], axis=1)
    joints["head"] = joints["shoulders"] + _HEAD_ABOVE * upright + np.array([0, 0.012, 0])
    for i, (name, side) in enumerate((("left", -1.0), ("right", 1.0))):
        across = np.array([side, 0, 0])
        hip = joints["pelvis"] + _HIP * across
        knee = hip + _THIGH * _direction(pose.thigh[:, i], pose.splay[:, i], side)
        ankle = knee + _SHANK * _direction(pose.thigh[:, i] - pose.knee[:, i], 0.5 * pose.splay[:, i], side)
        toe = ankle + np.array([0.03 * side, 0.105, -0.012])
        shoulder = joints["shoulders"] + _SHOULDER * across
        elbow = shoulder + _UPPER_ARM * _direction(pose.arm[:, i], pose.arm_out[:, i], side)
        inward = np.where(pose.elbow[:, i] > 1.0, -0.6, 0.5) * pose.arm_out[:, i]
        hand = elbow + _FOREARM * _direction(pose.arm[:, i] + pose.elbow[:, i], inward, side)
        joints |= {
            f"{name}_hip": hip,
            f"{name}_knee": knee,
            f"{name}_ankle": ankle,
            f"{name}_toe": toe,
            f"{name}_shoulder": shoulder,
            f"{name}_elbow": elbow,
            f"{name}_hand": hand,
        }
    flat = pose.lying != 0
    for name, p in joints.items():
        laid = np.stack([p[:, 0], p[:, 2] - 0.5, pose.lying * p[:, 1] + 0.07], axis=1)
        joints[name] = np.where(flat[:, None], laid, p)
    return joints


#: (from, to, radius there, radius here, colour): colours are rows of _clothes.
_SHIRT, _SLEEVE, _TROUSER, _SHIN, _SHOE, _FACE, _HEAD, _HANDS = range(8)
_PARTS = (
    ("left_ankle", "left_toe", 0.022, 0.019, _SHOE),
    ("right_ankle", "right_toe", 0.022, 0.019, _SHOE),
    ("left_knee", "left_ankle", 0.031, 0.022, _SHIN),
    ("right_knee", "right_ankle", 0.031, 0.022, _SHIN),
    ("left_hip", "left_knee", 0.050, 0.034, _TROUSER),
    ("right_hip", "right_knee", 0.050, 0.034, _TROUSER),
    ("left_hip", "left_shoulder", 0.060, 0.047, _SHIRT),
    ("right_hip", "right_shoulder", 0.060, 0.047, _SHIRT),
    ("pelvis", "shoulders", 0.064, 0.066, _SHIRT),
    ("left_shoulder", "right_shoulder", 0.038, 0.038, _SHIRT),
    ("left_shoulder", "left_elbow", 0.032, 0.026, _SHIRT),
    ("right_shoulder", "right_elbow", 0.032, 0.026, _SHIRT),
    ("left_elbow", "left_hand", 0.025, 0.019, _SLEEVE),
    ("right_elbow", "right_hand", 0.025, 0.019, _SLEEVE),
    ("left_hand", "left_hand", 0.024, 0.024, _HANDS),
    ("right_hand", "right_hand", 0.024, 0.024, _HANDS),
    ("shoulders", "head", 0.034, 0.034, _FACE),
    ("head", "head", 0.058, 0.058, _FACE),
)


#: Parts of the trunk: one garment spans them.
_TORSO_PARTS = ("left_hipleft_shoulder", "right_hipright_shoulder", "pelvisshoulders")


def _body(joints: dict[str, Array], girth: Array) -> tuple[Array, Array, Index]:
    ends = np.stack([np.stack([joints[a], joints[b]], axis=1) for a, b, *_ in _PARTS], axis=1)
    radii = np.array([[r0, r1] for _, _, r0, r1, _ in _PARTS])
    part = np.array([colour for *_, colour in _PARTS])
    wide = np.where((part == _FACE)[None, :, None], 1.0, girth[:, None, None])
    return ends, radii * wide, part


def _clothes(rng: np.random.Generator, count: int) -> Array:
    """Reflectance [N, 8, 3] of shirt, sleeves, trousers, shins, shoes, face, hair, hands."""
    shade = rng.uniform(0, len(_SKIN) - 1, count)
    low = np.minimum(shade.astype(int), len(_SKIN) - 2)
    skin = _SKIN[low] + (shade - low)[:, None] * (_SKIN[low + 1] - _SKIN[low])
    shirt = sample_paints(rng, rng.integers(0, len(COLOURS), count))
    dull = rng.uniform(0.0, 0.8, (count, 1))
    shirt = shirt * (1 - dull) + dull * shirt.mean(axis=1, keepdims=True) * rng.uniform(0.6, 1.1, (count, 1))
    # Dark and grey cloth is commoner than the paints of panels.
    plain = np.exp(rng.normal(np.log(0.06), 0.9, (count, 1))).clip(0.012, 0.7) * rng.uniform(0.85, 1.15, (count, 3))
    shirt = np.where((rng.random(count) < 0.4)[:, None], plain, shirt)
    warning = (rng.random(count) < 0.2)[:, None]
    shirt = np.where(warning, _WARNING[rng.integers(0, len(_WARNING), count)], shirt)
    trousers = _TROUSERS[rng.integers(0, len(_TROUSERS), count)] * np.exp(rng.normal(0, 0.3, (count, 1)))
    coloured = (rng.random(count) < 0.15)[:, None]
    trousers = np.where(coloured, sample_paints(rng, rng.integers(0, len(COLOURS), count)) * 0.8, trousers)
    shoes = np.where((rng.random(count) < 0.25)[:, None], 0.5, 0.03) * rng.uniform(0.6, 1.3, (count, 3))
    bare_arms, bare_legs = (rng.random((2, count)) < np.array([[0.4], [0.2]]))[..., None]
    hair = _HAIR[rng.integers(0, len(_HAIR), count)] * np.exp(rng.normal(0, 0.2, (count, 1)))
    gloves = (rng.random(count) < 0.1)[:, None]
    colours = np.stack(
        [
            shirt,
            np.where(bare_arms, skin, shirt),
            trousers,
            np.where(bare_legs, skin, trousers),
            shoes,
            skin,
            hair,
            np.where(gloves, trousers, skin),
        ],
        axis=1,
    )
    return np.clip(colours, 0.008, 1.0)


#: Hair, long hair, a hat's brim (a disc seen from above, not a ball), a cap's visor, its crown.
_HEADGEAR_ROUNDNESS = np.array([1.0, 1.0, 0.3, 0.6, 1.0])


def _headgear(
    rng: np.random.Generator, joints: dict[str, Array], pose: _Pose, look: PersonLookSettings, colours: Array
) -> tuple[Array, Array, Array, Array]:
    """Hair, caps, hats and helmets as further parts: ends [N, K, 2, 3], radii [N, K, 2], colours [N, K, 3], present [N, K]."""
    count = len(pose.pelvis)
    head = joints["head"]
    crown = (head - joints["shoulders"]) / np.linalg.norm(head - joints["shoulders"], axis=1, keepdims=True)
    flat = (pose.lying != 0)[:, None]
    face = np.where(flat, np.stack([0 * pose.lying, 0 * pose.lying, pose.lying], axis=1), [0.0, 1.0, 0.0])
    kind = np.where(rng.random(count) < look.headgear_share, rng.integers(1, 4, count), 0)  # cap, brimmed hat, helmet
    paint = sample_paints(rng, rng.integers(0, len(COLOURS), count))
    hair = colours[:, _HEAD]
    bald = rng.random(count) < 0.1
    long_hair = rng.random(count) < 0.3
    top = head + 0.014 * crown - 0.010 * face
    point = lambda p: np.stack([p, p], axis=1)  # noqa: E731
    neck = head - 0.075 * crown - 0.05 * face
    brim = head + 0.012 * crown
    visor_a, visor_b = head + 0.02 * crown + 0.055 * face, head + 0.016 * crown + 0.085 * face
    ends = [point(top), np.stack([head - 0.03 * face, neck], axis=1), point(brim), np.stack([visor_a, visor_b], axis=1)]
    ends += [point(head + np.where(kind == 3, 0.022, 0.02)[:, None] * crown)]
    radii = np.array([[0.057, 0.057], [0.045, 0.032], [0.098, 0.098], [0.030, 0.026], [0.062, 0.062]])
    radii = np.broadcast_to(radii, (count, 5, 2)).copy()
    radii[:, 2] *= rng.uniform(0.85, 1.35, (count, 1))
    radii[kind == 3, 4] = 0.070
    present = np.stack([~bald | (kind > 0), long_hair, kind == 2, kind == 1, kind > 0], axis=1)
    shades = np.stack([hair, hair, paint * 0.92, paint * 0.85, paint], axis=1)
    return np.stack(ends, axis=1), radii, np.clip(shades, 0.008, 1.0), present


def _placed(ends: Array, height_m: Array, heading: Array, ground: Array) -> Array:
    """From body axes [N, K, 2, 3] in units of height to the world."""
    c, s = np.cos(heading)[:, None, None], np.sin(heading)[:, None, None]
    x, y, z = ends[..., 0], ends[..., 1], ends[..., 2]
    turned = np.stack([x * c + y * s, -x * s + y * c, z], axis=-1)
    return turned * height_m[:, None, None, None] + ground[:, None, None]


def _carried(
    rng: np.random.Generator,
    picture: Index,
    ground: Array,
    joints: dict[str, Array],
    height_m: Array,
    heading: Array,
    look: PersonLookSettings,
) -> Limbs:
    """Rucksacks and bicycles: beside a person, not part of one."""
    parts = []
    bags = np.flatnonzero(rng.random(len(picture)) < look.bag_share)
    if len(bags):
        spine = joints["shoulders"][bags] - joints["pelvis"][bags]
        back = np.cross(spine, np.array([1.0, 0, 0]))
        back /= np.linalg.norm(back, axis=1, keepdims=True) + 1e-9
        back = -np.where(back[:, 1:2] < 0, -back, back)
        low = joints["pelvis"][bags] + 0.35 * spine + 0.11 * back
        high = joints["pelvis"][bags] + 0.85 * spine + 0.10 * back
        ends = _placed(np.stack([low, high], axis=1)[:, None], height_m[bags], heading[bags], ground[bags])[:, 0]
        parts.append(
            rows(
                Limbs,
                len(bags),
                picture=picture[bags],
                order=PERSON_ORDER + bags + 0.2 * ends[..., 2].max(axis=1) + 0.01,
                ends=ends,
                radii_m=np.array([[0.075, 0.06]]) * height_m[bags, None] * rng.uniform(0.7, 1.2, (len(bags), 1)),
                albedo=sample_paints(rng, rng.integers(0, len(COLOURS), len(bags))) * 0.8,
                grain=0.25,
            )
        )
    for k in np.flatnonzero(rng.random(len(picture)) < look.bicycle_share):
        parts.append(_bicycle(rng, int(picture[k]), ground[k], float(heading[k]), PERSON_ORDER + float(k)))
    return join(Limbs, parts)


def _bicycle(rng: np.random.Generator, picture: int, at: Array, heading: float, order: float) -> Limbs:
    """A bicycle standing or lying beside a person."""
    angle = np.linspace(0, 2 * np.pi, 13)
    wheel = 0.33 * np.stack([0 * angle, np.cos(angle), np.sin(angle)], axis=1)
    segments = [np.stack([wheel[:-1], wheel[1:]], axis=1) + np.array([0, y, 0.33]) for y in (-0.5, 0.5)]
    frame = np.array(
        [
            [[0, -0.5, 0.33], [0, -0.1, 0.33]], [[0, -0.1, 0.33], [0, -0.2, 0.85]], [[0, -0.2, 0.8], [0, 0.35, 0.8]],
            [[0, -0.1, 0.33], [0, 0.38, 0.75]], [[0, 0.38, 1.0], [0, 0.5, 0.33]], [[-0.28, 0.33, 1.02], [0.28, 0.33, 1.02]],
            [[0, -0.3, 0.9], [0, -0.12, 0.9]],
        ]
    )  # fmt: skip
    ends = np.concatenate([*segments, frame])
    radii = np.concatenate([np.full((24, 2), 0.02), np.full((7, 2), 0.022)])
    radii[-1] = 0.06
    if rng.random() < 0.5:  # lying on its side
        ends = np.stack([ends[..., 2] - 0.4, ends[..., 1], 0.05 + 0.4 * ends[..., 0] + 0 * ends[..., 2]], axis=-1)
    paint = sample_paints(rng, rng.integers(0, len(COLOURS), 1))
    dark = np.array([[0.02, 0.02, 0.02]])
    albedo = np.concatenate([np.repeat(dark, 24, axis=0), np.repeat(paint, 5, axis=0), np.repeat(dark, 2, axis=0)])
    turn = heading + rng.normal(0, 0.6)
    c, s = np.cos(turn), np.sin(turn)
    ends = np.stack([ends[..., 0] * c + ends[..., 1] * s, ends[..., 1] * c - ends[..., 0] * s, ends[..., 2]], axis=-1)
    away = rng.uniform(0.35, 0.8) * rng.choice([-1, 1])
    ends = ends + at + away * np.array([np.cos(heading), -np.sin(heading), 0.0])
    return rows(
        Limbs,
        len(ends),
        picture=picture,
        order=order - 0.4 + 0.05 * ends[..., 2].max(axis=1),
        ends=ends,
        radii_m=radii,
        albedo=albedo,
        grain=0.1,
    )
