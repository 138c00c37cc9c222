"""Frame sets and plain photographs as something to read, and which recorded poses are believed."""

from __future__ import annotations

import json

import numpy as np
import pytest
from PIL import Image

from mission.camera import pixels_from_ground
from mission.errors import InputError
from mission.mission_file import load_mission
from pipeline.frames_to_read import frames_to_read
from tests.pipeline.painted_flight import WANTED, view_at, write_flight

MISSION = load_mission("harrow-fen")
SMALL = MISSION.model_copy(
    update={"camera": MISSION.camera.model_copy(update={"image_width_px": 552, "image_height_px": 368})}
)


def photograph(
    path, *, size=(552, 368), height="+80.0", pitch="-90.0", yaw="+30.0", roll="+0.0", place=True, turn=1, **more
):
    """A photograph whose camera wrote a position into Exif, a height above sea that is wrong, and a pose into XMP."""
    exif = Image.Exif()
    exif[0x0112] = turn
    if place:
        exif.get_ifd(0x8825).update({1: "N", 2: (52.0, 30.0, 0.9), 3: "E", 4: (0.0, 15.0, 1.8), 5: b"\0", 6: 999.0})
    names = {"RelativeAltitude": height, "GimbalPitchDegree": pitch, "GimbalYawDegree": yaw, "GimbalRollDegree": roll}
    written = {name: value for name, value in {**names, **more}.items() if value is not None}
    xmp = "<x:xmpmeta>" + " ".join(f'c:{name}="{value}"' for name, value in written.items()) + "</x:xmpmeta>"
    Image.new("RGB", size, (90, 120, 70)).save(path, exif=exif, xmp=xmp.encode())


def test_a_frame_set_brings_poses_runs_and_lists(tmp_path):
    frames = write_flight(tmp_path / "in", [view_at(0, 0), None], runs=["a", "b"])
    for source in (frames, frames / "truth.json"):
        found = frames_to_read(source)
        assert found.is_frame_set and found.name == "in"
        assert [frame.mission_run for frame in found.frames] == ["a", "b"]
        assert found.frames[0].view == view_at(0, 0) and found.frames[1].view is None
        assert dict(found.wanted) == {"a": WANTED, "b": WANTED}


def test_a_category_that_the_frame_set_lacks_gets_an_id_of_its_own(tmp_path):
    frames = write_flight(tmp_path / "in", [view_at(0, 0)], targets=())
    truth = json.loads((frames / "truth.json").read_text())
    truth["categories"] = [{"id": 7, "name": "panel"}, {"id": 9, "name": "boat"}]
    (frames / "truth.json").write_text(json.dumps(truth))
    assert frames_to_read(frames).category_ids == {"panel": 7, "person": 10}


def test_photographs_with_a_whole_recorded_pose_get_a_view(tmp_path):
    photograph(tmp_path / "b.jpg")
    photograph(tmp_path / "a.jpg", pitch="-80.0")
    found = frames_to_read(tmp_path, SMALL)
    assert [frame.file_name for frame in found.frames] == ["a.jpg", "b.jpg"] and not found.is_frame_set
    assert {frame.mission_run for frame in found.frames} == {tmp_path.name}
    tilted, level = (frame.view for frame in found.frames)
    assert tilted is not None and level is not None
    assert (level.heading_deg, level.pitch_deg, level.roll_deg, tilted.pitch_deg) == (30.0, 0.0, 0.0, 10.0)
    # 0.9" north and 1.8" east of the site's origin: 27.8 m and 33.9 m; the height above the sea plays no part.
    assert level.position_enu_m == pytest.approx((33.95, 27.82, 80.0), abs=0.05)
    straight_down = pixels_from_ground(level, (*level.position_enu_m[:2], 0.0))
    assert straight_down == pytest.approx((276, 184))


@pytest.mark.parametrize(
    "missing",
    [
        {"height": None},
        {"pitch": None},
        {"yaw": None},
        {"place": False},
        {"size": (400, 300)},
        {"roll": "+4.0"},
        {"height": "-3.0"},
        {"pitch": "+5.0"},
        {"turn": 3},
    ],
    ids=lambda case: str(case),
)
def test_a_pose_with_anything_doubtful_is_no_pose(tmp_path, missing):
    photograph(tmp_path / "a.jpg", **missing)
    (frame,) = frames_to_read(tmp_path, SMALL).frames
    assert frame.view is None


def test_without_a_mission_no_camera_is_guessed(tmp_path):
    photograph(tmp_path / "a.jpg")
    assert frames_to_read(tmp_path / "a.jpg").frames[0].view is None


def test_nothing_to_read_is_said_in_a_sentence(tmp_path):
    with pytest.raises(InputError, match=r"must be a frame set, a folder of photographs or one\. Got nothing instead"):
        frames_to_read(tmp_path / "nowhere")
    with pytest.raises(InputError, match="must hold photographs"):
        frames_to_read(tmp_path)
    (tmp_path / "truth.json").write_text('{"format": "frame-set/1", "truth": "rendered", "images": [')
    with pytest.raises(InputError, match="must be whole JSON"):
        frames_to_read(tmp_path)
    (tmp_path / "truth.json").unlink()
    Image.fromarray(np.zeros((4, 4, 3), np.uint8)).save(tmp_path / "a.bmp")
    with pytest.raises(InputError, match="must end in one of"):
        frames_to_read(tmp_path / "a.bmp")
