"""Ground of tilted views: as foreshortened as the camera's own projection says (the pinhole model of mission.camera)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import torch
import torch.nn.functional as F

from mission.camera import Camera, View
from mission.mission_file import load_mission
from mission.recipe import load_recipe
from synth.at_once import at_once_everywhere
from synth.chips import ChipSource
from synth.compose import Scene, ground_canvas
from synth.ground import GroundLayer, paint_ground
from synth.ground_spec import GroundSpec, Layer, Mask, Waves
from synth.ground_view import LEAST_SLANT, SeenGround, ground_from_chip, paint_chips, slants
from synth.opencv import warps_exactly, without_opencv
from synth.projection import Views, frame_views, rotations
from synth.warped import warped

PX = 320
DARK, PALE = (0.05, 0.05, 0.05), (0.6, 0.6, 0.6)
PLAIN: dict[str, Any] = {"tone": 0.0, "relief": 0.0, "mix_blotch": 0.0, "ragged_m": 0.0, "soft_m": 0.001}


def tilted(pitch_deg: float, roll_deg: float = 0.0, heading_deg: float = 40.0) -> tuple[Views, float]:
    """One chip in the middle of a camera tilted by so much, and the ground sample distance across its line of sight [m]."""
    camera = Camera(4000, 3000, 13.2, 9.9, 16.0)
    rotation = rotations(np.array([heading_deg]), np.array([pitch_deg]), np.array([roll_deg]))
    corner = np.array([[2000 - PX / 2, 1500 - PX / 2]])
    views = Views(camera, rotation, np.array([[3.0, -2.0, 60.0]]), corner, (PX, PX))
    middle = views.ground(np.full((1, 2), PX / 2), np.zeros(1, dtype=int))
    return views, float(1 / views.px_per_m(middle, np.zeros(1, dtype=int))[0])


def seen(spec: GroundSpec, views: Views, heading_deg: float = 40.0) -> np.ndarray:
    """Reflectance [PX, PX] of a ground in one chip."""
    maps = ground_from_chip(views, np.array([spec.gsd_m]), np.array([heading_deg]))
    out = GroundLayer(*(torch.empty((1, planes, PX, PX)) for planes in (3, 1, 1)))
    paint_chips([spec], maps, [(0.0, 0.0)], out)
    return out.albedo[0, 0].numpy()


def stripe_spacing_px(image: np.ndarray, axis: int) -> float:
    """Period along an axis, from the phase of the strongest wave near the expected one."""
    profile = image.mean(1 - axis)
    spectrum = np.abs(np.fft.rfft((profile - profile.mean()) * np.hanning(len(profile)), 64 * len(profile)))
    return 64 * len(profile) / int(np.argmax(spectrum[64:]) + 64)


@pytest.mark.parametrize("pitch_deg", [0.0, 25.0, 45.0])
def test_mown_stripes_are_spaced_as_the_camera_projects_them(pitch_deg: float) -> None:
    """Along the tilt (rows: pitch swings the axis towards image up) and across it, against projected points of the plane."""
    views, gsd_m = tilted(pitch_deg)
    h = np.radians(40.0)
    ahead, right = np.array([np.sin(h), np.cos(h)]), np.array([np.cos(h), -np.sin(h)])
    middle = views.ground(np.full((1, 2), PX / 2), np.zeros(1, dtype=int))[0]
    for axis, angle, direction in ((0, 0.0, ahead), (1, np.pi / 2, right)):
        layer = Layer("soil", PALE, PALE, **PLAIN)
        spec = GroundSpec(gsd_m, (layer,), blotch=0.01, blotch_scale_m=500.0, waves=Waves(angle, 0.6, 0.3, 0.0))
        ends = np.stack([middle + np.append(s * 0.3 * direction, 0.0) for s in (-1, 1)])
        true = np.linalg.norm(np.diff(views.project(ends[None], np.zeros(1, dtype=int))[0], axis=0))
        assert stripe_spacing_px(seen(spec, views), axis) == pytest.approx(true, rel=0.015)
        assert true == pytest.approx(0.6 / gsd_m * (np.cos(np.radians(pitch_deg)) if axis == 0 else 1), rel=0.002)


@pytest.mark.parametrize("roll_deg", [20.0, 40.0])
def test_a_path_is_as_wide_as_its_projection(roll_deg: float) -> None:
    """Roll swings the axis to image right: a path that runs along image up shrinks by the cosine, one across it does not."""
    views, gsd_m = tilted(0.0, roll_deg)
    at = (PX / 2 * gsd_m, PX / 2 * gsd_m)
    heading = 40.0
    for angle, shrinks in ((np.pi / 2, True), (0.0, False)):
        mask = Mask("band", at_m=at, angle=angle, size_m=(0.5, 0))
        spec = GroundSpec(
            gsd_m, (Layer("soil", DARK, DARK, **PLAIN), Layer("soil", PALE, PALE, mask, **PLAIN)), blotch=0.0
        )
        image = seen(spec, views, heading)
        profile = image[PX // 2] if angle else image[:, PX // 2]
        width = float(((profile - DARK[0]) / (PALE[0] - DARK[0])).sum())
        true = 1.0 / gsd_m * (np.cos(np.radians(roll_deg)) if shrinks else 1.0)
        assert width == pytest.approx(true, rel=0.015)


def test_views_from_straight_above_are_painted_as_they_are() -> None:
    views, gsd_m = tilted(0.0, 0.0)
    maps = ground_from_chip(views, np.array([gsd_m]), np.array([40.0]))
    np.testing.assert_allclose(maps[0], np.eye(2), atol=1e-9)
    views, gsd_m = tilted(12.0, 5.0)
    (slant,) = slants(ground_from_chip(views, np.array([gsd_m]), np.array([40.0])))
    assert (
        slant == pytest.approx(1 / (np.cos(np.radians(12)) * np.cos(np.radians(5))) - 1, abs=2e-3)
        and slant < LEAST_SLANT
    )
    spec = GroundSpec(gsd_m, (Layer("soil", DARK, PALE),))
    assert np.array_equal(seen(spec, views), paint_ground([spec], PX, PX, shadow_px_per_m=[(0.0, 0.0)]).albedo[0, 0])


def test_a_frames_ground_lies_where_its_camera_sees_it() -> None:
    """A small square laid at known places of the plane, seen by a turned, tilted, distorted frame, in strips."""
    camera = Camera(1500, 500, 13.2, 4.4, 9.0, distortion=(-0.05, 0.01, 0.001, -0.001, 0.0))
    view = View(camera, (10.0, 20.0, 40.0), 33.0, 4.0, -3.0)
    views, heading, corner, gsd_m = frame_views([view]), 30.0, (-20.0, 60.0), 0.03
    h = np.radians(heading)
    for x_m, y_m in ((12.0, 50.0), (38.0, 48.0), (50.0, 54.0)):
        place = np.array(corner) + x_m * np.array([np.cos(h), -np.sin(h)]) - y_m * np.array([np.sin(h), np.cos(h)])
        true = views.project(np.array([[[*place, 0.0]]]), np.zeros(1, dtype=int))[0, 0]
        if not (20 < true[0] < 1480 and 20 < true[1] < 480):
            continue
        mask = Mask("boxes", at_m=(x_m, y_m), size_m=(0.2, 0.2))
        spec = GroundSpec(
            gsd_m, (Layer("soil", DARK, DARK, **PLAIN), Layer("soil", PALE, PALE, mask, **PLAIN)), blotch=0.0
        )
        ground = SeenGround(spec, (3000, 3000), (0.0, 0.0), heading, corner)
        strips = []
        for rows in ((0, 203), (203, 500)):
            out = GroundLayer(*(torch.empty((1, planes, rows[1] - rows[0], 1500)) for planes in (3, 1, 1)))
            ground.paint(views, rows, out)
            strips.append(out.albedo[0, 0].numpy() - DARK[0])
        image = np.concatenate(strips)
        y, x = np.mgrid[:500, :1500] + 0.5
        found = (float((image * x).sum() / image.sum()), float((image * y).sum() / image.sum()))
        assert np.abs(np.array(found) - true).max() < 0.1


def _scales(scene: Scene) -> np.ndarray:
    return np.array([spec.gsd_m for spec in scene.grounds if isinstance(spec, GroundSpec)])


def test_a_batch_of_slanted_chips_together_equals_one_by_one() -> None:
    recipe = load_recipe("field")
    composition = recipe.composition.model_copy(update={"oblique_share": 0.6})
    ground = recipe.ground.model_copy(update={"kinds": {"soil": 1.0, "concrete": 1.0}})
    recipe = recipe.model_copy(update={"composition": composition, "ground": ground})
    scene = ChipSource(recipe, load_mission("harrow-fen"), seed=5, chip_px=96).scene(6, 0)
    slanted = slants(ground_from_chip(scene.views, _scales(scene), np.array(scene.headings_deg))) > LEAST_SLANT
    assert 2 <= slanted.sum() <= 5
    one_by_one = ground_canvas(scene, 96, 96, torch.device("cpu"))
    for way in (at_once_everywhere, without_opencv):
        with way():
            other = ground_canvas(scene, 96, 96, torch.device("cpu"))
        torch.testing.assert_close(other.layers, one_by_one.layers, atol=2e-4, rtol=0)
        torch.testing.assert_close(other.light, one_by_one.light, atol=2e-4, rtol=0)


@pytest.mark.skipif(not warps_exactly(torch.device("cpu")), reason="needs OpenCV 5")
def test_planes_are_read_with_and_without_opencv_alike() -> None:
    generator = torch.Generator().manual_seed(3)
    planes = torch.rand((5, 40, 50), generator=generator)
    turn, first = np.array([[1.1, -0.3], [0.2, 0.9]]), np.array([6.3, -4.2])
    x, y = np.meshgrid(np.arange(36), np.arange(30))
    at = turn @ np.stack([x.ravel(), y.ravel()]) + first[:, None]
    grid = (2 * (at + 0.5) / np.array([[50], [40]]) - 1).T.reshape(1, 30, 36, 2).astype(np.float32)
    expected = F.grid_sample(
        planes[None], torch.from_numpy(grid), mode="bicubic", padding_mode="border", align_corners=False
    )
    torch.testing.assert_close(warped(planes, turn, first, (30, 36)), expected[0], atol=1e-4, rtol=0)
