"""The atlas of marks: enough faces, split by family, fields that are what they say, and room inside shapes."""

from __future__ import annotations

import numpy as np
import yaml
from shapely import Point, Polygon

from mission.recipe import load_recipe
from mission.vocabulary import MARKS, SHAPES, Vocabulary
from synth.marks import CELL, DATA, RANGE, SPAN, mark_atlas
from synth.outlines import outline_atlas, place_marks, polygon_distance
from synth.panels import sample_marks
from tests.synth.small_mission import small_mission


def test_at_least_60_faces_of_25_families_under_open_licences() -> None:
    atlas = mark_atlas()
    listed = yaml.safe_load((DATA / "faces.yaml").read_text())["families"]
    assert len(atlas.family) >= 60 and len(set(atlas.family)) >= 25
    assert len(atlas.family) == sum(len(f["files"]) for f in listed)
    assert {f["licence"] for f in listed} <= {"OFL-1.1", "Apache-2.0"}


def test_no_family_is_on_both_sides_of_the_split() -> None:
    atlas = mark_atlas()
    training, held_out = (set(atlas.family[atlas.faces(side)]) for side in ("training", "held-out"))
    assert training and len(held_out) >= 10
    assert not training & held_out
    assert len(atlas.faces("all")) == len(atlas.family)


def test_fields_are_signed_distances_to_the_ink() -> None:
    field = mark_atlas().field.astype(float) * RANGE / 127
    step = 2 * SPAN / CELL
    # A distance changes by at most its step from sample to sample (and by the rounding to 8 bits).
    for axis in (2, 3):
        assert np.abs(np.diff(field, axis=axis)).max() <= step * 1.02 + 2 * RANGE / 127
    # Every mark has ink, and none touches the rim of its square.
    assert (field.min(axis=(2, 3)) < -0.01).all()
    rim = np.concatenate([field[..., 0, :], field[..., -1, :], field[..., 0], field[..., -1]], axis=-1)
    assert rim.min() > 0


def test_rim_points_bound_the_ink_at_height_one() -> None:
    atlas = mark_atlas()
    size = atlas.rim.max(axis=2) - atlas.rim.min(axis=2)
    assert np.abs(size[..., 1]).max() < 1.02
    wide = size[..., 0] > 1.25
    assert np.abs(size[..., 1][~wide] - 1).max() < 0.03


def test_marks_of_a_face_can_be_told_apart() -> None:
    ink = mark_atlas().field < 0
    for one, other in (("A", "B"), ("P", "R"), ("F", "T"), ("J", "K"), ("6", "9")):
        differ = (ink[:, MARKS.index(one)] ^ ink[:, MARKS.index(other)]).sum(axis=(1, 2))
        assert differ.min() > 20


def test_strokes_reach_a_seventh_of_the_marks_height() -> None:
    """Half the faces' strokes are wider than 1/7 of the height after fattening; the thin quarter of each counts."""
    mission, recipe = small_mission(), load_recipe("field")
    rng = np.random.default_rng(3)
    mark = rng.integers(0, len(MARKS), 2000)
    found = sample_marks(rng, mark, MARKS, recipe.panels, mission, "all")
    stroke = mark_atlas().stroke.reshape(-1)[found["glyph"]] + 2 * found["grow"]
    assert (stroke >= 1 / 7 - 0.01).mean() > 0.97


def test_outline_fields_agree_with_shapely() -> None:
    rng = np.random.default_rng(2)
    points = rng.uniform(-0.7, 0.7, (200, 2))
    for name in SHAPES:
        polygon = Polygon(Vocabulary().outline(name))
        sign = np.array([-1 if polygon.contains(Point(p)) else 1 for p in points])
        expected = sign * np.array([polygon.exterior.distance(Point(p)) for p in points])
        assert np.abs(polygon_distance(Vocabulary().outline(name), points) - expected).max() < 1e-9


def test_marks_stay_inside_their_shapes_at_any_turn() -> None:
    rng = np.random.default_rng(4)
    atlas, marks = outline_atlas(Vocabulary()), mark_atlas()
    n = 600
    shape = rng.integers(0, len(SHAPES), n)
    rim = marks.rim.reshape(-1, marks.rim.shape[2], 2)[rng.integers(0, marks.rim[..., 0, 0].size, n)]
    turn = rng.uniform(0, 2 * np.pi, n)
    at, height = place_marks(atlas, shape, rim, turn, np.full(n, 0.8))
    for i in range(n):
        c, s = np.cos(turn[i]), np.sin(turn[i])
        points = at[i] + height[i] * np.stack(
            [rim[i, :, 0] * c + rim[i, :, 1] * s, rim[i, :, 1] * c - rim[i, :, 0] * s], 1
        )
        assert polygon_distance(atlas.outline[shape[i]], points).max() < 0.006
    usual = {name: np.median(height[shape == i]) for i, name in enumerate(SHAPES)}
    assert usual["square"] > 0.6 and usual["circle"] > 0.6
    assert 0.2 < usual["star"] < 0.45
