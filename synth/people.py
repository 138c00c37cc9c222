"""People as a camera above sees them: a body of tapered capsules in three dimensions, clothed, in ten postures.

Proportions are shares of the body's height after Drillis & Contini's segment lengths (1966, as in Winter, Biomechanics and
Motor Control of Human Movement; from memory): thigh 0.245, shank 0.246, upper arm 0.186, forearm 0.146, shoulder height 0.818.
Local axes of a body: x to its right, y where it looks, z up.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from mission.recipe import POSTURES, PersonLookSettings
from synth.belongings import Bodies, placed, sample_belongings
from synth.garments import (
    FACE,
    HANDS,
    SHIN,
    SHIRT,
    SHOE,
    SLEEVE,
    TROUSER,
    UPPER_ARM,
    Worn,
    sample_clothes,
    wear_garments,
    wear_headgear,
)  # fmt: skip
from synth.half_hidden import people_outside_light
from synth.scene import Array, Index, Layout, Limbs, Plates, Targets, empty_layout, join_layouts, rows

PERSON_ORDER = 10.0
_THIGH, _SHANK, _UPPER_ARM, _FOREARM = 0.245, 0.246, 0.186, 0.146
_TORSO, _HEAD_ABOVE = 0.30, 0.112
_SHOULDER, _HIP = 0.115, 0.055
_SEAT = 0.07


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
    ground = _together(rng, picture, ground, look.together_share)
    child = rng.random(count) < look.child_share
    height_m = rng.uniform(*look.height_m, count) * np.where(child, rng.uniform(0.55, 0.85, count), 1.0)
    girth = rng.uniform(*look.girth, count)
    # A child's head is large for its body.
    head = np.where(child, rng.uniform(1.15, 1.35, count), rng.uniform(0.94, 1.06, count))
    pose = _sample_pose(rng, posture)
    joints = _joints(pose, rng.uniform(0.88, 1.12, count) * np.clip(girth, 0.9, 1.15))
    ends, radii, part = _body(joints, girth, rng.uniform(-0.05, 0.15, count), head)
    clothes = sample_clothes(rng, count)
    worn = Worn(count)
    wear_garments(rng, worn, joints, pose.lying, clothes, girth)
    wear_headgear(rng, worn, joints, pose.lying, look, clothes, head)
    extra_ends, extra_radii, extra_colour, extra_mask, extra_roundness = worn.arrays()
    ends = np.concatenate([ends, extra_ends], axis=1)
    radii = np.concatenate([radii, extra_radii], axis=1)
    albedo = np.concatenate([clothes.colours[:, part], extra_colour], axis=1)
    present = np.concatenate([np.ones((count, len(part)), dtype=bool), extra_mask], axis=1)
    torso = np.isin([a + b for a, b, *_ in _PARTS], _TORSO_PARTS)
    roundness = np.concatenate([np.where(torso, 0.55, 1.0), extra_roundness])
    heading = rng.uniform(0, 2 * np.pi, count)
    world = placed(ends, height_m, heading, ground)
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
    targets = rows(Targets, count, picture=picture, category=1, ground=ground, attributes=-1)
    base = empty_layout()
    body = Layout(rows(Plates, 0), limbs, base.facets, base.blocks, targets)
    bodies = Bodies(picture, ground, joints, height_m, heading, posture, PERSON_ORDER + np.arange(count))
    outside = people_outside_light(rng, body, look)
    return join_layouts([body, sample_belongings(rng, bodies, look), outside])


def _together(rng: np.random.Generator, picture: Index, ground: Array, share: float) -> Array:
    """Move some people close to the one before them in the same picture."""
    moved = ground.copy()
    angle, away = rng.uniform(0, 2 * np.pi, len(picture)), rng.uniform(0.45, 0.9, len(picture))
    joins = rng.random(len(picture)) < share
    for k in range(1, len(picture)):
        if joins[k] and picture[k] == picture[k - 1]:
            moved[k, :2] = moved[k - 1, :2] + away[k] * np.array([np.cos(angle[k]), np.sin(angle[k])])
    return moved


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
    # Some arms are anywhere that an arm can go.
    free = rng.random((count, 1)) < 0.22
    arm, out = np.where(free, even(-40, 150, 2), arm), np.where(free, even(0, 75, 2), out)
    elbow = np.where(free, even(0, 120, 2), elbow)
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
    thigh, knee, lean, arm, out, elbow, seat = _working_poses(even, where, (thigh, knee, lean, arm, out, elbow))
    thigh, knee, lean, arm, out, elbow = _crawling(even, posture, (thigh, knee, lean, arm, out, elbow))
    spread = posture == POSTURES.index("spread")
    posture = np.where(spread, POSTURES.index("lying"), posture)
    lying = posture == POSTURES.index("lying")
    thigh = where("lying", even(-5, 45, 2), thigh)
    knee = where("lying", even(0, 70, 2), knee)
    arm, elbow = where("lying", even(-12, 40, 2), arm), where("lying", even(0, 60, 2), elbow)
    splay, out = where("lying", even(3, 22, 2), splay), where("lying", even(8, 95, 2), out)
    if spread.any():
        wide = spread[:, None]
        splay, out = np.where(wide, even(12, 45, 2), splay), np.where(wide, even(50, 130, 2), out)
        thigh, knee = np.where(wide, 0.3 * thigh, thigh), np.where(wide, 0.3 * knee, knee)
    pelvis = (_THIGH * np.cos(thigh) + _SHANK * np.cos(thigh - knee)).max(axis=1) + 0.04
    pelvis = where("sitting", np.full(count, _SEAT), pelvis)
    pelvis = where("cycling", seat, pelvis)
    facing = np.where(lying, rng.choice([-1.0, 1.0], count), 0.0)
    # Face down nothing bends into the ground.
    prone = (facing < 0)[:, None]
    thigh, arm, elbow = (
        np.where(prone, share * angle, angle) for share, angle in ((0.1, thigh), (0.2, arm), (0.3, elbow))
    )
    return _Pose(pelvis, lean, thigh, knee, splay, arm, out, elbow, facing)


def _working_poses(
    even: Callable[..., Array], where: Callable[[str, Array, Array], Array], angles: tuple[Array, ...]
) -> tuple[Array, ...]:
    """Kneeling (on one knee or both), bending down, cycling and pushing; and the height of a bicycle's saddle."""
    thigh, knee, lean, arm, out, elbow = angles
    one_knee = even(-1, 1)[:, None] * np.array([[1.0, -1.0]]) > 0
    both = even(-1, 1)[:, None] > 0
    up = one_knee & ~both
    thigh = where("kneeling", np.where(up, even(78, 95, 2), even(-5, 12, 2)), thigh)
    knee = where("kneeling", np.where(up, even(80, 100, 2), even(84, 98, 2)), knee)
    lean, arm = where("kneeling", even(0, 45), lean), where("kneeling", even(10, 75, 2), arm)
    thigh, knee = where("bending", even(0, 30, 2), thigh), where("bending", even(0, 35, 2), knee)
    lean, arm = where("bending", even(45, 95), lean), where("bending", even(-5, 40, 2), arm)
    pedal = even(0, 25) * np.sign(even(-1, 1))
    pedal = np.stack([pedal, -pedal], axis=1)
    thigh, knee = where("cycling", np.radians(58) + pedal, thigh), where("cycling", np.radians(68) + 1.6 * pedal, knee)
    lean = where("cycling", even(18, 42), lean)
    arm, out, elbow = (
        where("cycling", even(*limits, 2), old) for limits, old in (((48, 66), arm), ((6, 14), out), ((4, 20), elbow))
    )
    stride = even(8, 25)
    stride = np.stack([stride, -stride], axis=1)
    thigh, knee = where("pushing", stride, thigh), where("pushing", even(5, 25, 2), knee)
    lean = where("pushing", even(2, 14), lean)
    arm, out, elbow = (
        where("pushing", even(*limits, 2), old) for limits, old in (((22, 38), arm), ((4, 10), out), ((30, 50), elbow))
    )
    return thigh, knee, lean, arm, out, elbow, np.full(len(lean), 0.53)


def _crawling(even: Callable[..., Array], posture: Index, angles: tuple[Array, ...]) -> tuple[Array, ...]:
    """Angles of those on hands and knees put in."""
    crawls = posture == POSTURES.index("crawling")
    if not crawls.any():
        return angles
    wanted = [even(-20, 25, 2), even(75, 100, 2), even(70, 95), even(-15, 35, 2), even(2, 15, 2), even(0, 20, 2)]
    return tuple(
        np.where(crawls.reshape(-1, *([1] * (new.ndim - 1))), new, old) for new, old in zip(wanted, angles, strict=True)
    )


def _direction(forward: Array, outward: Array, side: float) -> Array:
    """Unit vectors of hanging segments: 0 down, pi/2 forward, pi up; ``outward`` swings them away from the body."""
    return np.stack(
        [side * np.sin(outward), np.cos(outward) * np.sin(forward), -np.cos(outward) * np.cos(forward)], axis=-1
    )


def _joints(pose: _Pose, breadth: Array) -> dict[str, Array]:
    """Joint positions [N, 3] in units of the body's height; ``breadth`` [N] of shoulders and hips."""
    count = len(pose.pelvis)
    zero = np.zeros(count)
    spine = np.stack([zero, np.sin(pose.lean), np.cos(pose.lean)], axis=1)
    joints = {"pelvis": np.stack([zero, zero, pose.pelvis], axis=1)}
    joints["shoulders"] = joints["pelvis"] + _TORSO * spine
    upright = np.stack([zero, np.sin(0.5 * pose.lean), np.cos(0.5 * pose.lean)], axis=1)
    joints["head"] = joints["shoulders"] + _HEAD_ABOVE * upright + np.array([0, 0.012, 0])
    for i, (name, side) in enumerate((("left", -1.0), ("right", 1.0))):
        across = np.array([side, 0, 0])
        hip = joints["pelvis"] + _HIP * breadth[:, None] * across
        knee = hip + _THIGH * _direction(pose.thigh[:, i], pose.splay[:, i], side)
        ankle = knee + _SHANK * _direction(pose.thigh[:, i] - pose.knee[:, i], 0.5 * pose.splay[:, i], side)
        toe = ankle + np.array([0.03 * side, 0.105, -0.012])
        shoulder = joints["shoulders"] + _SHOULDER * breadth[:, None] * across
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


#: (from, to, radius there, radius here, colour): colours are rows of Clothes.colours.
_PARTS = (
    ("left_ankle", "left_toe", 0.022, 0.019, SHOE),
    ("right_ankle", "right_toe", 0.022, 0.019, SHOE),
    ("left_knee", "left_ankle", 0.031, 0.022, SHIN),
    ("right_knee", "right_ankle", 0.031, 0.022, SHIN),
    ("left_hip", "left_knee", 0.050, 0.034, TROUSER),
    ("right_hip", "right_knee", 0.050, 0.034, TROUSER),
    ("left_hip", "left_shoulder", 0.060, 0.047, SHIRT),
    ("right_hip", "right_shoulder", 0.060, 0.047, SHIRT),
    ("pelvis", "shoulders", 0.064, 0.066, SHIRT),
    ("left_shoulder", "right_shoulder", 0.038, 0.038, SHIRT),
    ("left_shoulder", "left_elbow", 0.032, 0.026, UPPER_ARM),
    ("right_shoulder", "right_elbow", 0.032, 0.026, UPPER_ARM),
    ("left_elbow", "left_hand", 0.025, 0.019, SLEEVE),
    ("right_elbow", "right_hand", 0.025, 0.019, SLEEVE),
    ("left_hand", "left_hand", 0.024, 0.024, HANDS),
    ("right_hand", "right_hand", 0.024, 0.024, HANDS),
    ("shoulders", "head", 0.034, 0.034, FACE),
    ("head", "head", 0.058, 0.058, FACE),
)


#: Parts of the trunk: one garment spans them.
_TORSO_PARTS = ("left_hipleft_shoulder", "right_hipright_shoulder", "pelvisshoulders")


def _body(joints: dict[str, Array], girth: Array, belly: Array, head: Array) -> tuple[Array, Array, Index]:
    """Ends [N, K, 2, 3], radii [N, K, 2] and rows of colours [K]; ``belly`` [N] widens waists, ``head`` [N] scales heads."""
    ends = np.stack([np.stack([joints[a], joints[b]], axis=1) for a, b, *_ in _PARTS], axis=1)
    radii = np.array([[r0, r1] for _, _, r0, r1, _ in _PARTS])
    part = np.array([colour for *_, colour in _PARTS])
    wide = np.where((part == FACE)[None, :, None], head[:, None, None], girth[:, None, None]) * np.ones((1, 1, 2))
    trunk = [a + b for a, b, *_ in _PARTS].index("pelvisshoulders")
    wide[:, trunk, 0] *= 1 + belly
    return ends, radii * wide, part
