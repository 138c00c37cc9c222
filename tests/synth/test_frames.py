"""Frame sets: valid, exact, the same for any number of workers, going on after a kill."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image

from mission.camera import ground_from_pixels, pixels_from_ground
from mission.errors import InputError
from mission.frame_set import read_frame_set
from mission.recipe import DECOYS, Recipe
from mission.settings import load_settings
from synth import frames as frames_module
from synth.capture import CaptureSpec
from synth.compose import blend, photo_canvas
from synth.frame_picture import _blended
from synth.frames import render_frame_set
from synth.photo_ground import GroundBank
from tests.synth.small_mission import small_mission

_SAND = {"kinds": {"sand": 1.0}, "extra_kinds": [0, 0], "structures": 0, "trees": 0, "tree_shade": 0}


def recipe(frames_per_run: int = 3, **sections: dict) -> Recipe:
    content = {
        "format": "recipe/1", "name": "test", "ground": _SAND, "flight": {"frames_per_run": frames_per_run},
        "composition": {"decoys_per_hectare": [300, 300]}, **sections,
    }  # fmt: skip
    return Recipe.model_validate(content)


def digests(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five frames of two runs, drawn in this process."""
    out = tmp_path_factory.mktemp("render") / "set"
    return render_frame_set(recipe(), small_mission(), out, 5, 11)


def test_the_set_is_valid_and_whole(made: Path) -> None:
    found = read_frame_set(made)
    assert found.truth == "rendered" and len(found.frames) == 5
    assert [f.mission_run for f in found.frames] == ["run-001"] * 3 + ["run-002"] * 2
    assert len({f.background for f in found.frames}) == 2
    for frame in found.frames:
        with Image.open(found.path_of(frame)) as picture:
            assert picture.size == (640, 448) == (frame.width_px, frame.height_px)
            inner = picture.getexif().get_ifd(ExifTags.IFD.Exif)
        assert float(inner[ExifTags.Base.FocalLength]) == pytest.approx(35.0)
        assert frame.view is not None and frame.view.sigma is not None
    things = [t for f in found.frames for t in f.things]
    assert [t.id for t in things] == list(range(1, len(things) + 1))
    panels = [t for t in things if t.category == "panel"]
    assert len(panels) >= 6 and all(all(t.attributes.values()) for t in panels)
    assert sorted(p.name for p in made.iterdir()) == ["frames", "recipe.yaml", "truth.json"]
    assert load_settings(made / "recipe.yaml", Recipe) == recipe()


def test_truth_agrees_with_itself_and_with_the_recorded_pose(made: Path) -> None:
    found, offsets = read_frame_set(made), []
    for frame in found.frames:
        for thing in frame.things:
            x, y, w, h = thing.bbox_px
            assert x >= 0 and y >= 0 and x + w <= 640 and y + h <= 448
            assert thing.segmentation
            points = np.array([p for ring in thing.segmentation for p in ring]).reshape(-1, 2)
            assert np.abs([*points.min(axis=0), *points.max(axis=0)] - np.array([x, y, x + w, y + h])).max() < 0.75
            assert 0 < thing.area_px2 <= w * h + 1e-6
            assert thing.visible is not None and 0 < thing.visible <= 1
            if thing.category == "panel" and thing.visible > 0.95 and frame.view is not None:
                offsets.append(pixels_from_ground(frame.view, thing.ground_enu_m) - points.mean(axis=0))
    # The recorded pose is off by its sigmas: 0.6 m and 0.4 deg at 115 m are about 70 px, and not nothing.
    spread = np.abs(np.array(offsets))
    assert 5 < np.median(spread) < 160 and spread.max() < 400


def test_other_things_are_named_where_they_can_be_seen(tmp_path: Path) -> None:
    crowded = recipe(1, composition={"decoys_per_hectare": [2000, 2000]})
    found, contrasts = read_frame_set(render_frame_set(crowded, small_mission(), tmp_path / "set", 2, 1)), []
    for frame in found.frames:
        assert frame.other_things is not None
        pixels = np.asarray(Image.open(found.path_of(frame)), dtype=float)
        ground = np.median(pixels.reshape(-1, 3), axis=0)
        for other in frame.other_things:
            x, y, w, h = other.bbox_px
            assert other.kind in DECOYS and x >= 0 and y >= 0 and x + w <= 640 and y + h <= 448
            cut = pixels[int(y) : int(y + h) + 1, int(x) : int(x + w) + 1]
            contrasts.append(np.abs(cut - ground).max())
    # Even sand shows them: something in nearly every box stands out.
    assert len(contrasts) >= 5 and np.mean(np.array(contrasts) > 60) > 0.8


def test_objects_keep_their_place_and_looks_over_a_run(made: Path) -> None:
    found = read_frame_set(made)
    seen: dict[str, set] = {}
    for frame in found.frames:
        for thing in frame.things:
            seen.setdefault(str(thing.object), set()).add((thing.ground_enu_m, tuple(thing.attributes.items())))
    assert all(len(kinds) == 1 for kinds in seen.values())
    assert any(sum(t.object == name for f in found.frames for t in f.things) > 1 for name in seen)


def test_the_wanted_list_names_panels_that_are_there(made: Path) -> None:
    found = read_frame_set(made)
    things = {t.object: t for f in found.frames for t in f.things}
    wanted = [w for run in found.runs for w in run.wanted]
    assert wanted
    for panel in wanted:
        thing = things[panel.object]
        given = {k: v for k, v in panel.attributes().items() if v is not None}
        assert given and all(thing.attributes[k] == v for k, v in given.items())


def test_any_number_of_workers_writes_the_same_bytes(made: Path, tmp_path: Path) -> None:
    other = render_frame_set(recipe(), small_mission(), tmp_path / "other", 5, 11, workers=2)
    assert digests(made) == digests(other)


def test_a_killed_render_goes_on_and_ends_the_same(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out, drawn = tmp_path / "killed", []
    real = frames_module._draw_one

    def stops_after_two(job, number):
        if len(drawn) == 2:
            raise KeyboardInterrupt
        drawn.append(number)
        return real(job, number)

    monkeypatch.setattr(frames_module, "_draw_one", stops_after_two)
    with pytest.raises(KeyboardInterrupt):
        render_frame_set(recipe(), small_mission(), out, 5, 11)
    assert not out.exists() and drawn == [0, 1]
    with pytest.raises(InputError, match="must be of the same recipe, mission, seed and ground"):
        render_frame_set(recipe(), small_mission(), out, 5, 12)
    monkeypatch.setattr(frames_module, "_draw_one", lambda job, n: (drawn.append(n), real(job, n))[1])
    told: list[tuple[int, int]] = []
    render_frame_set(recipe(), small_mission(), out, 5, 11, on_progress=lambda done, total: told.append((done, total)))
    assert drawn == [0, 1, 2, 3, 4]
    assert told == [(2, 5), (3, 5), (4, 5), (5, 5)]
    assert digests(out) == digests(made)
    assert not list(tmp_path.glob(".*"))


def test_a_folder_in_use_and_no_frames_are_refused(tmp_path: Path) -> None:
    (tmp_path / "used").mkdir()
    (tmp_path / "used" / "mine.txt").write_text("x")
    with pytest.raises(InputError, match="must be new or empty"):
        render_frame_set(recipe(), small_mission(), tmp_path / "used", 1, 0)
    assert (tmp_path / "used" / "mine.txt").read_text() == "x"
    with pytest.raises(InputError, match="must be at least 1"):
        render_frame_set(recipe(), small_mission(), tmp_path / "new", 0, 0)


def test_overlapping_frames_show_the_same_ground(tmp_path: Path) -> None:
    """Without people and things the ground of two frames of a run agrees where they overlap, but for a small shift."""
    calm = small_mission(position_sigma_m=0.0, attitude_sigma_deg=0.0, heading_sigma_deg=0.0)
    quiet = recipe(
        2, composition={"decoys_per_hectare": [0, 0]}, flight={"frames_per_run": 2, "attitude_spread_deg": 0.0},
        capture={"vignetting": [0, 0]}, ground=_SAND | {"blotch": [0.3, 0.3]},
    )  # fmt: skip
    out = render_frame_set(quiet, calm, tmp_path / "pair", 2, 3)
    found = read_frame_set(out)
    one, two = (np.asarray(Image.open(found.path_of(f)).convert("L"), dtype=float) for f in found.frames)
    views = [f.view for f in found.frames if f.view is not None]
    (e0, n0, _), (e1, n1, _) = (ground_from_pixels(v, [320.0, 224.0]) for v in views)
    # Flown to the north or to the south: how far the ground moved between the two, in pixels of the picture.
    sign = 1 if abs((views[0].heading_deg + 180) % 360 - 180) < 90 else -1
    gsd_m = calm.ground_sample_distance_m
    dx, dy = round(-sign * (e1 - e0) / gsd_m), round(sign * (n1 - n0) / gsd_m)
    best = 0.0
    for ddx in range(-2, 3):
        for ddy in range(-2, 3):
            a, b = _overlap(one, two, dx + ddx, dy + ddy)
            best = max(best, float(np.corrcoef(a.ravel(), b.ravel())[0, 1]))
    assert best > 0.8


def _overlap(one: np.ndarray, two: np.ndarray, dx: int, dy: int) -> tuple[np.ndarray, np.ndarray]:
    h, w = one.shape
    ys, xs = slice(max(0, -dy), min(h, h - dy)), slice(max(0, -dx), min(w, w - dx))
    return one[ys, xs], two[max(0, dy) : min(h, h + dy), max(0, dx) : min(w, w + dx)]


def test_photographs_as_ground_make_a_mixed_set(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    folder = tmp_path / "photographs"
    folder.mkdir()
    for k in range(2):
        coarse = rng.integers(60, 140, (40, 60, 3), dtype=np.uint8)
        Image.fromarray(coarse).resize((900, 600)).save(folder / f"field-{k}.jpg")
    mission = small_mission()
    bank = GroundBank.from_folder(
        folder, mission.ground_sample_distance_m, mission_gsd_m=mission.ground_sample_distance_m
    )
    found = read_frame_set(render_frame_set(recipe(2), mission, tmp_path / "mixed", 2, 1, ground=bank))
    assert found.truth == "mixed"
    assert {f.background for f in found.frames} <= {"field-0.jpg", "field-1.jpg"}
    assert sum(len(f.things) for f in found.frames) > 0


def test_columns_without_drawn_things_are_the_photographs_own_pixels(tmp_path: Path) -> None:
    """The quick way of laying things into a strip against blending all of it."""
    Image.fromarray(np.random.default_rng(1).integers(40, 200, (300, 700, 3), dtype=np.uint8)).save(tmp_path / "a.png")
    bank = GroundBank.from_folder(tmp_path, 0.014, mission_gsd_m=0.014)
    layer = bank.paint([bank.sample(np.random.default_rng(2), 64, 600)])
    canvas = photo_canvas(layer)
    canvas.layers[0, :3, 20:40, 300:330], canvas.layers[0, 5, 20:40, 300:330] = 0.4, 1.0
    canvas.layers[0, 3, 30:50, 310:350] = 0.3
    capture = CaptureSpec(5, blur_sigma_px=0.8)
    quick = _blended(canvas, layer, capture).int()
    whole = blend(canvas, layer, [capture], jpeg=False).int()
    still = photo_canvas(layer)
    plain = blend(still, layer, [capture], jpeg=False).int()
    assert (quick - whole)[..., :280].abs().max() <= 1 and (quick - whole)[..., 370:].abs().max() <= 1
    # Where things lie the noise differs, nothing else.
    assert (quick - whole).float().abs().mean() < 0.5
    assert (whole - plain)[..., 300:330].abs().max() > 20
