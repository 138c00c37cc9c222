"""Frames to train on and frames held out: whole grounds and flights, never single frames.

Frames of one ground or one flight resemble each other: a frame whose neighbour was trained on proves nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mission.errors import InputError
from mission.frame_set import Frame, FrameSet

HELD_OUT_SHARE = 0.2
_FOLDS = 5


def split_frames(frame_set: FrameSet, seed: int) -> tuple[list[Frame], list[Frame]]:
    """Frames to train on and frames held out, about a fifth; frames that share a ground or a flight stay together.

    Among the folds of scikit-learn's GroupKFold, the one is held out that leaves panels on both sides and whose share is
    nearest to a fifth. With a single group everything is in both lists: there is nothing independent to hold out.
    """
    frames = list(frame_set.frames)
    group = groups_of(frames)
    count = len(set(group))
    if count < 2:
        return frames, list(frames)
    try:
        from sklearn.model_selection import GroupKFold
    except ImportError:
        raise InputError(
            "Training on a frame set must find the package scikit-learn. Got no such package instead."
        ) from None
    # Groups of one size are dealt to the folds by their number, which the seed chooses.
    renamed = np.random.default_rng([seed, count]).permutation(count)[group]
    folds = GroupKFold(n_splits=min(_FOLDS, count)).split(np.zeros(len(frames)), groups=renamed)
    best: tuple[tuple[bool, float], list[Frame], list[Frame]] | None = None
    for training, held_out in folds:
        sides = [frames[i] for i in training], [frames[i] for i in held_out]
        merit = (not all(map(_has_panel, sides)), abs(len(held_out) / len(frames) - HELD_OUT_SHARE))
        if best is None or merit < best[0]:
            best = merit, *sides
    assert best is not None
    return best[1], best[2]


def groups_of(frames: Sequence[Frame]) -> list[int]:
    """The number of each frame's group, from 0 in the order of the frames.

    Two frames are of one group where they share a ``background`` or a ``mission_run``, or are tied by frames that do;
    all frames that name neither are one group, because they may be of one flight.
    """
    parent: dict[tuple[str, str], tuple[str, str]] = {}

    def root(key: tuple[str, str]) -> tuple[str, str]:
        while parent.setdefault(key, key) != key:
            key = parent[key]
        return key

    keys = []
    for frame in frames:
        own = [(kind, name) for kind, name in (("ground", frame.background), ("flight", frame.mission_run)) if name]
        own = own or [("unknown", "")]
        for key in own[1:]:
            parent[root(key)] = root(own[0])
        keys.append(own[0])
    numbers: dict[tuple[str, str], int] = {}
    return [numbers.setdefault(root(key), len(numbers)) for key in keys]


def _has_panel(frames: Sequence[Frame]) -> bool:
    return any(thing.category == "panel" and thing.scored for frame in frames for thing in frame.things)
