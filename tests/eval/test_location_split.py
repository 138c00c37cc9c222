"""Planted errors of one source are given to that source."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from eval.case import case_of
from eval.judgement import judge
from eval.location_split import location_split
from mission.camera import PoseSigma
from mission.frame_set import FrameSet
from tests.eval.made_case import made_frame_set, perfect_sightings


def one_run(frame_set: FrameSet, **pose) -> FrameSet:
    """All frames in one run, each recorded with the pose changed by ``pose`` while the things lie where they lay."""
    sigma = PoseSigma(0.3, 0.5, 3.0)
    frames = tuple(
        replace(frame, mission_run="one", view=replace(frame.view, sigma=sigma, **pose)) for frame in frame_set.frames
    )
    return replace(frame_set, frames=frames, runs=())


def split_of(frame_set: FrameSet, moved_px: float = 0.0) -> dict:
    sightings = perfect_sightings(frame_set)
    if moved_px:
        rows = [replace(s, bbox_px=(s.bbox_px[0] + moved_px, *s.bbox_px[1:])) for s in sightings.sightings]
        sightings = replace(sightings, sightings=tuple(rows))
    found = location_split(judge(case_of(frame_set, sightings, "made"), {"panel": 0.5, "person": 0.5}))
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("pose", "source"),
    [({"heading_deg": 6.0}, "heading"), ({"position_enu_m": (0.0, 0.0, 42.0)}, "height"), ({}, None)],
)
def test_a_planted_error_is_found_at_its_source(tmp_path: Path, pose: dict, source: str | None) -> None:
    found = split_of(one_run(made_frame_set(tmp_path, runs=6), **pose))
    parts = {name: value for name, value in found.items() if name not in ("n", "rest")}
    if source is None:
        assert max(parts.values()) < 1e-6
    else:
        assert max(parts, key=lambda name: parts[name]) == source
        assert parts[source] > 3 * sorted(parts.values())[-2]


def test_a_shift_in_the_picture_is_the_pixels_part(tmp_path: Path) -> None:
    found = split_of(one_run(made_frame_set(tmp_path, runs=6)), moved_px=4.0)
    # 4 px at 40 m with a 35 mm lens, 640 px across 23.184 mm: 4 * 40 * 23.184 / (640 * 35) m.
    assert found["pixels"] == pytest.approx(4 * 40 * 23.184 / (640 * 35), rel=1e-3)
    assert found["rest"] < 1e-6 and found["position"] < 1e-6


def test_parts_and_rest_add_up_to_the_error(tmp_path: Path) -> None:
    frame_set = one_run(made_frame_set(tmp_path, runs=4), heading_deg=5.0, pitch_deg=1.0)
    from eval.location_split import _split_run

    sightings = perfect_sightings(frame_set)
    judgement = judge(case_of(frame_set, sightings, "made"), {"panel": 0.5, "person": 0.5})
    places = np.flatnonzero(judgement.matches.true())
    parts = _split_run(judgement, places)
    assert parts is not None
    from mission.camera import ground_from_pixels

    for i, place in enumerate(places.tolist()):
        thing = judgement.case.things[int(judgement.matches.det_object[0, 0, place])]
        x, y, w, h = judgement.case.sightings[int(judgement.matches.det_row[place])].bbox_px
        view = judgement.case.frames[int(judgement.matches.det_frame[place])].view
        assert view is not None and thing.ground_enu_m is not None
        total = ground_from_pixels(view, np.array([[x + w / 2, y + h / 2]]))[0, :2] - thing.ground_enu_m[:2]
        assert parts[:, i].sum(axis=0) == pytest.approx(total, abs=1e-9)
